//! Pages for people: one HTML file each, with everything in it, that needs no network and no script.
//!
//! Texts go through a template engine that escapes markup, and before it through the door of every
//! other text ([`escape`](super::escape)); only pictures that [`chart`](super::chart) drew are put in as
//! they are.

mod compare;
mod frame;
mod machine;
mod report;
mod sheet;
mod tables;

pub use compare::{ComparedRun, compare_json, compare_page, compare_text};
pub use frame::RenderPageError;
pub use report::report_page;
pub use sheet::{SheetClaim, SheetFacts, read_sheet, sheet_page};
