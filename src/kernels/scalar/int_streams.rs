//! Eight streams of odd multiply, rotate, xor and add. Stream `i` is `i` operations ahead, so that at
//! any moment every kind of operation is in flight. Each operation is a bijection of its stream.
//!
//! In `.reg` the operands are constants. In `.l1` four of eight operations take theirs from memory, and
//! two of these leave the stream's old value in its place, which is a bijection of stream and memory.
//! All of that memory is one page, where no store has the low 12 address bits of another's load.

use crate::kernels::digest::{run_steps, set_up};
use crate::kernels::{Beat, Outcome, Work};
use crate::model::InstructionSet;

const STREAMS: usize = 8;
/// Eight streams, then the constants: a multiplier, two for xor, one for add.
pub(super) const WORDS: usize = STREAMS + CONSTANTS;
const CONSTANTS: usize = 4;

/// Words of a ring and of a table.
const TURN: usize = 128;
/// Two rings, whose words are replaced, and two tables, whose words are not.
const MEMORY: usize = 4 * TURN;
const RING_A: usize = 0;
const RING_B: usize = TURN;
const TABLE_A: usize = 2 * TURN;
const TABLE_B: usize = 3 * TURN;
/// Rings and tables, the streams, a multiplier and a constant for xor.
pub(super) const L1_WORDS: usize = MEMORY + STREAMS + 2;

/// What a step of `.reg` works on: streams and constants.
pub(super) type Registers = [u64; WORDS];
/// What a step of `.l1` works on.
pub(super) type Memory = [u64; L1_WORDS];

/// Eight operations for each stream, two of which are pairs.
/// An operation of each stream in each of eight phases.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    Work {
        integer_operations: 8 * 8,
        ..Work::NONE
    }
}

/// The same in each phase of a turn; four words read and two written in each.
pub(super) fn work_a_round_l1(_: InstructionSet) -> Work {
    let phases = TURN as u64;
    Work {
        integer_operations: phases * 8,
        bytes: phases * (4 + 2) * 8,
        ..Work::NONE
    }
}

pub(super) fn pass(
    set: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    let arena = &mut arena[..WORDS];
    set_up(arena, 1);
    arena[STREAMS] |= 1;
    run_steps(arena, beat, |arena, _| {
        let arena: &mut Registers = arena.try_into().expect("the pass cut the arena to size");
        match set {
            #[cfg(target_arch = "x86_64")]
            InstructionSet::X86 => super::streams_x86::registers(arena, rounds),
            InstructionSet::Portable => registers(arena, rounds),
            other => unreachable!("no path of `int-streams` is built for {other:?}"),
        }
    })
}

pub(super) fn pass_l1(
    set: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    let arena = &mut arena[..L1_WORDS];
    set_up(arena, 10);
    arena[MEMORY + STREAMS] |= 1;
    run_steps(arena, beat, |arena, _| {
        let arena: &mut Memory = arena.try_into().expect("the pass cut the arena to size");
        match set {
            #[cfg(target_arch = "x86_64")]
            InstructionSet::X86 => super::streams_x86::memory(arena, rounds),
            InstructionSet::Portable => memory(arena, rounds),
            other => unreachable!("no path of `int-streams` is built for {other:?}"),
        }
    })
}

/// Each stream's operation of a phase. Written out (a loop was not unrolled and took 20 times as long),
/// so that the choice of the operation is made by the compiler.
macro_rules! phase {
    ($streams:ident, $operate:ident, $with:expr, $phase:literal) => {
        $streams[0] = $operate($phase % 8, $streams[0], $with);
        $streams[1] = $operate(($phase + 1) % 8, $streams[1], $with);
        $streams[2] = $operate(($phase + 2) % 8, $streams[2], $with);
        $streams[3] = $operate(($phase + 3) % 8, $streams[3], $with);
        $streams[4] = $operate(($phase + 4) % 8, $streams[4], $with);
        $streams[5] = $operate(($phase + 5) % 8, $streams[5], $with);
        $streams[6] = $operate(($phase + 6) % 8, $streams[6], $with);
        $streams[7] = $operate(($phase + 7) % 8, $streams[7], $with);
    };
}

fn registers(arena: &mut Registers, rounds: u32) {
    let mut streams: [u64; STREAMS] = std::array::from_fn(|stream| arena[stream]);
    let constants: [u64; CONSTANTS] = std::array::from_fn(|index| arena[STREAMS + index]);
    for _ in 0..rounds {
        phase!(streams, operate, &constants, 0);
        phase!(streams, operate, &constants, 1);
        phase!(streams, operate, &constants, 2);
        phase!(streams, operate, &constants, 3);
        phase!(streams, operate, &constants, 4);
        phase!(streams, operate, &constants, 5);
        phase!(streams, operate, &constants, 6);
        phase!(streams, operate, &constants, 7);
    }
    arena[..STREAMS].copy_from_slice(&streams);
}

#[inline(always)]
fn operate(operation: usize, word: u64, constants: &[u64; CONSTANTS]) -> u64 {
    let [multiplier, first, addend, second] = *constants;
    match operation {
        0 => word.wrapping_mul(multiplier),
        1 => word ^ first,
        2 => word.rotate_left(23),
        3 => word.wrapping_add(addend),
        4 => word.rotate_left(27),
        5 => word ^ second,
        6 => word.wrapping_add(first),
        _ => word ^ addend,
    }
}

/// What a phase of `.l1` works with beside the streams.
struct Place<'a> {
    memory: &'a mut [u64; MEMORY],
    at: usize,
    multiplier: u64,
    constant: u64,
}

fn memory(arena: &mut Memory, rounds: u32) {
    let (memory, rest) = arena.split_first_chunk_mut().expect("memory comes first");
    let mut streams: [u64; STREAMS] = std::array::from_fn(|stream| rest[stream]);
    let mut place = Place {
        memory,
        at: 0,
        multiplier: rest[STREAMS],
        constant: rest[STREAMS + 1],
    };
    for _ in 0..rounds {
        for at in (0..TURN).step_by(STREAMS) {
            phase!(streams, operate_at, place.move_to(at), 0);
            phase!(streams, operate_at, place.move_to(at + 1), 1);
            phase!(streams, operate_at, place.move_to(at + 2), 2);
            phase!(streams, operate_at, place.move_to(at + 3), 3);
            phase!(streams, operate_at, place.move_to(at + 4), 4);
            phase!(streams, operate_at, place.move_to(at + 5), 5);
            phase!(streams, operate_at, place.move_to(at + 6), 6);
            phase!(streams, operate_at, place.move_to(at + 7), 7);
        }
    }
    rest[..STREAMS].copy_from_slice(&streams);
}

impl Place<'_> {
    #[inline(always)]
    fn move_to(&mut self, at: usize) -> &mut Self {
        self.at = at;
        self
    }

    /// Leaves `word` where another was, and gives their sum.
    #[inline(always)]
    fn exchange(&mut self, ring: usize, word: u64) -> u64 {
        std::mem::replace(&mut self.memory[ring + self.at], word).wrapping_add(word)
    }
}

#[inline(always)]
fn operate_at(operation: usize, word: u64, place: &mut Place<'_>) -> u64 {
    match operation {
        0 => word.wrapping_mul(place.multiplier),
        1 => place.exchange(RING_A, word),
        2 => word.rotate_left(23),
        3 => word ^ place.memory[TABLE_A + place.at],
        4 => word.rotate_left(27),
        5 => place.exchange(RING_B, word),
        6 => word ^ place.constant,
        _ => word.wrapping_add(place.memory[TABLE_B + place.at]),
    }
}
