//! The assembler blocks, all of them and on any processor: an interpreter of the few instructions they
//! are made of runs the very text that is assembled, AVX-512 included, and must leave the arena as the
//! portable path does. It can flip a bit of any vector register just before an instruction reads it.
//!
//! What the instructions do is from the Intel 64 and IA-32 Architectures Software Developer's Manual,
//! volume 2, from memory; where this processor has them, the kernels themselves are the check.

use std::collections::BTreeMap;

use soakproof::kernels::{Beat, Go};
use soakproof::model::InstructionSet;

use super::reference::Bits;
use super::{Kernel, random};

const TEXT: &str = include_str!(concat!(env!("OUT_DIR"), "/fma_blocks.s"));
/// Where the arena lies for the interpreter.
const BASE: u64 = 0x1_0000;

#[derive(Debug, Clone, Copy)]
enum Place {
    Register(usize),
    /// General register and displacement.
    Memory(usize, i64),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Action {
    Move,
    Multiply,
    /// `first = first * second + third`.
    Fused213,
    /// `first = second * third + first`.
    Fused231,
    /// `first = first * second - third`.
    FusedLess213,
    Sum,
    /// The upper half of the second.
    Extract,
}

#[derive(Debug, Clone, Copy)]
enum Operation {
    Vector {
        action: Action,
        is_single: bool,
        /// Words of the registers.
        words: usize,
        places: [Place; 3],
    },
    Copy(usize, usize),
    Add(usize, i64),
    Multiply(usize, usize, Option<i64>),
    /// Back (or on) to an instruction when the last sum was not zero.
    JumpIfNotZero(usize),
    Nothing,
}

const NAMES: [&str; 10] = [
    "rax", "rcx", "rdx", "rsi", "rdi", "r8", "r9", "r12", "r13", "r14",
];

fn general(name: &str) -> usize {
    let known = NAMES.iter().position(|known| *known == name);
    known.unwrap_or_else(|| panic!("`{name}` is a general register"))
}

fn place(text: &str) -> Place {
    if let Some(inside) = text.strip_prefix('[') {
        let parts: Vec<&str> = inside.trim_end_matches(']').split(' ').collect();
        let displacement: i64 = parts[2].parse().unwrap();
        let sign = if parts[1] == "-" { -1 } else { 1 };
        return Place::Memory(general(parts[0]), sign * displacement);
    }
    Place::Register(text[3..].parse().unwrap())
}

fn words_of(operands: &[&str]) -> usize {
    let widths = operands
        .iter()
        .filter_map(|operand| match operand.get(..3)? {
            "xmm" => Some(1),
            "ymm" => Some(4),
            "zmm" => Some(8),
            _ => None,
        });
    widths.min().expect("a vector register")
}

fn vector(name: &str, operands: &[&str]) -> Operation {
    let (action, is_single) = match name {
        "vmovupd" | "vmovups" | "vmovsd" | "vmovapd" => (Action::Move, false),
        "vmulpd" | "vmulps" => (Action::Multiply, name.ends_with("ps")),
        "vfmadd213pd" | "vfmadd213ps" | "vfmadd213sd" => (Action::Fused213, name.ends_with("ps")),
        "vfmadd231pd" | "vfmadd231ps" | "vfmadd231sd" => (Action::Fused231, name.ends_with("ps")),
        "vfmsub213pd" | "vfmsub213ps" => (Action::FusedLess213, name.ends_with("ps")),
        "vpaddq" | "vpaddd" => (Action::Sum, name.ends_with('d')),
        "vextracti64x4" => (Action::Extract, false),
        _ => panic!("`{name}` is not known"),
    };
    let third = operands
        .get(2)
        .copied()
        .filter(|_| action != Action::Extract);
    let places = [operands[0], operands[1], third.unwrap_or(operands[1])].map(place);
    Operation::Vector {
        action,
        is_single,
        words: words_of(operands),
        places,
    }
}

/// The operations of the block `name`.
fn parse(name: &str) -> Vec<Operation> {
    let start = TEXT
        .find(&format!("\n{name}:\n"))
        .expect("the block is there");
    let body = &TEXT[start + name.len() + 3..];
    let lines: Vec<&str> = body
        .lines()
        .take_while(|line| *line != "ret")
        .filter(|line| !line.is_empty())
        .collect();
    let label = |at: usize, text: &str| {
        let (number, is_ahead) = (&text[..1], text.ends_with('f'));
        let is_it = |line: &&str| **line == format!("{number}:");
        if is_ahead {
            at + lines[at..].iter().position(is_it).unwrap()
        } else {
            lines[..at].iter().rposition(is_it).unwrap()
        }
    };
    let operation = |(at, line): (usize, &&str)| {
        let (name, rest) = line.split_once(' ').unwrap_or((line, ""));
        let operands: Vec<&str> = rest.split(", ").collect();
        match name {
            "mov" => Operation::Copy(general(operands[0]), general(operands[1])),
            "add" => Operation::Add(general(operands[0]), operands[1].parse().unwrap()),
            "sub" => Operation::Add(general(operands[0]), -operands[1].parse::<i64>().unwrap()),
            "dec" => Operation::Add(general(operands[0]), -1),
            "imul" => {
                let factor = operands.get(2).map(|factor| factor.parse().unwrap());
                Operation::Multiply(general(operands[0]), general(operands[1]), factor)
            }
            "jnz" => Operation::JumpIfNotZero(label(at, operands[0])),
            "push" | "pop" | "vzeroupper" | "2:" | "3:" | ".p2align" => Operation::Nothing,
            _ => vector(name, &operands),
        }
    };
    lines.iter().enumerate().map(operation).collect()
}

/// Where to flip: the operand and bit of the vector instruction that is executed as number `at`.
#[derive(Debug, Clone, Copy)]
struct Flip {
    at: u64,
    operand: usize,
    bit: usize,
}

struct Machine<'a> {
    general: [u64; NAMES.len()],
    vectors: [[u64; 8]; 16],
    arena: &'a mut [u64],
    is_zero: bool,
    executed: u64,
    flip: Option<Flip>,
    has_flipped: bool,
}

