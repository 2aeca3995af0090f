//! Small texts out of a machine's files: read with a limit, cleaned before anyone shows them.
//!
//! Labels come from firmware and may hold anything; a label must never be able to move a cursor,
//! forge a line of a log or fill a screen.

use std::path::Path;

use crate::os::Root;

/// Longest name or label kept, in characters.
pub const MAX_LABEL_CHARS: usize = 64;
/// Longest line of a log kept, in characters.
pub const MAX_LINE_CHARS: usize = 512;
/// Most bytes read of an attribute; sysfs gives at most one page.
pub const MAX_ATTRIBUTE_BYTES: usize = 4096;

/// `raw` without control and direction characters, white space collapsed, at most
/// [`MAX_LABEL_CHARS`] long.
pub fn clean(raw: &str) -> String {
    clean_to(raw, MAX_LABEL_CHARS)
}

/// A line of a log, cleaned as a label is, at most [`MAX_LINE_CHARS`] long.
pub(super) fn clean_line(raw: &str) -> String {
    clean_to(raw, MAX_LINE_CHARS)
}

fn clean_to(raw: &str, most: usize) -> String {
    let visible: String = raw
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .filter(|c| !is_invisible(*c))
        .collect();
    let words: Vec<&str> = visible.split_whitespace().collect();
    let short: String = words.join(" ").chars().take(most).collect();
    short.trim_end().to_owned()
}

/// Characters that change how their neighbours are drawn without being seen.
fn is_invisible(c: char) -> bool {
    matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}')
        || matches!(c, '\u{feff}' | '\u{fffd}')
}

/// Attribute as text; none when it is missing, unreadable or empty.
pub(super) fn read_attribute(root: &Root, path: impl AsRef<Path>) -> Option<String> {
    let text = root.read_bounded(path, MAX_ATTRIBUTE_BYTES).ok()?;
    (!text.is_empty()).then_some(text)
}

/// Attribute as a cleaned name; none when nothing is left of it.
pub(super) fn read_name(root: &Root, path: impl AsRef<Path>) -> Option<String> {
    let name = clean(&read_attribute(root, path)?);
    (!name.is_empty()).then_some(name)
}

/// Attribute as a whole number; none when it is not one.
pub(super) fn read_whole(root: &Root, path: impl AsRef<Path>) -> Option<u64> {
    read_attribute(root, path)?.parse().ok()
}

/// Attribute as a finite number; none when it is not one.
pub(super) fn read_number(root: &Root, path: impl AsRef<Path>) -> Option<f64> {
    parse_number(&read_attribute(root, path)?)
}

/// A decimal number as the kernel prints it; none for anything else (`nan`, `inf`, words).
pub(super) fn parse_number(text: &str) -> Option<f64> {
    let text = text.trim();
    let digits = text.strip_prefix('-').unwrap_or(text);
    if digits.is_empty() || !digits.chars().all(|c| c.is_ascii_digit() || c == '.') {
        return None;
    }
    text.parse().ok().filter(|value: &f64| value.is_finite())
}

/// CPU numbers of a kernel list (`0-3,8,10-11`); none when it is no list. Bounded by
/// [`MAX_CPUS`].
pub(super) fn parse_cpu_list(text: &str) -> Option<Vec<u32>> {
    let mut cpus = Vec::new();
    for part in text.trim().split(',').filter(|part| !part.is_empty()) {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let (first, last): (u32, u32) = (first.trim().parse().ok()?, last.trim().parse().ok()?);
        if last < first || last >= MAX_CPUS {
            return None;
        }
        cpus.extend(first..=last);
    }
    cpus.sort_unstable();
    cpus.dedup();
    Some(cpus)
}

/// Highest CPU number believed, plus one (Linux itself stops at 8192).
pub(super) const MAX_CPUS: u32 = 8192;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_label_cannot_move_the_cursor_or_fill_the_screen() {
        assert_eq!(clean("CPU\u{1b}[2J\r\nFan\u{202e} 1\0"), "CPU [2J Fan 1");
        assert_eq!(clean(&"x".repeat(10_000)).chars().count(), MAX_LABEL_CHARS);
        assert_eq!(clean("\u{7}\t "), "");
    }

    #[test]
    fn only_decimal_numbers_are_numbers() {
        assert_eq!(parse_number("-12500"), Some(-12500.0));
        for text in [
            "", "-", "nan", "inf", "1e3", "0x10", "12 13", "12a", "1.2.3",
        ] {
            assert_eq!(parse_number(text), None, "{text}");
        }
    }

    #[test]
    fn cpu_lists_are_read_and_absurd_ones_refused() {
        assert_eq!(parse_cpu_list("0-2,5\n"), Some(vec![0, 1, 2, 5]));
        assert_eq!(parse_cpu_list("3-1"), None);
        assert_eq!(parse_cpu_list("0-4294967295"), None);
        assert_eq!(parse_cpu_list(""), Some(vec![]));
    }
}
