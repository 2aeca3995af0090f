//! Names of the machines of a fleet.

use serde::{Deserialize, Serialize};

/// Longest name of a machine, in characters.
const MOST_NAME: usize = 40;

/// Name of a machine or bench: lower-case letters, digits and hyphens, so that it can stand in a subject, in
/// a file name and in the server's configuration.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct MachineName(String);

/// Not a name for a machine.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{}` is no name for a machine: use 1 to {MOST_NAME} lower-case letters, digits and hyphens, a letter first",
    .0.escape_debug()
)]
pub struct NameMachineError(String);

impl MachineName {
    /// As text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Display for MachineName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::str::FromStr for MachineName {
    type Err = NameMachineError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        let begins = text.starts_with(|c: char| c.is_ascii_lowercase());
        if begins && text.len() <= MOST_NAME && text.chars().all(fits) {
            Ok(Self(text.to_owned()))
        } else {
            Err(NameMachineError(text.chars().take(2 * MOST_NAME).collect()))
        }
    }
}

impl TryFrom<String> for MachineName {
    type Error = NameMachineError;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}

impl From<MachineName> for String {
    fn from(name: MachineName) -> Self {
        name.0
    }
}
