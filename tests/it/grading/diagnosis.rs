//! The diagnosis table: each row by evidence of its own, what must not be attributed, and trade facts.
//!
//! What the rows advise is common practice (no source). The chance that errors of two equal rates all
//! fall into one of two stretches is the conditional test of Przyborowski and Wilenski, Biometrika 31
//! (1940) 313-323 (citation from memory).

use soakproof::model::{
    Amount, ChannelId, CpuId, CrashManner, Diagnosis, End, Evidence, FindingKind, Grade, LoadClass,
    MemoryFault, MemoryFaultClass, Move, Pattern, PlannedLoad, Quantity, Reading, Record, Rhythm,
    Role, SettingKind, SettingValue, Severity, Standing,
};
use soakproof::verdict::judge;

use super::build::{channel, end, finding, load, run, sound, stage, wrong};

const ALL: [u32; 4] = [0, 1, 2, 3];
const NARROW: &str = "int-streams.reg";
const WIDE: &str = "fma-f64.l1";

fn pulsed(kernel: &str) -> PlannedLoad {
    PlannedLoad {
        rhythm: Rhythm::Pulsed {
            on_ms: 500,
            off_ms: 500,
        },
        ..load(&[kernel], &ALL)
    }
}

fn sparse(kernel: &str) -> PlannedLoad {
    PlannedLoad {
        rhythm: Rhythm::Sparse {
            seed: 1,
            longest_gap_ms: 200,
        },
        ..load(&[kernel], &ALL)
    }
}

/// A run of everything, `narrow` at 20 times the length of the rest, cool and without an error.
fn ladder() -> Record {
    let stages = vec![
        stage("idle before", 60, Vec::new()),
        stage("narrow", 2_000, vec![load(&[NARROW], &ALL)]),
        stage("wide", 100, vec![load(&[WIDE], &ALL)]),
        stage("pulses", 100, vec![pulsed(NARROW)]),
        stage("bursts", 100, vec![sparse(NARROW)]),
        stage("exchange", 100, vec![load(&["atomics.shared"], &ALL)]),
        stage("walks", 100, vec![load(&["march.memory"], &ALL)]),
    ];
    let mut record = run(stages, &|_, _| 60.0);
    record.header.plan.asserts.heat = false;
    record
}

/// Adds a fault of `kind` on `cpu` under `kernel` in `stage`.
fn fault(record: &mut Record, kind: FindingKind, (stage, kernel, cpu): (&str, &str, u32)) {
    let mut found = finding(kind, Some(kernel).filter(|name| !name.is_empty()));
    found.stage = stage.to_owned();
    found.cpu = Some(CpuId(cpu)).filter(|_| !kernel.is_empty());
    record.findings.push(found);
}

fn failed(faults: &[(FindingKind, (&str, &str, u32))]) -> Record {
    let mut record = ladder();
    for (kind, place) in faults {
        fault(&mut record, kind.clone(), *place);
    }
    record
}

fn patterns(record: &Record) -> Vec<Pattern> {
    let known = judge(record).diagnoses;
    known.iter().map(|known| known.pattern).collect()
}

fn first(record: &Record) -> Diagnosis {
    judge(record).diagnoses.swap_remove(0)
}

fn reset(manner: CrashManner) -> FindingKind {
    FindingKind::Reset {
        manner,
        evidence: "another boot id".to_owned(),
    }
}

fn corrected() -> FindingKind {
    FindingKind::HardwareError {
        severity: Severity::Corrected,
        source: "kernel log".to_owned(),
        text: "invented".to_owned(),
        count: 1,
    }
}

fn wrong_memory(physical: Option<u64>) -> FindingKind {
    FindingKind::WrongMemory(MemoryFault {
        pass: 0,
        step: 0,
        address: 0x7000,
        physical,
        expected: 0,
        got: 1,
        class: MemoryFaultClass::WrongRead,
    })
}

