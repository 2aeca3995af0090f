//! A thousand machines at one hub, by name: `cargo test --test it fleet::thousand -- --ignored --nocapture
//! --test-threads 1`. Prints what it measured; only the checker's word is asserted.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{sleep, spawn};
use std::time::{Duration, Instant};

use soakproof::fleet::hub::{Keep, LiveKeep, Query, board_lines};
use soakproof::fleet::protocol::MachineName;
use soakproof::model::{Grade, Wall};

use super::swarm::{Campaign, Cost, Disk, Plan, Trouble, spread, timed, wall_now};

/// Machines.
const MANY: usize = 1000;
/// A day, in milliseconds.
const DAY_MS: i64 = 86_400_000;
/// Days of history beside the present one.
const DAYS: i64 = 90;

fn seconds(count: u64) -> Duration {
    Duration::from_secs(count)
}

fn plan(trouble: Vec<(Duration, Trouble)>, servers: usize) -> Plan {
    Plan {
        machines: MANY,
        servers,
        runs: 3,
        work: (seconds(10), seconds(20)),
        trouble,
        seed: 1,
        wait: seconds(30),
        patience: seconds(1200),
    }
}

#[test]
#[ignore = "minutes, by name only"]
fn a_day_of_a_thousand_machines() {
    let Some(mut campaign) = Campaign::start(plan(Vec::new(), 1)) else {
        return;
    };
    let ended = Arc::new(AtomicBool::new(false));
    let watch = {
        let (folder, in_time, ended) = (campaign.folder(), campaign.in_time(), ended.clone());
        spawn(move || watch_board(&folder, &in_time, &ended))
    };
    sleep(seconds(10));
    costs(&campaign, "idle, a beat a second each", seconds(10));
    campaign.order();
    sleep(seconds(2));
    costs(&campaign, "with jobs and results", seconds(30));
    let settled = campaign.settle();
    println!(
        "all done and receipted after {:.1} s",
        campaign.ordered.elapsed().as_secs_f64()
    );
    ended.store(true, Ordering::Relaxed);
    let live = watch.join().expect("watched");
    show(
        "sent by the machine -> in the hub's file of the board",
        live,
    );
    latencies(&campaign);
    let complaints = campaign.complaints();
    assert!(settled && complaints.is_empty(), "{complaints:#?}");
    drop(campaign.hub.take());
    sizes(&campaign);
    queries(&campaign, "one day");
    boards(&campaign);
    age(&campaign.folder().join("hub.sqlite"));
    queries(&campaign, "91 days");
    boards(&campaign);
}

#[test]
#[ignore = "minutes, by name only"]
fn a_thousand_machines_in_every_kind_of_trouble() {
    let trouble = vec![
        (seconds(5), Trouble::HubDies(seconds(1))),
        (seconds(10), Trouble::ServerDies(seconds(2))),
        (seconds(10), Trouble::MachinesDie(10, seconds(10))),
        (seconds(5), Trouble::LineStalls(seconds(40))),
        (seconds(1), Trouble::Flood(seconds(20))),
        (seconds(1), Trouble::HubDies(seconds(20))),
        (seconds(10), Trouble::ServerDies(seconds(15))),
    ];
    in_trouble(trouble, 1);
}

#[test]
#[ignore = "minutes, by name only"]
fn a_thousand_machines_on_three_servers_of_which_the_leader_dies() {
    let trouble = vec![
        (seconds(10), Trouble::ServerDies(seconds(15))),
        (seconds(20), Trouble::HubDies(seconds(5))),
        (seconds(10), Trouble::ServerDies(seconds(15))),
    ];
    in_trouble(trouble, 3);
}

fn in_trouble(trouble: Vec<(Duration, Trouble)>, servers: usize) {
    let Some(mut campaign) = Campaign::start(plan(trouble, servers)) else {
        return;
    };
    campaign.order();
    campaign.go_through_trouble();
    println!("the flood: {:?}", campaign.flooded);
    let settled = campaign.settle();
    println!(
        "all done and receipted after {:.1} s",
        campaign.ordered.elapsed().as_secs_f64()
    );
    latencies(&campaign);
    costs(&campaign, "afterwards", seconds(5));
    let complaints = campaign.complaints();
    let produced: usize = campaign
        .produced()
        .values()
        .map(|disk| disk.told.len())
        .sum();
    println!("{produced} results produced; complaints: {complaints:#?}");
    assert!(settled && complaints.is_empty());
}

