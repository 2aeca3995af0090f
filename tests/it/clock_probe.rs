//! The clock probe.

#![expect(clippy::disallowed_methods, reason = "tests time their own work")]

use std::time::Instant;

use soakproof::kernels::{detect, probe_clock, probe_clock_mhz};

#[test]
fn the_clock_is_additions_by_time() {
    let mut now = 0;
    let mut fake = || {
        now += 125_000;
        now
    };
    let probe = probe_clock(None, &mut fake);
    // 2000 turns of 64 additions in 125 microseconds.
    assert!((probe.mhz - 1024.0).abs() < 1e-9, "{probe:?}");
    assert!(probe.spread.abs() < 1e-12, "{probe:?}");
}

#[test]
fn two_probes_of_one_process_agree() {
    let start = Instant::now();
    let mut now = || u64::try_from(start.elapsed().as_nanos()).unwrap();
    let mut best = f64::INFINITY;
    let wide = detect().sets().last().copied();
    for _ in 0..20 {
        let first = probe_clock_mhz(None, &mut now);
        let second = probe_clock_mhz(wide, &mut now);
        best = best.min((first - second).abs() / first.max(second));
    }
    assert!(best < 0.05, "best difference {best}");
}