const TRAP: FindingKind = FindingKind::Trap {
    signal: 11,
    code: Some(1),
    address: None,
    instruction: None,
};

#[test]
fn a_sound_run_points_at_nothing() {
    assert_eq!(patterns(&ladder()), []);
    assert_eq!(patterns(&sound()), []);
}

#[test]
fn wrong_answers_or_traps_under_narrow_and_wide_alike_point_at_core_voltage() {
    let record = failed(&[(wrong(), ("narrow", NARROW, 0)), (TRAP, ("wide", WIDE, 1))]);
    assert_eq!(patterns(&record), [Pattern::Computation]);
    let found = first(&record);
    assert!(found.points_at.contains("core voltage"), "{found:?}");
    assert!(found.try_next.contains("one step more core voltage"));
    assert!(found.try_next.contains("one step less core clock"));
    assert!(found.common_practice);
    assert_eq!(
        found.because,
        [Evidence::Findings {
            indices: vec![0, 1],
            events: 2
        }]
    );
}

#[test]
fn wrong_under_wide_vectors_alone_points_at_their_offset_with_the_chance_of_it() {
    let record = failed(&[(wrong(), ("wide", WIDE, 0))]);
    assert_eq!(patterns(&record), [Pattern::WideOnly]);
    let found = first(&record);
    assert!(
        found
            .try_next
            .contains("offset for wide vectors one step larger")
    );
    let [
        _,
        Evidence::Clean {
            checked_s, chance, ..
        },
    ] = &found.because[..]
    else {
        panic!("{found:?}");
    };
    // Even narrow load, pulses and bursts: 2,200 s; wide vectors 100 s; one error.
    assert!((checked_s - 2_200.0).abs() < 1e-9, "{checked_s}");
    assert!(
        (chance.unwrap() - 100.0 / 2_300.0).abs() < 1e-12,
        "{chance:?}"
    );
}

/// In equal times one error is a coin that fell on one side: both readings are given.
#[test]
fn one_error_in_equal_times_is_not_put_down_to_wide_vectors_alone() {
    let mut record = sound();
    fault(&mut record, wrong(), ("even hour", WIDE, 0));
    assert_eq!(patterns(&record), [Pattern::WideOnly, Pattern::Computation]);
    for _ in 0..4 {
        fault(&mut record, wrong(), ("even hour", WIDE, 0));
        fault(&mut record, wrong(), ("even hour", WIDE, 1));
    }
    assert_eq!(
        patterns(&record),
        [Pattern::WideOnly],
        "nine heads in a row"
    );
}

#[test]
fn wide_errors_without_enough_narrow_load_point_at_the_core_and_say_what_did_not_run() {
    let mut record = run(
        vec![stage("wide", 100, vec![load(&[WIDE], &ALL)])],
        &|_, _| 60.0,
    );
    fault(&mut record, wrong(), ("wide", WIDE, 0));
    assert_eq!(patterns(&record), [Pattern::Computation]);
    let not_run = Evidence::NotRun {
        class: LoadClass::ScalarInteger,
    };
    assert!(first(&record).because.contains(&not_run));
}

/// Stiffer load lines come after voltage, and never without a warning.
#[test]
fn errors_at_load_steps_alone_point_at_the_dip_and_warn_of_the_load_line() {
    let record = failed(&[(wrong(), ("pulses", NARROW, 0))]);
    assert_eq!(patterns(&record), [Pattern::LoadSteps]);
    let found = first(&record);
    let voltage = found.try_next.find("core voltage").unwrap();
    let line = found.try_next.find("load line").unwrap();
    assert!(voltage < line, "{}", found.try_next);
    assert!(found.mind.contains("overshoot") && found.mind.contains("maker's highest"));
    let both = failed(&[
        (wrong(), ("pulses", NARROW, 0)),
        (wrong(), ("narrow", NARROW, 1)),
    ]);
    assert_eq!(patterns(&both), [Pattern::Computation]);
}

