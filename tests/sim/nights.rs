//! Nights of the service: queue, schedule, windows, changes of the clocks, reboots, and a seeded mixture of
//! all of them: `SOAKPROOF_SEED=17 cargo test --test sim nights::`.

use std::time::Duration;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use soakproof::model::{
    Conditions, Hold, HoldKind, JobId, JobState, QueueChange, QueueMark, ScheduleEntry, TimeOfDay,
    Wall, Window,
};
use soakproof::service::agenda::{
    Calendar, Checked, PendingChange, cancel_job, check_expression, move_job, parse_at,
    parse_window, pause, release, resume,
};

use crate::night::{BERLIN, HOUR, MINUTE, Night, at, shown, wish, zone};

fn not_before(at: Wall) -> Conditions {
    Conditions {
        not_before: Some(at),
        ..Conditions::default()
    }
}

fn window(from: u16, until: u16) -> Window {
    Window {
        from: TimeOfDay(from * 60),
        until: TimeOfDay(until * 60),
        zone: Some(BERLIN.to_owned()),
    }
}

fn within(window: Window) -> Conditions {
    Conditions {
        window: Some(window),
        ..Conditions::default()
    }
}

fn entry(when: &str, suite: &str) -> ScheduleEntry {
    ScheduleEntry {
        name: format!("{suite} at {when}"),
        when: when.to_owned(),
        zone: Some(BERLIN.to_owned()),
        wish: wish(suite),
        conditions: Conditions::default(),
        priority: 0,
    }
}

fn times(night: &Night) -> Vec<String> {
    night.starts.iter().map(|start| shown(start.at)).collect()
}

#[test]
fn a_suite_queued_for_ten_in_the_evening_starts_then_after_three_minutes_of_notice() {
    let mut night = Night::from("2026-11-25T18:00");
    let id = night.add("overnight", not_before(at("2026-11-25T22:00")));
    night.go_until(at("2026-11-25T21:56"));
    assert_eq!(night.announced(), None);
    night.go_until(at("2026-11-25T21:58"));
    assert_eq!(night.announced(), Some(id));
    night.go_until(at("2026-11-26T08:00"));
    assert_eq!(times(&night), ["2026-11-25T22:00+01:00"]);
    assert!(night.starts[0].announced >= Duration::from_secs(175));
    assert!(matches!(night.state(id), JobState::Done { .. }));
}

#[test]
fn what_nobody_is_waiting_for_gets_a_notice_and_what_somebody_asks_for_now_does_not() {
    let mut night = Night::from("2026-11-25T18:00");
    night.add("10", Conditions::default());
    night.go_on(Duration::from_secs(5));
    assert_eq!(times(&night), ["2026-11-25T18:00+01:00"]);
    assert_eq!(night.starts[0].announced, Duration::ZERO);
}

#[test]
fn a_cancelled_notice_starts_nothing() {
    let mut night = Night::from("2026-11-25T21:00");
    let id = night.add("overnight", not_before(at("2026-11-25T22:00")));
    night.go_until(at("2026-11-25T21:59"));
    assert_eq!(night.announced(), Some(id));
    let changes = cancel_job(&night.queue, id).expect("waits");
    night.apply(&changes);
    night.go_until(at("2026-11-27T22:00"));
    assert!(night.starts.is_empty());
    assert!(cancel_job(&night.queue, id).is_err(), "twice");
}

#[test]
fn a_window_over_midnight_takes_a_night_that_fits_whole_or_waits_for_the_next() {
    let mut night = Night::from("2026-11-25T20:00");
    night.add("overnight", within(window(22, 7)));
    night.go_until(at("2026-11-26T12:00"));
    assert_eq!(times(&night), ["2026-11-25T22:00+01:00"]);

    // Half past midnight: six and a half hours are left, eight are needed.
    let mut night = Night::from("2026-11-26T00:30");
    night.add("overnight", within(window(22, 7)));
    night.go_until(at("2026-11-28T00:00"));
    assert_eq!(times(&night), ["2026-11-26T22:00+01:00"]);
}

