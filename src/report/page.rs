//! Layout of text: labelled paragraphs and tables within a width. The only door for text, which
//! escapes what could steer a terminal; only this file writes escape sequences.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use crate::model::Grade;

/// Narrowest width that is laid out for.
const NARROWEST: usize = 40;
/// Width of the label column of a page.
const LABEL: usize = 11;
/// Widest column of a table, except the last.
const WIDEST_CELL: usize = 34;

/// How text is to be laid out.
#[derive(Debug, Clone)]
pub struct Style {
    /// Use colour. Nothing is told by colour alone.
    pub colour: bool,
    /// Columns of the screen.
    pub width: u16,
    /// Zone in which times are told.
    pub zone: TimeZone,
    /// Number of the run in the store, where it has one.
    pub run: Option<i64>,
}

impl Style {
    /// Times in UTC, no number.
    pub fn new(colour: bool, width: u16) -> Self {
        Self {
            colour,
            width,
            zone: TimeZone::UTC,
            run: None,
        }
    }

    /// The same with times told in `zone`.
    #[must_use]
    pub fn in_zone(self, zone: TimeZone) -> Self {
        Self { zone, ..self }
    }

    /// The same for a run that has this number.
    #[must_use]
    pub fn of_run(self, number: i64) -> Self {
        Self {
            run: Some(number),
            ..self
        }
    }
}

/// Makes a foreign text harmless: control characters, line breaks and characters that reorder or hide
/// text are written as `\u{..}`.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        if steers(c) {
            let _infallible = write!(safe, "\\u{{{:x}}}", u32::from(c));
        } else {
            safe.push(c);
        }
    }
    safe
}

fn steers(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{ad}'
                | '\u{61c}'
                | '\u{180e}'
                | '\u{200b}'..='\u{200f}'
                | '\u{2028}'..='\u{202e}'
                | '\u{2060}'..='\u{206f}'
                | '\u{feff}'
                | '\u{fff9}'..='\u{fffb}'
                | '\u{e0000}'..='\u{e007f}'
        )
}

/// Side on which a column of a table is flush.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Flush {
    /// Words.
    Left,
    /// Figures.
    Right,
}

/// A page under construction.
#[derive(Debug)]
pub(super) struct Page {
    colour: bool,
    width: usize,
    text: String,
}

impl Page {
    pub(super) fn new(style: &Style) -> Self {
        Self {
            colour: style.colour,
            width: usize::from(style.width).max(NARROWEST),
            text: String::new(),
        }
    }

    pub(super) fn finish(self) -> String {
        self.text
    }

    pub(super) fn blank(&mut self) {
        self.text.push('\n');
    }

    /// The grade in capitals as label of the headline.
    pub(super) fn grade(&mut self, grade: Grade, headline: &str) {
        let word = grade.to_string().to_uppercase();
        let code = match grade {
            Grade::Failed => "1;31",
            Grade::Marginal => "1;33",
            Grade::Inconclusive => "1;35",
            Grade::Provisional => "1;36",
            Grade::Proven => "1;32",
        };
        // The longest grade is wider than a label.
        let indent = LABEL.max(word.len() + 2);
        self.hang((&word, code), indent, headline);
    }

    /// A heading of a longer page.
    pub(super) fn heading(&mut self, text: &str) {
        self.blank();
        let painted = self.paint(&escape(text), "1");
        self.text.push_str(&painted);
        self.text.push('\n');
    }

    /// A labelled paragraph; an empty label continues the one before.
    pub(super) fn say(&mut self, label: &str, text: &str) {
        self.hang((label, "1"), LABEL, text);
    }

    /// A paragraph over the whole width.
    pub(super) fn plain(&mut self, text: &str) {
        for line in wrap(&escape(text), self.width) {
            self.text.push_str(&line);
            self.text.push('\n');
        }
    }

