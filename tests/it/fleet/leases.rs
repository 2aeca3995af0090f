//! Never do two hubs act, and there is soon another one where the first has died.

use std::time::Duration;

use proptest::prelude::*;
use soakproof::fleet::lease::{HOLDS_FOR, Lease, RENEW_EVERY, TAKEN_AFTER, Try};
use soakproof::model::Mono;

const TICK: Duration = Duration::from_millis(100);

/// A hub with a clock of its own.
#[derive(Debug, Clone)]
struct Hub {
    lease: Lease,
    clock_ahead: Duration,
    dead_from: Option<u32>,
    /// A write under way: over which revision, begun when, arrives at which tick.
    writing: Option<(u64, Mono, u32)>,
}

fn now(hub: &Hub, tick: u32) -> Mono {
    Mono(0).plus(TICK * tick).plus(hub.clock_ahead)
}

proptest! {
    #[test]
    fn at_most_one_holds_the_lease_and_a_dead_holder_is_followed(
        ahead in proptest::collection::vec(0..100_000_u64, 3),
        delays in proptest::collection::vec(0..15_u32, 64),
        dead in proptest::option::of(50..300_u32),
    ) {
        let mut hubs: Vec<Hub> = ahead.iter().map(|ahead| Hub {
            lease: Lease::default(),
            clock_ahead: Duration::from_millis(*ahead),
            dead_from: None,
            writing: None,
        }).collect();
        let mut delays = delays.into_iter().cycle();
        let mut revision = 0;
        let mut without = 0;
        for tick in 0..900_u32 {
            for hub in &mut hubs {
                let alive = hub.dead_from.is_none_or(|from| tick < from);
                let here = now(hub, tick);
                if let Some((over, begun, arrives)) = hub.writing
                    && arrives <= tick
                {
                    hub.writing = None;
                    if over == revision {
                        revision += 1;
                        // Every eighth answer is lost.
                        if alive && revision % 8 != 0 {
                            hub.lease.wrote(revision, begun);
                        }
                    } else if alive {
                        hub.lease.lost();
                    }
                }
                if alive
                    && hub.writing.is_none()
                    && let Try::Write { over } = hub.lease.look(revision, here)
                {
                    hub.writing = Some((over, here, tick + delays.next().unwrap_or(0)));
                }
            }
            let holders: Vec<usize> = hubs.iter().enumerate()
                .filter(|(_, hub)| hub.dead_from.is_none_or(|from| tick < from))
                .filter(|(_, hub)| hub.lease.holds(now(hub, tick)))
                .map(|(index, _)| index)
                .collect();
            prop_assert!(holders.len() <= 1, "two at tick {}: {:?}", tick, holders);
            if dead == Some(tick) && let [holder] = holders.as_slice() {
                hubs[*holder].dead_from = Some(tick);
            }
            without = if holders.is_empty() { without + 1 } else { 0 };
            prop_assert!(without < 250, "nobody acts for {} ticks", without);
        }
    }
}

#[test]
fn a_holder_stops_before_anybody_can_take_over() {
    assert!(RENEW_EVERY < HOLDS_FOR && HOLDS_FOR < TAKEN_AFTER);
    let (mut holder, mut other) = (Lease::default(), Lease::default());
    let at = |ms: u64| Mono(0).plus(Duration::from_millis(ms));
    assert_eq!(holder.look(0, at(0)), Try::Write { over: 0 });
    holder.wrote(1, at(0));
    assert_eq!(other.look(1, at(0)), Try::Wait);
    assert!(holder.holds(at(3999)) && !holder.holds(at(4000)));
    assert_eq!(other.look(1, at(5999)), Try::Wait);
    assert_eq!(other.look(1, at(6000)), Try::Write { over: 1 });
    // It moved: the count begins anew.
    assert_eq!(other.look(2, at(6001)), Try::Wait);
}
