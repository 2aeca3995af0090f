//! The loop of whoever tunes: declare what is tuned, change one thing, have a run judge it, know what
//! to try next and what to go back to. Pure: entries and runs are arguments, nothing is read.
//!
//! What a change led to is never written down a second time: it is taken from the verdicts of the runs
//! that carry the change's number in their header. A verdict that is revised later, by a late error
//! or by the recovery after a reset, revises the change with it. *Never* names a safe value of its
//! own: limits are the person's, by the maker's figures.

mod attribute;
mod book;
mod clocks;
mod compare;
mod declare;
mod good;
mod length;
mod outcome;
mod propose;
mod search;
mod standing;
mod starter;
mod trend;
mod trials;
mod usual;
mod value;

pub use attribute::{Attribution, attribute};
pub use book::{ChangeLine, Ledger, TakenBack};
pub use clocks::declared_clocks;
pub use compare::{find_unexplained, find_unshown};
pub use declare::{DeclareSettingError, SettingDraft, check_setting};
pub use good::{Difference, NameGoodError, check_good, compare_settings, find_profile};
pub use length::{TestLength, TestLengthError, find_test_length};
pub use outcome::{Edge, Outcome};
pub use propose::{ProposeChangeError, UndoError, check_change, check_no_boot, check_undo};
pub use search::{Advice, AdviseError, Next, Why, decide_next};
pub use standing::stand;
pub use starter::{starter, starter_names};
pub use trend::{
    CoolingTrend, LEAST_EARLIER, Measure, Trend, TrendRun, find_trend, prediction_factor, sum_trend,
};
pub use trials::{Trial, ValueLine, find_trials, sum_values};
pub use value::{CheckValueError, check_value, parse_value};
