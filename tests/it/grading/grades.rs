//! Each grade by a run of its own, and what may never raise one.

use proptest::prelude::*;
use soakproof::model::{
    Cause, CrashManner, End, FindingKind, GapKind, Grade, LoadClass, MemoryFault, MemoryFaultClass,
    Plateau, ProgramFault, Record, RuleEffect, Severity,
};
use soakproof::verdict::judge;

use super::build::{end, finding, gap, hardware, load, mixed, run, sound, stage, wrong};

const GAPS: [GapKind; 15] = [
    GapKind::NoProcessorTemperature,
    GapKind::NoRights,
    GapKind::NoSource,
    GapKind::SensorLost,
    GapKind::SensorFrozen,
    GapKind::SensorImplausible,
    GapKind::SamplerLate,
    GapKind::Busy,
    GapKind::LessMemory,
    GapKind::ClassNotRun,
    GapKind::StoreSlow,
    GapKind::RecordDamaged,
    GapKind::TimeBase,
    GapKind::Suspended,
    GapKind::Environment,
];

fn over_hot() -> FindingKind {
    FindingKind::OverHot {
        label: "Package".to_owned(),
        reading_c: 96.0,
        ceiling_c: 95.0,
    }
}

/// Every failing kind, the kernel that it came under, and its cause.
pub(super) fn failing() -> Vec<(FindingKind, Option<&'static str>, Cause)> {
    let memory = FindingKind::WrongMemory(MemoryFault {
        pass: 0,
        step: 0,
        address: 64,
        physical: None,
        expected: 0,
        got: 1,
        class: MemoryFaultClass::StuckBit,
    });
    let trap = FindingKind::Trap {
        signal: 11,
        code: Some(1),
        address: Some(0),
        instruction: Some(0),
    };
    let reset = FindingKind::Reset {
        manner: CrashManner::Unknown,
        evidence: "another boot id".to_owned(),
    };
    let own = FindingKind::OwnProgram {
        program: "render".to_owned(),
        number: 1,
        failure: ProgramFault::Signal { signal: 11 },
        words: String::new(),
    };
    vec![
        (wrong(), Some("fma-f64.l1"), Cause::Computation),
        (wrong(), None, Cause::Computation),
        (wrong(), Some("atomics.shared"), Cause::Contention),
        (memory, Some("march.memory"), Cause::Memory),
        (trap, Some("fma-f64.l1"), Cause::Crash),
        (FindingKind::Stall { silent_s: 30.0 }, None, Cause::Crash),
        (hardware(Severity::Uncorrected), None, Cause::HardwareError),
        (hardware(Severity::Fatal), None, Cause::HardwareError),
        (over_hot(), None, Cause::Heat),
        (reset, None, Cause::Reset),
        (own, None, Cause::OwnProgram),
    ]
}

/// Kinds that make a run marginal.
pub(super) fn edging() -> Vec<FindingKind> {
    vec![
        hardware(Severity::Corrected),
        FindingKind::Throttled {
            source: "core_throttle_count".to_owned(),
            events: 4,
        },
        FindingKind::CoolingStopped {
            label: "invented fan".to_owned(),
        },
    ]
}

/// Higher is better.
fn rank(grade: Grade) -> u8 {
    match grade {
        Grade::Failed => 0,
        Grade::Marginal => 1,
        Grade::Inconclusive => 2,
        Grade::Provisional => 3,
        Grade::Proven => 4,
    }
}

fn grade(record: &Record) -> Grade {
    judge(record).grade
}

#[test]
fn a_sound_run_with_a_claim_is_proven_and_says_for_what() {
    let verdict = judge(&sound());
    assert_eq!(verdict.grade, Grade::Proven);
    assert_eq!(
        verdict.headline,
        "Proven in 60 min of checked load on 2 cores: answers right, heat settled under its limit, \
         clock not below the declared one."
    );
    assert!(verdict.complete && verdict.causes.is_empty() && verdict.next.is_empty());
    let undecided = |effect| matches!(effect, RuleEffect::Met | RuleEffect::Told);
    assert!(verdict.rules.iter().all(|rule| undecided(rule.effect)));
    let told = |text: &str| !text.is_empty();
    assert!(
        verdict
            .rules
            .iter()
            .all(|rule| told(&rule.figure) && told(&rule.threshold))
    );
}

#[test]
fn every_failing_finding_fails_with_its_cause() {
    for (kind, kernel, cause) in failing() {
        let mut record = sound();
        record.findings.push(finding(kind.clone(), kernel));
        let verdict = judge(&record);
        assert_eq!(verdict.grade, Grade::Failed, "{kind:?}");
        assert_eq!(verdict.causes, [cause], "{kind:?}");
        assert_eq!(verdict.rules[0].effect, RuleEffect::Fails);
        assert!(
            verdict
                .next
                .iter()
                .any(|line| line.contains("the maker's limits"))
        );
    }
}

