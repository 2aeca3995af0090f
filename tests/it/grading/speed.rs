//! Whether cores go on as fast as they began, clocks that other programs hide, clocks of several kinds of
//! core, and the droop of the supply.

use soakproof::model::{
    ChannelId, CpuId, GapKind, Grade, Quantity, Reading, Record, Role, Rule, RuleEffect,
    VoltageSummary,
};
use soakproof::verdict::judge;

use super::build::{PERIOD_S, channel, load, mixed, run, sound, stage};
use super::rules::clocked;

/// Passes a second of each kernel at its full speed.
const RATE: f64 = 100.0;

/// What a CPU does at a time into the even hour.
#[derive(Clone, Copy)]
struct Pace {
    /// Share of the full rate of passes while it computes.
    rate: f64,
    /// Clock probe in MHz.
    mhz: f64,
    /// Share of the time that it has the CPU.
    had: f64,
}

const FULL: Pace = Pace {
    rate: 1.0,
    mhz: 4_000.0,
    had: 1.0,
};

/// The sound run at a pace by CPU and seconds into the hour; nothing is declared.
fn paced(pace: &dyn Fn(CpuId, f64) -> Pace) -> Record {
    paced_from(sound(), pace)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "whole passes"
)]
fn paced_from(mut record: Record, pace: &dyn Fn(CpuId, f64) -> Pace) -> Record {
    record.header.declared.clock_mhz.clear();
    let mut done: Vec<(CpuId, f64, f64)> = Vec::new();
    let mut into = 0.0;
    for sample in record.samples.iter_mut().filter(|s| !s.workers.is_empty()) {
        into += f64::from(PERIOD_S);
        for worker in &mut sample.workers {
            let Pace { rate, mhz, had } = pace(worker.cpu, into);
            let kernels = worker.passes.len();
            let each = had * f64::from(PERIOD_S) / f64::from(u32::try_from(kernels).unwrap());
            let known = done.iter().position(|(cpu, ..)| *cpu == worker.cpu);
            let known = known.unwrap_or_else(|| {
                done.push((worker.cpu, 0.0, 0.0));
                done.len() - 1
            });
            done[known].1 += each * RATE * rate;
            done[known].2 += each;
            worker.passes = vec![done[known].1.round() as u64; kernels];
            worker.checked_s = vec![done[known].2; kernels];
            worker.clock_mhz = vec![mhz; kernels];
        }
    }
    record
}

fn throttling(record: &Record) -> Vec<Rule> {
    let rules = judge(record).rules.into_iter();
    rules.filter(|rule| rule.name == "throttling").collect()
}

fn effects(record: &Record) -> Vec<RuleEffect> {
    throttling(record).iter().map(|rule| rule.effect).collect()
}

/// From the middle of the hour, CPU 3 alone.
fn later(cpu: CpuId, into: f64, pace: Pace) -> Pace {
    if cpu == CpuId(3) && into > 1_800.0 {
        pace
    } else {
        FULL
    }
}

#[test]
fn an_even_rate_is_met_and_told() {
    let record = paced(&|_, _| FULL);
    let rules = throttling(&record);
    assert_eq!(effects(&record), [RuleEffect::Met]);
    assert!(
        rules[0].figure.contains("kept 100.0 %"),
        "{}",
        rules[0].figure
    );
    assert_eq!(judge(&record).grade, Grade::Proven);
}

/// Skipped cycles do not show in a probe that takes the best of four.
#[test]
fn a_rate_that_falls_at_an_unchanged_clock_is_throttling() {
    let record = paced(&|cpu, into| later(cpu, into, Pace { rate: 0.97, ..FULL }));
    let rules = throttling(&record);
    assert_eq!(effects(&record), [RuleEffect::Marginal]);
    assert!(
        rules[0]
            .figure
            .contains("int-streams.reg on cpu 3 fell to 97.2 % of its own start"),
        "{}",
        rules[0].figure
    );
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Marginal);
    assert!(verdict.next[0].starts_with("one step less core voltage while"));
    let little = paced(&|cpu, into| {
        later(
            cpu,
            into,
            Pace {
                rate: 0.985,
                ..FULL
            },
        )
    });
    assert_eq!(effects(&little), [RuleEffect::Met]);
}

