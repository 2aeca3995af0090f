//! Single flipped bits in live data of the multiply-add kernels: none may be missed. 0 of 10,000 is
//! under 3 in 10,000 at 95 % confidence (exact binomial bound, "rule of three").

use soakproof::kernels::{Beat, Go, detect};
use soakproof::model::InstructionSet;

use super::reference::{Fault, answer};
use super::{Arena, Kernel, NAMES, random};

/// Step level: any value that is about to be read, be it in the arena or in a register.
#[test]
fn no_flip_of_a_value_about_to_be_read_is_missed() {
    // Other levels differ from these in nothing but the amount of state.
    for name in NAMES.into_iter().filter(|name| name.ends_with(".l1")) {
        let mut shape = Kernel::find(name).shape;
        // As many words as there are sums, thrice: enough for every register to be met.
        shape.state = 12;
        let mut count = Fault::none();
        let right = answer(shape, 1, &mut count);
        for trial in 0..10_000 {
            let mut fault = Fault {
                touched: 0,
                at: random(21, 2 * trial) % count.touched,
                bit: (random(21, 2 * trial + 1) % 64) as u32,
            };
            let (at, bit) = (fault.at, fault.bit);
            let got = answer(shape, 1, &mut fault);
            assert_ne!(got[7], right[7], "{name}: bit {bit} of touch {at}");
        }
    }
}

/// Flips one bit at one beat.
struct Flipper {
    arena: *mut u64,
    at_beat: u64,
    word: usize,
    bit: u64,
    beats: u64,
}

impl Beat for Flipper {
    fn beat(&mut self, _: u32) -> Go {
        if self.beats == self.at_beat {
            // SAFETY: `word` is below the length of the arena that `arena` points to.
            let place = unsafe { self.arena.add(self.word) };
            // SAFETY: as above; nobody else runs while a kernel is in its beat.
            let value = unsafe { place.read_volatile() };
            // SAFETY: as above.
            unsafe { place.write_volatile(value ^ (1 << self.bit)) };
        }
        self.beats += 1;
        Go::On
    }
}

/// Pass level: any bit of the arena, between any two beats, on the real code.
fn flip_in_passes(kernel: &Kernel, path: InstructionSet, trials: u64) {
    let known = kernel.shortest();
    let mut arena = Arena::new(kernel.words);
    for trial in 0..trials {
        let number = |index| random(22, 3 * trial + index);
        let mut flipper = Flipper {
            arena: arena.words().as_mut_ptr(),
            at_beat: number(0) % 8,
            word: (number(1) % kernel.words as u64) as usize,
            bit: number(2) % 64,
            beats: 0,
        };
        let got = kernel.run(path, &mut arena, known.rounds, &mut flipper);
        let (name, beat) = (kernel.name, flipper.at_beat);
        let (word, bit) = (flipper.word, flipper.bit);
        assert_ne!(
            got[7], known.answer[7],
            "{name} {path:?}: beat {beat} word {word} bit {bit}"
        );
    }
}

#[test]
fn no_flip_in_an_arena_is_missed() {
    for name in NAMES {
        let kernel = Kernel::find(name);
        let trials = match kernel.words {
            0..10_000 => 10_000,
            10_000..100_000 => 500,
            _ => 50,
        };
        for path in kernel.paths(&detect()) {
            let slow = path == InstructionSet::Portable;
            flip_in_passes(&kernel, path, if slow { trials / 100 } else { trials });
        }
    }
}

#[test]
#[ignore = "minutes: 10,000 flips in every kernel and path"]
fn flip_campaign() {
    for name in NAMES {
        let kernel = Kernel::find(name);
        for path in kernel.paths(&detect()) {
            flip_in_passes(&kernel, path, 10_000);
        }
    }
}
