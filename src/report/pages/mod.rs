//! Pages for people: one HTML file each, with everything in it, that needs no network and no script. Those
//! of a [`site`] stand in a service: they have links, forms, and a script that only puts in what changed.
//!
//! Texts go through a template engine that escapes markup, and before it through the door of every
//! other text ([`escape`](super::escape)); only pictures that [`chart`](super::chart) drew are put in as
//! they are.

mod compare;
mod frame;
mod machine;
mod report;
mod sheet;
mod site;
mod tables;

pub use compare::{ComparedRun, compare_json, compare_page, compare_text};
pub use frame::{RenderPageError, page_styles};
pub use report::report_page;
pub use sheet::{SheetClaim, SheetFacts, read_sheet, sheet_page, sheet_values, sheets_page};
pub use site::{
    BoardRow, BoardSeen, Choice, HUB_PAGES, LedgerSeen, OutcomeRow, OutcomesAsked, PAGE_SCRIPT,
    SERVICE_PAGES, ShopMachine, Site, SitePages, SuiteLine, board_news, board_page, ledger_page,
    machine_page, note_page, now_page, now_parts, outcomes_page, problem_page, queue_page,
    run_page, runs_page, shop_machine_page, sign_in_page, start_page, stop_page,
};
