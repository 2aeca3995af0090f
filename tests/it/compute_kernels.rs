//! The scalar and contention kernels against naive references, the references against published
//! values and general-purpose libraries, and both kinds of kernels against flipped bits.

#![expect(
    clippy::cast_possible_truncation,
    clippy::unwrap_used,
    reason = "references reduce 128-bit numbers to words; a test may fail by panic"
)]

mod flips;
mod float_reference;
mod group_reference;
mod published;
mod reference;
mod steps;
mod vector_reference;

use std::sync::atomic::AtomicU64;
use std::thread;

use soakproof::kernels::{
    Answer, Beat, Body, ComputePass, Go, GroupPass, KnownAnswer, Member, Outcome, detect, find,
};
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
    check_answers("int-streams.l1", reference::int_streams_l1);
    check_answers("int-ntt.l1", reference::int_ntt);
    check_answers("int-divide.reg", reference::int_divide);
    check_answers("hash-chain.reg", reference::hash_chain);
}

#[test]
fn every_scalar_float_kernel_gives_the_answers_of_its_reference() {
    check_answers("float-chains.reg", float_reference::float_chains);
    check_answers("matrix-exact.l1", float_reference::matrix_exact);
}

#[test]
fn every_wide_integer_kernel_gives_the_answers_of_its_reference() {
    check_answers("vec-int.l1", vector_reference::vec_int);
    check_answers("vec-int52.l1", vector_reference::vec_int52);
}

#[test]
fn the_kernel_of_all_units_gives_the_answers_of_its_reference() {
    check_answers("all-units.l1", vector_reference::all_units);
}

/// One pass of all members as threads; what each came to. `setting` is members, pass and rounds.
fn group_pass_with<B: Beat + Send>(
    pass: GroupPass,
    area: &[AtomicU64],
    setting: (u32, u64, u32),
    beat_of: impl Fn(u32) -> B,
) -> Vec<Outcome> {
    let (count, number, rounds) = setting;
    thread::scope(|scope| {
        let member = |index| {
            let mut beat = beat_of(index);
            let member = Member {
                index,
                count,
                pass: number,
                area,
            };
            scope.spawn(move || pass(&member, rounds, &mut beat))
        };
        let members: Vec<_> = (0..count).map(member).collect();
        let members = members.into_iter();
        members.map(|member| member.join().unwrap()).collect()
    })
}

fn group(name: &str) -> (usize, GroupPass, &'static [KnownAnswer]) {
    match find(name).unwrap().body {
        Body::Group {
            area_words,
            pass,
            answers,
        } => (area_words, pass, answers),
        Body::Walk { .. } | Body::Compute { .. } => panic!("`{name}` is no group kernel"),
    }
}

fn zeroed(words: usize) -> Vec<AtomicU64> {
    std::iter::repeat_with(AtomicU64::default)
        .take(words)
        .collect()
}

fn check_group(name: &str, reference: Reference) {
    let (words, pass, answers) = group(name);
    assert!(answers.len() >= 3, "`{name}` has too few lengths");
    for known in answers {
        let expected = reference(known.rounds);
        assert_eq!(
            format!("{:#018x?}", known.answer),
            format!("{expected:#018x?}"),
            "constant of `{name}` at {} rounds",
            known.rounds
        );
        for count in [1, 2, 3] {
            let area = zeroed(words);
            for number in [0, 1, 2, 7] {
                let setting = (count, number, known.rounds);
                for outcome in group_pass_with(pass, &area, setting, |_| Steady) {
                    let right = Outcome::Answer {
                        answer: expected,
                        located: None,
                    };
                    assert_eq!(outcome, right, "`{name}` {count} members, pass {number}");
                }
            }
        }
    }
}

#[test]
fn the_answer_of_a_contention_kernel_does_not_depend_on_the_number_of_members() {
    check_group("atomics.shared", group_reference::atomics);
    check_group("handover.shared", group_reference::handover);
    check_group("publish.shared", group_reference::publish);
}

type Reference = fn(u32) -> Answer;

/// Prints what the references say, for the constants of new lengths.
#[test]
#[ignore = "prints the constants; asserts nothing that the others do not"]
fn print_references() {
    let references: [(&str, Reference); 13] = [
        ("int-streams.reg", reference::int_streams),
        ("int-streams.l1", reference::int_streams_l1),
        ("int-ntt.l1", reference::int_ntt),
        ("int-divide.reg", reference::int_divide),
        ("hash-chain.reg", reference::hash_chain),
        ("float-chains.reg", float_reference::float_chains),
        ("matrix-exact.l1", float_reference::matrix_exact),
        ("vec-int.l1", vector_reference::vec_int),
        ("vec-int52.l1", vector_reference::vec_int52),
        ("all-units.l1", vector_reference::all_units),
        ("atomics.shared", group_reference::atomics),
        ("handover.shared", group_reference::handover),
        ("publish.shared", group_reference::publish),
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
