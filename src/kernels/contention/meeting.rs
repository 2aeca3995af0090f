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
/// Beats before the CPU is given up between looks: the peer may be waiting for this very CPU.
const PATIENT_BEATS: u32 = 4;

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
        let mut looks = 0_u32;
        while self.counter(peer).load(Ordering::Acquire) < point {
            looks = looks.saturating_add(1);
            if looks.is_multiple_of(LOOKS_PER_BEAT) {
                self.arrive(wait.shown);
                if wait.beat.beat(wait.step) == Go::Stop {
                    return Go::Stop;
                }
            }
            if looks > LOOKS_PER_BEAT * PATIENT_BEATS && looks.is_multiple_of(16) {
                // It can only fail where the call does not exist; then waiting is just spinning.
                let _yielded = sched_yield();
            }
            spin_loop();
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
}

/// Whom to tell while waiting, in which step that is, and where this member is all the while.
pub(super) struct Wait<'a> {
    pub(super) beat: &'a mut dyn Beat,
    pub(super) step: u32,
    pub(super) shown: u64,
}
