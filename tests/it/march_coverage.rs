//! Which faults each classical march test finds, by the engine that walks real memory, over a
//! simulated memory of three cells with one fault: every fault primitive of the published lists must
//! be found by exactly the tests that an independent simulator says (`tests/data/march_coverage.md`).

use std::collections::BTreeMap;

use soakproof::kernels::memory::{
    CLASSICS, Cells, Element, March, Order, Step, parse_march, run_march,
};
use soakproof::kernels::{Beat, FaultSink, Go, WalkOutcome, WordFault};

const MATRIX: &str = include_str!("../data/march_fp_detection_matrix.csv");
const COVERAGE: &str = include_str!("../data/march_coverage_computed.csv");

/// Cells of the simulated memory.
pub(super) const CELLS: usize = 3;

/// What a victim's own operation must be to set a fault off.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Sensitised {
    /// Value of the victim before.
    before: bool,
    /// What is written; none for a read.
    written: Option<bool>,
    /// Value of the victim after.
    after: bool,
    /// What the read returns.
    returned: bool,
}

/// What happens in the aggressor.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Trigger {
    /// This value, then written with this one (or read).
    Operation(bool, Option<bool>),
    /// It changes to this value.
    Transition(bool),
}

/// What a trigger does to the victim.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Effect {
    Flip,
    FlipFrom(bool),
    Force(bool),
}

/// Behaviour of a fault; `Option<bool>` is the aggressor's value that it needs.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    StuckAt(bool),
    StuckOpen,
    Leaks(bool),
    /// The victim cannot stay at this value.
    State(Option<bool>, bool),
    Own(Option<bool>, Sensitised),
    Disturb(Trigger, Effect),
    Decoder(Decoder, bool),
}

/// Address decoder faults, van de Goor's A to D; the flag of the fault is what an open address
/// reads, or whether two cells read together give the OR.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Decoder {
    NoCell,
    NoCellOtherHasTwo,
    OthersCell,
    OwnAndOthersCell,
}

/// Three one-bit cells with a fault.
struct FaultyMemory {
    bits: [bool; CELLS],
    fault: Fault,
    aggressor: usize,
    victim: usize,
    sense: bool,
}

impl FaultyMemory {
    fn new(
        contents: usize,
        fault: Fault,
        (aggressor, victim): (usize, usize),
        sense: bool,
    ) -> Self {
        let mut memory = Self {
            bits: std::array::from_fn(|cell| (contents >> cell) & 1 == 1),
            fault,
            aggressor,
            victim,
            sense,
        };
        memory.settle();
        memory
    }

    /// State faults take hold whenever their state is there.
    fn settle(&mut self) {
        match self.fault {
            Fault::StuckAt(value) => self.bits[self.victim] = value,
            Fault::State(needs, value)
                if self.aggressor_is(needs) && self.bits[self.victim] == value =>
            {
                self.bits[self.victim] = !value;
            }
            Fault::State(..)
            | Fault::StuckOpen
            | Fault::Leaks(_)
            | Fault::Own(..)
            | Fault::Disturb(..)
            | Fault::Decoder(..) => {}
        }
    }

    fn aggressor_is(&self, needs: Option<bool>) -> bool {
        needs.is_none_or(|value| self.bits[self.aggressor] == value)
    }

    /// Cells that an address reaches.
    fn reached(&self, address: usize) -> Vec<usize> {
        let Fault::Decoder(kind, _) = self.fault else {
            return vec![address];
        };
        let (x, y) = (self.victim, self.aggressor);
        match kind {
            Decoder::NoCell | Decoder::NoCellOtherHasTwo if address == x => vec![],
            Decoder::NoCellOtherHasTwo if address == y => vec![x, y],
            Decoder::OthersCell if address == x => vec![y],
            Decoder::OwnAndOthersCell if address == x => vec![x, y],
            Decoder::NoCell
            | Decoder::NoCellOtherHasTwo
            | Decoder::OthersCell
            | Decoder::OwnAndOthersCell => vec![address],
        }
    }

    /// What the victim's own fault makes of an operation.
    fn own_fault(&self, cell: usize, written: Option<bool>) -> Option<Sensitised> {
        match self.fault {
            Fault::Own(needs, own)
                if cell == self.victim
                    && self.aggressor_is(needs)
                    && self.bits[cell] == own.before
                    && own.written == written =>
            {
                Some(own)
            }
            Fault::Own(..)
            | Fault::StuckAt(_)
            | Fault::StuckOpen
            | Fault::Leaks(_)
            | Fault::State(..)
            | Fault::Disturb(..)
            | Fault::Decoder(..) => None,
        }
    }

