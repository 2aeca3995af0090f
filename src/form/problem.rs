//! Mistakes in a file, each with its line and column, collected until the whole file is read.

use std::fmt;
use std::ops::Range;

use toml::de::DeTable;

/// One mistake.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Problem {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong and what would be right.
    pub message: String,
}

/// A file has mistakes: all of them, in the order of the file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct CheckFormError {
    /// The file, as people know it.
    pub origin: String,
    /// The mistakes; never empty.
    pub problems: Vec<Problem>,
}

impl fmt::Display for CheckFormError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            let Problem {
                line,
                column,
                message,
            } = problem;
            let end = if index == 0 { "" } else { "\n" };
            write!(f, "{end}{}:{line}:{column}: {message}", self.origin)?;
        }
        Ok(())
    }
}

/// A text under examination, with the mistakes found so far.
#[derive(Debug)]
pub(crate) struct Draft<'t> {
    text: &'t str,
    problems: Vec<Problem>,
}

impl<'t> Draft<'t> {
    fn new(text: &'t str) -> Self {
        Self {
            text,
            problems: Vec::new(),
        }
    }

    /// Line and column of a byte offset.
    pub(crate) fn place(&self, offset: usize) -> (usize, usize) {
        let before = self.text.get(..offset).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        let line = before.matches('\n').count() + 1;
        (line, before[line_start..].chars().count() + 1)
    }

    pub(crate) fn report(&mut self, at: &Range<usize>, message: impl Into<String>) {
        let (line, column) = self.place(at.start);
        let message = message.into();
        self.problems.push(Problem {
            line,
            column,
            message,
        });
    }

    pub(crate) fn is_sound(&self) -> bool {
        self.problems.is_empty()
    }

    /// The error, when there is a mistake.
    fn into_error(mut self, origin: &str) -> Option<CheckFormError> {
        if self.problems.is_empty() {
            return None;
        }
        self.problems.sort();
        self.problems.dedup();
        let origin = origin.to_string();
        Some(CheckFormError {
            origin,
            problems: self.problems,
        })
    }
}

/// Reads a TOML text and lets `check` look at its tables. `origin` is the file as people know it.
///
/// # Errors
/// All mistakes of the file, in its order.
pub(crate) fn check_form<T>(
    origin: &str,
    text: &str,
    check: impl FnOnce(&mut Draft<'_>, &DeTable<'_>) -> Option<T>,
) -> Result<T, CheckFormError> {
    let mut draft = Draft::new(text);
    let (root, syntax) = DeTable::parse_recoverable(text);
    for error in &syntax {
        let at = error.span().unwrap_or(0..0);
        draft.report(&at, format!("not TOML: {}", error.message()));
    }
    if !draft.is_sound() {
        // Keys behind a broken line may be lost, so complaints about them would mislead.
        return Err(draft.into_error(origin).expect("there is a mistake"));
    }
    let checked = check(&mut draft, root.get_ref());
    match draft.into_error(origin) {
        Some(error) => Err(error),
        None => Ok(checked.expect("a file is refused only with a reason")),
    }
}

/// The known word nearest to what was written, if it is near enough to be meant.
pub(crate) fn nearest<'k>(
    written: &str,
    known: impl IntoIterator<Item = &'k str>,
) -> Option<&'k str> {
    /// Words less alike than this are not worth suggesting.
    const ALIKE: f64 = 0.75;
    let scored = known
        .into_iter()
        .map(|word| (strsim::jaro_winkler(written, word), word));
    let best = scored.max_by(|a, b| a.0.total_cmp(&b.0));
    best.filter(|(score, _)| *score >= ALIKE)
        .map(|(_, word)| word)
}

/// `; did you mean ...?` or the whole list of what would be right.
pub(crate) fn hint(written: &str, known: &[&str]) -> String {
    match nearest(written, known.iter().copied()) {
        Some(word) => format!("did you mean `{word}`?"),
        None => format!("known: {}", quoted(known)),
    }
}

/// Words in back quotes with commas between.
pub(crate) fn quoted(words: &[&str]) -> String {
    let words: Vec<String> = words.iter().map(|word| format!("`{word}`")).collect();
    words.join(", ")
}
