//! Each rule of the guard by itself: heat, blindness, lateness, cooling.

use std::time::Duration;

use soakproof::model::{
    ChannelId, End, FindingKind, GapKind, Loss, Mono, Quantity, Rhythm, Role, Segment,
};
use soakproof::run::core::{Action, Event, Exit, Limits, Report, WorkerId};

use crate::bench::{Bench, kills_first, loaded, reading, starts, thermometer};
use crate::machine::{header, plan};
use crate::trouble::Trouble;

#[test]
fn load_waits_for_the_first_sample_after_the_beginning() {
    let mut bench = Bench::new(&loaded(), Limits::default());
    bench.warm(50.0);
    assert_eq!(starts(&bench.tell(Event::Begin)), 0);
    assert_eq!(starts(&bench.after(100).tell(Event::Tick)), 0);
    let actions = bench.after(900).warm(50.0);
    assert_eq!(starts(&actions), 2);
    // All workers of a segment share one beginning, half a second from now.
    for action in &actions {
        if let Action::Start { epoch, .. } = action {
            assert_eq!(*epoch, Mono((bench.ms + 500) * 1_000_000));
        }
    }
}

#[test]
fn the_next_segment_does_not_start_on_a_stale_sample() {
    let mut bench = Bench::running(&loaded());
    for _ in 0..5 {
        bench.after(1000).warm(50.0);
    }
    bench.after(3500);
    assert_eq!(starts(&bench.leave_both()), 0, "3.5 s without a sample");
    assert_eq!(starts(&bench.warm(50.0)), 1);

    let mut bench = Bench::running(&loaded());
    for _ in 0..5 {
        bench.after(1000).warm(50.0);
    }
    bench.after(3000);
    assert_eq!(starts(&bench.leave_both()), 1, "three periods are in time");
}

#[test]
fn the_next_segment_does_not_start_while_over_the_ceiling() {
    let mut bench = Bench::running(&loaded());
    for _ in 0..5 {
        bench.after(1000).warm(90.0);
    }
    assert_eq!(bench.warm(96.0)[1..], [Action::SampleSoon]);
    assert_eq!(starts(&bench.leave_both()), 0);
    assert_eq!(starts(&bench.warm(90.0)), 1);
}

#[test]
fn the_second_sample_over_the_ceiling_kills_and_fails() {
    let mut bench = Bench::running(&loaded());
    let first = bench.warm(95.0);
    assert!(first.contains(&Action::SampleSoon));
    assert!(!first.contains(&Action::KillAll));
    assert!(kills_first(&bench.after(20).warm(95.0)));
    bench.leave_both();
    assert!(matches!(bench.end(), End::Guard { .. }));
    assert!(matches!(
        bench.findings()[0].kind,
        FindingKind::OverHot { .. }
    ));
}

#[test]
fn one_sample_under_the_ceiling_starts_the_count_anew() {
    let mut bench = Bench::running(&loaded());
    for value in [95.0, 94.9, 95.0, 94.9, 95.0] {
        assert!(!bench.after(20).warm(value).contains(&Action::KillAll));
    }
}

#[test]
fn the_guard_watches_workers_that_are_only_asked_to_end() {
    let mut bench = Bench::running(&loaded());
    bench.tell(Event::StopAsked);
    bench.warm(96.0);
    assert!(kills_first(&bench.after(20).warm(97.0)));
    bench.leave_both();
    assert_eq!(*bench.end(), End::Stopped);
    assert_eq!(bench.findings().len(), 1, "heat is evidence all the same");

    let mut bench = Bench::running(&loaded());
    bench.tell(Event::StopAsked);
    assert!(kills_first(&bench.after(3100).tell(Event::Tick)));
    assert!(bench.after(100).tell(Event::Tick).is_empty(), "once");
}

#[test]
fn the_ceiling_is_the_makers_then_the_chips_then_common_practice() {
    let holds = |maker: Option<f64>, critical: Option<f64>, ceiling: f64| {
        let mut header = loaded();
        header.plan.heat.maker_c = maker;
        header.channels[0].critical = critical;
        let mut bench = Bench::running(&header);
        assert!(!bench.warm(ceiling - 0.5).contains(&Action::SampleSoon));
        assert!(bench.warm(ceiling).contains(&Action::SampleSoon));
    };
    holds(Some(80.0), Some(105.0), 80.0);
    holds(None, Some(105.0), 100.0);
    holds(None, None, 95.0);
    // A register that nobody set is no critical value.
    for nonsense in [0.0, 127.0, 255.0] {
        holds(None, Some(nonsense), 95.0);
    }
}

