//! All members at the same few words by atomic read-modify-write operations. Each operation commutes,
//! so the final words are known whoever did what; a lost, doubled or torn update leaves them wrong.
//! Tickets and swapped-out tokens are also summed up by those who drew them.

use std::sync::atomic::{AtomicU64, Ordering};

use super::meeting::{LINE, MEETING_WORDS, Meeting, Wait};
use crate::kernels::digest::{SEED, STEPS, fold, start_value};
use crate::kernels::{Answer, Beat, Go, Member, Outcome, Work};
use crate::model::InstructionSet;

/// Words that all work on in one step, each in a line of its own.
const CELLS: usize = 6;
const CELL_WORDS: usize = CELLS * LINE;
/// The members' lines, then the cells of each step.
pub(super) const WORDS: usize = MEETING_WORDS + CELL_WORDS * STEPS as usize;
/// Own operations between two beats.
const OPERATIONS_PER_BEAT: u32 = 4096;
/// Meetings of a pass: two at its start, one after each step.
const MEETINGS: u64 = 2 + STEPS as u64;

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

    /// One operation on each cell with `word`; gives the sum of what was drawn.
    fn work(&self, word: u64) -> u64 {
        self.sum.fetch_add(word, Ordering::Relaxed);
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
    let (lines, cells) = member.area.split_at(MEETING_WORDS);
    let meeting = Meeting::new(member, lines, 0);
    let mut point = member.pass.wrapping_mul(MEETINGS) + 1;
    let mut wait = Wait {
        beat,
        step: 0,
        shown: 0,
    };
    // All have read the answers of the pass before; then the first member clears them.
    if meeting.meet(point, &mut wait) == Go::Stop {
        return Outcome::Stopped;
    }
    let mut steps = cells.chunks_exact(CELL_WORDS).map(Cells::new);
    if member.index == 0 {
        steps.clone().for_each(|cells| cells.reset());
    }
    point += 1;
    if meeting.meet(point, &mut wait) == Go::Stop {
        return Outcome::Stopped;
    }
    let mut answer: Answer = [0; 8];
    let mut digest = SEED;
    for (step, word) in (0..STEPS).zip(&mut answer) {
        let cells = steps.next().expect("the area has cells for each step");
        wait.step = step;
        point += 1;
        if work_share(member, &cells, rounds, &mut wait) == Go::Stop
            || meeting.meet(point, &mut wait) == Go::Stop
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

/// Does this member's share of the step: every `count`th of its operations.
fn work_share(member: &Member<'_>, cells: &Cells<'_>, rounds: u32, wait: &mut Wait<'_>) -> Go {
    let mut drawn = 0_u64;
    let share = (member.index..rounds).step_by(member.count as usize);
    for (done, operation) in (0_u32..).zip(share) {
        if done.is_multiple_of(OPERATIONS_PER_BEAT) && wait.beat.beat(wait.step) == Go::Stop {
            return Go::Stop;
        }
        let number = u64::from(wait.step) << 32 | u64::from(operation);
        drawn = drawn.wrapping_add(cells.work(start_value(10, number)));
    }
    cells.drawn.fetch_add(drawn, Ordering::Relaxed);
    Go::On
}