    /// What an operation on the aggressor does to the victim.
    fn disturb(&mut self, cell: usize, before: bool, written: Option<bool>) {
        let Fault::Disturb(trigger, effect) = self.fault else {
            return;
        };
        let met = match trigger {
            Trigger::Operation(state, operation) => before == state && operation == written,
            Trigger::Transition(to) => before != to && written == Some(to),
        };
        if cell != self.aggressor || !met {
            return;
        }
        let victim = &mut self.bits[self.victim];
        *victim = match effect {
            Effect::Flip => !*victim,
            Effect::FlipFrom(value) if *victim == value => !value,
            Effect::FlipFrom(_) => *victim,
            Effect::Force(value) => value,
        };
    }

    fn read_bit(&mut self, address: usize) -> bool {
        let cells = self.reached(address);
        let value = match (cells.as_slice(), self.fault) {
            ([], Fault::Decoder(_, open)) => open,
            ([x, y], Fault::Decoder(_, true)) => self.bits[*x] | self.bits[*y],
            ([x, y], _) => self.bits[*x] & self.bits[*y],
            ([cell], Fault::StuckOpen) if *cell == self.victim => self.sense,
            ([cell], _) => {
                let before = self.bits[*cell];
                match self.own_fault(*cell, None) {
                    Some(own) => {
                        self.bits[*cell] = own.after;
                        own.returned
                    }
                    None => {
                        self.disturb(*cell, before, None);
                        before
                    }
                }
            }
            (reached, fault) => panic!("{fault:?} reaches {reached:?}"),
        };
        self.sense = value;
        self.settle();
        value
    }

    fn write_bit(&mut self, address: usize, value: bool) {
        for cell in self.reached(address) {
            if self.fault == Fault::StuckOpen && cell == self.victim {
                continue;
            }
            let before = self.bits[cell];
            match self.own_fault(cell, Some(value)) {
                Some(own) => self.bits[cell] = own.after,
                None => {
                    self.bits[cell] = value;
                    self.disturb(cell, before, Some(value));
                }
            }
        }
        self.settle();
    }
}

impl Cells<1> for FaultyMemory {
    fn count(&self) -> usize {
        CELLS
    }
    fn read(&mut self, cell: usize) -> [u64; 1] {
        [if self.read_bit(cell) { u64::MAX } else { 0 }]
    }
    fn write(&mut self, cell: usize, [value]: [u64; 1]) {
        self.write_bit(cell, value == u64::MAX);
    }
    fn flush(&mut self, _cell: usize) {}
    fn pause(&mut self, _beat: &mut dyn Beat) -> Go {
        if let Fault::Leaks(from) = self.fault
            && self.bits[self.victim] == from
        {
            self.bits[self.victim] = !from;
        }
        Go::On
    }
}

pub(super) struct Counter;

impl Beat for Counter {
    fn beat(&mut self, _step: u32) -> Go {
        Go::On
    }
}

impl FaultSink for Counter {
    fn fault(&mut self, _fault: WordFault) {}
}

/// The test with each `a` element made `u` or `d`, in every combination.
pub(super) fn directions(march: &March) -> Vec<March> {
    let mut all: Vec<Vec<Step>> = vec![vec![]];
    for step in march.steps() {
        let choices: Vec<Step> = match step {
            Step::Element(element) if element.order == Order::Either => {
                let turned = |order| {
                    let element = Element::new(order, element.operations());
                    Step::Element(element.expect("as long as before"))
                };
                vec![turned(Order::Up), turned(Order::Down)]
            }
            Step::Element(_) | Step::Pause => vec![*step],
        };
        let longer = |steps: &Vec<Step>| {
            let steps = steps.clone();
            let choices = choices.clone().into_iter();
            choices.map(move |choice| [steps.clone(), vec![choice]].concat())
        };
        all = all.iter().flat_map(longer).collect();
    }
    let marches = all.iter().map(|steps| March::new(steps));
    marches
        .map(|march| march.expect("as long as before"))
        .collect()
}

/// True when every direction of the test finds the fault from every power-up state at all `places`.
fn is_sure_to_find(directions: &[March], fault: Fault, places: &[(usize, usize)]) -> bool {
    directions.iter().all(|march| {
        places.iter().all(|place| {
            (0..1 << CELLS).all(|contents| {
                [false, true].iter().all(|sense| {
                    let mut memory = FaultyMemory::new(contents, fault, *place, *sense);
                    let outcome = run_march(march, &mut memory, 0, &mut Counter);
                    !matches!(outcome, WalkOutcome::Walked { faults: 0, .. })
                })
            })
        })
    })
}

fn bit(text: char) -> bool {
    match text {
        '0' => false,
        '1' => true,
        other => panic!("`{other}` is no bit"),
    }
}