#[test]
fn memory_alone_points_at_memory_and_not_when_a_core_erred_too() {
    let record = failed(&[(wrong_memory(None), ("walks", "march.memory", 0))]);
    assert_eq!(patterns(&record), [Pattern::MemoryOnly]);
    let found = first(&record);
    let order = [
        "memory voltage within the modules' rating",
        "the controller's",
        "lower rate",
    ];
    let places = order.map(|words| found.try_next.find(words).unwrap());
    assert!(places.is_sorted(), "{}", found.try_next);
    let both = failed(&[
        (wrong_memory(None), ("walks", "march.memory", 0)),
        (wrong(), ("narrow", NARROW, 1)),
    ]);
    assert_eq!(
        patterns(&both),
        [Pattern::Computation],
        "a core that computes wrongly spoils memory by itself"
    );
    let told = first(&both).because;
    assert!(
        told.iter()
            .any(|what| matches!(what, Evidence::Declared { .. }))
    );
}

#[test]
fn a_physical_place_seen_twice_points_at_one_module() {
    let place = |physical| (wrong_memory(Some(physical)), ("walks", "march.memory", 0));
    let once = failed(&[place(0x1234_5000)]);
    assert_eq!(patterns(&once), [Pattern::MemoryOnly]);
    let apart = failed(&[place(0x1234_5000), place(0x9234_5000)]);
    assert_eq!(patterns(&apart), [Pattern::MemoryOnly]);
    let twice = failed(&[place(0x1234_5000), place(0x1234_5040)]);
    assert_eq!(patterns(&twice), [Pattern::OneModule, Pattern::MemoryOnly]);
    let says = format!("{:?}", first(&twice).because);
    assert!(says.contains("0x12345000"), "{says}");
}

#[test]
fn a_module_that_the_controller_names_is_that_module() {
    let counter = |text: &str| FindingKind::HardwareError {
        severity: Severity::Corrected,
        source: "sys/devices/system/edac/mc/mc0/dimm1/dimm_ce_count".to_owned(),
        text: text.to_owned(),
        count: 3,
    };
    let record = failed(&[(counter("slot A2"), ("walks", "", 0))]);
    assert_eq!(
        patterns(&record),
        [Pattern::OneModule, Pattern::CorrectedOnly]
    );
    let unknown = failed(&[(
        counter("memory controller 0, module not known"),
        ("walks", "", 0),
    )]);
    assert_eq!(patterns(&unknown), [Pattern::CorrectedOnly]);
}

#[test]
fn exchange_between_cores_alone_points_at_the_cache_clock() {
    let record = failed(&[(wrong(), ("exchange", "atomics.shared", 0))]);
    assert_eq!(patterns(&record), [Pattern::CacheOnly]);
    assert_eq!(first(&record).try_next, "one step less cache clock");
    let mut resident = ladder();
    let wide = &mut resident.header.plan.stages[2].segments[0].loads[0];
    wide.kernels = vec!["fma-f64.llc".to_owned()];
    resident.header.kernels[1].0 = "fma-f64.llc".to_owned();
    fault(&mut resident, wrong(), ("wide", "fma-f64.llc", 0));
    fault(&mut resident, wrong(), ("wide", "fma-f64.llc", 1));
    assert_eq!(patterns(&resident), [Pattern::CacheOnly]);
}

#[test]
fn one_core_that_errs_more_than_once_has_a_margin_of_its_own() {
    let record = failed(&[
        (wrong(), ("narrow", NARROW, 1)),
        (wrong(), ("wide", WIDE, 3)),
    ]);
    assert_eq!(
        patterns(&record),
        [Pattern::Computation, Pattern::OneCore],
        "CPUs 1 and 3 are one core"
    );
    let once = failed(&[(wrong(), ("narrow", NARROW, 1))]);
    assert_eq!(patterns(&once), [Pattern::Computation]);
}

