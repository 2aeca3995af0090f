//! One member publishes records under a sequence number, all others read them meanwhile. The number is
//! odd while the record is being written; a reader that finds the same even number before and after
//! its copy must hold a whole record, and whole records can be told, because each word follows from
//! the number (the scheme is known as a sequence lock).
//!
//! The writer publishes in bursts and then waits until every member has read the burst's last record.
//! The digest is of those, so it does not depend on what a reader caught in between; bits that do not
//! fit their number, there or on the way, go into the finder's answer. The writer itself looks at each
//! word before it writes over it, so that no flipped bit can be written away. Members take turns as the
//! writer.

use std::sync::atomic::{AtomicU64, Ordering, fence};

use super::meeting::{LINE, LONG_SPIN, MEETING_WORDS, Meeting, SHORT_SPIN, Wait};
use crate::kernels::digest::{SEED, STEPS, fold, start_value};
use crate::kernels::{Answer, Beat, Go, Member, Outcome, Work};
use crate::model::InstructionSet;

/// Words of a record: four cache lines.
const RECORD: usize = 4 * LINE;
/// The members' lines, the sequence number (a line of its own), the record.
pub(super) const WORDS: usize = MEETING_WORDS + LINE + RECORD;
/// Records published between two meetings.
const BURST: u32 = 32;

/// The shared place of publication.
#[derive(Debug, Clone, Copy)]
struct Board<'a> {
    sequence: &'a AtomicU64,
    record: &'a [AtomicU64],
}

/// Word `place` of record `number`.
#[inline(always)]
fn word_of(number: u64, place: usize) -> u64 {
    start_value(
        15,
        number
            .wrapping_mul(RECORD as u64)
            .wrapping_add(place as u64),
    )
}

impl<'a> Board<'a> {
    fn new(words: &'a [AtomicU64]) -> Self {
        Self {
            sequence: &words[0],
            record: &words[LINE..LINE + RECORD],
        }
    }

    fn set_up(&self) {
        for (place, word) in self.record.iter().enumerate() {
            word.store(word_of(0, place), Ordering::Relaxed);
        }
        self.sequence.store(0, Ordering::Release);
    }

    /// Publishes record `number`, the one after the last; gives the bits that were wrong with the last.
    fn publish(&self, number: u64) -> u64 {
        let mut wrong = self.sequence.load(Ordering::Relaxed) ^ (2 * number - 2);
        self.sequence.store(2 * number - 1, Ordering::Relaxed);
        fence(Ordering::Release);
        wrong |= self.write(number);
        wrong |= self.sequence.load(Ordering::Relaxed) ^ (2 * number - 1);
        self.sequence.store(2 * number, Ordering::Release);
        wrong
    }

    /// Writes the words of record `number` over those of the one before.
    fn write(&self, number: u64) -> u64 {
        let mut wrong = 0;
        for (place, word) in self.record.iter().enumerate() {
            wrong |= word.load(Ordering::Relaxed) ^ word_of(number - 1, place);
            word.store(word_of(number, place), Ordering::Relaxed);
        }
        wrong
    }

    /// A whole record, if there is one.
    fn read(&self) -> Option<Reading> {
        let before = self.sequence.load(Ordering::Acquire);
        let copy: [u64; RECORD] =
            std::array::from_fn(|place| self.record[place].load(Ordering::Relaxed));
        fence(Ordering::Acquire);
        let after = self.sequence.load(Ordering::Relaxed);
        if before != after || before % 2 == 1 {
            return None;
        }
        let number = before / 2;
        let mut reading = Reading {
            number,
            sum: 0,
            wrong: 0,
        };
        for (place, word) in copy.iter().enumerate() {
            reading.sum = reading.sum.wrapping_add(*word);
            reading.wrong |= word ^ word_of(number, place);
        }
        Some(reading)
    }

    /// What is wrong with the board when record `number` was the last; nobody writes meanwhile.
    fn wrong_at_rest(&self, number: u64) -> u64 {
        let wrong = self.read().map_or(u64::MAX, |reading| reading.wrong);
        wrong | (self.sequence.load(Ordering::Relaxed) ^ (2 * number))
    }
}

/// A whole record as it was read.
#[derive(Debug, Clone, Copy)]
struct Reading {
    number: u64,
    /// Of its words.
    sum: u64,
    /// Bits that do not fit the number.
    wrong: u64,
}

