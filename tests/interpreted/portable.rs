//! Every kernel's portable body by an interpreter that knows the rules of the language (`.ci/outside/miri`): it tells
//! reads beyond a slice, of what was never written, races, and orders that this processor never shows.

use std::sync::atomic::AtomicU64;
use std::thread;

use base::kernels::{
    Beat, Body, FaultSink, Go, KnownAnswer, Member, Outcome, WalkOutcome, WordFault, catalogue,
};
use base::model::InstructionSet;

/// Words of a walked region: several lines, and some beyond the last.
const WORDS: usize = 67;

#[derive(Default)]
struct Watcher {
    faults: u64,
    flushes: bool,
}

impl Beat for Watcher {
    fn beat(&mut self, _: u32) -> Go {
        Go::On
    }
}

impl FaultSink for Watcher {
    fn fault(&mut self, _: WordFault) {
        self.faults += 1;
    }

    fn flushes(&self) -> bool {
        self.flushes
    }
}

fn shortest(answers: &[KnownAnswer]) -> KnownAnswer {
    *answers.iter().min_by_key(|known| known.rounds).unwrap()
}

fn right(known: KnownAnswer) -> Outcome {
    Outcome::Answer {
        answer: known.answer,
        located: None,
    }
}

#[test]
fn every_kernel_that_computes_gives_its_known_answer() {
    let mut run = 0;
    for kernel in catalogue() {
        let Body::Compute {
            arena_words,
            pass,
            answers,
        } = kernel.body
        else {
            continue;
        };
        let known = shortest(answers);
        let mut arena = vec![u64::MAX; arena_words];
        let mut watcher = Watcher::default();
        let outcome = pass(
            InstructionSet::Portable,
            &mut arena,
            known.rounds,
            &mut watcher,
        );
        assert_eq!(outcome, right(known), "{}", kernel.name);
        println!("{}", kernel.name);
        run += 1;
    }
    assert!(run > 10, "{run}");
}

#[test]
fn every_kernel_of_a_group_gives_its_known_answer_to_two_members() {
    for kernel in catalogue() {
        let Body::Group {
            area_words,
            pass,
            answers,
        } = kernel.body
        else {
            continue;
        };
        let known = shortest(answers);
        let area: Vec<AtomicU64> = (0..area_words).map(|_| AtomicU64::new(0)).collect();
        thread::scope(|scope| {
            for index in 0..2 {
                let area = &area;
                scope.spawn(move || {
                    for number in 0..2 {
                        let member = Member {
                            index,
                            count: 2,
                            pass: number,
                            area,
                        };
                        let outcome = pass(&member, known.rounds, &mut Watcher::default());
                        assert_eq!(outcome, right(known), "{} {number}", kernel.name);
                    }
                });
            }
        });
        println!("{}", kernel.name);
    }
}

#[test]
fn every_walk_checks_every_word_of_an_odd_region_and_sees_a_wrong_one() {
    for kernel in catalogue() {
        let Body::Walk { pass, reread } = kernel.body else {
            continue;
        };
        let mut region = vec![u64::MAX; WORDS];
        for number in 0..2 {
            let mut watcher = Watcher {
                flushes: number == 1,
                ..Watcher::default()
            };
            let outcome = pass(InstructionSet::Portable, &mut region, number, &mut watcher);
            let outcome = reread.map_or(outcome, |reread| {
                region[WORDS - 1] ^= 4;
                reread(InstructionSet::Portable, &mut region, number, &mut watcher)
            });
            let WalkOutcome::Walked {
                words_checked,
                faults,
            } = outcome
            else {
                panic!("{} stopped by itself", kernel.name);
            };
            let planted = u64::from(reread.is_some());
            assert_eq!(
                (faults, watcher.faults),
                (planted, planted),
                "{}",
                kernel.name
            );
            assert!(words_checked >= WORDS as u64, "{}", kernel.name);
        }
        println!("{}", kernel.name);
    }
}
