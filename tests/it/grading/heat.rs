//! Heat: plateau, settled, headroom, and the ordinary cases of the trade.

use soakproof::model::{
    ChannelId, Grade, HeatSummary, Plateau, Quantity, Reading, Record, Role, RuleEffect,
};
use soakproof::verdict::judge;

use super::build::{PACKAGE, channel, mixed, run, sound, stage};

/// One even stage of `seconds` after a minute at 40 degrees.
fn stage_of(seconds: u32, heat: &dyn Fn(f64) -> f64) -> Record {
    let stages = vec![
        stage("idle before", 60, Vec::new()),
        stage("even", seconds, vec![mixed()]),
    ];
    run(stages, &|stage, t| if stage == 0 { 40.0 } else { heat(t) })
}

pub(super) fn heat_of(record: &Record) -> HeatSummary {
    judge(record).heat.expect("a thermometer was read")
}

fn rise(to: f64, constant: f64) -> impl Fn(f64) -> f64 {
    move |t| to - (to - 40.0) * (-t / constant).exp()
}

#[test]
fn fourteen_minutes_are_too_short_to_say() {
    let heat = heat_of(&stage_of(14 * 60, &rise(70.0, 60.0)));
    assert_eq!(heat.plateau, Plateau::TooShortToSay);
    assert_eq!(heat.settled_c, None);
}

#[test]
fn fifteen_minutes_can_level_off_but_not_settle() {
    let heat = heat_of(&stage_of(15 * 60, &rise(70.0, 60.0)));
    assert_eq!(heat.plateau, Plateau::Reached);
    assert!((heat.settled_c.unwrap() - 70.0).abs() < 0.5);
}

/// The stage of the shipped suite is one hour to the second, and its first sample comes a period late.
#[test]
fn one_even_hour_settles() {
    let heat = heat_of(&sound());
    assert_eq!(heat.plateau, Plateau::Settled);
    assert!((heat.time_constant_s.unwrap() - 120.0).abs() < 6.0);
    assert_eq!(heat.idle_c, Some(40.0));
}

#[test]
fn a_stage_still_rising_has_not_levelled_off_and_is_not_proven() {
    let record = stage_of(3_600, &rise(85.0, 2_400.0));
    assert_eq!(heat_of(&record).plateau, Plateau::NotReached);
    assert_ne!(judge(&record).grade, Grade::Proven);
}

/// A slow drift of 1.5 degrees in 10 minutes, which by itself never ends.
#[test]
fn an_endless_drift_is_no_plateau() {
    let record = stage_of(3_600, &|t| 60.0 + 1.5 * t / 600.0);
    assert_eq!(heat_of(&record).plateau, Plateau::NotReached);
}

/// Half the allowed slope is still no end in sight: the fitted end must be near, too.
#[test]
fn a_slow_endless_drift_has_not_settled() {
    let record = stage_of(3_600, &|t| 60.0 + 0.8 * t / 600.0);
    assert_ne!(heat_of(&record).plateau, Plateau::Settled);
}

#[test]
fn one_quantum_step_does_not_refuse() {
    let up = stage_of(3_600, &|t| if t < 3_300.0 { 69.0 } else { 70.0 });
    assert_eq!(heat_of(&up).plateau, Plateau::Settled, "{:?}", heat_of(&up));
    let down = stage_of(3_600, &|t| if t < 3_300.0 { 70.0 } else { 69.0 });
    assert_eq!(
        heat_of(&down).plateau,
        Plateau::Settled,
        "{:?}",
        heat_of(&down)
    );
    let dither = stage_of(3_600, &|t| 69.0 + (t / 5.0 % 2.0).floor());
    assert_eq!(heat_of(&dither).plateau, Plateau::Settled);
}

#[test]
fn an_even_temperature_is_a_plateau() {
    assert_eq!(
        heat_of(&stage_of(3_600, &|_| 55.0)).plateau,
        Plateau::Settled
    );
}

/// Common practice (no source): a spike to 85 at the start of load that settles near 70 degrees is a
/// plateau and no finding.
#[test]
fn a_spike_to_85_that_settles_near_70_is_a_plateau_and_no_finding() {
    let record = stage_of(3_600, &|t| 70.0 + 15.0 * (-t / 20.0).exp());
    let verdict = judge(&record);
    let heat = verdict.heat.clone().unwrap();
    assert_eq!(heat.plateau, Plateau::Settled);
    assert!((heat.settled_c.unwrap() - 70.0).abs() < 0.5);
    assert!(heat.peak_c > 80.0);
    assert_eq!(verdict.grade, Grade::Proven, "{}", verdict.headline);
}

/// Headroom is the limit minus the higher of peak and fitted end.
#[test]
fn headroom_under_the_margin_is_marginal_only_where_heat_is_asserted() {
    let mut record = stage_of(3_600, &rise(87.0, 120.0));
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Marginal);
    let rule = verdict
        .rules
        .iter()
        .find(|rule| rule.name == "headroom")
        .unwrap();
    assert_eq!(rule.figure, "headroom 3.0 C");
    assert_eq!(rule.threshold, "at least 5 C");
    record.header.plan.asserts.heat = false;
    assert_eq!(judge(&record).grade, Grade::Proven);
}

#[test]
fn reaching_the_judged_limit_is_marginal_even_where_heat_is_not_asserted() {
    let mut record = sound();
    record.header.plan.asserts.heat = false;
    record.samples[100].readings[0].value = 90.0;
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Marginal);
    let rule = verdict
        .rules
        .iter()
        .find(|rule| rule.name == "judged-limit")
        .unwrap();
    assert_eq!(rule.effect, RuleEffect::Marginal);
}

#[test]
fn a_reading_that_is_no_number_never_enters() {
    let mut record = sound();
    record.samples[10].readings[0].value = f64::NAN;
    record.samples[11].readings[0].value = f64::INFINITY;
    let heat = heat_of(&record);
    assert!((heat.peak_c - 70.0).abs() < 0.5);
    assert_eq!(heat.plateau, Plateau::Settled);
}

/// A thermometer that was lost early cannot show that the heat settled.
#[test]
fn a_thermometer_lost_early_does_not_settle() {
    let mut record = sound();
    for sample in &mut record.samples[100..] {
        sample.readings.clear();
    }
    assert_eq!(heat_of(&record).plateau, Plateau::TooShortToSay);
}

#[test]
fn no_reading_at_all_keeps_it_provisional_even_without_a_gap_on_record() {
    let mut record = sound();
    for sample in &mut record.samples {
        sample.readings.clear();
    }
    let verdict = judge(&record);
    assert_eq!(verdict.heat, None);
    assert_eq!(verdict.grade, Grade::Provisional);
}

#[test]
fn the_hottest_processor_thermometer_is_the_one_that_counts() {
    let mut record = sound();
    let core = ChannelId(7);
    record
        .header
        .channels
        .push(channel(core, Quantity::Temperature, Role::Core));
    record
        .header
        .channels
        .push(channel(ChannelId(8), Quantity::Temperature, Role::Board));
    for sample in &mut record.samples {
        let package = sample.reading(PACKAGE).unwrap();
        sample.readings.push(Reading {
            channel: core,
            value: package + 4.0,
        });
        sample.readings.push(Reading {
            channel: ChannelId(8),
            value: 99.0,
        });
    }
    let heat = heat_of(&record);
    assert_eq!(heat.label, "Core");
    assert!((heat.peak_c - 74.0).abs() < 0.5);
}