/// The record and the line of its number.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    Work {
        exchanges: (RECORD / LINE) as u64 + 1,
        ..Work::NONE
    }
}

pub(super) fn pass(member: &Member<'_>, rounds: u32, beat: &mut dyn Beat) -> Outcome {
    pass_publishing(member, rounds, beat, |board, number| board.publish(number))
}

/// The pass with a way to publish that the tests may break.
fn pass_publishing(
    member: &Member<'_>,
    rounds: u32,
    beat: &mut dyn Beat,
    publish: impl Fn(&Board<'_>, u64) -> u64,
) -> Outcome {
    let (lines, board) = member.area.split_at(MEETING_WORDS);
    let board = Board::new(board);
    let meeting = Meeting::new(member, lines, 0);
    let bursts = rounds.div_ceil(BURST);
    let mut point = member.pass.wrapping_mul(2 + u64::from(bursts * STEPS));
    let mut wait = Wait::new(beat, LONG_SPIN);
    // All have done with the pass before; then the first member sets the board up.
    for sets_up in [member.index == 0, false] {
        point += 1;
        if meeting.meet(point, &mut wait) == Go::Stop {
            return Outcome::Stopped;
        }
        if sets_up {
            board.set_up();
        }
    }
    let mut answer: Answer = [0; 8];
    let (mut digest, mut wrong) = (SEED, 0);
    for (step, word) in (0..STEPS).zip(&mut answer) {
        wait.step = step;
        let writer = u64::from(step).wrapping_add(member.pass) % u64::from(member.count);
        let writer = usize::try_from(writer).unwrap_or(0);
        let writes = writer == member.index as usize;
        for burst in 0..bursts {
            let first = u64::from(step * rounds + burst * BURST);
            let last = first + u64::from(BURST.min(rounds - burst * BURST));
            if writes {
                let found = (first + 1..=last).map(|number| publish(&board, number));
                wrong |= found.fold(0, |all, found| all | found);
                // Until all have read it, the number is shown again and again.
                wait.kept = Some((board.sequence, 2 * last));
            }
            let Some(reading) = read_up_to(&board, last, &mut wait) else {
                return Outcome::Stopped;
            };
            digest = fold(digest, reading.sum);
            wrong |= reading.wrong;
            point += 1;
            let met = if writes {
                meeting.lead(point, &mut wait)
            } else {
                meeting.follow(writer, point, &mut wait)
            };
            if met == Go::Stop || wait.beat.beat(step) == Go::Stop {
                return Outcome::Stopped;
            }
        }
        *word = digest ^ (wrong | wait.mended);
    }
    answer[7] ^= board.wrong_at_rest(u64::from(STEPS * rounds)) & !(wrong | wait.mended);
    Outcome::Answer {
        answer,
        located: None,
    }
}

/// Reads whatever is published up to record `last`; gives that one, with all that was wrong on the
/// way. None when told to stop.
fn read_up_to(board: &Board<'_>, last: u64, wait: &mut Wait<'_>) -> Option<Reading> {
    let (mut wrong, mut looks) = (0, 0);
    wait.spin = SHORT_SPIN;
    loop {
        if let Some(mut reading) = board.read() {
            wrong |= reading.wrong;
            // Only a damaged number or counter leads beyond the last record.
            if reading.number >= last {
                reading.wrong = wrong | (reading.number ^ last);
                wait.spin = LONG_SPIN;
                return Some(reading);
            }
        }
        if wait.look(&mut looks, || {}) == Go::Stop {
            return None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{is_seen, may_overlap};
    use super::*;
    use crate::kernels::contention::answers::PUBLISH;

    #[test]
    fn records_written_without_marking_the_number_first_are_seen() {
        if !may_overlap() {
            return;
        }
        let unmarked = |board: &Board<'_>, number: u64| {
            let last = board.sequence.load(Ordering::Relaxed);
            let wrong = board.write(number);
            board.sequence.store(2 * number, Ordering::Release);
            wrong | (last ^ (2 * number - 2))
        };
        let broken = |member: &Member<'_>, beat: &mut dyn Beat| {
            pass_publishing(member, PUBLISH[0].rounds, beat, unmarked)
        };
        assert!(is_seen(WORDS, &PUBLISH[0].answer, broken));
    }
}