#[test]
fn the_short_night_of_spring_is_skipped_and_the_long_one_of_autumn_is_not() {
    // Germany 2026: clocks go forward on 29 March, back on 25 October.
    let mut night = Night::from("2026-03-28T20:00");
    night.add("overnight", within(window(22, 7)));
    night.go_until(at("2026-03-30T12:00"));
    assert_eq!(times(&night), ["2026-03-29T22:00+02:00"]);

    // Ten hours long: there is room until two hours after opening.
    let mut night = Night::from("2026-10-24T23:30");
    night.add("overnight", within(window(22, 7)));
    night.go_until(at("2026-10-25T12:00"));
    assert_eq!(times(&night), ["2026-10-24T23:33+02:00"]);
}

#[test]
fn a_schedule_runs_once_a_night_also_when_its_time_comes_twice_or_not_at_all() {
    let mut night = Night::from("2026-03-27T12:00");
    night.schedule = vec![entry("30 2 * * *", "10")];
    night.go_until(at("2026-03-31T12:00"));
    let told = [
        "2026-03-28T02:33+01:00",
        // 02:30 does not exist; the first instant after the gap is 03:00.
        "2026-03-29T03:03+02:00",
        "2026-03-30T02:33+02:00",
        "2026-03-31T02:33+02:00",
    ];
    assert_eq!(times(&night), told);

    let mut night = Night::from("2026-10-24T12:00");
    night.schedule = vec![entry("30 2 * * *", "10")];
    night.go_until(at("2026-10-26T12:00"));
    // 02:30 comes twice; the first is taken.
    let told = ["2026-10-25T02:33+02:00", "2026-10-26T02:33+01:00"];
    assert_eq!(times(&night), told);
}

#[test]
fn weekdays_and_days_of_the_month_go_together_as_posix_says() {
    // POSIX.1-2024 crontab, EXAMPLES (from memory): `0 0 1,15 * 1` is the first and fifteenth of each
    // month, as well as every Monday. In June 2026 the Mondays are 1, 8, 15, 22 and 29.
    let calendar = Calendar::new(zone());
    let mut days = Vec::new();
    let mut now = at("2026-05-31T12:00");
    while let Some(due) = calendar.next_due("0 0 1,15 * 1", None, now)
        && due < at("2026-07-01T00:00")
    {
        days.push(shown(due)[8..10].to_owned());
        now = due;
    }
    assert_eq!(days, ["01", "08", "15", "22", "29"]);
    for wrong in [
        "",
        "0 22 * *",
        "0 0 22 * * *",
        "61 * * * *",
        "0 22 * * MOO",
        "@reboot",
    ] {
        assert!(check_expression(wrong, None).is_err(), "{wrong}");
    }
    assert!(check_expression("0 22 * * MON-FRI", Some("Mars/Olympus")).is_err());
    assert!(check_expression("0 22 * * MON-FRI", Some(BERLIN)).is_ok());
}

#[test]
fn times_that_a_zone_skips_or_repeats_are_read_as_rfc_5545_says() {
    // RFC 5545 section 3.3.5 gives both: 2007-03-11 02:30 in New York is 03:30 EDT, 2007-11-04 01:30 is
    // the one in EDT.
    let new_york = jiff::tz::TimeZone::posix("EST5EDT,M3.2.0,M11.1.0").expect("a zone");
    let read = |text: &str| {
        let at = parse_at(text, Wall(0), &new_york).expect("a time");
        jiff::Timestamp::from_millisecond(at.0)
            .expect("in range")
            .to_string()
    };
    assert_eq!(read("2007-03-11T02:30"), "2007-03-11T07:30:00Z");
    assert_eq!(read("2007-11-04T01:30"), "2007-11-04T05:30:00Z");
    assert_eq!(read("2026-11-30T22:00:00+01:00"), "2026-11-30T21:00:00Z");
}

#[test]
fn a_time_of_day_is_the_next_one_and_nonsense_is_refused() {
    let now = at("2026-11-25T21:00");
    let read = |text: &str| parse_at(text, now, &zone()).map(shown);
    assert_eq!(read("22:00").as_deref(), Ok("2026-11-25T22:00+01:00"));
    assert_eq!(read("7:30").as_deref(), Ok("2026-11-26T07:30+01:00"));
    for wrong in [
        "22",
        "24:00",
        "22:60",
        "22:5",
        "-1:00",
        "",
        "tonight",
        "2026-13-01T00:00",
    ] {
        let said = parse_at(wrong, now, &zone()).expect_err(wrong).to_string();
        assert!(said.contains("22:00"), "{said}");
    }
    let past = parse_at("2026-11-25T20:00", now, &zone()).expect_err("past");
    assert!(past.to_string().contains("over"), "{past}");
    for wrong in ["22:00", "22:00-22:00", "22-7", "22:00-07:00-08:00", "-"] {
        assert!(parse_window(wrong, None).is_err(), "{wrong}");
    }
    assert_eq!(
        parse_window("22:00-07:00", None).expect("fine").minutes(),
        540
    );
}