#[test]
fn a_clock_that_falls_below_the_limit_is_told_and_at_the_limit_is_throttling() {
    let slower = Pace {
        rate: 0.95,
        mhz: 3_800.0,
        had: 1.0,
    };
    let mut record = paced(&|cpu, into| later(cpu, into, slower));
    assert_eq!(effects(&record), [RuleEffect::Told, RuleEffect::Met]);
    assert_eq!(judge(&record).grade, Grade::Proven);
    // The run settles at 70 degrees; a chip that names 71 as its limit holds itself there.
    record.header.channels[0].limit = Some(71.0);
    assert_eq!(effects(&record), [RuleEffect::Marginal, RuleEffect::Met]);
    assert!(throttling(&record)[0].figure.contains("fell to 95.0 %"));
}

#[test]
fn a_worker_that_others_kept_from_its_cpu_is_not_throttled() {
    let starved = Pace {
        rate: 0.6,
        had: 0.5,
        ..FULL
    };
    let record = paced(&|cpu, into| later(cpu, into, starved));
    assert_eq!(effects(&record), [RuleEffect::Met]);
}

#[test]
fn what_others_took_of_an_interval_is_no_loss_of_speed() {
    let disturbed = Pace { had: 0.92, ..FULL };
    let record = paced(&|cpu, into| later(cpu, into, disturbed));
    assert_eq!(effects(&record), [RuleEffect::Met]);
}

#[test]
fn two_passes_in_an_interval_tell_no_speed() {
    let crawling = Pace {
        rate: 0.001,
        ..FULL
    };
    let record = paced(&|cpu, into| later(cpu, into, crawling));
    assert_eq!(effects(&record), [RuleEffect::Met]);
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "whole periods"
)]
#[test]
fn a_short_disturbance_is_not_throttling() {
    let record = paced(&|cpu, into| {
        let slow = Pace { rate: 0.5, ..FULL };
        if ((into / f64::from(PERIOD_S)) as u32).is_multiple_of(3) {
            slow
        } else {
            later(cpu, into, FULL)
        }
    });
    assert_eq!(judge(&record).grade, Grade::Proven);
}

#[test]
fn loads_that_share_memory_with_the_machine_and_short_stages_say_nothing() {
    let falling = |cpu, into| later(cpu, into, Pace { rate: 0.5, ..FULL });
    let memory = vec![stage(
        "hour",
        3_600,
        vec![load(&["march.memory"], &[0, 1, 2, 3])],
    )];
    let memory = paced_from(run(memory, &|_, _| 60.0), &falling);
    assert_eq!(effects(&memory), []);
    let short = vec![stage("short", 19 * PERIOD_S, vec![mixed()])];
    let short = paced_from(run(short, &|_, _| 60.0), &|_, into| Pace {
        rate: if into > 50.0 { 0.5 } else { 1.0 },
        ..FULL
    });
    assert_eq!(effects(&short), []);
    // A kernel that computes in memory shares it, too.
    let mut record = sound();
    let name = "int-streams.memory".to_owned();
    record.header.plan.stages[1].segments[0].loads[0].kernels[0].clone_from(&name);
    record.header.kernels[0].0 = name;
    let mixed = throttling(&paced_from(record, &falling));
    assert_eq!(mixed.len(), 1, "{mixed:?}");
    assert!(mixed[0].figure.contains("fma-f64.l1"), "{mixed:?}");
}

/// Ten intervals show the start, and ten more how it went on; between samples, of which one comes first.
#[test]
fn twenty_intervals_tell_a_speed_and_a_clock_that_nobody_measured_none() {
    let seen = |periods: u32, mhz: f64| {
        let stages = vec![stage("short", periods * PERIOD_S, vec![mixed()])];
        effects(&paced_from(run(stages, &|_, _| 60.0), &|_, _| Pace {
            mhz,
            ..FULL
        }))
    };
    assert_eq!(seen(20, 4_000.0), []);
    assert_eq!(seen(21, 4_000.0), [RuleEffect::Met]);
    assert_eq!(seen(21, 0.0), []);
}