impl Machine<'_> {
    fn run(&mut self, operations: &[Operation]) {
        let mut at = 0;
        while let Some(operation) = operations.get(at) {
            at += 1;
            match *operation {
                Operation::Copy(to, from) => self.general[to] = self.general[from],
                Operation::Add(to, amount) => {
                    self.general[to] = self.general[to].wrapping_add_signed(amount);
                    self.is_zero = self.general[to] == 0;
                }
                Operation::Multiply(to, from, factor) => {
                    let factor = factor.map_or(self.general[to], i64::cast_unsigned);
                    self.general[to] = self.general[from].wrapping_mul(factor);
                }
                Operation::JumpIfNotZero(target) => {
                    at = if self.is_zero { at } else { target };
                }
                Operation::Vector {
                    action,
                    is_single,
                    words,
                    places,
                } => {
                    self.vector((action, is_single, words), places);
                    self.executed += 1;
                }
                Operation::Nothing => {}
            }
        }
    }

    fn address(&self, register: usize, displacement: i64) -> usize {
        let address = self.general[register].wrapping_add_signed(displacement);
        assert!(address.is_multiple_of(8) && address >= BASE, "{address:#x}");
        ((address - BASE) / 8) as usize
    }

    /// An operand, which is flipped first if it is its time.
    fn read(&mut self, index: usize, place: Place, words: usize) -> [u64; 8] {
        let flip = self
            .flip
            .filter(|flip| flip.at == self.executed && flip.operand == index);
        self.has_flipped |= flip.is_some();
        let flipped = |value: &mut [u64; 8]| {
            if let Some(flip) = flip {
                value[flip.bit / 64 % words] ^= 1 << (flip.bit % 64);
            }
        };
        match place {
            Place::Register(register) => {
                flipped(&mut self.vectors[register]);
                self.vectors[register]
            }
            Place::Memory(register, displacement) => {
                let at = self.address(register, displacement);
                let mut value = [0; 8];
                value[..words].copy_from_slice(&self.arena[at..at + words]);
                flipped(&mut value);
                value
            }
        }
    }

    fn vector(&mut self, (action, is_single, words): (Action, bool, usize), places: [Place; 3]) {
        let second = self.read(
            1,
            places[1],
            if action == Action::Extract { 8 } else { words },
        );
        let result = match action {
            Action::Move => second,
            Action::Extract => std::array::from_fn(|word| second[(word + 4) % 8]),
            Action::Multiply | Action::Sum => {
                let third = self.read(2, places[2], words);
                let of = |word| {
                    lanes(is_single, |lane| match (action, is_single) {
                        (Action::Sum, true) => f32::sum(lane(second[word]), lane(third[word])),
                        (Action::Sum, false) => f64::sum(lane(second[word]), lane(third[word])),
                        (_, true) => f32::times(lane(second[word]), lane(third[word])),
                        (_, false) => f64::times(lane(second[word]), lane(third[word])),
                    })
                };
                std::array::from_fn(of)
            }
            Action::Fused213 | Action::Fused231 | Action::FusedLess213 => {
                let first = self.read(0, places[0], words);
                let third = self.read(2, places[2], words);
                let of = |word: usize| {
                    lanes(is_single, |lane| {
                        let [x, y, z] = [first[word], second[word], third[word]].map(lane);
                        let [x, y, z] = match action {
                            Action::Fused231 => [y, z, x],
                            Action::FusedLess213 if is_single => [x, y, f32::negated(z)],
                            Action::FusedLess213 => [x, y, f64::negated(z)],
                            Action::Fused213
                            | Action::Move
                            | Action::Multiply
                            | Action::Sum
                            | Action::Extract => [x, y, z],
                        };
                        if is_single {
                            f32::fused(x, y, z)
                        } else {
                            f64::fused(x, y, z)
                        }
                    })
                };
                std::array::from_fn(of)
            }
        };
        match places[0] {
            Place::Register(register) => {
                // Writes of a narrow register clear the rest of the wide one.
                self.vectors[register] = [0; 8];
                self.vectors[register][..words].copy_from_slice(&result[..words]);
            }
            Place::Memory(register, displacement) => {
                let at = self.address(register, displacement);
                self.arena[at..at + words].copy_from_slice(&result[..words]);
            }
        }
    }
}

