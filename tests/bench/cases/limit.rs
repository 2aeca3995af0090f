//! Case 7, a clock that is limited from outside in mid-run. An emulated processor has no clock to be lowered; what a
//! processor does that skips cycles is done to it: the whole machine stands still for half of each tenth of a second,
//! which its kernel cannot tell from work that takes longer.

use std::time::Duration;

use anyhow::{Result, ensure};
use nix::sys::signal::{Signal, kill};

use crate::Bench;
use crate::cases::power::wait_for_samples;
use crate::guest::Guest;
use crate::host;
use crate::trial::{INTEGERS, suite};

/// Standing still and going on, in turn.
const TURN: Duration = Duration::from_millis(50);
/// Turns until the run must have ended.
const MOST_TURNS: u32 = 4000;
/// The rate is judged by ten samples in a row against the first ten of the long stage, which three seconds precede.
const STAGE_S: u32 = 45;
const SAMPLES_BEFORE: u64 = 16;
const SAMPLES_AFTER: u64 = 15;

/// The rate of checked passes falls while a short probe still shows the full clock: throttling, marginal.
pub(crate) fn throttled(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("clock-limit")?)?;
    guest.start_run(&suite(INTEGERS, STAGE_S), "")?;
    // Whoever looks takes time from the worker, and what was disturbed says nothing of the clock.
    guest.ok(&format!("sleep {SAMPLES_BEFORE}"))?;
    let before = wait_for_samples(&mut guest, SAMPLES_BEFORE)?;
    ensure!(
        before + SAMPLES_AFTER < u64::from(STAGE_S),
        "the host is too slow: {before} samples have gone by"
    );
    guest.note("every other turn is skipped from here on");
    for _ in 0..MOST_TURNS {
        kill(guest.pid(), Signal::SIGSTOP)?;
        host::pause(TURN);
        kill(guest.pid(), Signal::SIGCONT)?;
        host::pause(TURN);
        if guest.has_ended() {
            break;
        }
    }
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("marginal", 3)?;
    let rules = outcome.report["verdict"]["rules"].to_string();
    ensure!(
        rules.contains("at an unchanged clock int-streams.reg") && rules.contains("fell to"),
        "{rules}"
    );
    Ok(())
}