#[test]
fn a_clock_that_other_programs_hid_is_a_gap_and_no_shortfall() {
    let mut record = clocked(&|cpu| if cpu.0 % 2 == 1 { 0.0 } else { 4_000.0 });
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Provisional, "{}", verdict.headline);
    let gap = verdict.gaps.iter().find(|gap| gap.kind == GapKind::Busy);
    let gap = gap.expect("it is named");
    assert!(
        gap.about.contains("1 core under scalar integer"),
        "{}",
        gap.about
    );
    assert!(verdict.next.iter().any(|next| next == &gap.remedy));
    record.header.plan.asserts.clock = false;
    assert_eq!(
        judge(&record).grade,
        Grade::Proven,
        "told, where clocks are not asserted"
    );
    record.header.declared.clock_mhz.clear();
    assert!(judge(&record).gaps.is_empty(), "nobody declared anything");
}

/// A kernel is at work for five seconds before its clock is missed.
#[test]
fn a_clock_is_missed_after_five_seconds_of_a_kernel() {
    let hidden = |kernels: &[&str]| {
        let stages = vec![stage("short", 5, vec![load(kernels, &[0, 1, 2, 3])])];
        let mut record = run(stages, &|_, _| 60.0);
        let samples = record.samples.iter_mut();
        let done = record.workers.iter_mut().map(|done| &mut done.what);
        for worker in samples.flat_map(|sample| &mut sample.workers).chain(done) {
            worker.clock_mhz.fill(0.0);
        }
        let gaps = judge(&record).gaps;
        gaps.iter().any(|gap| gap.kind == GapKind::Busy)
    };
    assert!(hidden(&["int-streams.reg"]));
    assert!(
        !hidden(&["int-streams.reg", "fma-f64.l1"]),
        "half of it each"
    );
}

#[test]
fn a_shortfall_that_was_measured_stays_one_beside_what_was_hidden() {
    let record = clocked(&|cpu| if cpu.0 % 2 == 1 { 0.0 } else { 3_900.0 });
    assert_eq!(judge(&record).grade, Grade::Marginal);
}

#[test]
fn each_kind_of_core_is_held_against_its_own_clock() {
    let mut record = clocked(&|cpu| if cpu.0 % 2 == 1 { 3_000.0 } else { 4_000.0 });
    assert_eq!(judge(&record).grade, Grade::Marginal, "all alike");
    for cpu in &mut record.header.machine.cpus {
        let kind = if cpu.id.0 % 2 == 1 {
            "efficiency"
        } else {
            "performance"
        };
        cpu.kind = Some(kind.to_owned());
    }
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Proven, "{}", verdict.headline);
    let clocks = verdict.clocks.iter();
    let clocks = clocks.filter(|clock| clock.declared_mhz.is_some());
    let kinds: Vec<_> = clocks.map(|clock| clock.kind.as_deref()).collect();
    assert_eq!(kinds, [Some("performance")]);
    record.header.declared.kind_clock_mhz = vec![("efficiency".to_owned(), 3_200.0)];
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Marginal);
    let short = verdict
        .rules
        .iter()
        .find(|rule| rule.effect == RuleEffect::Marginal);
    assert!(
        short
            .unwrap()
            .figure
            .contains("on efficiency cores: 3000 to 3000 MHz"),
        "{short:?}"
    );
}

const SUPPLY: ChannelId = ChannelId(1);
const POWER: ChannelId = ChannelId(2);

/// Idle, one core under `kernel`, then the even hour; with a supply and a power by stage.
fn supplied(kernel: &str, values: [(f64, f64); 3]) -> Record {
    let stages = vec![
        stage("idle before", 60, Vec::new()),
        stage("one core", 60, vec![load(&[kernel], &[1])]),
        stage("even hour", 3_600, vec![mixed()]),
    ];
    let mut record = run(stages, &|stage, t| match stage {
        0 => 40.0,
        1 => 50.0,
        _ => 70.0 - 20.0 * (-t / 120.0).exp(),
    });
    let channels = &mut record.header.channels;
    channels.push(channel(SUPPLY, Quantity::Voltage, Role::CoreVoltage));
    channels.push(channel(POWER, Quantity::Power, Role::Package));
    for sample in &mut record.samples {
        let (millivolts, watts) = values[usize::from(sample.stage)];
        for (channel, value) in [(SUPPLY, millivolts), (POWER, watts)] {
            sample.readings.push(Reading { channel, value });
        }
    }
    record
}