#[test]
fn corrected_errors_without_a_wrong_answer_are_a_margin_nearly_gone() {
    let record = failed(&[(corrected(), ("narrow", "", 0))]);
    assert_eq!(judge(&record).grade, Grade::Marginal);
    assert_eq!(patterns(&record), [Pattern::CorrectedOnly]);
    let both = failed(&[
        (corrected(), ("narrow", "", 0)),
        (wrong(), ("narrow", NARROW, 0)),
    ]);
    assert_eq!(patterns(&both), [Pattern::Computation]);
}

#[test]
fn a_reset_with_nothing_before_it_points_at_the_supply() {
    for manner in [CrashManner::Sudden, CrashManner::Unknown, CrashManner::Hang] {
        let record = failed(&[(reset(manner), ("narrow", "", 0))]);
        assert_eq!(patterns(&record), [Pattern::ResetAlone], "{manner:?}");
    }
    let mut untold = ladder();
    end(&mut untold, End::Reset);
    assert_eq!(patterns(&untold), [Pattern::ResetAlone]);
    let told = failed(&[
        (wrong(), ("narrow", NARROW, 0)),
        (reset(CrashManner::Sudden), ("narrow", "", 0)),
    ]);
    assert_eq!(
        patterns(&told),
        [Pattern::Computation],
        "something came before it"
    );
    let panic = failed(&[(reset(CrashManner::Panic), ("narrow", "", 0))]);
    assert_eq!(
        patterns(&panic),
        [Pattern::Computation],
        "a panic is a word"
    );
}

#[test]
fn failures_at_rest_and_in_bursts_point_at_the_voltage_at_low_load() {
    for (kind, place) in [
        (wrong(), ("bursts", NARROW, 0)),
        (reset(CrashManner::Sudden), ("idle before", "", 0)),
    ] {
        let record = failed(&[(kind, place)]);
        assert_eq!(patterns(&record), [Pattern::LowLoad], "{place:?}");
    }
    let both = failed(&[
        (wrong(), ("bursts", NARROW, 0)),
        (wrong(), ("narrow", NARROW, 0)),
    ]);
    assert!(!patterns(&both).contains(&Pattern::LowLoad));
}

#[test]
fn a_part_that_the_hardware_names_comes_first() {
    let fatal = FindingKind::HardwareError {
        severity: Severity::Fatal,
        source: "kernel log".to_owned(),
        text: "bank 4".to_owned(),
        count: 1,
    };
    let record = failed(&[(wrong(), ("narrow", NARROW, 0)), (fatal, ("narrow", "", 0))]);
    assert_eq!(
        patterns(&record),
        [Pattern::NamedPart, Pattern::Computation]
    );
    assert!(!first(&record).common_practice);
}

fn over_hot() -> FindingKind {
    FindingKind::OverHot {
        label: "Package".to_owned(),
        reading_c: 96.0,
        ceiling_c: 95.0,
    }
}

fn throttled() -> FindingKind {
    FindingKind::Throttled {
        source: "counter".to_owned(),
        events: 3,
    }
}

#[test]
fn over_the_ceiling_or_throttling_points_at_heat() {
    for kind in [over_hot(), throttled()] {
        let record = failed(&[(kind.clone(), ("narrow", "", 0))]);
        assert_eq!(patterns(&record), [Pattern::Hot], "{kind:?}");
        let advice = first(&record).try_next;
        for words in [
            "less core voltage",
            "less clock",
            "offset",
            "mount",
            "air flow",
        ] {
            assert!(advice.contains(words), "{advice}");
        }
    }
    let stopped = FindingKind::CoolingStopped {
        label: "front fan".to_owned(),
    };
    let record = failed(&[
        (stopped, ("narrow", "", 0)),
        (throttled(), ("narrow", "", 0)),
    ]);
    assert_eq!(patterns(&record), [Pattern::CoolingStopped, Pattern::Hot]);
}

