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
fn two_tries_that_nothing_disturbed_are_enough_for_a_clock() {
    // The two reads around each try, the first of which only tells how long the others have to be.
    let probe_of = |tries_ns: [u64; 5]| {
        let mut reads = tries_ns.into_iter().flat_map(|ns| [0, ns]);
        probe_clock(None, &mut || reads.next().unwrap())
    };
    let one_disturbed = probe_of([125_000, 130_000, 2_000_000, 125_000, 125_500]);
    assert!((one_disturbed.mhz - 1024.0).abs() < 1e-9);
    assert!((one_disturbed.best_two_spread - (1.0 - 125.0 / 125.5)).abs() < 1e-9);
    assert!(one_disturbed.spread > 0.9, "{one_disturbed:?}");
    let all_but_one_disturbed = probe_of([125_000, 130_000, 2_000_000, 125_000, 140_000]);
    assert!(all_but_one_disturbed.best_two_spread > 0.03);
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
