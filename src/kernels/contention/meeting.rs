//! Where members are, and waiting for each other. Each member has a cache line of its own in which it
//! alone writes how far it is, in numbers that only grow over all passes.

use std::hint::spin_loop;
use std::sync::atomic::{AtomicU64, Ordering};

use nix::sched::sched_yield;

use crate::kernels::{Beat, Go, Member};

/// Words of a cache line.
pub(super) const LINE: usize = 8;
/// Most members of a group.
pub(super) const MAX_MEMBERS: usize = 1024;
/// Words that the members' lines take.
pub(super) const MEETING_WORDS: usize = MAX_MEMBERS * LINE;
/// Looks between two beats while waiting.
const LOOKS_PER_BEAT: u32 = 256;
/// Looks between two offers of the CPU, once a wait has outlasted its spin.
const LOOKS_PER_YIELD: u32 = 16;
/// Looks of a wait for a peer who is all but there: long enough to start a burst together.
pub(super) const LONG_SPIN: u32 = 1024;
/// Looks of a wait for a peer who works first: giving the CPU away costs about as much.
pub(super) const SHORT_SPIN: u32 = 64;

/// A row of counters, one for each member, of one purpose.
#[derive(Debug, Clone, Copy)]
pub(super) struct Meeting<'a> {
    lines: &'a [AtomicU64],
    column: usize,
    index: usize,
    count: usize,
}

impl<'a> Meeting<'a> {
    /// The counters in `column` of the members' lines at the start of `lines`.
    pub(super) fn new(member: &Member<'_>, lines: &'a [AtomicU64], column: usize) -> Self {
        let count = member.count as usize;
        let index = member.index as usize;
        assert!(
            count <= MAX_MEMBERS && index < count && column < LINE,
            "a member outside its group"
        );
        Self {
            lines,
            column,
            index,
            count,
        }
    }

    fn counter(&self, index: usize) -> &AtomicU64 {
        &self.lines[index * LINE + self.column]
    }

    /// Shows that this member has done all up to `point`.
    pub(super) fn arrive(&self, point: u64) {
        self.counter(self.index).store(point, Ordering::Release);
    }

    /// Waits until member `peer` has arrived at `point`.
    pub(super) fn wait_for(&self, peer: usize, point: u64, wait: &mut Wait<'_>) -> Go {
        let (mut looks, shown) = (0, wait.shown);
        while self.counter(peer).load(Ordering::Acquire) < point {
            if wait.look(&mut looks, || self.arrive(shown)) == Go::Stop {
                return Go::Stop;
            }
        }
        Go::On
    }

    /// Arrives at `point` and waits for all others.
    pub(super) fn meet(&self, point: u64, wait: &mut Wait<'_>) -> Go {
        self.arrive(point);
        wait.shown = point;
        for peer in 0..self.count {
            if self.wait_for(peer, point, wait) == Go::Stop {
                return Go::Stop;
            }
        }
        Go::On
    }

    /// Waits until all others have arrived at `point`, and only then arrives: what is kept for them in
    /// [`Wait::kept`] may be shown anew until then, and not after.
    pub(super) fn lead(&self, point: u64, wait: &mut Wait<'_>) -> Go {
        for peer in (0..self.count).filter(|peer| *peer != self.index) {
            if self.wait_for(peer, point, wait) == Go::Stop {
                return Go::Stop;
            }
        }
        wait.kept = None;
        wait.shown = point;
        self.arrive(point);
        Go::On
    }

    /// Arrives at `point` and waits for the member who leads there.
    pub(super) fn follow(&self, leader: usize, point: u64, wait: &mut Wait<'_>) -> Go {
        self.arrive(point);
        wait.shown = point;
        self.wait_for(leader, point, wait)
    }
}

/// Whom to tell while waiting, in which step that is, and where this member is all the while.
pub(super) struct Wait<'a> {
    pub(super) beat: &'a mut dyn Beat,
    pub(super) step: u32,
    pub(super) shown: u64,
    /// Looks before this member offers its CPU: the peer may be waiting for this very one.
    pub(super) spin: u32,
    /// A word that this member alone sets, and what it holds.
    pub(super) kept: Option<(&'a AtomicU64, u64)>,
    /// Bits of kept words that were found otherwise.
    pub(super) mended: u64,
}

impl<'a> Wait<'a> {
    pub(super) fn new(beat: &'a mut dyn Beat, spin: u32) -> Self {
        Self {
            beat,
            step: 0,
            shown: 0,
            spin,
            kept: None,
            mended: 0,
        }
    }

    /// Between two looks; `show` tells anew what this member has told before.
    pub(super) fn look(&mut self, looks: &mut u32, show: impl FnOnce()) -> Go {
        *looks = looks.saturating_add(1);
        if looks.is_multiple_of(LOOKS_PER_BEAT) {
            show();
            if let Some((word, right)) = self.kept {
                self.mended |= word.swap(right, Ordering::AcqRel) ^ right;
            }
            if self.beat.beat(self.step) == Go::Stop {
                return Go::Stop;
            }
        }
        if *looks > self.spin && looks.is_multiple_of(LOOKS_PER_YIELD) {
            // It can only fail where the call does not exist; then waiting is just spinning.
            let _yielded = sched_yield();
        }
        spin_loop();
        Go::On
    }
}