#[test]
fn a_clock_set_back_runs_nothing_twice_and_a_wrong_clock_blocks_nothing() {
    let mut night = Night::from("2026-11-25T12:00");
    night.schedule = vec![entry("0 22 * * *", "10")];
    night.go_until(at("2026-11-25T22:30"));
    assert_eq!(night.starts.len(), 1);
    night.set_clock(-3600);
    night.go_until(at("2026-11-25T23:30"));
    assert_eq!(night.starts.len(), 1, "{:?}", times(&night));

    // A year ahead for a minute (a flat battery), then right again.
    night.set_clock(365 * 86_400);
    night.go_on(MINUTE);
    night.set_clock(-365 * 86_400);
    night.go_until(at("2026-11-26T23:00"));
    assert_eq!(
        times(&night).last().expect("some"),
        "2026-11-26T22:03+01:00"
    );
}

#[test]
fn a_due_time_that_passed_while_no_service_was_there_is_named_and_not_made_up_for() {
    let mut night = Night::from("2026-11-25T12:00");
    night.schedule = vec![entry("0 22 * * *", "10")];
    night.go_until(at("2026-11-25T21:00"));
    night.power_off(4 * HOUR);
    night.go_on(HOUR);
    assert!(night.starts.is_empty());
    assert_eq!(night.outcomes().get("dropped"), Some(&1));
    // Ten minutes late is still the same evening.
    night.go_until(at("2026-11-26T21:59"));
    night.power_off(10 * MINUTE);
    night.go_on(HOUR);
    assert_eq!(night.starts.len(), 1);
}

#[test]
fn a_reset_holds_everything_until_a_person_releases_it_and_nothing_starts_again_by_itself() {
    let mut night = Night::from("2026-11-25T18:00");
    night.schedule = vec![entry("0 4 * * *", "10")];
    let first = night.add("overnight", not_before(at("2026-11-25T22:00")));
    let second = night.add("hour", within(window(22, 7)));
    night.go_until(at("2026-11-26T02:13"));
    night.power_off(2 * MINUTE);
    assert!(matches!(night.state(first), JobState::CutShort { .. }));
    night.go_until(at("2026-11-27T12:00"));
    assert_eq!(night.starts.len(), 1, "{:?}", night.told());
    let changes = release(&night.queue).expect("held");
    night.apply(&changes);
    night.go_until(at("2026-11-28T12:00"));
    assert!(matches!(night.state(second), JobState::Done { .. }));
    assert!(matches!(night.state(first), JobState::CutShort { .. }));
    assert!(release(&night.queue).is_err(), "twice");
}

#[test]
fn a_killed_service_on_a_sound_machine_goes_on_with_the_queue() {
    let mut night = Night::from("2026-11-25T18:00");
    let first = night.add("60", Conditions::default());
    let second = night.add("10", Conditions::default());
    night.go_on(10 * MINUTE);
    night.restart(Duration::from_secs(5), None);
    night.go_on(HOUR);
    assert!(matches!(night.state(first), JobState::CutShort { .. }));
    assert!(matches!(night.state(second), JobState::Done { .. }));
}

#[test]
fn a_disk_that_is_full_at_three_starts_nothing_until_it_is_not() {
    let mut night = Night::from("2026-11-25T18:00");
    let id = night.add("60", not_before(at("2026-11-26T03:30")));
    night.go_until(at("2026-11-26T03:00"));
    night.holds = vec![Hold {
        kind: HoldKind::Storage,
        since: night.now.wall,
        reason: "the disk is full".to_owned(),
    }];
    night.go_until(at("2026-11-26T06:00"));
    assert!(night.starts.is_empty());
    night.holds.clear();
    night.go_on(HOUR);
    assert_eq!(times(&night), ["2026-11-26T06:03+01:00"]);
    assert!(night.is_running() || matches!(night.state(id), JobState::Done { .. }));
}

