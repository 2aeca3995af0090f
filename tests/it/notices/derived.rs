//! What is told of a run: the right events, once each, also over a death in the middle.

use std::path::Path;
use std::time::{Duration, Instant};

use soakproof::model::{
    Cooling, CrashManner, End, Entry, FindingKind, Grade, HeatSummary, NoticeEvent, Plateau,
    RunHeader, Urgency, Verdict, Wall,
};
use soakproof::report::Style;
use soakproof::service::notices::{
    Earlier, Followed, NoticeDesk, Target, Told, Way, judge_cooling, tell_entries, tell_queue,
    tell_start,
};
use soakproof::store::{Announcement, Look, QueueStanding, Store, Untold};

use super::NOW;
use crate::records::paper::{every_entry, finding, header, stamped, verdict};

const ID: &str = "0198a000-0000-7000-8000-000000000001";

fn reset() -> FindingKind {
    FindingKind::Reset {
        manner: CrashManner::Sudden,
        evidence: "no orderly end".to_owned(),
    }
}

fn tell(header: &RunHeader, entries: Vec<Entry>) -> Vec<Told> {
    let mut run = Followed {
        number: 4,
        header,
        had_finding: false,
        grade: None,
        earlier: &[],
    };
    let numbered: Vec<(i64, Entry)> = (1..).zip(entries).collect();
    tell_entries(&mut run, &numbered, &Style::new(false, 200))
}

fn events(told: &[Told]) -> Vec<&'static str> {
    told.iter().map(|told| told.notice.event.name()).collect()
}

#[test]
fn a_run_with_everything_in_it_is_told_once_each() {
    let told = tell(&header(ID, ""), every_entry());
    let expected = [
        "finding.first",
        "reset.discovered",
        "guard.stopped",
        "run.finished",
        "run.finished",
    ];
    assert_eq!(events(&told), expected);
    let mut keys: Vec<&String> = told.iter().map(|told| &told.key).collect();
    keys.sort();
    keys.dedup();
    assert_eq!(keys.len(), told.len());
    let [first, reset, guard, failed, revised] = told.as_slice() else {
        panic!("five");
    };
    assert!(
        first.notice.text.contains("wrong answer"),
        "{}",
        first.notice.text
    );
    assert!(
        reset.notice.title.contains("went down"),
        "{}",
        reset.notice.title
    );
    assert!(
        guard.notice.text.starts_with("too hot."),
        "{}",
        guard.notice.text
    );
    assert!(failed.notice.title.ends_with("run 4 `smoke` ended: failed"));
    assert_eq!(failed.notice.urgency, Urgency::High);
    assert!(
        revised
            .notice
            .title
            .ends_with("revised verdict: marginal, before failed")
    );
    let run = revised.notice.run.as_ref().unwrap();
    assert_eq!((run.number, run.grade), (4, Some(Grade::Marginal)));
    for told in &told {
        assert!(told.notice.simulated && told.notice.title.contains("(simulated)"));
    }
}

#[test]
fn a_reset_is_told_as_such_and_not_as_a_first_finding() {
    let told = tell(&header(ID, ""), vec![Entry::Finding(finding(reset()))]);
    assert_eq!(events(&told), ["reset.discovered"]);
    let stopped = Entry::End(stamped(End::Stopped));
    assert!(tell(&header(ID, ""), vec![stopped]).is_empty());
}

#[test]
fn an_empty_queue_is_told_when_it_becomes_empty_and_not_when_it_was() {
    let standing = |open, last| QueueStanding {
        open,
        last,
        host: "bench-7".to_owned(),
        simulated: false,
    };
    let tell = |before: (i64, Option<i64>), now: (i64, Option<i64>)| {
        tell_queue(&standing(before.0, before.1), &standing(now.0, now.1), NOW)
    };
    let told = tell((2, Some(7)), (0, Some(7))).expect("told");
    assert_eq!(told.notice.event, NoticeEvent::QueueEmpty);
    assert_eq!((told.notice.run, told.key.as_str()), (None, "queue/7"));
    assert_eq!(tell((0, Some(7)), (0, Some(7))), None);
    assert_eq!(tell((0, None), (0, None)), None);
    assert_eq!(tell((1, Some(7)), (1, Some(8))), None);
}

#[test]
fn foreign_texts_come_escaped() {
    let mut head = header(ID, "");
    head.machine.host = "bench\u{1b}[31m".to_owned();
    head.plan.suite = "two\nlines".to_owned();
    let run = Followed {
        number: 1,
        header: &head,
        had_finding: false,
        grade: None,
        earlier: &[],
    };
    let title = tell_start(&run).notice.title;
    assert!(
        !title.contains('\u{1b}') && !title.contains('\n'),
        "{title:?}"
    );
}

