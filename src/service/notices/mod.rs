//! Notices: a person who is elsewhere is told what happened, by webhook or by a command of theirs.
//!
//! Four steps, each restartable: [`tell_start`] and [`tell_entries`] derive notices from the record, the
//! store's outbox keeps them, [`attempt`] tries a way once, [`decide_settlement`] says what follows. The
//! [`NoticeDesk`] goes round them on a thread of its own. Delivery is at least once with one id; what a
//! run or the guard does *never* depends on it, and a secret *never* gets into the store, a message or a
//! log.

mod address;
mod attempt;
mod body;
mod cooling;
mod desk;
mod outgoing;
mod retry;
mod sign;
mod target;
mod webhook;
mod words;

pub use address::{CheckAddressError, resolve_address};
pub use attempt::{Outcome, attempt, decide_settlement};
pub use body::{Body, PAYLOADS, Payload, RenderBodyError, event_json, render_body};
pub use cooling::{Earlier, judge_cooling};
pub use desk::{NoticeDesk, OpenDeskError};
pub use retry::{GIVE_UP_AFTER, Next, decide_next, farthest};
pub use sign::{ParseKeyError, SigningKey};
pub use target::{Address, Method, Target, Way, Webhook};
pub use words::{Followed, Told, example_notice, tell_entries, tell_queue, tell_start};