#[test]
fn a_change_that_resets_the_machine_cannot_make_a_boot_loop() {
    for released in [false, true] {
        let mut night = Night::from("2026-11-25T18:00");
        night.change = Some(PendingChange {
            id: "core voltage 1".to_owned(),
            booted: false,
        });
        night.reset_after = Some(2 * MINUTE);
        night.power_off(MINUTE);
        for _ in 0..50 {
            night.go_on(HOUR);
            if released && let Ok(changes) = release(&night.queue) {
                night.apply(&changes);
            }
            night.power_off(MINUTE);
        }
        assert_eq!(night.starts.len(), 1, "released: {released}");
    }
}

#[test]
fn a_recheck_starts_after_a_changed_boot_once_the_machine_has_settled_and_not_otherwise() {
    let change = |booted| {
        Some(PendingChange {
            id: "core ratio 7".to_owned(),
            booted,
        })
    };
    let mut night = Night::from("2026-11-25T18:00");
    night.change = change(false);
    night.go_on(HOUR);
    assert!(night.starts.is_empty(), "not booted yet");
    night.power_off(MINUTE);
    night.busy = true;
    night.go_on(HOUR);
    assert!(night.starts.is_empty(), "other programs compute");
    (night.busy, night.session) = (false, true);
    night.go_on(HOUR);
    assert!(night.starts.is_empty(), "somebody uses it");
    night.session = false;
    night.go_on(HOUR);
    assert_eq!(night.starts.len(), 1);
    assert_eq!(night.starts[0].suite, "recheck");
    assert!(night.starts[0].announced >= 3 * MINUTE);
    night.power_off(MINUTE);
    night.go_on(HOUR);
    assert_eq!(night.starts.len(), 1, "once a change");

    let mut off = Night::from("2026-11-25T18:00");
    off.policy.enabled = false;
    off.change = change(true);
    off.go_on(5 * HOUR);
    assert!(off.starts.is_empty());
}

#[test]
fn a_recheck_of_a_change_that_is_gone_is_dropped() {
    let mut night = Night::from("2026-11-25T18:00");
    let id = "memory rate 3".to_owned();
    night.change = Some(PendingChange { id, booted: true });
    night.session = true;
    night.go_on(HOUR);
    assert_eq!(night.outcomes().get("waiting"), Some(&1));
    night.change = None;
    night.session = false;
    night.go_on(HOUR);
    assert!(night.starts.is_empty());
    assert_eq!(night.outcomes().get("dropped"), Some(&1));
}

#[test]
fn a_person_who_comes_during_the_notice_takes_it_back() {
    let mut night = Night::from("2026-11-25T18:00");
    let id = "core ratio 7".to_owned();
    night.change = Some(PendingChange { id, booted: true });
    night.go_on(2 * MINUTE);
    assert!(night.announced().is_some());
    night.session = true;
    night.go_on(MINUTE);
    assert_eq!(night.announced(), None);
    night.session = false;
    night.go_on(2 * MINUTE);
    assert!(night.starts.is_empty(), "the notice begins anew");
    night.go_on(2 * MINUTE);
    assert_eq!(night.starts.len(), 1);
}

#[test]
fn a_job_that_is_late_after_a_night_without_power_does_not_surprise_a_person() {
    let mut night = Night::from("2026-11-25T18:00");
    night.add("overnight", not_before(at("2026-11-25T22:00")));
    night.go_until(at("2026-11-25T21:00"));
    night.power_off(12 * HOUR);
    night.session = true;
    night.go_on(5 * HOUR);
    assert!(night.starts.is_empty());

    // On time, the person who named the time is taken at their word.
    let mut night = Night::from("2026-11-25T18:00");
    night.add("overnight", not_before(at("2026-11-25T22:00")));
    night.session = true;
    night.go_on(5 * HOUR);
    assert_eq!(night.starts.len(), 1);
}

