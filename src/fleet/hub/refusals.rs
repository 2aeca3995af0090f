//! How much is said of a machine whose results are refused: one that talks nonsense without end must not fill the log.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::fleet::protocol::MachineName;
use crate::model::Mono;

/// Refusals of a machine that are told one by one within [`SPAN`].
const MOST: u64 = 20;
const SPAN: Duration = Duration::from_secs(60);

/// What is said of one refusal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Telling {
    Told,
    /// Told, as the last one for now.
    Last,
    Untold,
    /// Told, after so many that were not.
    After(u64),
}

/// Refusals by machine: since when they are counted, and how many there were.
#[derive(Debug, Default)]
pub(super) struct Refusals(BTreeMap<MachineName, (Mono, u64)>);

impl Refusals {
    /// Counts one.
    pub(super) fn count(&mut self, machine: &MachineName, now: Mono) -> Telling {
        let (since, count) = self.0.entry(machine.clone()).or_insert((now, 0));
        if now.since(*since) >= SPAN {
            let untold = count.saturating_sub(MOST);
            (*since, *count) = (now, 1);
            return if untold == 0 {
                Telling::Told
            } else {
                Telling::After(untold)
            };
        }
        *count += 1;
        match (*count).cmp(&MOST) {
            std::cmp::Ordering::Less => Telling::Told,
            std::cmp::Ordering::Equal => Telling::Last,
            std::cmp::Ordering::Greater => Telling::Untold,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_machine_without_end_is_told_twenty_times_a_minute_and_no_other_is_hidden_by_it() {
        let mut refusals = Refusals::default();
        let (loud, quiet): (MachineName, MachineName) =
            ("bench-1".parse().unwrap(), "bench-2".parse().unwrap());
        let at = |seconds: u64| Mono(seconds * 1_000_000_000);
        let told: Vec<Telling> = (0..1000).map(|_| refusals.count(&loud, at(5))).collect();
        assert!(told[..19].iter().all(|told| *told == Telling::Told));
        assert_eq!(told[19], Telling::Last);
        assert!(told[20..].iter().all(|told| *told == Telling::Untold));
        assert_eq!(refusals.count(&quiet, at(6)), Telling::Told);
        assert_eq!(refusals.count(&loud, at(65)), Telling::After(980));
        assert_eq!(refusals.count(&loud, at(66)), Telling::Told);
        assert_eq!(refusals.count(&loud, at(200)), Telling::Told);
    }
}
