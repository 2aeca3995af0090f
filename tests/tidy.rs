//! House rules, held by reading the sources: what DEVELOPERS.md promises is what the code does.
//!
//! Each rule is a function from sources to complaints, tried on a small bad example first, so that a
//! rule that has gone blind is noticed.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "these tests read the sources, which are there"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Files that may open `unsafe`. Add one only with a reason that no safe call could do the same.
const MAY_OPEN_UNSAFE: &[&str] = &[
    "src/kernels/crc.rs",
    "src/kernels/float/control.rs",
    "src/kernels/float/matrix_fma.rs",
    "src/kernels/float/scalar_fma.rs",
    "src/kernels/fma/blocks.rs",
    "src/kernels/limit/plain.rs",
    "src/kernels/limit/x86.rs",
    "src/kernels/memory/cells.rs",
    "src/kernels/memory/wide.rs",
    "src/kernels/probe.rs",
    "src/kernels/scalar/sha_extension.rs",
    "src/kernels/scalar/streams_x86.rs",
    "src/kernels/vector/int/x86.rs",
    "src/kernels/vector/int52/halves.rs",
    "src/kernels/vector/int52/ifma.rs",
    "src/kernels/vector/units/blocks.rs",
    "src/os/confinement.rs",
    "src/os/crash.rs",
    "src/os/memory.rs",
    "src/os/watchdog.rs",
    "src/os/worker_life.rs",
];
/// Most lines of a source file, and of a file of tests.
const MOST_LINES: usize = 600;
const MOST_TEST_LINES: usize = 1000;
/// Most lines of DEVELOPERS.md: a map that nobody reads to its end is no map.
const MOST_DEVELOPERS_LINES: usize = 400;
/// Names that say nothing about what is inside.
const EMPTY_NAMES: [&str; 8] = [
    "utils", "util", "helpers", "helper", "common", "misc", "types", "manager",
];
/// Rooms (or files) that do no I/O and read no clock.
const PURE: [&str; 14] = [
    "src/model/",
    "src/form/",
    "src/kernels/",
    "src/suite/",
    "src/verdict/",
    "src/ledger/",
    "src/run/core",
    "src/run/recovery/decide.rs",
    "src/run/recovery/heartbeat.rs",
    "src/service/agenda",
    "src/fleet/protocol/",
    "src/fleet/floor.rs",
    "src/fleet/plan.rs",
    "src/fleet/lease.rs",
];
/// What a pure room must not name.
const IMPURE: [&str; 7] = [
    "std::fs",
    "std::net",
    "std::process",
    "std::thread",
    "std::env",
    "Instant",
    "SystemTime",
];

/// A source file: its path below the package, and its text.
struct Source {
    path: String,
    text: String,
}

impl Source {
    /// Lines with their numbers, without comments.
    fn code(&self) -> impl Iterator<Item = (usize, &str)> {
        let lines = self.text.lines().enumerate();
        lines.map(|(index, line)| (index + 1, line.split("//").next().unwrap_or("")))
    }

    /// The same up to the unit tests at the end of the file.
    fn production(&self) -> impl Iterator<Item = (usize, &str)> {
        self.code()
            .take_while(|(_, line)| line.trim() != "#[cfg(test)]")
    }

    /// `kernels` for `src/kernels/isa.rs`; none for `src/lib.rs`.
    fn room(&self) -> Option<&str> {
        self.path
            .strip_prefix("src/")?
            .split_once('/')
            .map(|(room, _)| room)
    }
}

fn package() -> PathBuf {
    // Asked at run time, so that the rules can be held against another tree.
    PathBuf::from(std::env::var("CARGO_MANIFEST_DIR").unwrap())
}

fn read_sources(folder: &str) -> Vec<Source> {
    fn collect(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                collect(&path, found);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                found.push(path);
            }
        }
    }
    let package = package();
    let mut found = Vec::new();
    collect(&package.join(folder), &mut found);
    found.sort();
    let sources = found.into_iter().map(|file| Source {
        path: file.strip_prefix(&package).unwrap().display().to_string(),
        text: fs::read_to_string(&file).unwrap(),
    });
    sources.collect()
}

fn developers() -> String {
    fs::read_to_string(package().join("DEVELOPERS.md")).unwrap()
}

fn example(path: &str, text: &str) -> Vec<Source> {
    vec![Source {
        path: path.to_string(),
        text: text.to_string(),
    }]
}

fn none(complaints: Vec<String>) {
    assert!(complaints.is_empty(), "\n{}", complaints.join("\n"));
}

