//! The block of the kernel that keeps all units busy at once: the cancelling multiply-add with a
//! stream of integer work woven in, one operation beside each multiply-add of 256 bits, two beside each
//! of 512. Signature (System V): `(x, c, groups, tail)`. `tail` holds three constants, 64 bytes each, the
//! sums (32 bytes), six integer streams, a multiplier, an addend and a mask for xor. All of it is
//! loaded at the start and stored at the end. At least two groups must be swept.

use crate::schedule::{
    BIAS, Instruction, Side, Step, Turn, function_text, loop_text, place, steps,
};

/// Bytes from the constants of a step to those of the next.
const SHIFT: usize = 64;
const CHAINS: usize = 9;
const ROUNDS: usize = 4;
/// Three stretching steps and a contraction.
const STEPS: usize = 4;
const EVENTS: usize = ROUNDS * STEPS * CHAINS;
/// Registers of stretch, contraction, centre and sum; chains have those below.
const STRETCH: usize = 15;
const CONTRACT: usize = 14;
const CENTRE: usize = 13;
const SUM: usize = 12;
const FOLD_DELAY: usize = 5;

const STREAMS: [&str; 6] = ["r8", "r9", "r10", "r11", "r12", "r13"];
/// A stream is as many operations ahead of the first as its number.
const OPERATIONS: [&str; 4] = ["imul %, rax", "rol %, 23", "add %, rdx", "xor %, r14"];

#[derive(Debug, Clone, Copy)]
struct Width {
    name: &'static str,
    register: &'static str,
    bytes: usize,
    /// Integer operations beside each multiply-add.
    integers: usize,
}

/// Both blocks.
pub(crate) fn assembler_text() -> String {
    let widths = [
        Width {
            name: "avx2",
            register: "ymm",
            bytes: 32,
            integers: 1,
        },
        Width {
            name: "avx512",
            register: "zmm",
            bytes: 64,
            integers: 2,
        },
    ];
    widths.map(block_text).concat()
}

fn block_text(width: Width) -> String {
    let group = CHAINS * width.bytes;
    let advance = format!("add rdi, {group}\nadd rsi, {group}\n");
    let turns = loop_text(&order(width), (width.register, SUM), &advance);
    let name = format!("soakproof_units_{}", width.name);
    function_text(&name, [&enter(width), &turns, &leave(width)])
}

impl Width {
    fn register_name(self, number: usize) -> String {
        format!("{}{number}", self.register)
    }

    /// Place `offset` bytes into the old or the new group. The pointer is at the new
    /// one, a group beyond the old.
    fn place(self, pointer: &str, is_old: bool, offset: usize) -> String {
        let before = BIAS + if is_old { CHAINS * self.bytes } else { 0 };
        place(pointer, offset, before)
    }

    fn multiply_add(self, step: Step, turn: &mut Turn) {
        let name = |number| self.register_name(number);
        if step.step + 1 < STEPS {
            let shift = step.round * (STEPS - 1) + step.step;
            let offset = step.chain * self.bytes + shift * SHIFT;
            let addend = self.place("rsi", step.side == Side::Old, offset);
            let text = format!("vfmadd213pd %0, {}, {addend}", name(STRETCH));
            return step.put(turn, 0, text, &[step.state()]);
        }
        // The copy is of the constant: a copy of the state could lose a flip in the contraction.
        let copied = format!("vmovapd %0, {}", name(CENTRE));
        step.put(turn, 0, copied, &[step.next_state()]);
        let text = format!("vfmadd231pd %0, %1, {}", name(CONTRACT));
        step.put(turn, 0, text, &[step.next_state(), step.state()]);
        let text = format!("vpaddq {0}, {0}, %0", name(SUM));
        step.put(turn, FOLD_DELAY, text, &[step.state()]);
        if step.round + 1 == ROUNDS {
            let offset = step.chain * self.bytes;
            let place = |is_old| self.place("rdi", is_old, offset);
            step.renew(turn, 0, "vmovupd", (&place(true), &place(false)));
        }
    }
}

/// The instructions of a turn, in order. Integer operations come in whole cycles of all streams in either
/// half of it, so that the order of the halves does not matter.
fn order(width: Width) -> Vec<Instruction> {
    let mut turn = Turn::new(EVENTS);
    let cycle = STREAMS.len() * OPERATIONS.len();
    assert!(
        (EVENTS / 2 * width.integers).is_multiple_of(cycle),
        "halves hold whole cycles"
    );
    for (event, step) in steps(CHAINS, ROUNDS, STEPS).enumerate() {
        width.multiply_add(step, &mut turn);
        let side = if event < EVENTS / 2 {
            Side::Old
        } else {
            Side::New
        };
        for number in 0..width.integers {
            let text = integer_text((event * width.integers + number) % cycle);
            turn.put(
                event,
                0,
                Instruction {
                    side,
                    text,
                    values: Vec::new(),
                },
            );
        }
    }
    turn.into_order()
}

fn integer_text(number: usize) -> String {
    let stream = number % STREAMS.len();
    let operation = (number / STREAMS.len() + stream) % OPERATIONS.len();
    OPERATIONS[operation].replace('%', STREAMS[stream])
}

/// Constants, sums and streams from the tail; pointers, groups but the first.
fn enter(width: Width) -> String {
    let name = |number| width.register_name(number);
    let mut text = String::from("push r12\npush r13\npush r14\npush rcx\n");
    for (index, number) in [STRETCH, CONTRACT, CENTRE].into_iter().enumerate() {
        text += &format!("vmovupd {}, [rcx + {}]\n", name(number), 64 * index);
    }
    // Sums fill 32 bytes; the rest of a wider register starts as zero.
    text += &format!("vmovupd ymm{SUM}, [rcx + 192]\n");
    for (index, stream) in STREAMS.iter().enumerate() {
        text += &format!("mov {stream}, [rcx + {}]\n", 224 + 8 * index);
    }
    text += "mov rax, [rcx + 272]\nmov r14, [rcx + 288]\npush qword ptr [rcx + 280]\n";
    text += "mov rcx, rdx\npop rdx\ndec rcx\n";
    text + &format!("add rdi, {BIAS}\nadd rsi, {BIAS}\n")
}

/// Constants are stored as well: a flip in one of their registers must not be forgotten.
fn leave(width: Width) -> String {
    let name = |number| width.register_name(number);
    let mut text = String::from("pop rcx\n");
    if width.bytes == 64 {
        text += &format!("vextracti64x4 ymm0, zmm{SUM}, 1\nvpaddq ymm{SUM}, ymm{SUM}, ymm0\n");
    }
    text += &format!("vmovupd [rcx + 192], ymm{SUM}\n");
    for (index, number) in [STRETCH, CONTRACT, CENTRE].into_iter().enumerate() {
        text += &format!("vmovupd [rcx + {}], {}\n", 64 * index, name(number));
    }
    for (index, stream) in STREAMS.iter().enumerate() {
        text += &format!("mov [rcx + {}], {stream}\n", 224 + 8 * index);
    }
    text += "mov [rcx + 272], rax\nmov [rcx + 280], rdx\nmov [rcx + 288], r14\nvzeroupper\n";
    text + "pop r14\npop r13\npop r12\nret\n"
}
