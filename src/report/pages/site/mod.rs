//! The pages of a service, and of a hub ([`shop`]): what is under way, what was, what comes, and the forms to change that. Pure
//! like the others: who visits and what is known are arguments.
//!
//! Every page works without its script ([`PAGE_SCRIPT`]); forms are plain ones. *Never* shows a form to a
//! visitor whose answers nobody could tell from another site's ([`Site::proof`]).

mod forms;
mod now;
mod queue;
mod records;
mod shop;
mod visit;

pub use forms::{SuiteLine, note_page, problem_page, sign_in_page, start_page, stop_page};
pub use now::{now_page, now_parts};
pub use queue::queue_page;
pub use records::{LedgerSeen, ledger_page, machine_page, run_page, runs_page};
pub use shop::{
    BoardRow, BoardSeen, Choice, HUB_PAGES, OutcomeRow, OutcomesAsked, ShopMachine, board_news,
    board_page, outcomes_page, shop_machine_page,
};
pub use visit::{SERVICE_PAGES, Site, SitePages};

/// The script of the page that shows what is under way.
pub const PAGE_SCRIPT: &str = include_str!("../templates/page.js");