#[test]
fn memory_modules_regulators_and_drives_have_ceilings_of_their_own() {
    let stops_at = |role: Role, critical: Option<f64>, value: f64| {
        let mut header = loaded();
        let mut channel = thermometer(1, "other");
        channel.role = role;
        channel.critical = critical;
        header.channels.push(channel);
        let mut bench = Bench::running(&header);
        let readings = vec![reading(0, 50.0), reading(1, value)];
        bench.sampled(readings.clone(), vec![]);
        kills_first(&bench.sampled(readings, vec![]))
    };
    assert!(stops_at(Role::MemoryModule, None, 85.0));
    assert!(!stops_at(Role::MemoryModule, None, 84.0));
    assert!(stops_at(Role::Regulator, Some(115.0), 115.0));
    assert!(!stops_at(Role::Regulator, None, 120.0));
    assert!(stops_at(Role::Drive, Some(81.0), 81.0));
    assert!(!stops_at(Role::Ambient, Some(60.0), 70.0));
}

#[test]
fn a_slow_channel_alone_never_stops_the_load() {
    let mut header = loaded();
    header.channels[0].slow = true;
    // Hot from the first sample on, so that no leap stops it either; then between two polls.
    let mut bench = Bench::new(&header, Limits::default());
    bench.tell(Event::Begin);
    for _ in 0..4 {
        assert!(!kills_first(&bench.after(100).warm(110.0)));
    }
    for _ in 0..4 {
        assert!(!kills_first(&bench.after(100).sampled(vec![], vec![])));
    }
    assert!(bench.findings().is_empty());
}

#[test]
fn a_machine_that_never_had_a_thermometer_runs_but_must_be_sampled_in_time() {
    let mut header = loaded();
    header.channels.clear();
    let mut bench = Bench::new(&header, Limits::default());
    bench.tell(Event::Begin);
    assert_eq!(starts(&bench.sampled(vec![], vec![])), 2);
    assert!(!kills_first(&bench.after(3000).tell(Event::Tick)));
    assert!(kills_first(&bench.after(100).tell(Event::Tick)));
    bench.leave_both();
    assert!(matches!(bench.end(), End::Guard { .. }));
    assert_eq!(bench.gaps(), [GapKind::SamplerLate]);
}

#[test]
fn losing_every_thermometer_kills_at_once_and_losing_one_after_three_samples() {
    let mut header = loaded();
    header.channels.push(thermometer(1, "second"));
    let both = || vec![reading(0, 50.0), reading(1, 52.0)];
    let mut bench = Bench::running(&header);
    bench.sampled(both(), vec![]);
    let gone = vec![(ChannelId(0), Loss::NoData), (ChannelId(1), Loss::NoData)];
    assert!(kills_first(&bench.sampled(vec![], gone)));

    let mut bench = Bench::running(&header);
    bench.sampled(both(), vec![]);
    let second = || vec![(ChannelId(1), Loss::Vanished)];
    assert!(!kills_first(
        &bench.sampled(vec![reading(0, 50.0)], second())
    ));
    assert!(!kills_first(
        &bench.sampled(vec![reading(0, 51.0)], second())
    ));
    assert!(kills_first(
        &bench.sampled(vec![reading(0, 50.0)], second())
    ));
    bench.leave_both();
    assert_eq!(bench.gaps(), [GapKind::SensorLost]);
    assert!(bench.findings().is_empty(), "blindness is no evidence");
}

#[test]
fn a_clipped_reading_is_neither_heat_nor_at_once_a_loss() {
    let clipped = || vec![(ChannelId(0), Loss::Clipped)];
    let mut bench = Bench::running(&loaded());
    assert!(!kills_first(&bench.sampled(vec![], clipped())));
    assert!(!kills_first(&bench.sampled(vec![], clipped())));
    bench.warm(90.0);
    assert!(!kills_first(&bench.sampled(vec![], clipped())));
    assert!(!kills_first(&bench.sampled(vec![], clipped())));
    assert!(kills_first(&bench.sampled(vec![], clipped())));
    assert_eq!(bench.gaps(), [GapKind::SensorLost]);
    assert!(bench.findings().is_empty());
}

#[test]
fn an_impossible_leap_is_a_broken_sensor_and_not_heat() {
    let mut bench = Bench::running(&loaded());
    bench.after(1000).warm(50.0);
    assert!(kills_first(&bench.after(1000).warm(111.0)));
    assert!(!kills_first(&bench.after(20).warm(111.0)));
    bench.after(20).warm(111.0);
    bench.leave_both();
    assert_eq!(bench.gaps(), [GapKind::SensorImplausible]);
    assert!(bench.findings().is_empty(), "{:?}", bench.findings());

    let mut bench = Bench::running(&loaded());
    bench.after(1000).warm(85.0);
    let told = bench.after(1000).warm(25.0);
    assert!(!kills_first(&told), "60 degrees are possible");
    assert!(kills_first(&bench.after(1000).warm(85.5)));
}