/// Reads `0r0/1/0`, `0w1/0/-`, or a read without its outcome (`0r0`), which the class gives.
fn parse_own(text: &str) -> (bool, Option<bool>, Option<bool>) {
    let signs: Vec<char> = text.chars().collect();
    let written = (signs[1] == 'w').then(|| bit(signs[2]));
    let after = signs.get(4).map(|sign| bit(*sign));
    (bit(signs[0]), written, after)
}

/// Outcome of a wrong read by class: read destructive, deceptive read destructive, incorrect read.
fn wrong_read(class: &str, before: bool) -> Sensitised {
    let (after, returned) = match class {
        "RDF" | "CFrd" => (!before, !before),
        "DRDF" | "CFdrd" => (!before, before),
        "IRF" | "CFir" => (before, !before),
        other => panic!("`{other}` is no class of wrong reads"),
    };
    Sensitised {
        before,
        written: None,
        after,
        returned,
    }
}

fn wrong_write(before: bool, written: bool, after: bool) -> Sensitised {
    Sensitised {
        before,
        written: Some(written),
        after,
        returned: after,
    }
}

/// Reads the name of a fault of one cell: its class and a value, mostly the one it starts from.
fn parse_single(name: &str) -> Fault {
    if name == "SOF" {
        return Fault::StuckOpen;
    }
    let (class, value) = name.split_at(name.len() - 1);
    let value = bit(value.chars().next().expect("one sign"));
    match class {
        "SAF" => Fault::StuckAt(value),
        "SF" => Fault::State(None, value),
        "DRF" => Fault::Leaks(value),
        // The table names a transition fault for the value that the cell does not reach.
        "TF" => Fault::Own(None, wrong_write(!value, value, !value)),
        "WDF" => Fault::Own(None, wrong_write(value, value, !value)),
        _ => Fault::Own(None, wrong_read(class, value)),
    }
}

/// Reads the name of a fault of two cells: `CFds<0w1;0/1/->a<v`.
fn parse_pair(name: &str) -> (Fault, [(usize, usize); 3]) {
    let (primitive, order) = name.split_at(name.len() - 3);
    let places = match order {
        "a<v" => [(0, 1), (0, 2), (1, 2)],
        "a>v" => [(1, 0), (2, 0), (2, 1)],
        other => panic!("`{other}` is no order"),
    };
    let (class, rest) = primitive.split_once('<').expect("`<` after the class");
    let rest = rest.strip_suffix('>').expect("`>` at the end");
    let (cause, victim) = rest.split_once(';').expect("`;` between the cells");
    let first = |text: &str| text.chars().next().expect("a sign");
    let fault = match class {
        "CFst" => Fault::State(Some(bit(first(cause))), bit(first(victim))),
        "CFds" => {
            let (state, written, _) = parse_own(cause);
            let trigger = Trigger::Operation(state, written);
            Fault::Disturb(trigger, Effect::FlipFrom(bit(first(victim))))
        }
        "CFin" => Fault::Disturb(Trigger::Transition(cause == "^"), Effect::Flip),
        "CFid" => {
            let forced = Effect::Force(bit(first(victim)));
            Fault::Disturb(Trigger::Transition(cause == "^"), forced)
        }
        "CFtr" | "CFwd" => {
            let (before, written, after) = parse_own(victim);
            let own = wrong_write(
                before,
                written.expect("a write"),
                after.expect("a faulty value"),
            );
            Fault::Own(Some(bit(first(cause))), own)
        }
        _ => {
            let (before, _, _) = parse_own(victim);
            Fault::Own(Some(bit(first(cause))), wrong_read(class, before))
        }
    };
    (fault, places)
}

/// Places of aggressor and victim.
type Places = Vec<(usize, usize)>;

fn parse_fault(name: &str) -> (Fault, Places) {
    if name.contains('<') {
        let (fault, places) = parse_pair(name);
        (fault, places.to_vec())
    } else {
        (parse_single(name), vec![(0, 0), (1, 1), (2, 2)])
    }
}

/// Rows of a table: comments dropped, quoted fields kept whole.
pub(super) fn rows(text: &str) -> Vec<Vec<String>> {
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    let fields = |line: &str| {
        let mut quoted = false;
        let parts = line.split(|sign: char| {
            quoted ^= sign == '"';
            sign == ',' && !quoted
        });
        parts
            .map(|field| field.trim_matches('"').to_owned())
            .collect()
    };
    lines.map(fields).collect()
}

#[test]
fn every_march_test_finds_exactly_the_faults_that_theory_says() {
    let table = rows(MATRIX);
    let (head, faults) = table.split_first().expect("a table");
    assert_eq!((head.len(), faults.len()), (24, 101));
    let mut wrong = vec![];
    for named in CLASSICS {
        let column = head.iter().position(|name| name == named.name);
        let column = column.unwrap_or_else(|| panic!("{} is not in the table", named.name));
        let directions = directions(&named.march);
        for row in faults {
            let (fault, places) = parse_fault(&row[0]);
            let found = is_sure_to_find(&directions, fault, &places);
            if found != (row[column] == "1") {
                wrong.push(format!("{} {}: found {found}", named.name, row[0]));
            }
        }
    }
    assert!(wrong.is_empty(), "{} differ: {wrong:#?}", wrong.len());
}

