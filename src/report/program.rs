//! A person's own programs in words.

use super::units::span;
use crate::model::{PlannedProgram, ProgramFault};

/// Characters of a digest that are shown; the JSON form has it whole.
const DIGITS: usize = 16;
/// Most characters of a program's last words in one line.
const WORDS: usize = 200;

/// What went wrong with a run of a program.
pub(super) fn program_words(
    (program, number): (&str, u32),
    failure: &ProgramFault,
    words: &str,
) -> String {
    let short = |digest: &str| digest.chars().take(DIGITS).collect::<String>();
    let what = match failure {
        ProgramFault::Status { status } => format!("ended with status {status}"),
        ProgramFault::Signal { signal } => format!("died of signal {signal}"),
        ProgramFault::Late { limit_s } => {
            format!("was not done after {} and was killed", span(*limit_s))
        }
        ProgramFault::OtherOutput { expected, got } => format!(
            "wrote another output (SHA-256 {}..., expected {}...)",
            short(got),
            short(expected)
        ),
        ProgramFault::NoOutput { reason } => format!("left no output to look at: {reason}"),
    };
    let line: String = words
        .lines()
        .next_back()
        .unwrap_or("")
        .chars()
        .take(WORDS)
        .collect();
    let said = if line.is_empty() {
        String::new()
    } else {
        format!(", saying `{line}`")
    };
    format!("your program `{program}`, run {number}, {what}{said}")
}

/// A program in a plan.
pub(super) fn planned_words(program: &PlannedProgram) -> String {
    let often = program.times.map_or_else(
        || "again and again".to_owned(),
        |times| format!("{times} times"),
    );
    let user = program.user.as_ref();
    let user = user.map_or_else(String::new, |user| format!(" as {user}"));
    format!(
        "your program `{}`{user} {often}, each at most {}",
        program.name,
        span(program.limit.as_secs_f64())
    )
}
