//! A person's own program in a stage.

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use toml::de::DeTable;

use crate::form::{Draft, Keys};
use crate::model::PlannedProgram;

use super::written::{LoadSpec, Placement};

const PROGRAM_KEYS: [&str; 8] = [
    "name", "command", "user", "folder", "times", "limit", "output", "sha256",
];
/// Shortest and longest time limit of one run.
const LIMIT: (Duration, Duration) = (Duration::from_secs(1), Duration::from_hours(24));
/// Most runs.
const MOST_TIMES: u64 = 10_000;
/// Digits of a SHA-256.
const DIGITS: usize = 64;
/// Most programs of a stage: each is a thread and a process.
const MOST_PROGRAMS: usize = 32;

/// Checks the programs of one stage.
pub(super) fn check_programs(
    draft: &mut Draft<'_>,
    tables: &[(&DeTable<'_>, Range<usize>)],
    loads: &[LoadSpec],
) -> Vec<PlannedProgram> {
    if let Some((_, span)) = tables.get(MOST_PROGRAMS) {
        let message = format!("more than {MOST_PROGRAMS} programs in a stage: make more stages");
        draft.report(span, message);
    }
    let turns = loads.iter().any(|load| load.cores == Placement::OneByOne);
    if let (true, Some((_, span))) = (turns, tables.first()) {
        draft.report(
            span,
            "a program cannot run beside cores that take turns: give it a stage of its own, or the load \
             other `cores`",
        );
    }
    let mut names = BTreeSet::new();
    let mut programs = Vec::new();
    for (table, span) in tables {
        if let Some(program) = check_program(draft, table, span) {
            if !names.insert(program.name.clone()) {
                let message = format!(
                    "a second program of the stage is called `{}`: give it another name",
                    program.name
                );
                draft.report(span, message);
            }
            programs.push(program);
        }
    }
    programs
}

fn check_program(
    draft: &mut Draft<'_>,
    table: &DeTable<'_>,
    span: &Range<usize>,
) -> Option<PlannedProgram> {
    let keys = Keys::open(draft, table, "[[stage.program]]", &PROGRAM_KEYS);
    for (key, what) in [
        ("name", "a short name"),
        (
            "command",
            "its full path and arguments, `[\"/usr/bin/make\", \"-j4\"]`",
        ),
        (
            "limit",
            "the longest time that one run may take, like `\"10min\"`",
        ),
    ] {
        if keys.lacks(key) {
            draft.report(span, format!("the program has no `{key}`: give it {what}"));
        }
    }
    let name = keys.text(draft, "name", "like `\"compile\"`");
    if let Some(empty) = name.as_ref().filter(|name| name.value.trim().is_empty()) {
        draft.report(
            &empty.span,
            "the program's name is empty: give it a short name",
        );
    }
    let command = check_command(draft, &keys);
    let limit = keys.time(draft, "limit", LIMIT);
    let times = keys.whole(draft, "times", (1, MOST_TIMES));
    let user = keys.text(draft, "user", "like `\"render\"`");
    if let Some(root) = user
        .as_ref()
        .filter(|user| matches!(user.value, "" | "root" | "0"))
    {
        draft.report(&root.span, "`user` must name a user without special rights");
    }
    let folder = keys.text(draft, "folder", "like `\"/home/render/scene\"`");
    if let Some(relative) = folder
        .as_ref()
        .filter(|folder| !folder.value.starts_with('/'))
    {
        draft.report(&relative.span, "`folder` must be a full path");
    }
    let output = keys.text(draft, "output", "like `\"frame.png\"`");
    let sha256 = check_digest(draft, &keys);
    let owned = |text: Option<crate::form::At<&str>>| text.map(|text| text.value.to_owned());
    Some(PlannedProgram {
        name: name?.value.to_owned(),
        command: command?,
        user: owned(user),
        folder: owned(folder),
        times: times.and_then(|times| u32::try_from(times.value).ok()),
        limit: limit?.value,
        output: owned(output),
        sha256,
    })
}

/// A full path: what `PATH` says may differ between whoever wrote the suite and whoever runs it.
fn check_command(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<Vec<String>> {
    let words = keys.texts(draft, "command")?;
    match words.first() {
        Some(first) if first.value.starts_with('/') => {}
        Some(first) => draft.report(
            &first.span,
            format!(
                "`{}` is no full path: write it like `/usr/bin/make`",
                first.value
            ),
        ),
        None => {
            let span = keys.get("command").map_or(0..0, toml::Spanned::span);
            draft.report(&span, "`command` is empty: give a full path and arguments");
        }
    }
    Some(words.iter().map(|word| word.value.to_owned()).collect())
}

fn check_digest(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<String> {
    let digest = keys.text(draft, "sha256", "of 64 hexadecimal digits")?;
    let hexadecimal = digest.value.bytes().all(|byte| byte.is_ascii_hexdigit());
    if digest.value.len() != DIGITS || !hexadecimal {
        draft.report(
            &digest.span,
            "`sha256` has 64 hexadecimal digits; `sha256sum FILE` writes them",
        );
    }
    if keys.lacks("output") {
        draft.report(
            &digest.span,
            "`sha256` of what? name the file with `output`",
        );
    }
    Some(digest.value.to_ascii_lowercase())
}
