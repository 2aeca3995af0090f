//! All members at the same few words by atomic read-modify-write operations. Each operation commutes,
//! so the final words are known whoever did what; a lost, doubled or torn update leaves them wrong.
//! Tickets and swapped-out tokens are also summed up by those who drew them.
//!
//! A lost update needs two members at one word at one time. So a step is cut into bursts, and before
//! each burst all members meet: whoever is late, none works alone for long.

use std::sync::atomic::{AtomicU64, Ordering};

use super::meeting::{LINE, LONG_SPIN, MEETING_WORDS, Meeting, Wait};
use crate::kernels::digest::{SEED, STEPS, fold, start_value};
use crate::kernels::{Answer, Beat, Go, Member, Outcome, Work};
use crate::model::InstructionSet;

/// Words that all work on in one step, each in a line of its own.
const CELLS: usize = 6;
const CELL_WORDS: usize = CELLS * LINE;
/// The members' lines, then the cells of each step.
pub(super) const WORDS: usize = MEETING_WORDS + CELL_WORDS * STEPS as usize;
/// Operations of all members together between two meetings.
const BURST: u32 = 2048;

/// Meetings of a pass: two at its start; in each step one before each burst and one at the end.
fn meetings(rounds: u32) -> u64 {
    2 + u64::from(STEPS) * (u64::from(rounds.div_ceil(BURST)) + 1)
}

/// The cells of one step.
struct Cells<'a> {
    sum: &'a AtomicU64,
    parity: &'a AtomicU64,
    product: &'a AtomicU64,
    ticket: &'a AtomicU64,
    token: &'a AtomicU64,
    drawn: &'a AtomicU64,
}

impl<'a> Cells<'a> {
    fn new(cells: &'a [AtomicU64]) -> Self {
        Self {
            sum: &cells[0],
            parity: &cells[LINE],
            product: &cells[2 * LINE],
            ticket: &cells[3 * LINE],
            token: &cells[4 * LINE],
            drawn: &cells[5 * LINE],
        }
    }

    fn reset(&self) {
        let start = [
            (self.sum, 0),
            (self.parity, 0),
            (self.product, 1),
            (self.ticket, 0),
            (self.token, 0),
            (self.drawn, 0),
        ];
        for (cell, word) in start {
            cell.store(word, Ordering::Relaxed);
        }
    }

    /// One operation on each cell with `word`, the sum's by `add`; gives the sum of what was drawn.
    fn work(&self, word: u64, add: impl Fn(&AtomicU64, u64)) -> u64 {
        add(self.sum, word);
        self.parity
            .fetch_xor(word.rotate_left(17), Ordering::Relaxed);
        let factor = word | 1;
        let mut product = self.product.load(Ordering::Relaxed);
        while let Err(now) = self.product.compare_exchange_weak(
            product,
            product.wrapping_mul(factor),
            Ordering::Relaxed,
            Ordering::Relaxed,
        ) {
            product = now;
        }
        let ticket = self.ticket.fetch_add(1, Ordering::Relaxed);
        let token = self.token.swap(word, Ordering::Relaxed);
        start_value(11, ticket).wrapping_add(fold(12, token))
    }

    /// Digest of the cells once all work is done. The last token was not drawn by anyone.
    fn digest(&self, digest: u64) -> u64 {
        let cells = [self.sum, self.parity, self.product, self.ticket];
        let digest = cells.iter().fold(digest, |digest, cell| {
            fold(digest, cell.load(Ordering::Relaxed))
        });
        let left = fold(12, self.token.load(Ordering::Relaxed));
        fold(
            digest,
            self.drawn.load(Ordering::Relaxed).wrapping_add(left),
        )
    }
}

/// Five cells, each in a line of its own.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    Work {
        exchanges: 5,
        ..Work::NONE
    }
}

pub(super) fn pass(member: &Member<'_>, rounds: u32, beat: &mut dyn Beat) -> Outcome {
    pass_adding(member, rounds, beat, |sum, word| {
        sum.fetch_add(word, Ordering::Relaxed);
    })
}

/// The pass with a way to add that the tests may break.
fn pass_adding(
    member: &Member<'_>,
    rounds: u32,
    beat: &mut dyn Beat,
    add: impl Fn(&AtomicU64, u64) + Copy,
) -> Outcome {
    let (lines, cells) = member.area.split_at(MEETING_WORDS);
    let mut course = Course {
        meeting: Meeting::new(member, lines, 0),
        point: member.pass.wrapping_mul(meetings(rounds)),
        wait: Wait::new(beat, LONG_SPIN),
    };
    // All have read the answers of the pass before; then the first member clears them.
    if course.meet() == Go::Stop {
        return Outcome::Stopped;
    }
    let mut steps = cells.chunks_exact(CELL_WORDS).map(Cells::new);
    if member.index == 0 {
        steps.clone().for_each(|cells| cells.reset());
    }
    if course.meet() == Go::Stop {
        return Outcome::Stopped;
    }
    let mut answer: Answer = [0; 8];
    let mut digest = SEED;
    for (step, word) in (0..STEPS).zip(&mut answer) {
        let cells = steps.next().expect("the area has cells for each step");
        course.wait.step = step;
        if work_share(member, &cells, (rounds, add), &mut course) == Go::Stop
            || course.meet() == Go::Stop
        {
            return Outcome::Stopped;
        }
        digest = cells.digest(digest);
        *word = digest;
    }
    Outcome::Answer {
        answer,
        located: None,
    }
}

/// A member's way from meeting to meeting.
struct Course<'a> {
    meeting: Meeting<'a>,
    point: u64,
    wait: Wait<'a>,
}

impl Course<'_> {
    fn meet(&mut self) -> Go {
        self.point += 1;
        self.meeting.meet(self.point, &mut self.wait)
    }
}

/// Does this member's share of the step, burst by burst: every `count`th of its operations.
fn work_share(
    member: &Member<'_>,
    cells: &Cells<'_>,
    (rounds, add): (u32, impl Fn(&AtomicU64, u64) + Copy),
    course: &mut Course<'_>,
) -> Go {
    let mut drawn = 0_u64;
    for first in (0..rounds).step_by(BURST as usize) {
        let step = course.wait.step;
        if course.meet() == Go::Stop || course.wait.beat.beat(step) == Go::Stop {
            return Go::Stop;
        }
        let end = rounds.min(first + BURST);
        for operation in (first + member.index..end).step_by(member.count as usize) {
            let number = u64::from(step) << 32 | u64::from(operation);
            drawn = drawn.wrapping_add(cells.work(start_value(10, number), add));
        }
    }
    cells.drawn.fetch_add(drawn, Ordering::Relaxed);
    Go::On
}

#[cfg(test)]
mod tests {
    use super::super::tests::{is_seen, may_overlap};
    use super::*;
    use crate::kernels::contention::answers::ATOMICS;

    #[test]
    fn an_addition_that_can_lose_an_update_is_seen() {
        if !may_overlap() {
            return;
        }
        let broken = |member: &Member<'_>, beat: &mut dyn Beat| {
            pass_adding(member, ATOMICS[0].rounds, beat, |sum, word| {
                let seen = sum.load(Ordering::Relaxed);
                sum.store(seen.wrapping_add(word), Ordering::Relaxed);
            })
        };
        assert!(is_seen(WORDS, &ATOMICS[0].answer, broken));
    }
}
