//! The integer streams in instructions of our own choice, since no compiler keeps eight streams of
//! different phases in registers. Constants are held in registers over a step and written back after
//! it, so that one that went wrong there is in the digest too.

#![expect(
    unsafe_code,
    reason = "whole loops in assembly: the choice of instructions is the load"
)]

use std::arch::asm;

use super::int_streams::{Memory, Registers};

/// What the stream in `$r` does at its operation `$n`; `$at` is the offset in bytes of the phase's words.
macro_rules! operation {
    (0 $r:literal $memory:tt) => {
        concat!("imul ", $r, ", {multiplier}\n")
    };
    (1 $r:literal registers) => {
        concat!("xor ", $r, ", {first}\n")
    };
    (2 $r:literal $memory:tt) => {
        concat!("rol ", $r, ", 23\n")
    };
    (3 $r:literal registers) => {
        concat!("add ", $r, ", {addend}\n")
    };
    (4 $r:literal $memory:tt) => {
        concat!("rol ", $r, ", 27\n")
    };
    (5 $r:literal registers) => {
        concat!("xor ", $r, ", {second}\n")
    };
    (6 $r:literal registers) => {
        concat!("add ", $r, ", {first}\n")
    };
    (7 $r:literal registers) => {
        concat!("xor ", $r, ", {addend}\n")
    };
    (1 $r:literal $at:literal) => {
        concat!(
            "mov {word}, [{place} + ",
            $at,
            "]\nmov [{place} + ",
            $at,
            "], ",
            $r,
            "\n",
            "add ",
            $r,
            ", {word}\n",
        )
    };
    (3 $r:literal $at:literal) => {
        concat!(
            "mov {word}, [{place} + 2048 + ",
            $at,
            "]\nxor ",
            $r,
            ", {word}\n"
        )
    };
    (5 $r:literal $at:literal) => {
        concat!(
            "mov {word}, [{place} + 1024 + ",
            $at,
            "]\nmov [{place} + 1024 + ",
            $at,
            "], ",
            $r,
            "\n",
            "add ",
            $r,
            ", {word}\n",
        )
    };
    (6 $r:literal $at:literal) => {
        concat!("xor ", $r, ", {constant}\n")
    };
    (7 $r:literal $at:literal) => {
        concat!(
            "mov {word}, [{place} + 3072 + ",
            $at,
            "]\nadd ",
            $r,
            ", {word}\n"
        )
    };
}

/// One phase: the number of each stream's operation, then where its memory is.
macro_rules! phase {
    ($a:tt $b:tt $c:tt $d:tt $e:tt $f:tt $g:tt $h:tt, $memory:tt) => {
        concat!(
            operation!($a "r8" $memory), operation!($b "r9" $memory),
            operation!($c "r10" $memory), operation!($d "r11" $memory),
            operation!($e "r12" $memory), operation!($f "r13" $memory),
            operation!($g "r14" $memory), operation!($h "r15" $memory),
        )
    };
}

/// Eight phases, with or without memory.
macro_rules! round {
    ($a:tt $b:tt $c:tt $d:tt $e:tt $f:tt $g:tt $h:tt) => {
        concat!(
            phase!(0 1 2 3 4 5 6 7, $a), phase!(1 2 3 4 5 6 7 0, $b),
            phase!(2 3 4 5 6 7 0 1, $c), phase!(3 4 5 6 7 0 1 2, $d),
            phase!(4 5 6 7 0 1 2 3, $e), phase!(5 6 7 0 1 2 3 4, $f),
            phase!(6 7 0 1 2 3 4 5, $g), phase!(7 0 1 2 3 4 5 6, $h),
        )
    };
    (registers) => {
        round!(registers registers registers registers registers registers registers registers)
    };
}

/// `rounds` rounds of `.reg`.
pub(super) fn registers(arena: &mut Registers, rounds: u32) {
    let [
        r8,
        r9,
        r10,
        r11,
        r12,
        r13,
        r14,
        r15,
        multiplier,
        first,
        addend,
        second,
    ] = arena;
    if rounds == 0 {
        return;
    }
    // SAFETY: no memory is touched and only registers named here change; the loop ends as the count
    // starts above zero.
    unsafe {
        asm!(
            "2:",
            round!(registers),
            "dec {count}",
            "jnz 2b",
            count = inout(reg) u64::from(rounds) => _,
            multiplier = inout(reg) *multiplier,
            first = inout(reg) *first,
            addend = inout(reg) *addend,
            second = inout(reg) *second,
            inout("r8") *r8, inout("r9") *r9, inout("r10") *r10, inout("r11") *r11,
            inout("r12") *r12, inout("r13") *r13, inout("r14") *r14, inout("r15") *r15,
            options(nomem, nostack),
        );
    }
}

/// `rounds` turns of the rings of `.l1`.
pub(super) fn memory(arena: &mut Memory, rounds: u32) {
    let place = arena.as_mut_ptr();
    let [
        ..,
        r8,
        r9,
        r10,
        r11,
        r12,
        r13,
        r14,
        r15,
        multiplier,
        constant,
    ] = arena;
    if rounds == 0 {
        return;
    }
    // SAFETY: a turn begins at `place` and goes 16 x 64 bytes; with the largest offset, 3072, that ends at
    // byte 4096, where the tables end. The streams behind them live in registers. Turns end when the
    // low bits of the count do, all of it when the whole count does; it starts above zero.
    unsafe {
        asm!(
            "2:",
            round!(0 8 16 24 32 40 48 56),
            "add {place}, 64",
            "dec {count}",
            "test {count:l}, 15",
            "jnz 2b",
            "sub {place}, 1024",
            "test {count}, {count}",
            "jnz 2b",
            place = inout(reg) place => _,
            count = inout(reg) 16 * u64::from(rounds) => _,
            word = out(reg) _,
            multiplier = inout(reg) *multiplier,
            constant = inout(reg) *constant,
            inout("r8") *r8, inout("r9") *r9, inout("r10") *r10, inout("r11") *r11,
            inout("r12") *r12, inout("r13") *r13, inout("r14") *r14, inout("r15") *r15,
            options(nostack),
        );
    }
}
