//! Flips at the level of single steps: models of the kernels in which every read of a register, of a
//! temporary or of memory may find one bit flipped, which then stays flipped. Between two reads it makes
//! no difference when a bit flips, so this is every flip in live data. None may be missed.
//!
//! Without a flip a model must give the answer of the reference, so it is the kernel that is modelled.

mod integers;
mod products;
mod vectors;

use soakproof::kernels::Answer;

use super::reference::{fold, split_mix};

/// One bit to be flipped at one read.
pub(super) struct Fault {
    at: u64,
    bit: u32,
    /// Reads so far.
    reads: u64,
}

impl Fault {
    fn at(read: u64, bit: u32) -> Self {
        Self {
            at: read,
            bit,
            reads: 0,
        }
    }

    fn none() -> Self {
        Self::at(u64::MAX, 0)
    }

    fn strikes(&mut self) -> bool {
        self.reads += 1;
        self.reads - 1 == self.at
    }

    /// Reads a live word.
    fn read(&mut self, place: &mut u64) -> u64 {
        if self.strikes() {
            *place ^= 1 << self.bit;
        }
        *place
    }

    /// Reads a word of which only the lowest `live` bits are still to have an effect.
    fn read_low(&mut self, place: &mut u64, live: u32) -> u64 {
        if self.strikes() {
            *place ^= 1 << (self.bit % live);
        }
        *place
    }

    /// Reads a live 32-bit word.
    fn read_half(&mut self, place: &mut u32) -> u32 {
        if self.strikes() {
            *place ^= 1 << (self.bit % 32);
        }
        *place
    }

    /// Reads a live double.
    fn read_float(&mut self, place: &mut f64) -> f64 {
        let mut bits = place.to_bits();
        self.read(&mut bits);
        *place = f64::from_bits(bits);
        *place
    }
}

/// A kernel at its shortest, with one flip.
type Model = fn(&mut Fault) -> Answer;

/// Folds the arena after each of eight steps, reading every word of it.
fn eight_faulty_steps(
    arena: &mut [u64],
    fault: &mut Fault,
    mut step: impl FnMut(&mut [u64], &mut Fault),
) -> Answer {
    let mut digest = 0x6A09_E667_F3BC_C908;
    std::array::from_fn(|_| {
        step(arena, fault);
        for word in arena.iter_mut() {
            digest = fold(digest, fault.read(word));
        }
        digest
    })
}

const MODELS: [(&str, Model, super::Reference); 9] = [
    (
        "int-streams.reg",
        integers::int_streams,
        super::reference::int_streams,
    ),
    (
        "int-streams.l1",
        integers::int_streams_l1,
        super::reference::int_streams_l1,
    ),
    ("int-ntt.l1", integers::int_ntt, super::reference::int_ntt),
    (
        "int-divide.reg",
        integers::int_divide,
        super::reference::int_divide,
    ),
    (
        "hash-chain.reg",
        integers::hash_chain,
        super::reference::hash_chain,
    ),
    (
        "vec-int.l1",
        vectors::vec_int,
        super::vector_reference::vec_int,
    ),
    (
        "vec-int52.l1",
        vectors::vec_int52,
        super::vector_reference::vec_int52,
    ),
    (
        "all-units.l1",
        vectors::all_units,
        super::vector_reference::all_units,
    ),
    (
        "matrix-exact.l1",
        products::matrix_exact,
        super::float_reference::matrix_exact,
    ),
];

/// Number of flips that changed nothing in the answer.
fn missed(model: Model, right: &Answer, flips: usize) -> usize {
    let mut count = Fault::none();
    assert_eq!(model(&mut count), *right, "the model is not the kernel");
    let random = split_mix(0x57E9, 2 * flips);
    let random = random.chunks_exact(2);
    let unseen = random.filter(|random| {
        let mut fault = Fault::at(random[0] % count.reads, (random[1] % 64) as u32);
        model(&mut fault) == *right
    });
    unseen.count()
}

/// A tenth of the flips, so that it takes seconds; the whole is below.
#[test]
fn no_flip_before_a_read_is_missed() {
    for (name, model, reference) in MODELS {
        assert_eq!(missed(model, &reference(1), 300), 0, "`{name}`");
    }
}

/// The campaign: none of 10,000 is under 3 in 10,000 at 95 % confidence (exact binomial bound).
#[test]
#[ignore = "minutes"]
fn no_flip_of_ten_thousand_before_a_read_is_missed() {
    for (name, model, reference) in MODELS {
        let missed = missed(model, &reference(1), 10_000);
        println!("STEP {name}: {missed} of 10000 missed");
        assert_eq!(missed, 0, "`{name}`");
    }
}