/// Heat brings errors at settings that hold when it is cooler.
#[test]
fn errors_of_a_hot_machine_are_put_down_to_heat_first() {
    let hot = failed(&[(wrong(), ("wide", WIDE, 0)), (over_hot(), ("wide", "", 0))]);
    assert_eq!(patterns(&hot), [Pattern::ErrorsWhileHot]);
    assert!(first(&hot).points_at.starts_with("heat first"));
    let slowed = failed(&[(wrong(), ("wide", WIDE, 0)), (throttled(), ("wide", "", 0))]);
    assert_eq!(patterns(&slowed), [Pattern::ErrorsWhileHot]);
    let mut at_limit = failed(&[(wrong(), ("wide", WIDE, 0))]);
    at_limit.findings[0].temperature_c = Some(90.0);
    assert_eq!(patterns(&at_limit), [Pattern::ErrorsWhileHot]);
    at_limit.findings[0].temperature_c = Some(89.0);
    assert_eq!(patterns(&at_limit), [Pattern::WideOnly]);
}

fn step(setting: &str, from: i64, to: i64) -> Move {
    Move {
        setting: setting.to_owned(),
        from: Amount::whole(from),
        to: Amount::whole(to),
    }
}

fn stands(record: &mut Record, moves: Vec<Move>, unexplained: &[&str]) {
    record.header.declared.standing = Some(Box::new(Standing {
        change: Some(7),
        moves,
        unexplained: unexplained.iter().map(|what| (*what).to_owned()).collect(),
        ..Standing::default()
    }));
}

#[test]
fn two_changes_at_once_are_confounded_and_no_setting_is_blamed() {
    let mut record = failed(&[(wrong(), ("wide", WIDE, 0))]);
    stands(&mut record, vec![step("core-voltage", 1250, 1240)], &[]);
    assert_eq!(
        patterns(&record),
        [Pattern::WideOnly],
        "one change can be blamed"
    );
    let two = vec![
        step("core-voltage", 1250, 1240),
        step("core-clock", 4900, 5000),
    ];
    stands(&mut record, two, &[]);
    assert_eq!(patterns(&record), [Pattern::Confounded]);
    assert_eq!(first(&record).because.len(), 2);
    stands(
        &mut record,
        Vec::new(),
        &["memory now runs at 4800, was 6000 MT/s"],
    );
    assert_eq!(patterns(&record), [Pattern::Confounded]);
    record.findings.clear();
    assert_eq!(
        patterns(&record),
        [],
        "nothing failed, nothing is confounded"
    );
}

/// What can be seen without any setting is still told beside what confounds.
#[test]
fn what_blames_no_setting_is_told_although_changes_are_confounded() {
    let mut record = failed(&[
        (wrong(), ("wide", WIDE, 0)),
        (
            FindingKind::CoolingStopped {
                label: "pump".to_owned(),
            },
            ("wide", "", 0),
        ),
    ]);
    let two = vec![
        step("core-voltage", 1250, 1240),
        step("core-clock", 4900, 5000),
    ];
    stands(&mut record, two, &[]);
    assert_eq!(
        patterns(&record),
        [Pattern::CoolingStopped, Pattern::Confounded]
    );
}

fn clocked(narrow_mhz: f64, wide_mhz: f64) -> Record {
    let mut record = ladder();
    // 5.0 GHz with an offset of one are 4.9 GHz under wide vectors (common practice, no source).
    record.header.declared.clock_mhz = vec![
        (LoadClass::ScalarInteger, 5_000.0),
        (LoadClass::WideVector, 4_900.0),
    ];
    let plan = record.header.plan.clone();
    let set = |stage: u16, clocks: &mut Vec<f64>| {
        let load = plan.load(stage, 0, 0).unwrap();
        let wide = load.kernels == [WIDE];
        clocks.fill(if wide { wide_mhz } else { narrow_mhz });
    };
    for sample in &mut record.samples {
        let stage = sample.stage;
        sample
            .workers
            .iter_mut()
            .for_each(|worker| set(stage, &mut worker.clock_mhz));
    }
    for done in &mut record.workers {
        set(done.stage, &mut done.what.clock_mhz);
    }
    record
}