fn supply(record: &Record) -> VoltageSummary {
    let verdict = judge(record);
    assert_eq!(verdict.grade, Grade::Proven, "{}", verdict.headline);
    verdict
        .voltages
        .into_iter()
        .next()
        .expect("one supply was read")
}

/// Common practice (no source): 1.32 V set, 1.314 V with one core at work and 1.305 V with all is an
/// ordinary droop and no finding. Idle, a power-saving clock has its own, lower voltage.
#[test]
fn an_ordinary_droop_is_told_and_decides_nothing() {
    let values = [(900.0, 20.0), (1_314.0, 35.0), (1_305.0, 110.0)];
    let mut record = supplied("int-streams.reg", values);
    let last = record.samples.len() - 1;
    record.samples[last].readings[1].value = 1_301.0;
    let supply = supply(&record);
    assert_eq!(supply.idle_mv, Some(900.0));
    assert_eq!(supply.one_core_mv, Some(1_314.0));
    assert_eq!(supply.load_mv, Some(1_305.0));
    assert_eq!(supply.droop_mv, Some(9.0));
    assert_eq!(supply.lowest_mv.to_bits(), 1_301.0_f64.to_bits());
    assert_eq!(supply.step_mv, Some(1.0));
    assert_eq!(supply.slope.as_deref(), Some("0.12 mV/W"));
}

#[test]
fn without_a_narrow_worker_alone_there_is_no_droop_to_tell() {
    let values = [(1_320.0, 20.0), (1_310.0, 35.0), (1_305.0, 110.0)];
    assert_eq!(supply(&supplied("fma-f64.l1", values)).droop_mv, None);
    let mut record = supplied("int-streams.reg", values);
    record.header.plan.stages[1].segments[0].loads[0].rhythm = soakproof::model::Rhythm::Pulsed {
        on_ms: 500,
        off_ms: 500,
    };
    assert_eq!(supply(&record).droop_mv, None);
}

/// Where there is one core, a narrow worker on it is all of them.
#[test]
fn of_one_core_the_load_is_told_and_no_droop() {
    let values = [(900.0, 20.0), (1_314.0, 35.0), (1_305.0, 110.0)];
    let mut record = supplied("int-streams.reg", values);
    record.header.machine.cpus.retain(|cpu| cpu.id == CpuId(1));
    let supply = judge(&record).voltages.remove(0);
    assert_eq!((supply.one_core_mv, supply.droop_mv), (None, None));
    assert_eq!(supply.load_mv, Some(1_305.0));
}

#[test]
fn other_supplies_and_other_figures_of_the_same_one_are_no_core_voltage() {
    let values = [(900.0, 20.0), (1_314.0, 35.0), (1_305.0, 110.0)];
    let mut record = supplied("int-streams.reg", values);
    let told = judge(&record).voltages;
    let another = ChannelId(9);
    for sample in &mut record.samples {
        sample.readings.push(Reading {
            channel: another,
            value: 12_000.0,
        });
    }
    for (quantity, role) in [
        (Quantity::Voltage, Role::Board),
        (Quantity::Temperature, Role::CoreVoltage),
    ] {
        let mut record = record.clone();
        record
            .header
            .channels
            .push(channel(another, quantity, role));
        assert_eq!(judge(&record).voltages, told, "{quantity:?} {role:?}");
    }
}

/// Nothing is told by a rise of nothing.
#[test]
fn a_meter_that_stands_still_tells_no_slope() {
    let values = [(900.0, 110.0), (1_314.0, 110.0), (1_305.0, 110.0)];
    assert_eq!(supply(&supplied("int-streams.reg", values)).slope, None);
}
