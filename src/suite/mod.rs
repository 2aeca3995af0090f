//! Suites: TOML as written, checked whole, resolved for a machine; the built-in ones are embedded.
//!
//! A suite goes three ways: [`builtin`] or a file gives the text, [`parse_suite`] checks it and names
//! all its mistakes at once with line and column, [`resolve_suite`] fits it to a machine and gives a
//! plan. Nothing here reads a file, asks the machine or starts anything, and a suite that cannot
//! reach its own claim is refused before a night is spent on it.
//!
//! The form of the file, with every key, stands at the head of `suites/smoke.toml`.

mod builtin;
mod check;
mod check_load;
mod check_program;
mod cool_down;
mod exposure;
mod kernel_fact;
mod resolve;
mod written;

pub use builtin::{Builtin, builtin, builtin_names};
pub use check::parse_suite;
pub use cool_down::cool_down_at_least;
pub use exposure::{MARGIN, PlannedExposure, needed_exposure_s, planned_exposure};
pub use kernel_fact::{KernelBody, KernelFact, known_kernels};
pub use resolve::{ResolveSuiteError, THERMOMETER_AFTER, resolve_suite, spare_memory};
pub use written::{LoadSpec, Place, Placement, StageSpec, Suite};
