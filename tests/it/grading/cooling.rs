//! Heat against the air: resistance, and what is left on the hottest day.

use soakproof::model::{ChannelId, Cooling, Grade, Quantity, Reading, Record, Role};
use soakproof::verdict::judge;

use super::build::{channel, load, run, sound, stage};

/// The sound run, which settles at 70 degrees, with 100 W under load and 20 W idle.
fn powered() -> Record {
    let mut record = sound();
    meter(&mut record, 3, "package-0", (20.0, 100.0));
    record
}

fn meter(record: &mut Record, id: u16, label: &str, (idle, loaded): (f64, f64)) {
    add(
        record,
        (id, Quantity::Power, Role::Package),
        label,
        (idle, loaded),
    );
}

fn add(
    record: &mut Record,
    (id, quantity, role): (u16, Quantity, Role),
    label: &str,
    (idle, loaded): (f64, f64),
) {
    let id = ChannelId(id);
    let mut sensor = channel(id, quantity, role);
    sensor.label = label.to_owned();
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

fn cooling(record: &Record) -> Option<Cooling> {
    judge(record).heat.unwrap().cooling
}

#[test]
fn nothing_is_said_against_air_that_nobody_knows() {
    assert_eq!(cooling(&powered()), None);
}

/// 70 degrees in air of 20 at 100 W are 0.5 K/W.
#[test]
fn resistance_is_rise_over_power_with_both_sources_named() {
    let mut record = powered();
    record.header.declared.ambient_c = Some(20.0);
    let found = cooling(&record).unwrap();
    let resistance = found.resistance_k_per_w.unwrap();
    assert!((resistance - 0.5).abs() < 0.002, "{resistance}");
    let power = found.power.unwrap();
    assert!(
        (power.watts - 100.0).abs() < 1e-9,
        "idle does not count: {power:?}"
    );
    assert_eq!(power.source, "package-0 (class/hwmon/hwmon0/item3)");
    assert_eq!(found.air_sensor, None);
}

#[test]
fn without_a_plateau_or_with_several_packages_there_is_no_resistance() {
    let stages = vec![stage(
        "short",
        600,
        vec![load(&["fma-f64.l1"], &[0, 1, 2, 3])],
    )];
    let mut short = run(stages, &|_, _| 60.0);
    meter(&mut short, 3, "package-0", (20.0, 100.0));
    short.header.declared.ambient_c = Some(20.0);
    let found = cooling(&short).unwrap();
    assert_eq!(found.resistance_k_per_w, None, "ten minutes are no plateau");
    let mut two = powered();
    two.header.declared.ambient_c = Some(20.0);
    meter(&mut two, 4, "package-1", (20.0, 300.0));
    assert_eq!(cooling(&two).unwrap().power, None);
    let mut twice = powered();
    twice.header.declared.ambient_c = Some(20.0);
    meter(&mut twice, 4, "package-0", (20.0, 100.0));
    assert!(
        cooling(&twice).unwrap().power.is_some(),
        "two meters of one package"
    );
}

#[test]
fn a_processor_cooler_than_the_air_and_a_meter_that_reads_nothing_tell_no_resistance() {
    let mut record = powered();
    record.header.declared.ambient_c = Some(75.0);
    assert_eq!(cooling(&record).unwrap().resistance_k_per_w, None);
    let even = |_: usize, _: f64| 40.0;
    let mut level = run(
        vec![stage("hour", 3_600, vec![load(&["int-streams.reg"], &[0])])],
        &even,
    );
    meter(&mut level, 3, "package-0", (20.0, 100.0));
    level.header.declared.ambient_c = Some(40.0);
    assert_eq!(
        cooling(&level).unwrap().resistance_k_per_w,
        None,
        "as warm as the air"
    );
    let mut dead = sound();
    dead.header.declared.ambient_c = Some(20.0);
    meter(&mut dead, 3, "package-0", (0.0, 0.0));
    assert_eq!(cooling(&dead).unwrap().power, None);
}

#[test]
fn the_air_is_measured_by_the_coolest_thermometer_of_it_unless_declared() {
    let mut record = powered();
    let air = |id| (id, Quantity::Temperature, Role::Ambient);
    add(&mut record, air(7), "inlet", (24.0, 25.0));
    add(&mut record, air(8), "case ambient", (28.0, 34.0));
    let found = cooling(&record).unwrap();
    assert!((found.air_c - 25.0).abs() < 1e-9);
    assert_eq!(found.air_sensor.as_deref(), Some("inlet"));
    assert!((found.resistance_k_per_w.unwrap() - 0.45).abs() < 0.002);
    record.header.declared.ambient_c = Some(21.0);
    let found = cooling(&record).unwrap();
    assert_eq!((found.air_c, found.air_sensor), (21.0, None));
}

/// Headroom 20 in air of 20; 35 degrees of air leave 5, 45 leave none.
#[test]
fn the_hottest_day_takes_from_the_headroom_what_it_is_hotter() {
    let mut record = sound();
    record.header.declared.ambient_c = Some(20.0);
    record.header.plan.heat.hottest_day_c = Some(35.0);
    let verdict = judge(&record);
    let day = verdict.heat.unwrap().cooling.unwrap().hottest_day.unwrap();
    assert!((day.headroom_c - 5.0).abs() < 0.2, "{day:?}");
    assert_eq!(verdict.grade, Grade::Proven, "today's air decides");
    assert!(verdict.next.is_empty(), "{:?}", verdict.next);
    record.header.declared.hottest_day_c = Some(45.0);
    let verdict = judge(&record);
    let rule = verdict.rules.iter().find(|rule| rule.name == "hottest-day");
    assert!(
        rule.unwrap()
            .figure
            .starts_with("headroom -5.0 C at 45 C air"),
        "{rule:?}"
    );
    assert!(verdict.next[0].starts_with("at 45 C air it would be 5 degrees over"));
    record.header.declared.ambient_c = None;
    let verdict = judge(&record);
    let rule = verdict.rules.iter().find(|rule| rule.name == "hottest-day");
    assert!(rule.unwrap().figure.contains("not known"), "{rule:?}");
}

/// Of an even quarter of an hour or more its last ten minutes count, of a shorter one all of it.
#[test]
fn power_is_that_of_the_last_ten_minutes_of_an_even_stage() {
    let watts = |seconds: u32| {
        let hour = vec![stage(
            "even",
            seconds,
            vec![load(&["int-streams.reg"], &[0])],
        )];
        let mut record = run(hour, &|_, _| 60.0);
        record.header.declared.ambient_c = Some(20.0);
        meter(&mut record, 3, "package-0", (20.0, 100.0));
        let before = record.samples.len() - 121;
        for sample in &mut record.samples[..before] {
            sample.readings[1].value = 40.0;
        }
        cooling(&record).unwrap().power.unwrap().watts
    };
    assert!((watts(3_600) - 100.0).abs() < 1e-9);
    assert!((watts(900) - 100.0).abs() < 1e-9);
    // 58 of 179 samples at 40 W.
    assert!((watts(895) - (58.0 * 40.0 + 121.0 * 100.0) / 179.0).abs() < 1e-9);
}