type UseTable = BTreeMap<String, BTreeSet<String>>;

/// The table under the heading `Who may use whom`: `| room | may use |`.
fn parse_use_table(developers: &str) -> UseTable {
    let heading = developers
        .find("Who may use whom")
        .expect("the heading of the use-table");
    let lines = developers[heading..].lines().skip(1);
    let lines = lines.skip_while(|line| !line.starts_with('|'));
    let rows = lines.take_while(|line| line.starts_with('|')).skip(2);
    let words = |cell: &str| {
        let names = cell
            .split(',')
            .map(|name| name.trim().trim_matches('`').to_string());
        names
            .filter(|name| !name.is_empty() && name != "-")
            .collect::<BTreeSet<String>>()
    };
    let mut table = UseTable::new();
    for row in rows {
        let cells: Vec<&str> = row.trim_matches('|').split('|').collect();
        let room = cells[0].trim().trim_matches('`').to_string();
        table.insert(room, words(cells[1]));
    }
    let rooms: BTreeSet<String> = table.keys().cloned().collect();
    for allowed in table.values_mut() {
        if allowed.contains("all") {
            *allowed = rooms.clone();
        }
    }
    table
}

/// Rooms named after `crate::` in one line, also in `crate::{a, b::c}`.
fn rooms_named(line: &str) -> Vec<String> {
    let name = |text: &str| {
        let end = text.find(|c: char| !c.is_alphanumeric() && c != '_');
        text[..end.unwrap_or(text.len())].to_string()
    };
    let mut rooms = Vec::new();
    for (at, _) in line.match_indices("crate::") {
        let rest = &line[at + "crate::".len()..];
        match rest.strip_prefix('{') {
            Some(group) => rooms.extend(group.split(',').map(|part| name(part.trim()))),
            None => rooms.push(name(rest)),
        }
    }
    rooms
}

fn check_uses(sources: &[Source], table: &UseTable) -> Vec<String> {
    let mut complaints = Vec::new();
    for source in sources {
        let Some(room) = source.room() else { continue };
        let Some(allowed) = table.get(room) else {
            complaints.push(format!(
                "{}: room `{room}` is missing from the use-table",
                source.path
            ));
            continue;
        };
        for (number, line) in source.code() {
            for used in rooms_named(line) {
                if table.contains_key(&used) && used != room && !allowed.contains(&used) {
                    let path = &source.path;
                    complaints.push(format!("{path}:{number}: `{room}` may not use `{used}`"));
                }
            }
        }
    }
    complaints
}

#[test]
fn rooms_use_only_what_the_use_table_allows() {
    let table = parse_use_table(&developers());
    let bad = example("src/model/plan.rs", "use crate::store::Store;\n");
    assert_eq!(
        check_uses(&bad, &table),
        ["src/model/plan.rs:1: `model` may not use `store`"]
    );
    let bad = example(
        "src/verdict/mod.rs",
        "use crate::{model::Plan, run::core};\n",
    );
    assert_eq!(
        check_uses(&bad, &table),
        ["src/verdict/mod.rs:1: `verdict` may not use `run`"]
    );
    let bad = example("src/attic/mod.rs", "");
    assert_eq!(check_uses(&bad, &table).len(), 1);
    none(check_uses(&read_sources("src"), &table));
}

#[test]
fn the_use_table_lists_the_rooms_that_there_are() {
    let listed: BTreeSet<String> = parse_use_table(&developers()).into_keys().collect();
    let sources = read_sources("src");
    let rooms = sources.iter().filter_map(Source::room).map(str::to_string);
    assert_eq!(listed, rooms.collect::<BTreeSet<String>>());
}

fn check_unsafe(sources: &[Source]) -> Vec<String> {
    // Any mention of the lint, however it is wrapped: the package denies it, so only a file that opens
    // it has a reason to name it.
    let opens = |source: &&Source| source.text.contains("unsafe_code");
    let strangers = sources.iter().filter(opens).map(|source| &source.path);
    let strangers = strangers.filter(|path| !MAY_OPEN_UNSAFE.contains(&path.as_str()));
    strangers
        .map(|path| format!("{path}: may not open `unsafe`"))
        .collect()
}

