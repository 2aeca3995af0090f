//! The clocks of the machine. Every other room gets time as an argument.
#![expect(clippy::disallowed_methods, reason = "this is the door to the clocks")]

use std::time::Duration;

use nix::time::{ClockId, clock_gettime};

use crate::model::{Moment, Mono, Wall};

fn read_ns(clock: ClockId) -> u64 {
    clock_gettime(clock).map_or(0, |time| {
        let seconds = u64::try_from(time.tv_sec()).unwrap_or(0);
        seconds * 1_000_000_000 + u64::try_from(time.tv_nsec()).unwrap_or(0)
    })
}

/// `CLOCK_MONOTONIC`.
pub fn monotonic() -> Mono {
    Mono(read_ns(ClockId::CLOCK_MONOTONIC))
}

/// Both clocks at once.
pub fn moment() -> Moment {
    let wall = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .map_or(0, |since| {
            i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
        });
    Moment {
        mono: monotonic(),
        wall: Wall(wall),
    }
}

/// `CLOCK_MONOTONIC_RAW` in nanoseconds: not slewed, for measuring the core clock.
pub fn raw_ns() -> u64 {
    read_ns(ClockId::CLOCK_MONOTONIC_RAW)
}

/// CPU time of the calling thread in nanoseconds.
pub fn thread_cpu_ns() -> u64 {
    read_ns(ClockId::CLOCK_THREAD_CPUTIME_ID)
}

/// How long the machine has slept since it was started.
pub fn boot_minus_monotonic() -> Duration {
    let boot = read_ns(ClockId::CLOCK_BOOTTIME);
    Duration::from_nanos(boot.saturating_sub(read_ns(ClockId::CLOCK_MONOTONIC)))
}

/// Sleeps until the monotonic clock shows `until`.
pub fn sleep_until(until: Mono) {
    std::thread::sleep(until.since(monotonic()));
}

/// Sleeps for `span`.
pub fn wait(span: Duration) {
    std::thread::sleep(span);
}