/// Only what stood still before the load began, and through a minute of it, shows that nothing is measured.
#[test]
fn a_thermometer_that_has_stood_still_only_since_the_load_began_is_not_frozen() {
    let gaps = |moves_as_load_begins: bool, rhythm: Rhythm| {
        let mut header = loaded();
        header.plan.stages[0].segments[0].length = Duration::from_secs(90);
        header.plan.stages[0].segments[0].loads[0].rhythm = rhythm;
        let mut bench = Bench::new(&header, Limits::default());
        bench.tell(Event::Begin);
        bench.warm(50.0);
        bench.tell(Event::Worker(WorkerId(0), Report::Ready));
        bench.tell(Event::Worker(WorkerId(1), Report::Ready));
        // The load begins at the first event from its epoch on.
        bench.after(500).tell(Event::Tick);
        let value = if moves_as_load_begins { 51.0 } else { 50.0 };
        bench.warm(value);
        for _ in 0..60 {
            bench.after(1000).warm(value);
        }
        bench.gaps()
    };
    assert_eq!(gaps(false, Rhythm::Even), [GapKind::SensorFrozen]);
    assert!(gaps(true, Rhythm::Even).is_empty());
    // Bursts of some milliseconds need not move a thermometer by a degree.
    let sparse = Rhythm::Sparse {
        seed: 1,
        longest_gap_ms: 300,
    };
    assert!(gaps(false, sparse).is_empty());
}

#[test]
fn a_thermometer_without_a_word_and_a_slow_one_do_not_hide_a_frozen_one() {
    let mut header = header(plan(&Trouble {
        long: true,
        ..Trouble::default()
    }));
    header.plan.stages[1].segments = vec![header.plan.stages[1].segments[0].clone(); 20];
    header.channels.push(thermometer(1, "never read"));
    header.channels.push(thermometer(2, "slow"));
    header.channels[2].slow = true;
    let mut bench = Bench::new(&header, Limits::default());
    bench.tell(Event::Begin);
    let mut next = 0;
    // Twenty segments of 5 s each: the load goes on across their borders.
    for second in 0..100 {
        let mut readings = vec![reading(0, 44.0)];
        if second % 10 == 0 {
            readings.push(reading(2, 40.0 + f64::from(second) / 10.0));
        }
        let lost = vec![(ChannelId(1), Loss::NoData)];
        let mut actions = bench.after(1000).sampled(readings, lost);
        if actions
            .iter()
            .any(|action| matches!(action, Action::Stop(_)))
        {
            bench.leave(next - 2, Exit::Clean);
            actions = bench.leave(next - 1, Exit::Clean);
        }
        for _ in 0..starts(&actions) {
            bench.tell(Event::Worker(WorkerId(next), Report::Ready));
            next += 1;
        }
        if bench.said.contains(&Action::KillAll) {
            assert!(second > 60, "{second}");
            break;
        }
    }
    assert_eq!(bench.gaps(), [GapKind::SensorFrozen]);
}

#[test]
fn a_fan_that_stops_under_load_is_named_once_and_one_that_rests_at_idle_is_not() {
    let mut header = loaded();
    let mut fan = thermometer(1, "front fan");
    (fan.quantity, fan.role) = (Quantity::Fan, Role::Fan);
    header.channels.push(fan);
    header.plan.on_finding = soakproof::model::OnFinding::Stop;
    header.plan.stages[0].segments[0].length = Duration::from_secs(100);
    let mut idle = header.clone();
    idle.plan.stages[0].segments.insert(
        0,
        Segment {
            length: Duration::from_secs(20),
            loads: vec![],
            programs: Vec::new(),
        },
    );
    let turn = |bench: &mut Bench, rpm: f64| {
        bench
            .after(1000)
            .sampled(vec![reading(0, 50.0), reading(1, rpm)], vec![])
    };
    let mut bench = Bench::running(&header);
    turn(&mut bench, 900.0);
    for _ in 0..5 {
        turn(&mut bench, 0.0);
    }
    assert!(bench.findings().is_empty(), "not yet 5 s");
    for _ in 0..5 {
        turn(&mut bench, 0.0);
    }
    turn(&mut bench, 900.0);
    for _ in 0..9 {
        turn(&mut bench, 0.0);
    }
    let label = "front fan".to_owned();
    assert_eq!(
        bench.findings()[0].kind,
        FindingKind::CoolingStopped { label }
    );
    assert_eq!(bench.findings().len(), 1);
    assert!(
        !bench.said.contains(&Action::Stop(WorkerId(0))),
        "it does not fail"
    );

    let mut bench = Bench::new(&idle, Limits::default());
    bench.tell(Event::Begin);
    turn(&mut bench, 900.0);
    while starts(&turn(&mut bench, 0.0)) == 0 {}
    for _ in 0..4 {
        turn(&mut bench, 0.0);
    }
    assert!(
        bench.findings().is_empty(),
        "it rested, and load is 4 s old"
    );
}
