//! Courses made fewer, so that a night fits on a screen: of each stretch of time the lowest and the highest
//! value stay ([`Extremes`]), so that no spike disappears, and what nobody could see stays unseen.
//!
//! [`Reducer`] is for one course of known length that is to be drawn: it keeps the order in which the extremes
//! came, and its gaps. [`SpanReducer`] takes all channels of a run that may still go on: its stretches grow as
//! they must, and memory is that of the stretches, never that of the run.

mod course;
mod extremes;
mod spans;

pub use course::Reducer;
pub use extremes::{Extremes, Point};
pub use spans::{Bounds, Span, SpanReducer};
