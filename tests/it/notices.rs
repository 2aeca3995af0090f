//! Notices: told once, tried for a day, signed as published, and never a secret in the open.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests serve, write secrets and read what was said"
)]

mod commands;
mod derived;
mod endpoint;
mod payloads;
mod retries;
mod runs;
mod signed;
mod webhooks;
mod whole;

use soakproof::model::{Notice, NoticeEvent, Wall};
use soakproof::service::notices::example_notice;

/// 2026-01-02T03:04:05Z.
const NOW: Wall = Wall(1_767_323_045_000);

fn notice(event: NoticeEvent) -> Notice {
    example_notice(event, "bench-7", NOW)
}
