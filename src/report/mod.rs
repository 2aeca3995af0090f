//! Records and verdicts as text for people and as JSON for programs.
//!
//! Pure: data in, text out. Only the model is known here, no store, no terminal, no clock; the
//! caller says whether there is colour, how wide the screen is, in which zone times are told and which
//! number the run has. Everything is understandable without colour. Every foreign text (host, labels,
//! notes, suite names) goes through one door ([`page`]) that escapes control characters, so that a
//! record from elsewhere cannot steer the reader's terminal.

mod cores;
mod instruments;
mod json;
mod kernels;
mod measured;
mod notices;
mod page;
mod plan;
mod progress;
mod queue;
mod record;
mod runs;
mod units;
mod verdict;

pub use instruments::{InstrumentsSeen, instruments_json, instruments_text};
pub use json::report_json;
pub use json::{
    INSTRUMENTS_SCHEMA, KERNELS_SCHEMA, MEASURE_SCHEMA, NOTICES_SCHEMA, PLAN_SCHEMA, REPORT_SCHEMA,
    RUNS_SCHEMA,
};
pub use kernels::{KernelLine, kernels_json, kernels_text};
pub use measured::{measured_json, measured_text};
pub use notices::{OutboxLine, notices_json, notices_text};
pub use page::{Style, escape};
pub use plan::{plan_json, plan_text};
pub use progress::{CoreProgress, CoreState, Progress, progress_line};
pub use queue::{JobLine, NoticeLine, QUEUE_SCHEMA, QueueView, queue_json, queue_text};
pub use record::record_text;
pub use runs::{RunLine, runs_json, runs_text};
pub use verdict::{finding_words, verdict_text};
