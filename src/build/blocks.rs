//! The blocks: one function for each kind, format and width, all with the same signature (System V):
//! `(x, c, groups, sweeps, tail)`. A block sweeps `sweeps` times through `groups` groups of state at
//! `x`; the constants of sweep n begin 64 n bytes after `c`. `tail` holds three constants, 64 bytes
//! each, then the sums; all are loaded at the start and stored at the end.
//!
//! At least two groups must be swept in all, and within a sweep.

use crate::schedule::{
    BIAS, Instruction, Side, Step, Turn, Value, function_text, loop_text, place, steps,
};

/// Bytes by which constants move from step to step and from sweep to sweep.
const SHIFT: usize = 64;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// Three stretching steps, then a contraction; what the contraction reads is folded after it.
    Cancelling,
    /// Product, next value, exact remainder of the product; the remainder is folded.
    Product,
}

impl Kind {
    /// Chains side by side, rounds of an element between load and store.
    fn shape(self) -> (usize, usize) {
        match self {
            Self::Cancelling => (9, 4),
            Self::Product => (8, 4),
        }
    }

    fn constants(self) -> usize {
        match self {
            Self::Cancelling => 3,
            Self::Product => 2,
        }
    }
}

/// Number format: ending of multiply-adds, of integer sums, of moves.
#[derive(Debug, Clone, Copy)]
struct Format {
    name: &'static str,
    fused: &'static str,
    sum: &'static str,
    load: &'static str,
}

const DOUBLES: Format = Format {
    name: "f64",
    fused: "pd",
    sum: "q",
    load: "vmovupd",
};
const SINGLES: Format = Format {
    name: "f32",
    fused: "ps",
    sum: "d",
    load: "vmovups",
};
const ONE_DOUBLE: Format = Format {
    name: "f64",
    fused: "sd",
    sum: "q",
    load: "vmovsd",
};

/// Width of the registers.
#[derive(Debug, Clone, Copy)]
struct Width {
    name: &'static str,
    register: &'static str,
    bytes: usize,
}

const SCALAR: Width = Width {
    name: "scalar",
    register: "xmm",
    bytes: 8,
};
const AVX2: Width = Width {
    name: "avx2",
    register: "ymm",
    bytes: 32,
};
const AVX512: Width = Width {
    name: "avx512",
    register: "zmm",
    bytes: 64,
};

/// What a block is made of.
#[derive(Debug, Clone, Copy)]
struct Block {
    kind: Kind,
    format: Format,
    width: Width,
    /// Without folds it measures what the folds cost; never used by a kernel.
    folds: bool,
}

/// All blocks.
pub(crate) fn assembler_text() -> String {
    let mut text = String::from(".text\n");
    for folds in [true, false] {
        for width in [AVX2, AVX512] {
            for format in [DOUBLES, SINGLES] {
                for kind in [Kind::Cancelling, Kind::Product] {
                    text += &block_text(Block {
                        kind,
                        format,
                        width,
                        folds,
                    });
                }
            }
        }
        text += &block_text(Block {
            kind: Kind::Cancelling,
            format: ONE_DOUBLE,
            width: SCALAR,
            folds,
        });
    }
    text
}

/// Registers of constants are the highest, that of the sum is below them.
fn constant(block: Block, index: usize) -> String {
    format!("{}{}", block.width.register, 15 - index)
}

fn sum_register(block: Block) -> usize {
    15 - block.kind.constants()
}

fn block_text(block: Block) -> String {
    let Block { kind, format, .. } = block;
    let kind_name = match kind {
        Kind::Cancelling => "cancelling",
        Kind::Product => "product",
    };
    let folds = if block.folds { "" } else { "_unfolded" };
    let name = format!(
        "soakproof_{kind_name}_{}_{}{folds}",
        format.name, block.width.name
    );
    let group = kind.shape().0 * block.width.bytes;
    let registers = (block.width.register, sum_register(block));
    let turns = loop_text(&order(block), registers, &advance(group));
    function_text(&name, [&enter(block, group), &turns, &leave(block)])
}

/// Old element at `rax` with constants at `r9`; new one at `r13` with constants at `r12`; `r14` counts the
/// bytes of the sweep from the new one on, `rcx` the turns.
fn enter(block: Block, group: usize) -> String {
    let load = block.format.load;
    let mut text = String::from("push r12\npush r13\npush r14\n");
    for index in 0..block.kind.constants() {
        let register = constant(block, index);
        text += &format!("{load} {register}, [r8 + {}]\n", 64 * index);
    }
    // Sums fill 32 bytes at most; the rest of a wider register starts as zero.
    let half = sum_half(block);
    text += &format!("{load} {half}, [r8 + 192]\n");
    text += &format!("imul rcx, rdx\ndec rcx\nimul rdx, rdx, {group}\n");
    text += &format!("add rdi, {BIAS}\nadd rsi, {BIAS}\n");
    text + "mov r13, rdi\nmov r12, rsi\nmov r14, rdx\n"
}

fn sum_half(block: Block) -> String {
    let name = if block.width.bytes == 64 {
        "ymm"
    } else {
        block.width.register
    };
    format!("{name}{}", sum_register(block))
}