fn show(what: &str, spans: Vec<Duration>) {
    match spread(spans) {
        Some(spread) => println!("{what}: {spread}"),
        None => println!("{what}: nothing"),
    }
}

/// How old a sign of life is when it can first be read from the file of the board.
fn watch_board(
    folder: &Path,
    in_time: &BTreeMap<MachineName, bool>,
    ended: &AtomicBool,
) -> Vec<Duration> {
    let live = LiveKeep::open(folder).expect("opens");
    let (mut seen, mut spans) = (BTreeMap::<MachineName, Wall>::new(), Vec::new());
    while !ended.load(Ordering::Relaxed) {
        sleep(Duration::from_millis(100));
        let lines = live.lines().expect("read");
        let now = wall_now();
        for (machine, line) in lines {
            let before = seen.insert(machine.clone(), line.beat.at);
            let fresh = before.is_some_and(|before| before != line.beat.at);
            if fresh && in_time.get(&machine) == Some(&true) {
                let age = u64::try_from(now.0 - line.beat.at.0).unwrap_or(0);
                spans.push(Duration::from_millis(age));
            }
        }
    }
    spans
}

/// What server and hub cost within `span`.
fn costs(campaign: &Campaign, when: &str, span: Duration) {
    let hub = campaign.hub.as_ref().map_or(0, |hub| hub.0.id());
    let both = || [campaign.servers.pid(), hub].map(Cost::of);
    let before = both();
    sleep(span);
    for ((name, before), after) in ["server", "hub"].iter().zip(before).zip(both()) {
        if let (Some(before), Some(after)) = (before, after) {
            println!(
                "{when}: {name} {:.1} % of a core, {:.1} s of it in all, {} MiB resident",
                after.share_since(&before),
                after.cpu.as_secs_f64(),
                after.resident_kib / 1024
            );
        }
    }
}

fn latencies(campaign: &Campaign) {
    let produced = campaign.produced();
    let first = |disk: &Disk| {
        let taken = disk.jobs.values().map(|job| job.taken).min();
        taken.map(|taken| taken.duration_since(campaign.ordered))
    };
    show(
        "order -> job in hand",
        produced.values().filter_map(first).collect(),
    );
    let told = || produced.values().flat_map(|disk| disk.told.values());
    let since = |ended: Instant, then: Option<Instant>| then.map(|then| then.duration_since(ended));
    let acknowledged = told().filter_map(|told| since(told.ended, told.acknowledged));
    show("end -> result with the server", acknowledged.collect());
    let receipts = told().filter_map(|told| since(told.ended, told.receipt));
    show("end -> receipt of the hub", receipts.collect());
    let next = produced.values().flat_map(|disk| {
        let mut jobs: Vec<_> = disk.jobs.values().collect();
        jobs.sort_by_key(|job| job.taken);
        let ended = |outcome: &Option<String>| disk.told.get(outcome.as_ref()?)?.receipt;
        let pairs = jobs.windows(2).filter_map(move |pair| {
            pair[1]
                .taken
                .checked_duration_since(ended(&pair[0].outcome)?)
        });
        pairs.collect::<Vec<Duration>>()
    });
    show("receipt -> next job in hand", next.collect());
}

fn sizes(campaign: &Campaign) {
    let results: usize = campaign
        .produced()
        .values()
        .map(|disk| disk.told.len())
        .sum();
    for file in ["hub.sqlite", "live.sqlite", soakproof::store::FILE_NAME] {
        let size = ["", "-wal"].iter().filter_map(|tail| {
            let path = campaign.folder().join(format!("{file}{tail}"));
            Some(fs::metadata(path).ok()?.len())
        });
        let bytes: u64 = size.sum();
        let each = bytes / u64::try_from(results.max(1)).expect("few");
        println!("{file}: {bytes} bytes for {results} results, {each} each");
    }
}

