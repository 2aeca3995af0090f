//! A run under way, on a full screen: will it pass, how long still, what is the hottest thing.
//!
//! [`LiveView`] takes in what happens and keeps a bounded part of it; [`draw`] puts it into a buffer of any
//! size from 60 x 16 up. Pure: neither knows a terminal, and the time is that of the samples. Nothing is
//! told by colour alone, and every foreign text is escaped on its way in.

mod cores;
mod draw;
mod outlook;
mod trend;
mod view;

pub use draw::{LEAST_SIZE, Look, Question, draw};
pub use view::LiveView;