/// Announces what is untold to one target, as the desk does.
fn hand_on(store: &mut Store) -> Vec<&'static str> {
    let untold: Vec<Untold> = store.untold(Look::Everywhere).unwrap();
    let mut all = Vec::new();
    for news in untold {
        let mut run = Followed {
            number: news.run,
            header: &news.header,
            had_finding: news.had_finding,
            grade: news.grade,
            earlier: &[],
        };
        let start = news.from_start.then(|| tell_start(&run));
        let told = tell_entries(&mut run, &news.entries, &Style::new(false, 200));
        let told: Vec<Told> = start.into_iter().chain(told).collect();
        all.extend(events(&told));
        let announcements: Vec<Announcement> = told
            .into_iter()
            .map(|Told { key, notice }| Announcement {
                key,
                notice,
                targets: vec!["chat".to_owned()],
            })
            .collect();
        store
            .announce_run((news.run, news.seq), &announcements, NOW)
            .unwrap();
    }
    all
}

#[test]
fn what_happened_before_anyone_was_to_be_told_is_passed_over() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    let old = store.begin_run(&header("old", "")).unwrap();
    store.append(old, &every_entry()).unwrap();
    store.begin_telling("first").unwrap();
    assert!(hand_on(&mut store).is_empty());

    let run = store.begin_run(&header("new", "")).unwrap();
    assert_eq!(hand_on(&mut store), ["run.started"]);
    let first = Entry::Finding(finding(FindingKind::Stall { silent_s: 9.0 }));
    store.append(run, std::slice::from_ref(&first)).unwrap();
    assert_eq!(hand_on(&mut store), ["finding.first"]);
    store.append(run, &[first]).unwrap();
    assert!(hand_on(&mut store).is_empty(), "only the first");
    let judged = |grade| Entry::Verdict(Box::new(verdict(grade)));
    store.append(run, &[judged(Grade::Failed)]).unwrap();
    // A late revision of an old run is news too.
    store.append(old, &[judged(Grade::Failed)]).unwrap();
    assert_eq!(hand_on(&mut store), ["run.finished", "run.finished"]);
    store.end_telling("first").unwrap();

    let unseen = store.begin_run(&header("unseen", "")).unwrap();
    store.append(unseen, &every_entry()).unwrap();
    store.begin_telling("second").unwrap();
    assert!(hand_on(&mut store).is_empty());
}

#[test]
fn after_a_death_in_the_middle_everything_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    store.begin_telling("dies").unwrap();
    let run = store.begin_run(&header("crash", "")).unwrap();
    drop(store);
    // The machine went down before the start was told; recovery writes what it finds.
    let mut store = Store::open(folder.path()).unwrap();
    let found = [
        Entry::Finding(finding(reset())),
        Entry::End(stamped(End::Reset)),
        Entry::Verdict(Box::new(verdict(Grade::Failed))),
    ];
    store.append(run, &found).unwrap();
    store.begin_telling("next").unwrap();
    let told = hand_on(&mut store);
    assert_eq!(told, ["run.started", "reset.discovered", "run.finished"]);
    assert!(hand_on(&mut store).is_empty());
}

#[test]
fn a_damaged_notice_and_a_damaged_entry_hold_nothing_up() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    store.begin_telling("one").unwrap();
    let run = store.begin_run(&header("rot", "")).unwrap();
    store.append(run, &every_entry()).unwrap();
    let path = store.path().to_path_buf();
    let raw = rusqlite::Connection::open(path).unwrap();
    raw.execute(
        "UPDATE entries SET body = replace(body, 'guard', 'gaurd') WHERE kind = 'end'",
        [],
    )
    .unwrap();
    let told = hand_on(&mut store);
    assert!(
        !told.contains(&"guard.stopped") && told.len() == 5,
        "{told:?}"
    );
    raw.execute(
        "UPDATE notices SET body = replace(body, 'smoke', 'smoko')",
        [],
    )
    .unwrap();
    let claim = (NOW, NOW, Wall(NOW.0 + 1));
    let claimed = store.claim_delivery(claim, &[]).unwrap().unwrap();
    assert_eq!(claimed.notice, None);
}

fn recorder(folder: &Path) -> Target {
    let script = "read -r line; echo \"$line\" >> \"$0\"";
    let file = folder.join("told");
    Target {
        name: "recorder".to_owned(),
        events: vec![NoticeEvent::RunStarted, NoticeEvent::RunFinished],
        way: Way::Command {
            program: "/bin/sh".to_owned(),
            arguments: vec![
                "-c".to_owned(),
                script.to_owned(),
                file.to_str().unwrap().to_owned(),
            ],
        },
        time_limit: Duration::from_secs(20),
    }
}

#[test]
fn the_desk_tells_what_another_connection_writes_and_only_the_chosen_events() {
    let folder = tempfile::tempdir().unwrap();
    let desk = NoticeDesk::open(folder.path(), vec![recorder(folder.path())]).unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    let run = store.begin_run(&header("live", "")).unwrap();
    let told = || std::fs::read_to_string(folder.path().join("told")).unwrap_or_default();
    let begun = Instant::now();
    while !told().contains("run.started") {
        assert!(begun.elapsed() < Duration::from_mins(1), "never told");
        std::thread::sleep(Duration::from_millis(20));
    }
    store.append(run, &every_entry()).unwrap();
    assert_eq!(desk.close(Duration::from_mins(1)), 0);
    let lines = told();
    let kinds: Vec<serde_json::Value> = lines
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap()["type"].clone())
        .collect();
    assert_eq!(kinds, ["run.started", "run.finished", "run.finished"]);
}

