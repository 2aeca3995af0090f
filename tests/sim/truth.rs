//! The table of truth: machines whose defect is known, and sound ones, each through a whole run and its verdict.
//! A defect makes one core wrong under one kernel at a constant rate per checked second, some only above a
//! temperature. It must be found with the probability 1 - exp(-rate x time at risk) (Poisson process; NIST/SEMATECH
//! e-Handbook 8.1.6.1, exponential life), blamed on its core and kernel, and never on a sound machine.

use soakproof::model::{Claim, FindingKind, Grade, Record, Verdict};
use soakproof::verdict::judge;

use crate::trouble::{Chance, Defect, Trouble};
use crate::world::World;

/// Of either sort.
const MACHINES: u64 = 2_000;
/// Two-sided 99.9 % of the standard normal distribution (NIST/SEMATECH e-Handbook 1.3.6.7.1). The seeds are
/// fixed, so a deviation beyond it is no bad luck that comes and goes.
const BAND: f64 = 3.29;
const BINS: usize = 10;

fn drawn(seed: u64) -> Trouble {
    let mut chance = Chance(seed ^ 0x7247_0b1e);
    let defect = Defect {
        core: u32::from(chance.one_in(2)),
        kernel: if chance.one_in(2) { "sums" } else { "walk" },
        // From one in three minutes to one a second, each decade as likely.
        rate_per_s: 0.005 * 200_f64.powf(chance.share()),
        above_c: if chance.one_in(3) { 52.0 } else { 0.0 },
    };
    Trouble {
        defect: Some(defect),
        ..surroundings(&mut chance)
    }
}

/// What happens to sound machines as well and must decide nothing.
fn surroundings(chance: &mut Chance) -> Trouble {
    Trouble {
        long: chance.one_in(8),
        go_on: chance.one_in(2),
        wall_jumps: chance.one_in(5),
        deaf: chance.one_in(6),
        ..Trouble::default()
    }
}

fn run(seed: u64, trouble: &Trouble) -> (World, Record, Verdict) {
    let mut world = World::new(seed, trouble);
    world.run();
    let mut record = Record::new(world.header.clone());
    let entries = world.entries.iter().cloned();
    entries.for_each(|entry| record.apply(entry));
    // So much as even the shortest of these runs shows by far.
    record.header.plan.claim = Some(Claim {
        confidence: 0.95,
        total_s: Some(2.0),
        per_class_s: Vec::new(),
        walks: None,
    });
    let verdict = judge(&record);
    (world, record, verdict)
}

/// Machines whose chance to be found lies within the same tenth.
#[derive(Debug, Clone, Copy, Default)]
struct Bin {
    machines: f64,
    found: f64,
    expected: f64,
    variance: f64,
}

impl Bin {
    fn add(&mut self, chance: f64, found: bool) {
        self.machines += 1.0;
        self.found += f64::from(u8::from(found));
        self.expected += chance;
        self.variance += chance * (1.0 - chance);
    }

    fn deviation(&self) -> f64 {
        (self.found - self.expected) / self.variance.sqrt().max(f64::MIN_POSITIVE)
    }
}

#[test]
fn defects_are_found_as_often_as_their_rate_and_the_exposure_say() {
    let (mut all, mut bins) = (Bin::default(), [Bin::default(); BINS]);
    for seed in 0..MACHINES {
        let trouble = drawn(seed);
        let defect = trouble.defect.clone().expect("drawn with one");
        let mut dormant = trouble.clone();
        dormant.defect = Some(Defect {
            rate_per_s: 0.0,
            ..defect.clone()
        });
        let (undisturbed, _, _) = run(seed, &dormant);
        let chance = 1.0 - (-defect.rate_per_s * undisturbed.at_risk_s).exp();
        let (world, record, verdict) = run(seed, &trouble);
        let found = verdict.grade == Grade::Failed;
        let told = format!("seed {seed}: {defect:?}\n{}", world.story());
        assert_eq!(found, world.errors_told > 0, "{told}");
        for finding in &record.findings {
            assert_eq!(finding.cpu.map(|cpu| cpu.0), Some(defect.core), "{told}");
            assert_eq!(finding.kernel.as_deref(), Some(defect.kernel), "{told}");
            let in_memory = matches!(finding.kind, FindingKind::WrongMemory(_));
            assert_eq!(in_memory, defect.kernel == "walk", "{told}");
        }
        let events: u64 = record.findings.iter().map(|finding| finding.events).sum();
        assert_eq!(events, world.errors_told, "{told}");
        if !found {
            assert_eq!(verdict.grade, Grade::Proven, "{told}");
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of ten"
        )]
        let bin = (chance * 10.0) as usize;
        bins[bin.min(BINS - 1)].add(chance, found);
        all.add(chance, found);
    }
    println!("chance      machines  found  expected  deviations");
    for (index, bin) in bins.iter().enumerate() {
        println!(
            "{:.1} to {:.1} {:>11} {:>6} {:>9.1} {:>11.2}",
            index as f64 / 10.0,
            (index + 1) as f64 / 10.0,
            bin.machines,
            bin.found,
            bin.expected,
            bin.deviation()
        );
        assert!(bin.machines > 50.0, "a bin of {bin:?} shows nothing");
        assert!(bin.deviation().abs() < BAND, "{bin:?}");
    }
    assert!(all.deviation().abs() < BAND, "{all:?}");
}

#[test]
fn sound_machines_are_never_accused() {
    for seed in 0..MACHINES {
        let trouble = surroundings(&mut Chance(seed ^ 0x50_04d));
        let (world, record, verdict) = run(seed, &trouble);
        assert!(record.findings.is_empty(), "seed {seed}\n{}", world.story());
        assert_eq!(
            verdict.grade,
            Grade::Proven,
            "seed {seed}\n{:#?}",
            verdict.rules
        );
    }
}