/// A word of one result, or of two of half its width; `of` is given what takes the operand from a word.
fn lanes(is_single: bool, of: impl Fn(&dyn Fn(u64) -> u64) -> u64) -> u64 {
    if is_single {
        of(&|word| word & 0xFFFF_FFFF) | of(&|word| word >> 32) << 32
    } else {
        of(&|word| word)
    }
}

/// Copies the arena at every beat.
struct Copier {
    arena: *const u64,
    words: usize,
    copies: Vec<Vec<u64>>,
}

impl Beat for Copier {
    fn beat(&mut self, _: u32) -> Go {
        // SAFETY: the arena is alive, and nobody writes to it while a kernel is in its beat.
        let words = unsafe { std::slice::from_raw_parts(self.arena, self.words) };
        self.copies.push(words.to_vec());
        Go::On
    }
}

/// Sweeps of a step in these tests.
const SWEEPS: u32 = 2;

/// An arena of two groups after set-up, and after the first step of the portable path.
fn first_step(block: &Block) -> (Vec<u64>, Vec<u64>) {
    let kernel = Kernel::find(block.kernel);
    let mut arena = vec![0; kernel.words - 2 * (kernel.shape.state - block.state_words(&kernel))];
    let mut copier = Copier {
        arena: arena.as_ptr(),
        words: arena.len(),
        copies: Vec::new(),
    };
    (kernel.pass)(InstructionSet::Portable, &mut arena, SWEEPS, &mut copier);
    let mut copies = copier.copies.into_iter();
    (copies.next().unwrap(), copies.next().unwrap())
}