#[test]
fn a_clock_below_the_declared_points_at_limits_heat_or_the_offset_by_what_else_is_seen() {
    assert_eq!(
        patterns(&clocked(5_000.0, 4_900.0)),
        [],
        "as declared with its offset"
    );
    let narrow = first(&clocked(4_800.0, 4_900.0));
    assert_eq!(narrow.pattern, Pattern::BelowDeclaredClock);
    assert!(
        narrow.points_at.contains("limit of power or current"),
        "{narrow:?}"
    );
    let wide = first(&clocked(5_000.0, 4_800.0));
    assert!(
        wide.points_at.starts_with("an offset for wide vectors"),
        "{wide:?}"
    );
    let mut hot = clocked(4_800.0, 4_900.0);
    fault(&mut hot, throttled(), ("narrow", "", 0));
    let found = judge(&hot).diagnoses;
    assert_eq!(found.last().unwrap().pattern, Pattern::BelowDeclaredClock);
    assert!(
        found
            .last()
            .unwrap()
            .points_at
            .starts_with("thermal throttling")
    );
}

/// The trade looks at the mount from 10 to 15 degrees on (common practice, no source).
#[test]
fn dies_far_apart_under_load_point_at_the_mount() {
    for (apart, expected) in [(9.0, &[][..]), (16.0, &[Pattern::UnevenMount][..])] {
        let mut record = sound();
        for (id, offset) in [(1, 0.0), (2, apart)] {
            let die = ChannelId(id);
            record
                .header
                .channels
                .push(channel(die, Quantity::Temperature, Role::Die));
            for sample in &mut record.samples {
                // At rest they differ more, which is no evidence: only one of them works.
                let rest = if sample.workers.is_empty() {
                    10.0 * f64::from(id)
                } else {
                    0.0
                };
                sample.readings.push(Reading {
                    channel: die,
                    value: 30.0 + rest + offset,
                });
            }
        }
        assert_eq!(patterns(&record), expected, "{apart} degrees");
    }
}

#[test]
fn heat_that_still_rises_after_an_even_hour_is_soaking() {
    let rising = |seconds: u32| {
        let stages = vec![stage("even", seconds, vec![load(&[NARROW, WIDE], &ALL)])];
        let mut record = run(stages, &|_, t| 50.0 + t / 300.0);
        record.header.plan.asserts.heat = false;
        patterns(&record)
    };
    assert_eq!(rising(3_600), [Pattern::HeatSoak]);
    assert_eq!(rising(1_800), [], "half an hour is too short to say so");
}

/// Two sensors of the core supply at these levels, idle and under load.
fn with_sensors(levels: [[f64; 2]; 2], declared_mv: Option<i64>) -> Record {
    let mut record = sound();
    for (index, [idle, loaded]) in levels.into_iter().enumerate() {
        let id = ChannelId(5 + u16::try_from(index).unwrap());
        let mut sensor = channel(id, Quantity::Voltage, Role::CoreVoltage);
        sensor.label = format!("supply {index}");
        record.header.channels.push(sensor);
        for sample in &mut record.samples {
            let value = if sample.workers.is_empty() {
                idle
            } else {
                loaded
            };
            sample.readings.push(Reading { channel: id, value });
        }
    }
    record.header.declared.standing = declared_mv.map(|mv| {
        Box::new(Standing {
            settings: vec![SettingValue {
                name: "core-voltage".to_owned(),
                kind: SettingKind::CoreVoltage,
                value: Amount::whole(mv),
                unit: "mV".to_owned(),
            }],
            ..Standing::default()
        })
    });
    record
}

