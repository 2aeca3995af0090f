//! Multiply-add kernels at the limit of the multiply-add pipes, in whose live data no flipped bit can
//! vanish, at each level of cache and one value at a time.
//!
//! The rule behind both kinds: each step is injective in each of its operands, and the last reader of
//! every live value is an injective operation that ends in the digest.
//!
//! *Cancelling*, for x in `[1, 2)`, a = 1.81, k = 0.06, m = 1.5 - 1.5 k, and addends c = 1.5 - 1.5 a
//! within a hundredth, from memory: four rounds of
//!
//! ```text
//! three times  x = fma(x, a, c)    slope above 1, |c| >= 1: neighbours stay apart, no flip is rounded away
//!              y = fma(x, k, m)    contraction: the only step that loses bits of what it reads ...
//!              sum += bits(x)      ... so what it read is added, as an integer, after it was read
//!              x = y
//! ```
//!
//! *Exact product*, a = 1.7, k = 2^-20 / a, addends m = 1.5 - 1.5 a k within a tenth, from memory: four
//! rounds of
//!
//! ```text
//! h = x * a    y = fma(h, k, m)    x = fma(x, a, -h)    sum += bits(x)    x = y
//! ```
//!
//! where h and the exact remainder (the new x) are the whole product, and the remainder is the last reader
//! of both its operands.
//!
//! Factors have an odd last place, so that no result lies halfway between two floats. In the cancelling
//! kind an error keeps its sign from round to round (all slopes are positive), so sums cannot cancel it.
//! Remainders have either sign; two rounds can cancel each other when the second is wrong by just what
//! the first was. At a slope of 0.2 about one flip in 10,000 was missed in that way, hence the small k:
//! the second round is wrong with a chance of 2^-20, for one bit of 64 (of 32) in the first place.
//! Addresses and counters of a block are no data: a flip there makes a crash or wrong sums.
//!
//! Sums are integers, so neither width nor order of work shows in them. The blocks are written by
//! `src/build/`; the portable body in `body` is the definition, and a hundred times slower at worst.

mod answers;
#[cfg(target_arch = "x86_64")]
mod blocks;
mod body;
mod layout;
mod pass;

use super::{Body, ComputePass, KernelSpec};
use crate::model::InstructionSet::{Avx2, Avx512, Portable, ScalarFma};
use crate::model::{InstructionSet, LoadClass, MemoryLevel, Unit};
use layout::{Format, Kind, Variant};

const WIDE: &[InstructionSet] = &[Portable, Avx2, Avx512];
const SCALAR: &[InstructionSet] = &[Portable, ScalarFma];
const UNITS: &[Unit] = &[Unit::FloatMultiplyAdd, Unit::LoadStore];

/// Groups of state: so many that the state ends about 2 KiB into a page, where the addends begin. With
/// both at the same place of their pages, loads are taken for dependent on stores.
const CANCELLING_L1: usize = 18;
const CANCELLING_L2: usize = 416;
/// 3 MiB with the addends: beyond the second level of most cores, within a core's share of the last.
const CANCELLING_LAST: usize = 2720;
const PRODUCT_L1: usize = 20;

macro_rules! kernel {
    ($name:literal, $about:literal, $class:ident, $level:ident, $paths:ident,
     $kind:ident, $format:ident, $groups:ident, $answers:ident) => {{
        const VARIANT: Variant = Variant {
            kind: Kind::$kind,
            format: Format::$format,
        };
        let spec = KernelSpec {
            name: $name,
            class: LoadClass::$class,
            units: UNITS,
            level: MemoryLevel::$level,
            about: $about,
            paths: $paths,
            work_a_round: |_| VARIANT.work_a_sweep($groups),
            body: Body::Compute {
                arena_words: VARIANT.arena_words($groups),
                pass: |set, arena, rounds, beat| {
                    pass::run::<true>((set, VARIANT), arena, rounds, beat)
                },
                answers: answers::$answers,
            },
        };
        let unchecked: ComputePass =
            |set, arena, rounds, beat| pass::run::<false>((set, VARIANT), arena, rounds, beat);
        (spec, unchecked)
    }};
}

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &{
    let mut specs = [MEMBERS[0].0; MEMBERS.len()];
    let mut index = 1;
    while index < MEMBERS.len() {
        specs[index] = MEMBERS[index].0;
        index += 1;
    }
    specs
};

/// The pass of the kernel called `name` without folds and digests: the difference in time is what checking
/// costs. Its answer says nothing, and only the paths with a block can do without folds.
pub fn unchecked_pass(name: &str) -> Option<ComputePass> {
    let member = MEMBERS.iter().find(|(spec, _)| spec.name == name);
    member.map(|(_, unchecked)| *unchecked)
}

#[rustfmt::skip]
const MEMBERS: [(KernelSpec, ComputePass); 8] = [
    kernel!("fma-scalar.l1", "cancelling multiply-add, one double at a time, first-level cache",
        ScalarFloat, L1, SCALAR, Cancelling, OneDouble, CANCELLING_L1, FMA_SCALAR_L1),
    kernel!("fma-f64.l1", "cancelling multiply-add in double precision, first-level cache",
        WideVector, L1, WIDE, Cancelling, Double, CANCELLING_L1, FMA_F64_L1),
    kernel!("fma-f64.l2", "cancelling multiply-add in double precision, second-level cache",
        WideVector, L2, WIDE, Cancelling, Double, CANCELLING_L2, FMA_F64_L2),
    kernel!("fma-f64.llc", "cancelling multiply-add in double precision, last-level cache",
        WideVector, LastLevel, WIDE, Cancelling, Double, CANCELLING_LAST, FMA_F64_LLC),
    kernel!("fma-f32.l1", "cancelling multiply-add in single precision, first-level cache",
        WideVector, L1, WIDE, Cancelling, Single, CANCELLING_L1, FMA_F32_L1),
    kernel!("fma-f32.l2", "cancelling multiply-add in single precision, second-level cache",
        WideVector, L2, WIDE, Cancelling, Single, CANCELLING_L2, FMA_F32_L2),
    kernel!("product-f64.l1", "exact products in double precision, first-level cache",
        WideVector, L1, WIDE, Product, Double, PRODUCT_L1, PRODUCT_F64_L1),
    kernel!("product-f32.l1", "exact products in single precision, first-level cache",
        WideVector, L1, WIDE, Product, Single, PRODUCT_L1, PRODUCT_F32_L1),
];