#[test]
fn unsafe_is_opened_only_in_the_listed_files() {
    let bad = example(
        "src/run/core.rs",
        "#![expect(unsafe_code, reason = \"fast\")]\n",
    );
    assert_eq!(
        check_unsafe(&bad),
        ["src/run/core.rs: may not open `unsafe`"]
    );
    let wrapped = "#![cfg_attr(\n    unix,\n    expect(\n        unsafe_code,\n";
    assert_eq!(
        check_unsafe(&example("src/report/mod.rs", wrapped)).len(),
        1
    );
    none(check_unsafe(&read_sources("src")));
    for path in MAY_OPEN_UNSAFE {
        let room = path.starts_with("src/kernels/") || path.starts_with("src/os/");
        assert!(room, "{path}: unsafe belongs to `kernels` and `os`");
    }
}

fn check_length(sources: &[Source], most: usize) -> Vec<String> {
    let long = sources
        .iter()
        .map(|source| (&source.path, source.text.lines().count()));
    let long = long.filter(|(_, lines)| *lines > most);
    long.map(|(path, lines)| format!("{path}: {lines} lines, more than {most}: split it"))
        .collect()
}

#[test]
fn no_file_is_too_long_to_be_read_at_once() {
    let bad = example("src/suite/check.rs", &"\n".repeat(MOST_LINES + 1));
    assert_eq!(check_length(&bad, MOST_LINES).len(), 1);
    none(check_length(&read_sources("src"), MOST_LINES));
    none(check_length(&read_sources("tests"), MOST_TEST_LINES));
    assert!(developers().lines().count() < MOST_DEVELOPERS_LINES);
}

fn check_docs(sources: &[Source]) -> Vec<String> {
    let undocumented = sources
        .iter()
        .filter(|source| !source.text.starts_with("//!"));
    let paths = undocumented.map(|source| &source.path);
    paths
        .map(|path| format!("{path}: begins without a module doc (`//!`)"))
        .collect()
}

#[test]
fn every_file_says_first_what_it_is() {
    assert_eq!(
        check_docs(&example("src/os/mod.rs", "mod root;\n")).len(),
        1
    );
    none(check_docs(&read_sources("src")));
    none(check_docs(&read_sources("tests")));
}

fn check_paths(sources: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for source in sources.iter().filter(|source| source.room() != Some("os")) {
        for (number, line) in source.production() {
            let absolute = ["\"/sys", "\"/proc", "\"/dev"]
                .iter()
                .find(|path| line.contains(**path));
            if let Some(path) = absolute {
                let place = &source.path;
                complaints.push(format!("{place}:{number}: {path}...\" belongs to `os`"));
            }
        }
    }
    complaints
}

#[test]
fn only_os_names_absolute_paths_of_the_system() {
    let line = "let path = Path::new(\"/sys/class/hwmon\");\n";
    assert_eq!(check_paths(&example("src/sensors/hwmon.rs", line)).len(), 1);
    none(check_paths(&example("src/os/root.rs", line)));
    none(check_paths(&example(
        "src/sensors/hwmon.rs",
        &format!("#[cfg(test)]\n{line}"),
    )));
    none(check_paths(&read_sources("src")));
}

fn check_names(sources: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for source in sources {
        let mut parts = source
            .path
            .split('/')
            .map(|part| part.trim_end_matches(".rs"));
        if let Some(name) = parts.find(|part| EMPTY_NAMES.contains(part)) {
            complaints.push(format!(
                "{}: `{name}` says nothing of what is inside",
                source.path
            ));
        }
    }
    complaints
}

#[test]
fn modules_have_names_that_say_something() {
    assert_eq!(check_names(&example("src/store/utils.rs", "")).len(), 1);
    assert_eq!(check_names(&example("src/common/mod.rs", "")).len(), 1);
    none(check_names(&read_sources("src")));
    none(check_names(&read_sources("tests")));
}

fn check_pure(sources: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    let pure = |source: &&Source| PURE.iter().any(|room| source.path.starts_with(room));
    for source in sources.iter().filter(pure) {
        for (number, line) in source.production() {
            let words: Vec<&str> = line
                .split(|c: char| !c.is_alphanumeric() && c != ':')
                .collect();
            let named = IMPURE.iter().find(|name| {
                let inside = |word: &&str| word.split("::").any(|part| part == **name);
                if name.contains("::") {
                    line.contains(**name)
                } else {
                    words.iter().any(inside)
                }
            });
            if let Some(name) = named {
                let place = &source.path;
                complaints.push(format!(
                    "{place}:{number}: a pure room must not name `{name}`"
                ));
            }
        }
    }
    complaints
}