struct Block {
    name: &'static str,
    kernel: &'static str,
    /// Words of a register.
    words: usize,
}

const BLOCKS: [Block; 9] = [
    block("soakproof_cancelling_f64_scalar", "fma-scalar.l1", 1),
    block("soakproof_cancelling_f64_avx2", "fma-f64.l1", 4),
    block("soakproof_cancelling_f64_avx512", "fma-f64.l1", 8),
    block("soakproof_cancelling_f32_avx2", "fma-f32.l1", 4),
    block("soakproof_cancelling_f32_avx512", "fma-f32.l1", 8),
    block("soakproof_product_f64_avx2", "product-f64.l1", 4),
    block("soakproof_product_f64_avx512", "product-f64.l1", 8),
    block("soakproof_product_f32_avx2", "product-f32.l1", 4),
    block("soakproof_product_f32_avx512", "product-f32.l1", 8),
];

const fn block(name: &'static str, kernel: &'static str, words: usize) -> Block {
    Block {
        name,
        kernel,
        words,
    }
}

impl Block {
    /// Two groups of state.
    fn state_words(&self, kernel: &Kernel) -> usize {
        let chains = if kernel.shape.is_product { 8 } else { 9 };
        2 * chains * self.words
    }
}

/// Runs a block over `arena`; the number of vector instructions, and whether a bit was flipped.
fn interpret(
    block: &Block,
    operations: &[Operation],
    arena: &mut [u64],
    flip: Option<Flip>,
) -> (u64, bool) {
    let state = block.state_words(&Kernel::find(block.kernel));
    let tail = arena.len() - 28;
    let mut general = [0; NAMES.len()];
    let arguments = BTreeMap::from([
        ("rdi", BASE),
        ("rsi", BASE + 8 * state as u64),
        ("rdx", 2),
        ("rcx", u64::from(SWEEPS)),
        ("r8", BASE + 8 * tail as u64),
    ]);
    for (name, value) in arguments {
        general[self::general(name)] = value;
    }
    let mut machine = Machine {
        general,
        vectors: [[0xDEAD_BEEF; 8]; 16],
        arena,
        is_zero: false,
        executed: 0,
        flip,
        has_flipped: false,
    };
    machine.run(operations);
    (machine.executed, machine.has_flipped)
}

#[test]
fn every_block_does_what_the_portable_path_does() {
    for block in &BLOCKS {
        let (mut arena, expected) = first_step(block);
        interpret(block, &parse(block.name), &mut arena, None);
        assert!(arena == expected, "{}", block.name);
    }
}

/// Step level on the real instructions: whatever vector operand is about to be read, from a register or on
/// its way from memory, a flipped bit of it is in the arena at the end.
#[test]
fn no_flip_of_an_operand_of_a_block_is_missed() {
    for block in &BLOCKS {
        let (before, expected) = first_step(block);
        let operations = parse(block.name);
        let (count, _) = interpret(block, &operations, &mut before.clone(), None);
        let (mut flipped, mut trial) = (0, 0_u64);
        while flipped < 10_000 {
            let number = |index| random(23, 3 * trial + index);
            let flip = Flip {
                at: number(0) % count,
                operand: (number(1) % 3) as usize,
                bit: (number(2) % 512) as usize,
            };
            trial += 1;
            let mut arena = before.clone();
            // Not every instruction reads all of its operands.
            if interpret(block, &operations, &mut arena, Some(flip)).1 {
                assert!(arena != expected, "{} {flip:?}", block.name);
                flipped += 1;
            }
        }
    }
}