#[test]
fn an_idle_machine_is_one_that_has_been_so_for_the_time_asked_for() {
    let mut night = Night::from("2026-11-25T18:00");
    night.busy = true;
    night.go_on(MINUTE);
    night.add(
        "10",
        Conditions {
            idle_s: Some(600),
            ..Conditions::default()
        },
    );
    night.go_on(HOUR);
    night.busy = false;
    night.go_on(12 * MINUTE);
    assert!(night.starts.is_empty());
    night.go_on(2 * MINUTE);
    assert_eq!(night.starts.len(), 1);
}

#[test]
fn long_suites_wait_for_a_clean_recheck_unless_asked_otherwise() {
    let mut night = Night::from("2026-11-25T18:00");
    night.checked = Checked::NotClean { run: 4 };
    let waits = night.add("hour", Conditions::default());
    let all_the_same = Conditions {
        unchecked: true,
        ..Conditions::default()
    };
    let asked = night.add("120", all_the_same);
    night.go_on(3 * HOUR);
    assert!(matches!(night.state(asked), JobState::Done { .. }));
    assert_eq!(*night.state(waits), JobState::Waiting);
    night.add("recheck", Conditions::default());
    night.go_on(2 * HOUR);
    assert!(matches!(night.state(waits), JobState::Done { .. }));
}

#[test]
fn higher_jobs_go_first_and_lower_ones_do_not_stand_in_their_way() {
    let mut night = Night::from("2026-11-25T18:00");
    night.add("30", Conditions::default());
    let low = night.add_with("20", Conditions::default(), -1);
    let high = night.add_with("10", Conditions::default(), 5);
    night.go_on(2 * HOUR);
    let order: Vec<JobId> = night.starts.iter().map(|start| start.job).collect();
    assert_eq!(order, [high, JobId(1), low]);

    // Three hours do not fit before ten o'clock, one does.
    let mut night = Night::from("2026-11-25T20:00");
    let overnight = night.add("overnight", not_before(at("2026-11-25T22:00")));
    let long = night.add("180", Conditions::default());
    let short = night.add("60", Conditions::default());
    night.go_until(at("2026-11-26T12:00"));
    let order: Vec<JobId> = night.starts.iter().map(|start| start.job).collect();
    assert_eq!(order, [short, overnight, long]);
    assert_eq!(shown(night.starts[1].at), "2026-11-25T22:00+01:00");
}

#[test]
fn a_moved_job_takes_its_place_and_no_more() {
    let mut night = Night::from("2026-11-25T18:00");
    let changes = pause(night.now.wall, "a person");
    night.apply(&changes);
    let ids: Vec<JobId> = [5, 0, 0, -5]
        .map(|priority| night.add_with("10", Conditions::default(), priority))
        .to_vec();
    let order =
        |night: &Night| -> Vec<JobId> { night.queue.waiting().iter().map(|job| job.id).collect() };
    assert_eq!(order(&night), ids);
    for (id, place, wanted) in [
        (3, 1, [3, 0, 1, 2]),
        (3, 4, [0, 1, 2, 3]),
        (0, 3, [1, 2, 0, 3]),
        (1, 99, [2, 0, 3, 1]),
    ] {
        let changes = move_job(&night.queue, ids[id], place).expect("waits");
        night.apply(&changes);
        let wanted: Vec<JobId> = wanted.map(|index| ids[index]).to_vec();
        assert_eq!(order(&night), wanted, "job {id} to {place}");
    }
    night.go_on(HOUR);
    assert!(night.starts.is_empty(), "paused");
    let changes = resume(&night.queue).expect("paused");
    night.apply(&changes);
    night.go_on(HOUR);
    assert_eq!(night.starts.len(), 4);
}

/// Of the seeds; each takes most of a second. `many_mixtures_...` takes more of them.
const MIXTURES: usize = 12;

/// A week or two of anything that can happen.
fn troubled_time(seed: u64) -> Night {
    let mut chance = StdRng::seed_from_u64(seed);
    let days = chance.random_range(0..330);
    let mut night = Night::from("2026-01-15T09:00");
    night.set_clock(days * 86_400);
    night.began = night.now.wall;
    night.schedule = vec![entry("30 2 * * *", "10"), entry("0 20 * * FRI", "90")];
    if chance.random_bool(0.3) {
        night.reset_after = Some(MINUTE * chance.random_range(5..400));
    }
    for event in 0..chance.random_range(10..18) {
        night.go_on(MINUTE * chance.random_range(1..700));
        happen(&mut night, &mut chance, event);
    }
    night
}