fn advance(group: usize) -> String {
    format!(
        "mov rax, r13\nmov r9, r12\nadd r13, {group}\nadd r12, {group}\nsub r14, {group}\njnz 3f\n\
         mov r13, rdi\nadd rsi, {SHIFT}\nmov r12, rsi\nmov r14, rdx\n3:\n"
    )
}

/// Constants are stored as well: a flip in one of their registers must not be forgotten.
fn leave(block: Block) -> String {
    let Format { load, sum, .. } = block.format;
    let half = sum_half(block);
    let mut text = String::new();
    if block.width.bytes == 64 {
        let whole = format!("zmm{}", sum_register(block));
        text += &format!("vextracti64x4 ymm0, {whole}, 1\nvpadd{sum} {half}, {half}, ymm0\n");
    }
    text += &format!("{load} [r8 + 192], {half}\n");
    for index in 0..block.kind.constants() {
        let register = constant(block, index);
        text += &format!("{load} [r8 + {}], {register}\n", 64 * index);
    }
    text + "vzeroupper\npop r14\npop r13\npop r12\nret\n"
}

/// The instructions of a turn, in order.
fn order(block: Block) -> Vec<Instruction> {
    let (chains, rounds) = block.kind.shape();
    let steps_a_round = match block.kind {
        Kind::Cancelling => 4,
        Kind::Product => 1,
    };
    let mut turn = Turn::new(rounds * steps_a_round * chains);
    for step in steps(chains, rounds, steps_a_round) {
        match block.kind {
            Kind::Cancelling => block.cancelling(step, &mut turn),
            Kind::Product => block.product(step, &mut turn),
        }
    }
    turn.into_order()
}

impl Block {
    /// The constant `shift` steps into the element's window.
    fn addend(self, step: Step, (turn, delay): (&Turn, usize), shift: usize) -> String {
        let is_old = step.side == Side::Old || step.passes_end(turn, delay);
        let pointer = if is_old { "r9" } else { "r12" };
        let offset = step.chain * self.width.bytes + shift * SHIFT;
        place(pointer, offset, BIAS)
    }

    fn cancelling(self, step: Step, turn: &mut Turn) {
        const STRETCHES: usize = 3;
        const FOLD_DELAY: usize = 5;
        let fused = self.format.fused;
        let (stretch, contract, centre) = (constant(self, 0), constant(self, 1), constant(self, 2));
        if step.step < STRETCHES {
            let addend = self.addend(step, (turn, 0), step.round * STRETCHES + step.step);
            let text = format!("vfmadd213{fused} %0, {stretch}, {addend}");
            return step.put(turn, 0, text, &[step.state()]);
        }
        // The copy is of the constant: a flip in it moves the result by at least one place. A copy of
        // the state could lose a flip in the contraction.
        let copied = format!("vmovapd %0, {centre}");
        step.put(turn, 0, copied, &[step.next_state()]);
        let text = format!("vfmadd231{fused} %0, %1, {contract}");
        step.put(turn, 0, text, &[step.next_state(), step.state()]);
        self.fold(step, turn, FOLD_DELAY);
        self.renew(step, turn, 0);
    }

    fn product(self, step: Step, turn: &mut Turn) {
        const NEXT_DELAY: usize = 1;
        const REMAINDER_DELAY: usize = 2;
        const FOLD_DELAY: usize = 3;
        let Format { fused, load, .. } = self.format;
        let (factor, contract) = (constant(self, 0), constant(self, 1));
        let product = Value {
            is_product: true,
            ..step.state()
        };
        let text = format!("vmul{fused} %0, %1, {factor}");
        step.put(turn, 0, text, &[product, step.state()]);
        let addend = self.addend(step, (turn, NEXT_DELAY), step.round);
        let text = format!("{load} %0, {addend}");
        step.put(turn, NEXT_DELAY, text, &[step.next_state()]);
        let text = format!("vfmadd231{fused} %0, %1, {contract}");
        step.put(turn, NEXT_DELAY, text, &[step.next_state(), product]);
        // The remainder is the last reader of state and product, and loses nothing of either.
        let text = format!("vfmsub213{fused} %0, {factor}, %1");
        step.put(turn, REMAINDER_DELAY, text, &[step.state(), product]);
        self.fold(step, turn, FOLD_DELAY);
        self.renew(step, turn, NEXT_DELAY);
    }

    /// Adds the register of the state to the sum and gives it free.
    fn fold(self, step: Step, turn: &mut Turn, delay: usize) {
        let sum = format!("{}{}", self.width.register, sum_register(self));
        let text = if self.folds {
            format!("vpadd{} {sum}, {sum}, %0", self.format.sum)
        } else {
            String::new()
        };
        step.put(turn, delay, text, &[step.state()]);
    }

    /// After the last round, stores the state and loads the next element of the chain.
    fn renew(self, step: Step, turn: &mut Turn, delay: usize) {
        if step.round + 1 < self.kind.shape().1 {
            return;
        }
        let offset = step.chain * self.width.bytes;
        let (old, new) = (place("rax", offset, BIAS), place("r13", offset, BIAS));
        step.renew(turn, delay, self.format.load, (&old, &new));
    }
}
