//! Linked faults: two faults of which one can undo what the other did before anyone looks. Counted for
//! each classical march test by the engine that walks real memory, against an independent simulator
//! (`tests/data/march_coverage.md`).

use soakproof::kernels::memory::{CLASSICS, Cells, run_march};
use soakproof::kernels::{Beat, Go, WalkOutcome};

use crate::march_coverage::{CELLS, Counter, directions, rows};

const LINKED: &str = include_str!("../data/march_linked_computed.csv");

/// The victim when a cell changes.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Effect {
    Invert,
    Force(bool),
}

/// A coupling fault: when `aggressor` changes to `rises_to`, the victim suffers `effect`.
#[derive(Debug, Clone, Copy)]
struct Coupling {
    aggressor: usize,
    rises_to: bool,
    effect: Effect,
}

/// Faults with one victim in common.
#[derive(Debug, Clone)]
struct Linked {
    victim: usize,
    couplings: Vec<Coupling>,
    /// The victim does not change to this value when it is written.
    refuses: Option<bool>,
}

struct LinkedMemory<'a> {
    bits: [bool; CELLS],
    faults: &'a Linked,
}

impl Cells<1> for LinkedMemory<'_> {
    fn count(&self) -> usize {
        CELLS
    }
    fn read(&mut self, cell: usize) -> [u64; 1] {
        [if self.bits[cell] { u64::MAX } else { 0 }]
    }
    fn write(&mut self, cell: usize, [value]: [u64; 1]) {
        let value = value == u64::MAX;
        let changes = self.bits[cell] != value;
        let refused = cell == self.faults.victim && self.faults.refuses == Some(value);
        if !changes || refused {
            return;
        }
        self.bits[cell] = value;
        let victim = self.faults.victim;
        for coupling in &self.faults.couplings {
            if coupling.aggressor == cell && coupling.rises_to == value {
                self.bits[victim] = match coupling.effect {
                    Effect::Invert => !self.bits[victim],
                    Effect::Force(forced) => forced,
                };
            }
        }
    }
    fn flush(&mut self, _cell: usize) {}
    fn pause(&mut self, _beat: &mut dyn Beat) -> Go {
        Go::On
    }
}

/// First aggressor, second aggressor, victim: every way to lay them over three cells.
const PLACES: [[usize; 3]; 6] = [
    [0, 1, 2],
    [0, 2, 1],
    [1, 0, 2],
    [1, 2, 0],
    [2, 0, 1],
    [2, 1, 0],
];
const BITS: [bool; 2] = [false, true];

fn coupling(aggressor: usize, rises_to: bool, effect: Effect) -> Coupling {
    Coupling {
        aggressor,
        rises_to,
        effect,
    }
}

/// All members of a class of the table.
fn members(class: &str) -> Vec<Linked> {
    let mut all = vec![];
    for [first, second, victim] in PLACES {
        let mut add = |couplings: &[Coupling], refuses| {
            all.push(Linked {
                victim,
                couplings: couplings.to_vec(),
                refuses,
            });
        };
        for one in BITS {
            for two in BITS {
                match class {
                    "LF2aa CFid#CFid" if two => {}
                    "LF2aa CFid#CFid" => {
                        let up = coupling(first, true, Effect::Force(one));
                        let down = coupling(first, false, Effect::Force(!one));
                        add(&[up, down], None);
                    }
                    "LF3 CFid#CFid" => {
                        for forced in BITS {
                            let a = coupling(first, one, Effect::Force(forced));
                            let b = coupling(second, two, Effect::Force(!forced));
                            add(&[a, b], None);
                        }
                    }
                    // Two inversions are the same pair when their aggressors change places.
                    "LF3 CFin#CFin" if first > second => {}
                    "LF3 CFin#CFin" => {
                        let a = coupling(first, one, Effect::Invert);
                        let b = coupling(second, two, Effect::Invert);
                        add(&[a, b], None);
                    }
                    "TF#CFid" => add(&[coupling(first, one, Effect::Force(two))], Some(two)),
                    "TF#CFin" => add(&[coupling(first, one, Effect::Invert)], Some(two)),
                    other => panic!("`{other}` is no class of linked faults"),
                }
            }
        }
    }
    all
}

#[test]
fn every_march_test_finds_as_many_linked_faults_as_theory_says() {
    let table = rows(LINKED);
    let (head, tests) = table.split_first().expect("a table");
    assert_eq!((head.len(), tests.len()), (6, CLASSICS.len()));
    let mut wrong = vec![];
    for row in tests {
        let named = CLASSICS.iter().find(|named| named.name == row[0]);
        let named = named.unwrap_or_else(|| panic!("{} is missing", row[0]));
        let directions = directions(&named.march);
        for (class, expected) in head.iter().zip(row).skip(1) {
            let members = members(class);
            let is_found = |faults: &&Linked| {
                directions.iter().all(|march| {
                    (0..1 << CELLS).all(|contents: usize| {
                        let bits = std::array::from_fn(|cell| contents >> cell & 1 == 1);
                        let mut memory = LinkedMemory { bits, faults };
                        let outcome = run_march(march, &mut memory, 0, &mut Counter);
                        !matches!(outcome, WalkOutcome::Walked { faults: 0, .. })
                    })
                })
            };
            let found = members.iter().filter(is_found).count();
            let counted = format!("{found}/{}", members.len());
            if counted != *expected {
                wrong.push(format!("{} {class}: {counted}, not {expected}", named.name));
            }
        }
    }
    assert!(wrong.is_empty(), "{} differ: {wrong:#?}", wrong.len());
}
