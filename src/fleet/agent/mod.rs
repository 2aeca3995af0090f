//! The machine's side: part of its service, with a thread, an event loop and a store connection of its own.
//!
//! A job from the hub becomes a job of the local queue and so obeys whatever holds that. Its message is
//! acknowledged once its end is written down here; until then the server delivers it again, and a job that
//! is known is never run again. What the hub is owed stays owed until its receipt. Without a line the
//! service goes on as if there were no hub, except that jobs of the hub's do not start.

mod jobs;
mod life;
mod mailbox;
mod outbox;
mod progress;
mod sending;
mod start;

pub use start::{Agent, AgentOptions, StartAgentError};