#[test]
fn a_desk_with_a_hanging_target_is_closed_in_its_time_and_keeps_what_is_left() {
    let folder = tempfile::tempdir().unwrap();
    let hanging = Target {
        name: "hanging".to_owned(),
        way: Way::Command {
            program: "/bin/sleep".to_owned(),
            arguments: vec!["5".to_owned()],
        },
        time_limit: Duration::from_secs(10),
        ..recorder(folder.path())
    };
    let targets = vec![hanging, recorder(folder.path())];
    let desk = NoticeDesk::open(folder.path(), targets.clone()).unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    store.begin_run(&header("live", "")).unwrap();
    assert_eq!(desk.close(Duration::from_secs(2)), 1);
    let told = std::fs::read_to_string(folder.path().join("told")).unwrap();
    assert_eq!(told.lines().count(), 1, "the other target is not held up");
}

fn heated(peak_c: f64) -> Verdict {
    Verdict {
        heat: Some(HeatSummary {
            label: "package".to_owned(),
            idle_c: None,
            peak_c,
            settled_c: Some(peak_c - 1.0),
            time_constant_s: None,
            slope_c_per_10min: None,
            limit_c: 90.0,
            headroom_c: 90.0 - peak_c,
            plateau: Plateau::Settled,
            cooling: None,
        }),
        ..verdict(Grade::Proven)
    }
}

/// A run of the form's suite that came to `peak_c` in air of this temperature.
fn run_in(air: Option<f64>, peak_c: f64) -> Earlier {
    let mut head = header(ID, "");
    head.declared.ambient_c = air;
    let mut verdict = heated(peak_c);
    let heat = verdict.heat.as_mut().unwrap();
    heat.cooling = air.map(|air_c| Cooling {
        air_c,
        air_sensor: None,
        power: None,
        resistance_k_per_w: None,
        hottest_day: None,
    });
    Earlier {
        header: head,
        verdict,
    }
}

fn worse(now: &Earlier, earlier: &[Earlier]) -> Option<String> {
    judge_cooling(&now.header, &now.verdict, earlier)
}

/// They settle a degree under their peak: rises of 49, 49 and 48 degrees, mean 48.67, deviation 0.577, and Student's t for 2 degrees of freedom at
/// 99 % is 6.965 (NIST/SEMATECH e-Handbook 1.3.6.7.2), so one more stays under 48.67 + 6.965 x 0.577 x
/// sqrt(4/3) = 53.31.
#[test]
fn cooling_is_worse_when_the_rise_over_the_air_leaves_the_spread_of_earlier_runs() {
    let earlier = [(20.0, 70.0), (25.0, 75.0), (22.0, 71.0)];
    let earlier = earlier.map(|(air, peak)| run_in(Some(air), peak));
    let words = worse(&run_in(Some(20.0), 74.4), &earlier).expect("beyond the spread");
    assert!(words.contains("53.4 C over the air"), "{words}");
    assert!(words.contains("stays under 53.3 at 99 %"), "{words}");
    assert_eq!(worse(&run_in(Some(20.0), 74.2), &earlier), None);
    assert_eq!(
        worse(&run_in(Some(30.0), 84.0), &earlier),
        None,
        "a hot day is no fault of the cooling"
    );
    assert_eq!(
        worse(&run_in(Some(20.0), 99.0), &earlier[..2]),
        None,
        "two are no spread"
    );
}

/// Equal readings of whole degrees: the spread of the step, 6.965 x 0.2887 x sqrt(4/3) = 2.32, and 5 for
/// the seasons.
#[test]
fn without_a_known_air_temperature_more_is_needed_and_strangers_do_not_count() {
    let mut earlier = vec![run_in(None, 70.0); 3];
    assert!(worse(&run_in(None, 77.4), &earlier).is_some());
    assert_eq!(worse(&run_in(None, 77.2), &earlier), None);
    assert!(worse(&run_in(None, 99.0), &earlier[..2]).is_none());
    for spoil in [
        (|one: &mut Earlier| one.header.machine.host = "other".to_owned()) as fn(&mut Earlier),
        |one| one.header.declared.clock_mhz.clear(),
        |one| one.verdict.complete = false,
        |one| one.header.plan.stages.clear(),
    ] {
        let mut other = earlier.clone();
        spoil(&mut other[0]);
        assert_eq!(worse(&run_in(None, 99.0), &other), None);
    }
    let mut short = run_in(None, 99.0);
    short.verdict.complete = false;
    assert_eq!(worse(&short, &earlier), None);
    earlier.push(run_in(Some(20.0), 71.0));
    let in_air = run_in(Some(20.0), 99.0);
    assert!(
        worse(&in_air, &earlier).is_some(),
        "levels are held against levels"
    );
}
