//! The suites that come with the program: the same files that a person may copy and change.

/// A suite of the program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Builtin {
    /// Its name.
    pub name: &'static str,
    /// Where its text stands in the sources.
    pub origin: &'static str,
    /// The text.
    pub text: &'static str,
}

macro_rules! embedded {
    ($name:literal) => {
        Builtin {
            name: $name,
            origin: concat!("suites/", $name, ".toml"),
            text: include_str!(concat!("../../suites/", $name, ".toml")),
        }
    };
}

/// From the shortest to the longest, the special one last.
const BUILTINS: [Builtin; 6] = [
    embedded!("smoke"),
    embedded!("recheck"),
    embedded!("hour"),
    embedded!("handover"),
    embedded!("overnight"),
    embedded!("memory"),
];

/// The built-in suite called `name`.
pub fn builtin(name: &str) -> Option<Builtin> {
    BUILTINS.into_iter().find(|suite| suite.name == name)
}

/// Names of the built-in suites, from the shortest to the longest.
pub fn builtin_names() -> Vec<&'static str> {
    BUILTINS.iter().map(|suite| suite.name).collect()
}