    fn hang(&mut self, (label, code): (&str, &str), indent: usize, text: &str) {
        let room = self.width.saturating_sub(indent);
        let label = escape(label);
        for (number, line) in wrap(&escape(text), room).iter().enumerate() {
            if number == 0 && !label.is_empty() {
                let pad = indent.saturating_sub(label.chars().count());
                let painted = self.paint(&label, code);
                self.text.push_str(&painted);
                self.text.push_str(&" ".repeat(pad));
            } else {
                self.text.push_str(&" ".repeat(indent));
            }
            self.text.push_str(line);
            self.text.push('\n');
        }
    }

    fn paint(&self, text: &str, code: &str) -> String {
        if self.colour {
            format!("\u{1b}[{code}m{text}\u{1b}[0m")
        } else {
            text.to_owned()
        }
    }

    /// A table; the last column takes what is left of the width and is wrapped within it.
    pub(super) fn table(&mut self, columns: &[(&str, Flush)], rows: &[Vec<String>]) {
        let rows: Vec<Vec<String>> = rows
            .iter()
            .map(|row| row.iter().map(|cell| escape(cell)).collect())
            .collect();
        let widths = column_widths(columns, &rows);
        let head: Vec<String> = columns.iter().map(|(name, _)| (*name).to_owned()).collect();
        let before: usize = widths.iter().map(|width| width + 2).sum();
        let room = self.width.saturating_sub(before).max(NARROWEST / 5);
        for (number, row) in std::iter::once(&head).chain(&rows).enumerate() {
            let mut first = String::new();
            for ((cell, width), (_, flush)) in row.iter().zip(&widths).zip(columns) {
                first.push_str(&pad(cell, *width, *flush));
                first.push_str("  ");
            }
            let last = row.get(widths.len()).map_or("", String::as_str);
            let mut block = String::new();
            for (line_number, line) in wrap(last, room).iter().enumerate() {
                let start = if line_number == 0 {
                    first.clone()
                } else {
                    " ".repeat(before)
                };
                block.push_str(format!("{start}{line}").trim_end());
                block.push('\n');
            }
            if number == 0 {
                let painted = self.paint(block.trim_end(), "2");
                self.text.push_str(&painted);
                self.text.push('\n');
            } else {
                self.text.push_str(&block);
            }
        }
    }
}

/// Widths of all columns but the last.
fn column_widths(columns: &[(&str, Flush)], rows: &[Vec<String>]) -> Vec<usize> {
    let fixed = columns.len().saturating_sub(1);
    columns
        .iter()
        .take(fixed)
        .enumerate()
        .map(|(index, (name, _))| {
            let cells = rows.iter().filter_map(|row| row.get(index));
            let widest = cells.map(|cell| cell.chars().count()).max().unwrap_or(0);
            widest.max(name.len()).min(WIDEST_CELL)
        })
        .collect()
}

/// Brings a cell to its width; what does not fit is cut, and the cut is visible.
fn pad(cell: &str, width: usize, flush: Flush) -> String {
    let length = cell.chars().count();
    if length > width {
        let kept: String = cell.chars().take(width.saturating_sub(2)).collect();
        return format!("{kept}..");
    }
    let space = " ".repeat(width - length);
    match flush {
        Flush::Left => format!("{cell}{space}"),
        Flush::Right => format!("{space}{cell}"),
    }
}

/// Breaks at spaces; a word that is longer than a line is broken hard. At least one line.
pub(super) fn wrap(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut length = 0;
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let word: Vec<char> = word.chars().collect();
        if length > 0 && length + 1 + word.len() > width {
            lines.push(std::mem::take(&mut line));
            length = 0;
        }
        if length > 0 {
            line.push(' ');
            length += 1;
        }
        for c in word {
            if length == width {
                lines.push(std::mem::take(&mut line));
                length = 0;
            }
            line.push(c);
            length += 1;
        }
    }
    lines.push(line);
    lines
}