#[test]
fn the_built_in_march_tests_are_those_of_the_table() {
    let table = rows(COVERAGE);
    for row in &table[1..] {
        let named = CLASSICS.iter().find(|named| named.name == row[0]);
        let march = named
            .unwrap_or_else(|| panic!("{} is missing", row[0]))
            .march;
        assert_eq!(parse_march(&row[1]), Ok(march), "{}", row[0]);
        assert_eq!(
            march.operations_per_cell().to_string(),
            row[2],
            "{}",
            row[0]
        );
        assert_eq!(march.pauses().to_string(), row[3], "{}", row[0]);
    }
    assert_eq!(table.len() - 1, CLASSICS.len());
}

#[test]
fn faults_found_of_each_class_add_up_to_the_published_counts() {
    let matrix = rows(MATRIX);
    let coverage = rows(COVERAGE);
    let faults: Vec<(String, Fault, Places)> = matrix[1..]
        .iter()
        .map(|row| {
            let (fault, places) = parse_fault(&row[0]);
            let class = row[0].split('<').next().expect("a class");
            (class.trim_end_matches(['0', '1']).to_owned(), fault, places)
        })
        .collect();
    for row in &coverage[1..] {
        let march = parse_march(&row[1]).expect("a march test");
        let directions = directions(&march);
        let mut found = BTreeMap::<&str, (u32, u32)>::new();
        for (class, fault, places) in &faults {
            let count = found.entry(class).or_default();
            count.0 += u32::from(is_sure_to_find(&directions, *fault, places));
            count.1 += 1;
        }
        for (title, cell) in coverage[0].iter().zip(row) {
            if let Some((hit, all)) = found.get(title.as_str()) {
                assert_eq!(*cell, format!("{hit}/{all}"), "{} {title}", row[0]);
            }
        }
        let single = ["SF", "TF", "WDF", "RDF", "DRDF", "IRF"];
        let pairs = ["CFst", "CFds", "CFtr", "CFwd", "CFrd", "CFdrd", "CFir"];
        let sum = |classes: &[&str]| -> u32 { classes.iter().map(|class| found[class].0).sum() };
        let totals = [sum(&single), sum(&pairs), sum(&single) + sum(&pairs)];
        let published: Vec<&str> = row[row.len() - 3..].iter().map(String::as_str).collect();
        assert_eq!(
            totals.map(|total| total.to_string()),
            *published,
            "{}",
            row[0]
        );
    }
}

#[test]
fn address_decoder_faults_are_found_in_the_published_share() {
    let kinds = [
        ("AF_A", Decoder::NoCell),
        ("AF_B", Decoder::NoCellOtherHasTwo),
        ("AF_C", Decoder::OthersCell),
        ("AF_D", Decoder::OwnAndOthersCell),
    ];
    let coverage = rows(COVERAGE);
    for row in &coverage[1..] {
        let march = parse_march(&row[1]).expect("a march test");
        let directions = directions(&march);
        for (title, kind) in kinds {
            let column = coverage[0].iter().position(|name| name == title);
            let (hit, all) = row[column.expect("the class is in the table")]
                .split_once('/')
                .expect("a fraction");
            let (hit, all): (u32, u32) =
                (hit.parse().expect("a count"), all.parse().expect("a count"));
            let mut found = 0;
            for (x, y) in [(0, 1), (0, 2), (1, 2), (1, 0), (2, 0), (2, 1)] {
                for flag in [false, true] {
                    let fault = Fault::Decoder(kind, flag);
                    found += u32::from(is_sure_to_find(&directions, fault, &[(y, x)]));
                }
            }
            assert_eq!(found * all, hit * 12, "{} {title}: {found} of 12", row[0]);
        }
    }
}

#[test]
fn a_sound_memory_passes_every_march_test() {
    for named in CLASSICS {
        for march in directions(&named.march) {
            // A fault whose aggressor and trigger never meet: reading back what was never there.
            let never = Fault::Disturb(Trigger::Operation(false, None), Effect::Force(false));
            for contents in 0..1 << CELLS {
                let mut memory = FaultyMemory::new(contents, never, (CELLS, 0), false);
                let outcome = run_march(&march, &mut memory, 0, &mut Counter);
                let checked = march.to_string().matches('r').count() * CELLS;
                let walked = WalkOutcome::Walked {
                    words_checked: checked as u64,
                    faults: 0,
                };
                assert_eq!(outcome, walked, "{}", named.name);
            }
        }
    }
}
