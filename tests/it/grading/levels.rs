//! When heat has levelled off, where it ends and how fast it gets there, held against the curve that it was made by.

use soakproof::model::{Plateau, Record};
use soakproof::verdict::heat_course;

use super::build::{PACKAGE, PERIOD_S, load, mixed, run, sound, stage};
use super::heat::heat_of;

/// A minute at 40 degrees and an even stage that goes as `heat` says, read in eighths of a degree.
fn read_in_eighths(seconds: u32, heat: &dyn Fn(f64) -> f64) -> Record {
    let stages = vec![
        stage("idle before", 60, Vec::new()),
        stage("even", seconds, vec![mixed()]),
    ];
    let mut record = run(stages, &|_, _| 40.0);
    let loaded = record.samples.iter_mut().filter(|sample| sample.stage == 1);
    for (index, sample) in (1_u32..).zip(loaded) {
        sample.readings[0].value = (heat(f64::from(index * PERIOD_S)) * 8.0).round() / 8.0;
    }
    record.header.channels[0].step = Some(0.125);
    record
}

/// To 70 degrees, from `below` degrees below.
fn rise(below: f64, constant_s: f64) -> impl Fn(f64) -> f64 {
    move |t| 70.0 - below * (-t / constant_s).exp()
}

fn near(one: Option<f64>, other: f64, within: f64) -> bool {
    one.is_some_and(|one| (one - other).abs() < within)
}

/// Near its end in the last minute, though not in the last ten.
#[test]
fn the_last_minute_shows_whether_the_end_is_near() {
    let heat = heat_of(&read_in_eighths(1_200, &rise(30.0, 200.0)));
    assert_eq!(heat.plateau, Plateau::Reached, "{heat:?}");
    assert!(
        near(heat.settled_c, 70.0, 0.2) && near(heat.time_constant_s, 200.0, 6.0),
        "{heat:?}"
    );
}

/// 0.8 degrees are left, by a slope of 1.6 degrees in ten minutes.
#[test]
fn a_slope_of_more_than_a_degree_in_ten_minutes_is_no_plateau() {
    let heat = heat_of(&read_in_eighths(900, &rise(16.0, 300.0)));
    let slope = heat.slope_c_per_10min.expect("a slope");
    assert!(
        (slope - 16.0 * (-3.0_f64).exp() * 2.0).abs() < 0.2,
        "{slope}"
    );
    assert_eq!(heat.plateau, Plateau::NotReached);
    assert!(
        near(heat.settled_c, 70.0, 0.2),
        "its end is known: {heat:?}"
    );
}

/// Three time constants show the end of a rise, also one that is not near yet.
#[test]
fn the_end_of_a_rise_is_told_from_three_time_constants_on() {
    let seen = heat_of(&read_in_eighths(900, &rise(40.0, 290.0)));
    assert!(
        near(seen.settled_c, 70.0, 0.2) && near(seen.time_constant_s, 290.0, 9.0),
        "{seen:?}"
    );
    let guessed = heat_of(&read_in_eighths(900, &rise(30.0, 400.0)));
    assert_eq!((guessed.settled_c, guessed.time_constant_s), (None, None));
    assert_eq!(guessed.plateau, Plateau::NotReached);
    // Its end is near all the same, and a time constant of it would be a guess.
    let close = heat_of(&read_in_eighths(900, &rise(7.0, 400.0)));
    assert!(
        near(close.settled_c, 70.0, 0.3) && close.time_constant_s.is_none(),
        "{close:?}"
    );
}

/// The body and what is around it: the slower one is the machine's.
#[test]
fn of_two_time_constants_the_slower_one_is_told() {
    let heat = heat_of(&read_in_eighths(3_600, &|t| {
        70.0 - 20.0 * (-t / 40.0).exp() - 10.0 * (-t / 500.0).exp()
    }));
    assert!(near(heat.time_constant_s, 500.0, 25.0), "{heat:?}");
    assert!(near(heat.settled_c, 70.0, 0.2), "{heat:?}");
}

/// An hour that begins cold and is one step of a coarse sensor up in its second half: not near the end that a curve would
/// give it, and flat all the same.
#[test]
fn a_step_late_in_an_even_hour_is_flat_by_its_second_half() {
    let mut record = read_in_eighths(3_600, &|t| match t {
        ..300.0 => 50.0,
        300.0..3_000.0 => 60.0,
        _ => 62.0,
    });
    record.header.channels[0].step = Some(2.0);
    let heat = heat_of(&record);
    assert_eq!(heat.plateau, Plateau::Settled, "{heat:?}");
    let wide = heat_of(&read_in_eighths(3_600, &|t| match t {
        ..2_400.0 => 60.0,
        2_400.0..3_000.0 => 60.8,
        _ => 61.6,
    }));
    assert_eq!(wide.plateau, Plateau::NotReached, "{wide:?}");
}

/// Only an even stage says where heat ends: not one in which cores take turns, and not what was before it.
#[test]
fn other_stages_are_not_taken_for_the_even_one() {
    let mut turns = stage("turns", 3_600, vec![load(&["int-streams.reg"], &[0])]);
    let mut second = turns.segments[0].clone();
    second.loads = vec![load(&["int-streams.reg"], &[1])];
    turns.segments.push(second);
    turns
        .segments
        .iter_mut()
        .for_each(|segment| segment.length /= 2);
    let hot = stage("hot before", 600, vec![mixed()]);
    let even = stage("even", 1_800, vec![mixed()]);
    let record = run(vec![turns, hot, even], &|stage, t| match stage {
        0 => 50.0,
        1 => 85.0,
        _ => 70.0 + 15.0 * (-t / 60.0).exp(),
    });
    let heat = heat_of(&record);
    assert!(near(heat.settled_c, 70.0, 0.5), "{heat:?}");
    assert_eq!(heat.plateau, Plateau::Reached);
}

#[test]
fn the_curve_of_the_longest_even_stage_is_given_to_those_who_draw_it() {
    let course = heat_course(&sound()).expect("a course");
    assert!((course.length_s - 3_600.0).abs() < 1e-6);
    assert!((course.fit.value(120.0) - 59.0).abs() < 0.5, "{course:?}");
    let length = |seconds| {
        heat_course(&read_in_eighths(seconds, &rise(30.0, 60.0))).map(|course| course.length_s)
    };
    assert_eq!(length(895), None);
    assert!(near(length(900), 900.0, 1e-6) && near(length(905), 905.0, 1e-6));
    let mut blind = sound();
    blind
        .header
        .channels
        .retain(|channel| channel.id != PACKAGE);
    assert_eq!(heat_course(&blind), None);
}
