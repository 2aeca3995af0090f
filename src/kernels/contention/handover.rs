//! A buffer that changes hands. Whoever owns it checks its CRC-32C, changes it by the number of the
//! hop, writes the new CRC beside it and hands it on by a release store that the next owner acquires.
//! A stale or torn line shows as a wrong CRC; the difference is put into the buffer, so it stays.

use std::sync::atomic::{AtomicU64, Ordering};

use super::meeting::{LINE, MEETING_WORDS, Meeting, SHORT_SPIN, Wait};
use crate::kernels::digest::{SEED, STEPS, fold, start_value};
use crate::kernels::memory::table_crc32c;
use crate::kernels::{Answer, Beat, Go, Member, Outcome, Work};
use crate::model::InstructionSet;

/// Words of the buffer: eight cache lines.
const PAYLOAD: usize = 8 * LINE;
/// The members' lines, the step digests, the CRC (a line of its own), the buffer.
pub(super) const WORDS: usize = MEETING_WORDS + 2 * LINE + PAYLOAD;
/// Hops between two beats of an owner that never waits.
const HOPS_PER_BEAT: u32 = 256;

struct Parcel<'a> {
    digests: &'a [AtomicU64],
    crc: &'a AtomicU64,
    payload: &'a [AtomicU64],
}

impl<'a> Parcel<'a> {
    fn new(words: &'a [AtomicU64]) -> Self {
        Self {
            digests: &words[..LINE],
            crc: &words[LINE],
            payload: &words[2 * LINE..2 * LINE + PAYLOAD],
        }
    }

    fn take(&self) -> [u64; PAYLOAD] {
        std::array::from_fn(|index| self.payload[index].load(Ordering::Relaxed))
    }

    fn put(&self, words: &[u64; PAYLOAD]) {
        for (place, word) in self.payload.iter().zip(words) {
            place.store(*word, Ordering::Relaxed);
        }
        let crc = table_crc32c(words.iter().copied());
        self.crc.store(u64::from(crc), Ordering::Relaxed);
    }

    fn set_up(&self) {
        let mut words = [0; PAYLOAD];
        crate::kernels::digest::set_up(&mut words, 13);
        self.put(&words);
    }

    /// What an owner does; gives the buffer as it is handed on.
    fn own(&self, hop: u32) -> [u64; PAYLOAD] {
        let mut words = self.take();
        let crc = u64::from(table_crc32c(words.iter().copied()));
        let difference = crc ^ self.crc.load(Ordering::Relaxed);
        let mut carry = start_value(14, u64::from(hop)) ^ difference;
        for word in &mut words {
            *word = fold(*word, carry);
            carry = *word;
        }
        self.put(&words);
        words
    }
}

/// The buffer, its CRC and the line that says whose turn it is.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    Work {
        exchanges: (PAYLOAD / LINE) as u64 + 2,
        ..Work::NONE
    }
}

pub(super) fn pass(member: &Member<'_>, rounds: u32, beat: &mut dyn Beat) -> Outcome {
    let (lines, parcel) = member.area.split_at(MEETING_WORDS);
    let parcel = Parcel::new(parcel);
    let start = Meeting::new(member, lines, 0);
    let hops = Meeting::new(member, lines, 1);
    let mut wait = Wait::new(beat, SHORT_SPIN);
    // All have read the digests of the pass before.
    if start.meet(member.pass + 1, &mut wait) == Go::Stop {
        return Outcome::Stopped;
    }
    let total = rounds * STEPS;
    wait.shown = member.pass << 32;
    for hop in (member.index..total).step_by(member.count as usize) {
        wait.step = hop / rounds;
        if await_hop(member, &hops, hop, &mut wait) == Go::Stop {
            return Outcome::Stopped;
        }
        if hop == 0 {
            parcel.set_up();
        }
        let words = parcel.own(hop);
        if (hop + 1).is_multiple_of(rounds) {
            let step = (hop / rounds) as usize;
            let digest = words.iter().fold(SEED, |digest, word| fold(digest, *word));
            parcel.digests[step].store(digest, Ordering::Relaxed);
        }
        wait.shown = point(member, hop);
        hops.arrive(wait.shown);
        if (hop / member.count).is_multiple_of(HOPS_PER_BEAT)
            && wait.beat.beat(wait.step) == Go::Stop
        {
            return Outcome::Stopped;
        }
    }
    if await_hop(member, &hops, total, &mut wait) == Go::Stop {
        return Outcome::Stopped;
    }
    let answer: Answer = std::array::from_fn(|step| parcel.digests[step].load(Ordering::Relaxed));
    Outcome::Answer {
        answer,
        located: None,
    }
}

/// What the owner of `hop` shows when it has handed on.
fn point(member: &Member<'_>, hop: u32) -> u64 {
    member.pass << 32 | u64::from(hop + 1)
}

/// Waits until the hop before `hop` is over.
fn await_hop(member: &Member<'_>, hops: &Meeting<'_>, hop: u32, wait: &mut Wait<'_>) -> Go {
    match hop.checked_sub(1) {
        Some(before) => {
            let owner = (before % member.count) as usize;
            hops.wait_for(owner, point(member, before), wait)
        }
        None => Go::On,
    }
}