#[test]
fn pure_rooms_do_no_input_and_read_no_clock() {
    assert_eq!(
        check_pure(&example("src/verdict/fit.rs", "use std::time::Instant;\n")).len(),
        1
    );
    assert_eq!(
        check_pure(&example("src/run/core.rs", "std::thread::yield_now();\n")).len(),
        1
    );
    none(check_pure(&example(
        "src/run/core.rs",
        "use std::time::Duration; // no Instant\n",
    )));
    none(check_pure(&example(
        "src/os/clock.rs",
        "use std::time::Instant;\n",
    )));
    none(check_pure(&read_sources("src")));
}

/// What compiles on one architecture only.
const ONE_ARCHITECTURE: [&str; 4] = [
    "arch::x86_64",
    "asm!(",
    "is_x86_feature_detected!",
    "target_feature(",
];

/// True for an attribute that leaves an item to one architecture.
fn is_guard(line: &str) -> bool {
    line.trim_start().starts_with("#[cfg(")
        && line.contains("target_arch = ")
        && !line.contains("not(")
}

/// Files (without ending) of modules that are declared for one architecture.
fn guarded_modules(sources: &[Source]) -> BTreeSet<String> {
    let mut modules = BTreeSet::new();
    for source in sources {
        let stem = source.path.trim_end_matches(".rs");
        let folder = ["/mod", "/lib", "/main"]
            .iter()
            .find_map(|end| stem.strip_suffix(end))
            .unwrap_or(stem);
        let mut guarded = false;
        for (_, line) in source.code() {
            let line = line.trim();
            if let Some(rest) = line.strip_prefix("mod ").filter(|_| guarded) {
                modules.insert(format!("{folder}/{}", rest.trim_end_matches(';')));
            }
            guarded = is_guard(line);
        }
    }
    modules
}

/// True when `lines[at]`, or anything around it, stands under a guard. The sources are formatted, so that
/// what is around a line is less indented than it.
fn is_guarded(lines: &[&str], at: usize) -> bool {
    let indent = |line: &str| line.len() - line.trim_start().len();
    let mut least = indent(lines[at]);
    let mut under_item = true;
    for line in lines[..at].iter().rev() {
        if line.trim().is_empty() {
            under_item = false;
        } else if indent(line) < least {
            least = indent(line);
            under_item = true;
        } else if indent(line) > least {
            continue;
        }
        let attribute = line.trim_start().starts_with("#[");
        under_item &= attribute || indent(line) <= least && !line.trim_end().ends_with([';', '}']);
        if under_item && is_guard(line) {
            return true;
        }
    }
    false
}

fn check_architecture(sources: &[Source]) -> Vec<String> {
    let modules = guarded_modules(sources);
    let mut complaints = Vec::new();
    for source in sources {
        let stem = source.path.trim_end_matches(".rs").trim_end_matches("/mod");
        let inside = |module: &String| stem == module || stem.starts_with(&format!("{module}/"));
        if modules.iter().any(inside) {
            continue;
        }
        let lines: Vec<&str> = source.code().map(|(_, line)| line).collect();
        for (number, line) in source.production() {
            let named = ONE_ARCHITECTURE.iter().find(|name| line.contains(**name));
            if let Some(name) = named.filter(|_| !is_guarded(&lines, number - 1)) {
                let place = &source.path;
                complaints.push(format!("{place}:{number}: `{name}` for every architecture"));
            }
        }
    }
    complaints
}

#[test]
fn instructions_of_one_processor_family_stand_under_a_guard() {
    let bare = "fn run() {\n    if is_x86_feature_detected!(\"avx2\") {\n    }\n}\n";
    assert_eq!(
        check_architecture(&example("src/kernels/crc.rs", bare)).len(),
        1
    );
    let guarded = "#[cfg(target_arch = \"x86_64\")]\nfn other() {}\n\n".to_string();
    assert_eq!(
        check_architecture(&example("src/kernels/crc.rs", &(guarded + bare))).len(),
        1,
        "a guard of another item does not count"
    );
    none(check_architecture(&example(
        "src/kernels/crc.rs",
        "#[cfg(target_arch = \"x86_64\")]\n#[inline]\nfn run() {\n    let word = 1;\n    asm!(\"\");\n}\n",
    )));
    let mut family = example(
        "src/kernels/mod.rs",
        "#[cfg(target_arch = \"x86_64\")]\nmod wide;\n",
    );
    family.extend(example("src/kernels/wide.rs", bare));
    none(check_architecture(&family));
    none(check_architecture(&read_sources("src")));
}
