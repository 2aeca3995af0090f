//! `soakproof` puts checked load on every core of a machine, watches it, and ends with a graded
//! verdict. The binary in `main.rs` only calls [`cli::main`]; DEVELOPERS.md is the map.

pub mod cli;
#[cfg(feature = "fleet")]
pub mod fleet;
pub mod form;
pub mod kernels;
pub mod ledger;
pub mod measure;
pub mod model;
pub mod os;
pub mod report;
pub mod run;
pub mod sensors;
pub mod service;
pub mod store;
pub mod suite;
pub mod verdict;
pub mod web;
pub mod worker;