#[test]
fn causes_are_sorted_and_each_told_once() {
    let mut record = sound();
    for (kind, kernel, _) in failing().into_iter().rev() {
        record.findings.push(finding(kind, kernel));
    }
    end(&mut record, End::Reset);
    let known = [
        Cause::Computation,
        Cause::Memory,
        Cause::Contention,
        Cause::Crash,
        Cause::Reset,
        Cause::HardwareError,
        Cause::Heat,
        Cause::OwnProgram,
    ];
    assert_eq!(judge(&record).causes, known);
}

#[test]
fn a_run_that_ended_by_a_reset_failed_even_before_anything_else_is_known() {
    let mut record = sound();
    end(&mut record, End::Reset);
    let verdict = judge(&record);
    assert_eq!(
        (verdict.grade, &verdict.causes[..]),
        (Grade::Failed, &[Cause::Reset][..])
    );
}

#[test]
fn findings_at_the_edge_are_marginal_and_say_what_to_try() {
    for kind in edging() {
        let mut record = sound();
        record.findings.push(finding(kind.clone(), None));
        let verdict = judge(&record);
        assert_eq!(verdict.grade, Grade::Marginal, "{kind:?}");
        assert!(verdict.causes.is_empty());
        assert!(!verdict.next.is_empty(), "{kind:?}");
    }
}

#[test]
fn a_run_stopped_before_a_whole_stage_under_load_is_inconclusive() {
    let mut record = sound();
    record.stages.pop();
    end(&mut record, End::Stopped);
    let verdict = judge(&record);
    assert_eq!(
        verdict.grade,
        Grade::Inconclusive,
        "an idle stage is no evidence"
    );
    assert!(!verdict.complete);
}

#[test]
fn a_run_stopped_after_a_whole_stage_is_provisional() {
    let mut record = sound();
    record
        .header
        .plan
        .stages
        .push(stage("never begun", 600, vec![mixed()]));
    for what in [
        End::Stopped,
        End::Interrupted {
            reason: "suspended".to_owned(),
        },
    ] {
        end(&mut record, what);
        assert_eq!(grade(&record), Grade::Provisional);
    }
    record.end = None;
    assert_eq!(
        grade(&record),
        Grade::Provisional,
        "a run that goes on is not proven yet"
    );
}

#[test]
fn the_guard_stopping_a_hot_machine_fails_it_and_stopping_blind_does_not() {
    let mut record = sound();
    end(
        &mut record,
        End::Guard {
            reason: "sensor lost".to_owned(),
        },
    );
    record.gaps.push(gap(GapKind::SensorLost));
    assert_eq!(
        grade(&record),
        Grade::Provisional,
        "blind after a whole stage"
    );
    let mut early = record.clone();
    early.stages.pop();
    assert_eq!(grade(&early), Grade::Inconclusive, "blind before one");
    record.findings.push(finding(over_hot(), None));
    let verdict = judge(&record);
    assert_eq!(
        (verdict.grade, &verdict.causes[..]),
        (Grade::Failed, &[Cause::Heat][..])
    );
}

#[test]
fn a_finding_at_the_edge_before_a_whole_stage_is_marginal() {
    let mut record = sound();
    record.stages.pop();
    end(&mut record, End::Stopped);
    record
        .findings
        .push(finding(hardware(Severity::Corrected), None));
    assert_eq!(
        grade(&record),
        Grade::Marginal,
        "marginal comes before inconclusive"
    );
}

#[test]
fn a_short_suite_without_a_claim_says_so_in_one_sentence() {
    let stages = vec![stage("short", 60, vec![mixed()])];
    let mut record = run(stages, &|_, _| 50.0);
    record.header.plan.claim = None;
    record.header.plan.asserts.heat = false;
    for sample in &mut record.samples {
        sample.readings.clear();
    }
    record.gaps.push(gap(GapKind::NoProcessorTemperature));
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Provisional);
    assert_eq!(
        verdict.headline,
        "No error in 60 s of checked load on 2 cores; not proven: the suite claims no error rate; \
         invented gap NoProcessorTemperature."
    );
    assert!(verdict.next.iter().any(|line| line == "an invented remedy"));
}

#[test]
fn gaps_cap_by_what_they_hide() {
    for kind in GAPS {
        let mut record = sound();
        record.gaps.push(gap(kind));
        let expected = match kind {
            GapKind::NoSource | GapKind::Busy | GapKind::Environment => Grade::Proven,
            GapKind::NoProcessorTemperature
            | GapKind::NoRights
            | GapKind::SensorLost
            | GapKind::SensorFrozen
            | GapKind::SensorImplausible
            | GapKind::SamplerLate
            | GapKind::LessMemory
            | GapKind::ClassNotRun
            | GapKind::StoreSlow
            | GapKind::RecordDamaged
            | GapKind::TimeBase
            | GapKind::Suspended => Grade::Provisional,
        };
        assert_eq!(grade(&record), expected, "{kind:?}");
    }
}

