//! The configuration: one TOML file, checked whole. Every key stands, with what it is for, in
//! `packaging/soakproof.toml`, which [`EXAMPLE`] embeds.

mod check;
mod check_fleet;
mod check_notice;
mod check_schedule;
mod check_service;
mod find;
mod written;

pub use check::parse_configuration;
pub use find::{ReadConfigurationError, find_configuration, read_configuration};
pub use written::{Configuration, FleetSection, ServiceSection, WatchdogSection};

/// The example that is installed, with every key.
pub const EXAMPLE: &str = include_str!("../../../packaging/soakproof.toml");
