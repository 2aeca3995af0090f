//! Single elements of march tests against plain passes over the same memory.

use soakproof::kernels::limit::{copy_by_library, copy_by_loop, invert_in_place, read_only};
use soakproof::kernels::memory::{March, march_over_region, parse_march};
use soakproof::kernels::{Beat, FaultSink, Go, WalkOutcome, WordFault, detect};
use soakproof::model::InstructionSet;
use soakproof::os::Region;

use super::clockwork::best_s;
use super::{Row, WALKED_BYTES};

/// Repeats: each goes over all of the memory.
const REPEATS: usize = 9;
/// Stands for 0; not all zeros, whose lines are no real load on some processors.
const BACKGROUND: u64 = 0x5555_3333_0F0F_00FF;

struct NoFaults;

impl Beat for NoFaults {
    fn beat(&mut self, _: u32) -> Go {
        Go::On
    }
}

impl FaultSink for NoFaults {
    fn fault(&mut self, fault: WordFault) {
        panic!("a wrong word: {fault:?}");
    }
}

/// The memory of both sides.
struct Walked {
    region: Region,
    set: InstructionSet,
}

impl Walked {
    fn march(&mut self, march: &March) {
        let memory = (self.region.words_mut(), BACKGROUND);
        let outcome = march_over_region(self.set, march, memory, &mut NoFaults);
        assert!(matches!(outcome, WalkOutcome::Walked { faults: 0, .. }));
    }

    fn copy_s(&mut self) -> f64 {
        let words = self.region.words_mut();
        let (from, to) = words.split_at_mut(words.len() / 2);
        let library_s = best_s(|| copy_by_library(from, to));
        library_s.min(best_s(|| copy_by_loop(from, to)))
    }
}

/// The rows of this file.
pub(crate) fn rows(add: &mut impl FnMut(Row)) {
    let mut walked = Walked {
        region: Region::map(WALKED_BYTES, &mut || true).unwrap(),
        set: if detect().has(InstructionSet::Avx2) {
            InstructionSet::Avx2
        } else {
            InstructionSet::Portable
        },
    };
    let parse = |text: &str| parse_march(text).expect("the notation");
    let (fill, up, down, read) = (
        parse("u(w0)"),
        parse("u(r0,w1)"),
        parse("d(r1,w0)"),
        parse("u(r0)"),
    );
    let mut figures: [Vec<f64>; 3] = std::array::from_fn(|_| Vec::new());
    for _ in 0..REPEATS {
        walked.march(&fill);
        // Both directions in one window: the second leaves the memory as the first wants it.
        let both_s = best_s(|| {
            walked.march(&up);
            walked.march(&down);
        });
        let plain_s = best_s(|| invert_in_place(walked.region.words_mut()));
        let copy_s = walked.copy_s();
        walked.march(&fill);
        let verify_s = best_s(|| walked.march(&read));
        let read_s = best_s(|| {
            std::hint::black_box(read_only(walked.region.words_mut()));
        });
        // A copy reads and writes half of the memory each, an element all of it twice.
        figures[0].push(2.0 * plain_s / both_s);
        figures[1].push(4.0 * copy_s / both_s);
        figures[2].push(read_s / verify_s);
    }
    let median = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let [pass, copy, read] = &mut figures;
    add(Row::ratio(
        "march up and down against a plain pass",
        median(pass),
        (0.97, 0.92),
    ));
    add(Row::ratio(
        "march traffic against the best copy",
        median(copy),
        (1.05, 0.95),
    ));
    add(Row::ratio(
        "verify-read against plain read",
        median(read),
        (0.96, 0.90),
    ));
}