/// What may be asked, by `order` among others.
fn questions(order: &str) -> Vec<(&'static str, Query)> {
    let midday = Some(Wall(wall_now().0 - DAY_MS / 2));
    let of_day = || Query {
        since: midday,
        ..Query::default()
    };
    vec![
        (
            "by serial",
            Query {
                serial: Some("SN-7".to_owned()),
                ..Query::default()
            },
        ),
        ("by date", of_day()),
        (
            "by grade",
            Query {
                grade: Some(Grade::Failed),
                ..of_day()
            },
        ),
        (
            "by grade, all",
            Query {
                grade: Some(Grade::Failed),
                ..Query::default()
            },
        ),
        (
            "by part",
            Query {
                part: Some("ddr".to_owned()),
                ..of_day()
            },
        ),
        (
            "by a part that is nowhere",
            Query {
                part: Some("no such".to_owned()),
                ..Query::default()
            },
        ),
        (
            "by order",
            Query {
                order: Some(order.to_owned()),
                ..Query::default()
            },
        ),
        (
            "by machine",
            Query {
                machine: "m0007".parse().ok(),
                ..Query::default()
            },
        ),
    ]
}

/// How long each kind of question takes, the slowest of five.
fn queries(campaign: &Campaign, when: &str) {
    let keep = Keep::open(&campaign.folder()).expect("opens");
    let some = keep
        .outcomes(&Query {
            most: Some(1),
            ..Query::default()
        })
        .expect("read");
    let job = some[0].job.clone().expect("ordered");
    let (order, _) = job.split_once('/').expect("an order");
    for (what, query) in questions(order) {
        let (mut slowest, mut count) = (Duration::ZERO, 0);
        for _ in 0..5 {
            let (found, took) = timed(|| keep.outcomes(&query).expect("read"));
            (slowest, count) = (slowest.max(took), found.len());
        }
        let met = if slowest < Duration::from_millis(100) {
            ""
        } else {
            " - MORE THAN 100 ms"
        };
        println!(
            "{when}, {what}: {count} in {:.1} ms{met}",
            slowest.as_secs_f64() * 1e3
        );
    }
}

/// How long the board takes, in its parts and as a command.
fn boards(campaign: &Campaign) {
    let folder = campaign.folder();
    let now = wall_now();
    let (keep, opening) = timed(|| Keep::open(&folder).expect("opens"));
    let (floor, reading) = timed(|| keep.floor(now).expect("read"));
    let (live, living) = timed(|| {
        LiveKeep::open(&folder)
            .expect("opens")
            .lines()
            .expect("read")
    });
    let live = live.into_iter().collect();
    let (last, lasting) = timed(|| keep.last_outcomes().expect("read"));
    let (lines, lining) = timed(|| board_lines(&floor, &live, &last, now));
    println!(
        "board of {}: open {opening:.1?}, floor {reading:.1?}, live {living:.1?}, last {lasting:.1?}, lines {lining:.1?}",
        lines.len()
    );
    let (text, took) = timed(|| campaign.shop.ok(&["board"]));
    let met = if took < seconds(1) {
        ""
    } else {
        " - MORE THAN A SECOND"
    };
    println!(
        "`hub board`: {} lines in {took:.1?}{met}",
        text.lines().count()
    );
}

/// Gives the hub as many days of results before this one.
fn age(file: &Path) {
    let database = rusqlite::Connection::open(file).expect("opens");
    let columns = "machine, serial, job_end, run, rows, number, suite, host, parts, grade, grade_there, \
                   reason, peak_c, simulated";
    database
        .execute_batch(&format!(
            "CREATE TEMP TABLE days (day INTEGER);
             WITH RECURSIVE d(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM d WHERE n < {DAYS})
                 INSERT INTO days SELECT n FROM d;
             BEGIN;
             INSERT INTO outcomes (key, job, at_ms, copied_ms, {columns})
                 SELECT key || day, day || job, at_ms - day * {DAY_MS}, copied_ms - day * {DAY_MS}, {columns}
                 FROM outcomes, days;
             INSERT INTO desk (id, at_ms, body)
                 SELECT id || day, at_ms - day * {DAY_MS},
                     replace(replace(body, '\"job\":\"', '\"job\":\"' || day), '\"id\":\"', '\"id\":\"' || day)
                 FROM desk, days WHERE body LIKE '%\"sent\"%' OR body LIKE '%\"order\"%';
             COMMIT;"
        ))
        .expect("written");
}