#[test]
fn the_claim_must_be_reached_in_total_and_for_each_class() {
    let mut record = sound();
    let claim = record.header.plan.claim.as_mut().unwrap();
    claim.total_s = Some(1_202.0);
    assert_eq!(grade(&record), Grade::Provisional, "3,600 s show 1,201.7 s");
    let claim = record.header.plan.claim.as_mut().unwrap();
    claim.total_s = Some(1_201.0);
    assert_eq!(grade(&record), Grade::Proven);
    let claim = record.header.plan.claim.as_mut().unwrap();
    claim.per_class_s = vec![(LoadClass::Memory, 1.0)];
    assert_eq!(
        grade(&record),
        Grade::Provisional,
        "memory was never loaded"
    );
}

#[test]
fn walks_are_those_of_the_part_that_was_walked_least() {
    let stages = vec![stage(
        "walk",
        3_600,
        vec![load(&["march.memory"], &[0, 1, 2, 3])],
    )];
    let mut record = run(stages, &|_, _| 50.0);
    let claim = record.header.plan.claim.as_mut().unwrap();
    (claim.total_s, claim.per_class_s, claim.walks) = (None, Vec::new(), Some(10));
    record.header.plan.asserts.heat = false;
    assert_eq!(grade(&record), Grade::Proven, "{}", judge(&record).headline);
    let mut less = record.clone();
    less.workers[2].what.passes = vec![9];
    assert_eq!(grade(&less), Grade::Provisional);
    // Walks over less memory than planned are none of the whole.
    let mut part = record.clone();
    part.workers[2].what.part_walks = 1;
    assert_eq!(grade(&part), Grade::Provisional);
    // A worker that never reported walked nothing.
    record.workers.remove(1);
    for sample in &mut record.samples {
        sample.workers.retain(|worker| worker.cpu.0 != 1);
    }
    assert_eq!(grade(&record), Grade::Provisional);
}

#[test]
fn an_empty_record_is_inconclusive_and_does_not_panic() {
    let mut record = Record::new(sound().header);
    assert_eq!(grade(&record), Grade::Inconclusive);
    record.header.machine.cpus.clear();
    record.header.plan.stages.clear();
    record.header.kernels.clear();
    assert_eq!(grade(&record), Grade::Inconclusive);
    let heat = judge(&sound()).heat.unwrap();
    assert_eq!(heat.plateau, Plateau::Settled);
}

/// A record between good and bad: cut short, ended in some way, with some findings at the edge and gaps.
fn any_record() -> impl Strategy<Value = Record> {
    let ends = prop_oneof![
        Just(None),
        Just(Some(End::Complete)),
        Just(Some(End::Stopped)),
        Just(Some(End::Finding)),
        Just(Some(End::Guard {
            reason: "blind".to_owned()
        })),
        Just(Some(End::Reset)),
    ];
    let edges = prop::collection::vec(0..3_usize, 0..3);
    let gaps = prop::collection::vec(0..GAPS.len(), 0..4);
    (
        0..=72_usize,
        ends,
        edges,
        gaps,
        any::<bool>(),
        30.0..110.0_f64,
    )
        .prop_map(|(kept, what, edges, gaps, whole, degrees)| {
            let stages = vec![
                stage("idle before", 60, Vec::new()),
                stage("load", 300, vec![mixed()]),
            ];
            let mut record = run(stages, &|_, _| degrees);
            record.samples.truncate(kept);
            if !whole {
                record.stages.pop();
                record.workers.clear();
            }
            record.end = None;
            if let Some(what) = what {
                end(&mut record, what);
            }
            let edges = edges.into_iter().map(|index| edging()[index].clone());
            record
                .findings
                .extend(edges.map(|kind| finding(kind, None)));
            record
                .gaps
                .extend(gaps.into_iter().map(|index| gap(GAPS[index])));
            record
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_failing_finding_fails_any_record(record in any_record(), which in 0..10_usize) {
        let (kind, kernel, cause) = failing()[which].clone();
        let mut worse = record;
        worse.findings.push(finding(kind, kernel));
        let verdict = judge(&worse);
        prop_assert_eq!(verdict.grade, Grade::Failed);
        prop_assert!(verdict.causes.contains(&cause));
    }

    #[test]
    fn a_gap_never_raises_a_grade(record in any_record(), which in 0..GAPS.len()) {
        let before = grade(&record);
        let mut less = record;
        less.gaps.push(gap(GAPS[which]));
        prop_assert!(rank(grade(&less)) <= rank(before));
    }
}

#[test]
fn a_damaged_record_is_never_judged_better_than_before() {
    let mut record = sound();
    record.gaps.push(gap(GapKind::RecordDamaged));
    assert_eq!(
        grade(&record),
        Grade::Provisional,
        "a finding may be among the lost rows"
    );
    let mut failed = judge(&record);
    failed.grade = Grade::Failed;
    failed.causes = vec![Cause::Memory];
    record.verdicts = vec![failed];
    let again = judge(&record);
    assert_eq!(
        (again.grade, again.causes),
        (Grade::Failed, vec![Cause::Memory])
    );
    // A whole record is judged by what it holds.
    record.gaps.pop();
    assert_eq!(grade(&record), Grade::Proven);
}
