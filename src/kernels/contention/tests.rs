//! Planted defects: what a broken way to share data does must show in the answers.

use std::sync::atomic::AtomicU64;
use std::thread;

use crate::kernels::{Answer, Beat, Go, Member, Outcome};

/// Passes after which a defect that nobody saw counts as missed.
const PASSES: u64 = 400;

struct Steady;

impl Beat for Steady {
    fn beat(&mut self, _: u32) -> Go {
        Go::On
    }
}

/// Whether two members can be at work at one time here.
pub(super) fn may_overlap() -> bool {
    thread::available_parallelism().is_ok_and(|cpus| cpus.get() > 1)
}

/// True once a pass of two members gives a wrong answer to one of them.
pub(super) fn is_seen(
    words: usize,
    right: &Answer,
    pass: impl Fn(&Member<'_>, &mut dyn Beat) -> Outcome + Sync,
) -> bool {
    let area: Vec<AtomicU64> = std::iter::repeat_with(AtomicU64::default)
        .take(words)
        .collect();
    let outcome = |index, number| {
        let member = Member {
            index,
            count: 2,
            pass: number,
            area: &area,
        };
        pass(&member, &mut Steady)
    };
    (0..PASSES).any(|number| {
        let outcomes = thread::scope(|scope| {
            let other = scope.spawn(|| outcome(1, number));
            [outcome(0, number), other.join().expect("no panic")]
        });
        outcomes.iter().any(|outcome| match outcome {
            Outcome::Answer { answer, .. } => answer != right,
            Outcome::Stopped => panic!("nobody stopped it"),
        })
    })
}
