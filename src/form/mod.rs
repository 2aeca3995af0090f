//! TOML files that a person writes, checked whole: every mistake with line, column and what would be
//! right. Suites and the configuration are read with it.
//!
//! [`check_form`] reads the text and hands its tables to the form's own check, which opens each table
//! with the keys that it knows ([`Keys`]) and goes on after a mistake. Pure: no file is read here.

mod duration;
mod keys;
mod problem;

pub use duration::{ParseDurationError, parse_duration, render_duration};
pub(crate) use keys::{At, Keys, read_whole};
pub use problem::{CheckFormError, Problem};
pub(crate) use problem::{Draft, check_form, hint, quoted};
