//! Any table, for lists of which this room knows nothing else.

use super::page::{Flush, Page, Style};

/// Head of a column, and on which side it is flush.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// Words.
    Words(&'static str),
    /// Figures.
    Figures(&'static str),
}

/// A table with what stands above it, or `none` where there are no rows.
pub fn table_text(columns: &[Column], rows: &[Vec<String>], none: &str, style: &Style) -> String {
    let mut page = Page::new(style);
    if rows.is_empty() {
        page.plain(none);
        return page.finish();
    }
    let heads: Vec<(&str, Flush)> = columns
        .iter()
        .map(|column| match column {
            Column::Words(head) => (*head, Flush::Left),
            Column::Figures(head) => (*head, Flush::Right),
        })
        .collect();
    page.table(&heads, rows);
    page.finish()
}
