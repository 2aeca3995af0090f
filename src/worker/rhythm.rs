//! When to compute and when to pause. Every worker of a load derives the same schedule from the common
//! epoch, so all cores jump from idle to load together without a word between them.

use std::time::Duration;

use crate::model::{Mono, Rhythm};

/// What to do at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Compute until then at least (a pass under way is ended first).
    Load {
        /// End of the phase.
        until: Mono,
    },
    /// Pause until then.
    Pause {
        /// End of the phase.
        until: Mono,
    },
}

const LONGEST_BURST_MS: u64 = 50;
const FOREVER: Duration = Duration::from_secs(1 << 32);

fn mix(state: &mut u64) -> u64 {
    // SplitMix64 (Steele, Lea, Flood 2014).
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut mixed = *state;
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    mixed ^ (mixed >> 31)
}

/// The phase of worker `index` of `count` at `now`, for a load that began at `epoch`.
pub fn phase_at(rhythm: Rhythm, epoch: Mono, now: Mono, (index, count): (u32, u32)) -> Phase {
    match rhythm {
        Rhythm::Even => Phase::Load {
            until: epoch.plus(FOREVER),
        },
        Rhythm::Pulsed { on_ms, off_ms } => {
            let period_ns = (u64::from(on_ms) + u64::from(off_ms)).max(1) * 1_000_000;
            let on_ns = u64::from(on_ms) * 1_000_000;
            let passed = now.0.saturating_sub(epoch.0);
            let start = epoch.0 + passed / period_ns * period_ns;
            if passed % period_ns < on_ns {
                Phase::Load {
                    until: Mono(start + on_ns),
                }
            } else {
                Phase::Pause {
                    until: Mono(start + period_ns),
                }
            }
        }
        Rhythm::Sparse {
            seed,
            longest_gap_ms,
        } => sparse_phase((seed, longest_gap_ms), epoch, now, (index, count)),
    }
}

// The sequence is cut into blocks of fixed length, each with its own seed, so that finding the
// present burst never means replaying a night.
fn sparse_phase(
    (seed, longest_gap_ms): (u64, u32),
    epoch: Mono,
    now: Mono,
    (index, count): (u32, u32),
) -> Phase {
    let slot_ms = u64::from(longest_gap_ms.max(1)) + LONGEST_BURST_MS;
    let slot_ns = slot_ms * 1_000_000;
    let current = now.0.saturating_sub(epoch.0) / slot_ns;
    for slot in current.. {
        let mut state = seed ^ slot.wrapping_mul(0xd134_2543_de82_ef95);
        let gap_ms = mix(&mut state) % u64::from(longest_gap_ms.max(1));
        let burst_ms = 1 + mix(&mut state) % LONGEST_BURST_MS;
        if mix(&mut state) % u64::from(count.max(1)) != u64::from(index) {
            continue;
        }
        let start = epoch.plus(Duration::from_nanos(slot * slot_ns + gap_ms * 1_000_000));
        let end = start.plus(Duration::from_millis(burst_ms));
        if now < start {
            return Phase::Pause { until: start };
        }
        if now < end {
            return Phase::Load { until: end };
        }
    }
    Phase::Pause {
        until: epoch.plus(FOREVER),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: u64 = 1_000_000;

    #[test]
    fn a_pulsed_load_starts_on_all_cores_together() {
        let rhythm = Rhythm::Pulsed {
            on_ms: 300,
            off_ms: 700,
        };
        for index in 0..4 {
            let at = |ms: u64| phase_at(rhythm, Mono(MS), Mono(MS + ms * MS), (index, 4));
            assert_eq!(
                at(0),
                Phase::Load {
                    until: Mono(301 * MS)
                }
            );
            assert_eq!(
                at(299),
                Phase::Load {
                    until: Mono(301 * MS)
                }
            );
            assert_eq!(
                at(300),
                Phase::Pause {
                    until: Mono(1001 * MS)
                }
            );
            assert_eq!(
                at(1000),
                Phase::Load {
                    until: Mono(1301 * MS)
                }
            );
        }
    }

    #[test]
    fn sparse_bursts_are_short_and_never_on_two_cores_at_once() {
        let rhythm = Rhythm::Sparse {
            seed: 7,
            longest_gap_ms: 200,
        };
        let mut worked = [0_u32; 3];
        for ms in 0..60_000 {
            let loads = (0..3).filter(|index| {
                let phase = phase_at(rhythm, Mono(0), Mono(ms * MS), (*index, 3));
                if let Phase::Load { until } = phase {
                    assert!(until.0 <= (ms + LONGEST_BURST_MS) * MS);
                    worked[*index as usize] += 1;
                }
                matches!(phase, Phase::Load { .. })
            });
            assert!(loads.count() <= 1, "two cores at {ms} ms");
        }
        assert!(
            worked.iter().all(|ms| *ms > 500),
            "every core gets bursts: {worked:?}"
        );
        assert!(
            worked.iter().sum::<u32>() < 20_000,
            "mostly idle: {worked:?}"
        );
    }

    #[test]
    fn a_phase_never_ends_before_it_began() {
        for rhythm in [
            Rhythm::Even,
            Rhythm::Pulsed {
                on_ms: 1,
                off_ms: 0,
            },
            Rhythm::Sparse {
                seed: 1,
                longest_gap_ms: 0,
            },
        ] {
            for ms in 0..500 {
                let now = Mono(ms * MS + 17);
                let until = match phase_at(rhythm, Mono(0), now, (0, 1)) {
                    Phase::Load { until } | Phase::Pause { until } => until,
                };
                assert!(until > now, "{rhythm:?} at {ms} ms");
            }
        }
    }
}
