//! The service: configuration and notices.

pub mod config;
pub mod notices;
