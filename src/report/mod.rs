//! Records and verdicts as text for people and as JSON for programs.
//!
//! Pure: data in, text out. Model and ledger are known here, no store, no terminal, no clock; the
//! caller says whether there is colour, how wide the screen is, in which zone times are told and which
//! number the run has. Everything is understandable without colour. Every foreign text (host, labels,
//! notes, suite names) goes through one door ([`page`]) that escapes control characters, so that a
//! record from elsewhere cannot steer the reader's terminal.

mod advice;
mod aftermath;
pub mod chart;
mod cores;
mod diagnosis;
mod instruments;
mod json;
mod kernels;
mod ledger;
pub mod live;
mod measured;
mod notices;
mod page;
mod pages;
mod plan;
mod program;
mod progress;
mod queue;
mod record;
pub mod reduce;
mod runs;
mod standing;
mod table;
mod transfer;
mod trend;
mod units;
mod verdict;

pub use advice::{AdviceSeen, Suites, advice_json, advice_text, length_json, length_text};
pub use aftermath::{CHECK_SCHEMA, CLOSED_SCHEMA, check_json, check_text, closed_json};
pub use instruments::{InstrumentsSeen, instruments_json, instruments_text};
pub use json::report_json;
pub use json::{
    INSTRUMENTS_SCHEMA, KERNELS_SCHEMA, MEASURE_SCHEMA, NOTICES_SCHEMA, PLAN_SCHEMA, REPORT_SCHEMA,
    RUNS_SCHEMA,
};
pub use kernels::{KernelLine, kernels_json, kernels_text};
pub use ledger::{
    change_json, change_text, changes_json, changes_text, differences_json, differences_text,
    profiles_json, profiles_text, settings_json, settings_text,
};
pub use measured::{measured_json, measured_text};
pub use notices::{OutboxLine, notices_json, notices_text};
pub use page::{Style, escape};
pub use pages::{
    BoardRow, BoardSeen, Choice, ComparedRun, HUB_PAGES, LedgerSeen, OutcomeRow, OutcomesAsked,
    PAGE_SCRIPT, RenderPageError, SERVICE_PAGES, SheetClaim, SheetFacts, ShopMachine, Site,
    SitePages, SuiteLine, board_news, board_page, compare_json, compare_page, compare_text,
    ledger_page, machine_page, note_page, now_page, now_parts, outcomes_page, page_styles,
    problem_page, queue_page, read_sheet, report_page, run_page, runs_page, sheet_page,
    sheet_values, sheets_page, shop_machine_page, sign_in_page, start_page, stop_page,
};
pub use plan::{plan_json, plan_text};
pub use progress::{CoreProgress, CoreState, Progress, progress_line};
pub use queue::{JobLine, QUEUE_SCHEMA, QueueView, StartNotice, queue_json, queue_text};
pub use record::record_text;
pub use runs::{RunLine, runs_json, runs_text};
pub use standing::before_run;
pub use table::{Column, table_text};
pub use transfer::{
    Digest, ExportHead, MOST_FILE, MOST_LINE, ReadExportError, TransferRow, WriteTableError,
    check_believable, export_end, export_head, export_row, read_export, write_table,
};
pub use trend::{trend_json, trend_text};
pub use verdict::{finding_words, headline as verdict_headline, verdict_text};
