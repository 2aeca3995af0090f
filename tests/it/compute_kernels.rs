//! The scalar and contention kernels against naive references, the references against published
//! values and general-purpose libraries, and both kinds of kernels against flipped bits.

#![expect(
    clippy::cast_possible_truncation,
    reason = "references reduce 128-bit numbers to words"
)]

mod float_reference;
mod reference;

use soakproof::kernels::{Answer, Beat, Body, ComputePass, Go, KnownAnswer, Outcome, detect, find};
use soakproof::model::InstructionSet;

/// Goes on for ever.
struct Steady;

impl Beat for Steady {
    fn beat(&mut self, _: u32) -> Go {
        Go::On
    }
}

struct Compute {
    paths: Vec<InstructionSet>,
    words: usize,
    pass: ComputePass,
    answers: &'static [KnownAnswer],
}

/// The compute kernel `name` with the paths that can be run here.
fn compute(name: &str) -> Compute {
    let spec = find(name).unwrap();
    let detected = detect();
    let paths = spec.paths.iter().copied();
    let paths = paths.filter(|path| detected.has(*path)).collect();
    match spec.body {
        Body::Compute {
            arena_words: words,
            pass,
            answers,
        } => Compute {
            paths,
            words,
            pass,
            answers,
        },
        Body::Walk { .. } | Body::Group { .. } => panic!("`{name}` does not compute alone"),
    }
}

/// Every path at every length, each over an arena of other leftovers, against the reference.
fn check_answers(name: &str, reference: fn(u32) -> Answer) {
    let kernel = compute(name);
    assert!(kernel.answers.len() >= 3, "`{name}` has too few lengths");
    for known in kernel.answers {
        let expected = reference(known.rounds);
        assert_eq!(
            format!("{:#018x?}", known.answer),
            format!("{expected:#018x?}"),
            "constant of `{name}` at {} rounds",
            known.rounds
        );
        for (path, leftover) in kernel.paths.iter().zip([u64::MAX, 0, 0x5555]) {
            let mut arena = vec![leftover; kernel.words];
            let outcome = (kernel.pass)(*path, &mut arena, known.rounds, &mut Steady);
            let right = Outcome::Answer {
                answer: expected,
                located: None,
            };
            assert_eq!(outcome, right, "`{name}` {path:?} {} rounds", known.rounds);
        }
    }
}

#[test]
fn every_scalar_integer_kernel_gives_the_answers_of_its_reference() {
    check_answers("int-streams.reg", reference::int_streams);
    check_answers("int-ntt.l1", reference::int_ntt);
    check_answers("int-divide.reg", reference::int_divide);
    check_answers("hash-chain.reg", reference::hash_chain);
}

#[test]
fn every_scalar_float_kernel_gives_the_answers_of_its_reference() {
    check_answers("float-chains.reg", float_reference::float_chains);
    check_answers("matrix-exact.l1", float_reference::matrix_exact);
}

type Reference = fn(u32) -> Answer;

/// Prints what the references say, for the constants of new lengths.
#[test]
#[ignore = "prints the constants; asserts nothing that the others do not"]
fn print_references() {
    let references: [(&str, Reference); 6] = [
        ("int-streams.reg", reference::int_streams),
        ("int-ntt.l1", reference::int_ntt),
        ("int-divide.reg", reference::int_divide),
        ("hash-chain.reg", reference::hash_chain),
        ("float-chains.reg", float_reference::float_chains),
        ("matrix-exact.l1", float_reference::matrix_exact),
    ];
    for (name, reference) in references {
        let answers = match find(name).unwrap().body {
            Body::Compute { answers, .. } | Body::Group { answers, .. } => answers,
            Body::Walk { .. } => &[],
        };
        for known in answers {
            let words = reference(known.rounds).map(|word| format!("{word:016x}"));
            println!("REF {name} {} {}", known.rounds, words.join(" "));
        }
    }
}