fn happen(night: &mut Night, chance: &mut StdRng, event: u32) {
    let suites = ["10", "45", "90", "overnight", "recheck"];
    match chance.random_range(0..10) {
        0..=3 => {
            let later = Wall(night.now.wall.0 + chance.random_range(0..100_000_000));
            let hours = (chance.random_range(0..24), chance.random_range(0..23));
            let window = window(hours.0, (hours.0 + 1 + hours.1) % 24);
            let suite = suites[chance.random_range(0..suites.len())];
            let minutes: u32 = if suite == "overnight" { 485 } else { 90 };
            let conditions = Conditions {
                not_before: chance.random_bool(0.4).then_some(later),
                window: (window.minutes() >= minutes && chance.random_bool(0.4)).then_some(window),
                idle_s: chance.random_bool(0.2).then_some(600),
                after_change: chance.random_bool(0.1),
                unchecked: chance.random_bool(0.5),
            };
            night.add_with(suite, conditions, chance.random_range(-3..4));
        }
        4 => night.power_off(MINUTE * chance.random_range(1..600)),
        5 => night.restart(MINUTE, None),
        6 => night.session = !night.session,
        7 => night.busy = !night.busy,
        8 => {
            night.change = Some(PendingChange {
                id: format!("change {event}"),
                booted: false,
            });
            night.checked = Checked::Never;
        }
        _ => {
            if let Ok(changes) = release(&night.queue) {
                night.apply(&changes);
            }
        }
    }
}

/// Whether Berlin's clock is within the window, told without the calendar under test.
fn is_inside(window: &Window, at: Wall) -> bool {
    let text = shown(at);
    let minutes: u16 = text[11..13].parse::<u16>().expect("hour") * 60
        + text[14..16].parse::<u16>().expect("minute");
    let (from, until) = (window.from.0, window.until.0);
    if from < until {
        (from..=until).contains(&minutes)
    } else {
        minutes >= from || minutes <= until
    }
}

#[test]
fn no_mixture_of_trouble_breaks_a_promise() {
    try_mixtures(MIXTURES);
}

#[test]
#[ignore = "minutes; `cargo test --test sim many_mixtures -- --ignored`"]
fn many_mixtures_of_trouble_break_no_promise() {
    try_mixtures(400);
}

fn try_mixtures(count: usize) {
    let mut starts = 0;
    for seed in crate::seeds().into_iter().take(count) {
        let night = troubled_time(seed);
        starts += night.starts.len();
        for start in &night.starts {
            let told = format!("seed {seed}: {start:?} at {}", shown(start.at));
            let job = night.queue.job(start.job).expect("kept");
            assert!(!start.held, "{told}");
            assert_eq!(job.starts, 1, "{told}");
            if job.is_unattended() {
                assert!(start.announced >= 3 * MINUTE, "{told}");
                assert!(start.since_boot >= 3 * MINUTE, "{told}");
            }
            assert!(!(job.is_automatic() && start.session), "{told}");
            let conditions = &job.conditions;
            assert!(
                conditions.not_before.is_none_or(|at| at <= start.at),
                "{told}"
            );
            if let Some(window) = &conditions.window {
                let last = Wall(start.at.0 + i64::try_from(job.length_s).expect("short") * 1000);
                assert!(
                    is_inside(window, start.at) && is_inside(window, last),
                    "{told}"
                );
            }
        }
        let automatic = night.queue.marks.iter().filter_map(|mark| match mark {
            QueueMark::Automatic { starts, .. } => Some(*starts),
            QueueMark::Held(_) | QueueMark::Due { .. } | QueueMark::ResetsSeen { .. } => None,
        });
        assert!(
            automatic.into_iter().all(|starts| starts <= 1),
            "seed {seed}"
        );
    }
    assert!(starts >= 2, "only {starts} starts were tried");
}

#[test]
fn a_queue_is_the_sum_of_its_changes() {
    let night = troubled_time(3);
    let mut again = soakproof::model::Queue::default();
    for job in &night.queue.jobs {
        again.apply(&QueueChange::Put(Box::new(job.clone())));
    }
    for mark in &night.queue.marks {
        again.apply(&QueueChange::Mark(mark.clone()));
    }
    assert_eq!(again, night.queue);
}