/// 1.32 V set, 1.314 V idle, 1.305 V under load (common practice, no source).
#[test]
fn an_ordinary_droop_is_no_finding() {
    let record = with_sensors([[1_314.0, 1_305.0]; 2], Some(1_320));
    let verdict = judge(&record);
    assert_eq!(
        (verdict.grade, &verdict.diagnoses[..]),
        (Grade::Proven, &[][..])
    );
    assert!(verdict.findings.is_empty());
    assert_eq!(verdict.voltages[0].idle_mv, Some(1_314.0));
    assert_eq!(verdict.voltages[0].load_mv, Some(1_305.0));
}

/// 1.18 V against 1.305 V (common practice, no source).
#[test]
fn two_sensors_of_one_voltage_that_disagree_name_the_one_to_distrust() {
    let far = with_sensors([[1_190.0, 1_180.0], [1_314.0, 1_305.0]], Some(1_320));
    assert_eq!(judge(&far).grade, Grade::Proven, "a sensor is no finding");
    assert_eq!(patterns(&far), [Pattern::SensorsDisagree]);
    let found = first(&far);
    assert!(found.try_next.contains("a meter"), "{found:?}");
    assert_eq!(
        found.because[0],
        Evidence::Reading {
            what: "supply 0".to_owned(),
            value: 1_180.0,
            against: Some(1_305.0),
            unit: "mV".to_owned(),
        }
    );
    let says = format!("{:?}", found.because[1]);
    assert!(
        says.contains("distrust supply 0") && says.contains("1320 mV"),
        "{says}"
    );
    let other = with_sensors([[1_190.0, 1_180.0], [1_314.0, 1_305.0]], Some(1_190));
    assert!(format!("{:?}", first(&other).because).contains("distrust supply 1"));
    let unknown = with_sensors([[1_190.0, 1_180.0], [1_314.0, 1_305.0]], None);
    assert!(format!("{:?}", first(&unknown).because).contains("nothing here says"));
    let near = with_sensors([[1_250.0, 1_245.0], [1_314.0, 1_305.0]], Some(1_320));
    assert_eq!(patterns(&near), [], "4.6 % apart");
}

/// A spike to 85 at the start that settles near 70 within about ten minutes is a plateau, under limits of
/// 90 and 95, and called settled after an hour (common practice, no source).
#[test]
fn a_spike_at_the_start_that_settles_is_a_plateau_and_no_finding() {
    let course = |_, t: f64| 70.0 + 15.0 * (-t / 150.0).exp();
    let even = |seconds: u32| {
        let stages = vec![
            stage("idle before", 60, Vec::new()),
            stage("even", seconds, vec![load(&[NARROW, WIDE], &ALL)]),
        ];
        run(stages, &|stage, t| {
            if stage == 0 { 40.0 } else { course(stage, t) }
        })
    };
    use soakproof::model::Plateau;
    let hour = judge(&even(3_600));
    let heat = hour.heat.unwrap();
    assert_eq!(heat.plateau, Plateau::Settled);
    assert!(heat.peak_c >= 84.0 && heat.peak_c < 90.0, "{}", heat.peak_c);
    assert!((heat.settled_c.unwrap() - 70.0).abs() < 0.5, "{heat:?}");
    assert!(heat.time_constant_s.unwrap() < 600.0, "{heat:?}");
    assert_eq!(
        (hour.grade, hour.findings.len(), hour.diagnoses.len()),
        (Grade::Proven, 0, 0)
    );
    let short = judge(&even(1_800));
    assert_eq!(
        short.heat.unwrap().plateau,
        Plateau::Reached,
        "not settled before an hour"
    );
    let early = judge(&even(600));
    assert_eq!(early.heat.unwrap().plateau, Plateau::TooShortToSay);
}
