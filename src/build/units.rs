//! The block of the kernel that keeps all units busy at once: the cancelling multiply-add with a
//! stream of integer work woven in, one operation beside each multiply-add of 256 bits, two beside each
//! of 512. Signature (System V): `(x, c, groups, tail)`. `tail` holds three constants, 64 bytes each, the
//! sums (32 bytes), six integer streams, a multiplier, an addend and a mask for xor. All of it is
//! loaded at the start and stored at the end. At least two groups must be swept.

use crate::schedule::{Instruction, Side, Turn, Value, give_registers};

/// Bytes from the constants of a step to those of the next.
const SHIFT: usize = 64;
/// Pointers are held this far into their data, so that most displacements fit into one byte.
const BIAS: usize = 128;
const CHAINS: usize = 9;
const ROUNDS: usize = 4;
/// Three stretching steps and a contraction.
const STEPS: usize = 4;
const PHASES: usize = ROUNDS * STEPS;
const EVENTS: usize = PHASES * CHAINS;
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
    let order = order(width);
    let given = give_registers(&order, SUM);
    let lines = |wanted: &dyn Fn(Side) -> bool| {
        let mut text = String::new();
        for instruction in order.iter().filter(|instruction| wanted(instruction.side)) {
            let mut line = instruction.text.clone();
            for (index, value) in instruction.values.iter().enumerate() {
                let register = width.register_name(given[value]);
                line = line.replace(&format!("%{index}"), &register);
            }
            text += &line;
            text.push('\n');
        }
        text
    };
    let first = lines(&|side| side != Side::Old);
    let turn = lines(&|_| true);
    let last = lines(&|side| side == Side::Old);
    let (enter, leave) = (enter(width), leave(width));
    let group = CHAINS * width.bytes;
    let advance = format!("add rdi, {group}\nadd rsi, {group}\n");
    let name = format!("soakproof_units_{}", width.name);
    format!(
        ".globl {name}\n.p2align 6\n{name}:\n{enter}{first}{advance}.p2align 6\n2:\n{turn}{advance}\
         dec rcx\njnz 2b\n{last}{leave}"
    )
}

impl Width {
    fn register_name(self, number: usize) -> String {
        format!("{}{number}", self.register)
    }

    /// Place `offset` bytes into the old or the new group. The pointer is at the new
    /// one, a group beyond the old.
    fn place(self, pointer: &str, is_old: bool, offset: usize) -> String {
        let before = BIAS + if is_old { CHAINS * self.bytes } else { 0 };
        if offset < before {
            format!("[{pointer} - {}]", before - offset)
        } else {
            format!("[{pointer} + {}]", offset - before)
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
    for event in 0..EVENTS {
        let (slot, chain) = (event / CHAINS, event % CHAINS);
        let lead = chain * PHASES / CHAINS;
        let phase = (slot + lead) % PHASES;
        let side = if slot + lead < PHASES {
            Side::Old
        } else {
            Side::New
        };
        let step = Step {
            event,
            chain,
            round: phase / STEPS,
            step: phase % STEPS,
            side,
        };
        step.multiply_add(width, &mut turn);
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

/// A step of a chain.
#[derive(Debug, Clone, Copy)]
struct Step {
    event: usize,
    chain: usize,
    round: usize,
    step: usize,
    side: Side,
}

impl Step {
    fn state(self) -> Value {
        Value {
            chain: self.chain,
            round: self.round,
            is_product: false,
        }
    }

    fn next_state(self) -> Value {
        Value {
            round: self.round + 1,
            ..self.state()
        }
    }

    fn put(self, turn: &mut Turn, delay: usize, text: String, values: &[Value]) {
        let instruction = Instruction {
            side: self.side,
            text,
            values: values.to_vec(),
        };
        turn.put(self.event, delay, instruction);
    }

    fn multiply_add(self, width: Width, turn: &mut Turn) {
        let name = |number| width.register_name(number);
        if self.step + 1 < STEPS {
            let shift = self.round * (STEPS - 1) + self.step;
            let offset = self.chain * width.bytes + shift * SHIFT;
            let addend = width.place("rsi", self.side == Side::Old, offset);
            let text = format!("vfmadd213pd %0, {}, {addend}", name(STRETCH));
            return self.put(turn, 0, text, &[self.state()]);
        }
        // The copy is of the constant: a copy of the state could lose a flip in the contraction.
        let copied = format!("vmovapd %0, {}", name(CENTRE));
        self.put(turn, 0, copied, &[self.next_state()]);
        let text = format!("vfmadd231pd %0, %1, {}", name(CONTRACT));
        self.put(turn, 0, text, &[self.next_state(), self.state()]);
        let text = format!("vpaddq {0}, {0}, %0", name(SUM));
        self.put(turn, FOLD_DELAY, text, &[self.state()]);
        if self.round + 1 == ROUNDS {
            self.renew(width, turn);
        }
    }

    /// Stores the state and loads the next element of the chain.
    fn renew(self, width: Width, turn: &mut Turn) {
        let offset = self.chain * width.bytes;
        let text = format!("vmovupd {}, %0", width.place("rdi", true, offset));
        self.put(turn, 0, text, &[self.next_state()]);
        let begin = Self {
            round: 0,
            side: Side::Begin,
            ..self
        };
        let text = format!("vmovupd %0, {}", width.place("rdi", false, offset));
        begin.put(turn, 0, text, &[begin.state()]);
    }
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
