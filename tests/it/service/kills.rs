//! Kill -9 of the service at random instants of short jobs, every other time of everything with the boot id
//! changed. Whatever it has acknowledged must still be there: jobs, entries of the ledger, runs up to their
//! last second, each with one verdict, and one notice of each event under one id. One store is used
//! throughout, so that a kill that harmed something earlier shows.
//!
//! A handful run with all tests; the campaigns are `cargo test --test it service::kills -- --ignored
//! --nocapture --test-threads 1`.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "tests start and kill programs, and a campaign tells its figures"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::net::UnixStream;
use std::os::unix::process::CommandExt;
use std::process::{Child, Stdio};
use std::thread::sleep;
use std::time::Duration;

use nix::sys::signal::{Signal, kill, killpg};
use nix::unistd::Pid;
use serde_json::Value;
use soakproof::model::{End, LedgerEntry, Record};
use soakproof::store::Store;

use super::{Service, Site};
use crate::kills::{BOOT_ID, Chance, MOST_LOST_MS, SHORT, wait_until_gone, wall_ms};

/// Kills fall anywhere up to here: jobs, their notices and pauses between them take about five seconds.
const LATEST_MS: u64 = 6_000;
/// So many jobs wait at most, so that ended ones are not forgotten before they were looked at.
const WAITING: usize = 3;
/// A delivery that was cut short is claimed for a minute before it is tried again.
const DELIVERED_WITHIN: u32 = 900;

struct Range {
    site: Site,
    suite: String,
    chance: Chance,
    boots: u64,
    jobs: BTreeSet<i64>,
    ceilings: BTreeSet<i64>,
    next_ceiling: i64,
    seen: BTreeSet<i64>,
    endings: BTreeMap<String, u32>,
    lost_ms: Vec<i64>,
    startups_killed: u32,
    refused: u32,
}

impl Range {
    fn new(seed: u64) -> Self {
        let site = Site::new();
        let suite = site.text("short.toml");
        fs::write(&suite, SHORT).expect("written");
        fs::create_dir(site.path("told")).expect("made");
        let take = site.path("told").display().to_string();
        let script = format!("t=$(mktemp {take}/XXXXXX) && cat > $t && mv $t $t.json");
        let configuration = format!(
            "[recheck]\nenabled = false\n[[notice]]\nname = \"file\"\n\
             command = [\"/bin/sh\", \"-c\", \"{script}\"]\n"
        );
        fs::write(site.path("soakproof.toml"), configuration).expect("written");
        Self {
            site,
            suite,
            chance: Chance(seed),
            boots: 0,
            jobs: BTreeSet::new(),
            ceilings: BTreeSet::new(),
            next_ceiling: 1,
            seen: BTreeSet::new(),
            endings: BTreeMap::new(),
            lost_ms: Vec::new(),
            startups_killed: 0,
            refused: 0,
        }
    }

    fn store(&self) -> Store {
        Store::open(&self.site.path("store")).expect("opens")
    }

    fn spawn(&self) -> Service {
        let mut command = self.site.service_command();
        command.env("SOAKPROOF_CONFIG", self.site.path("soakproof.toml"));
        let child = command.process_group(0).spawn().expect("starts");
        Service { child }
    }

    /// A service that answers; every now and then one is killed first while it begins, too.
    fn begin(&mut self) -> Service {
        if self.chance.below(4) == 0 {
            let service = self.spawn();
            sleep(Duration::from_millis(self.chance.below(250)));
            let group = Pid::from_raw(service.pid());
            service.die();
            wait_until_gone(group);
            self.startups_killed += 1;
        }
        let service = self.spawn();
        self.site.wait("the service to answer", || {
            UnixStream::connect(self.site.path("socket"))
                .is_ok()
                .then_some(())
        });
        service
    }

    /// One kill, with clients that ask for something up to the last moment; then all is looked through.
    fn shoot(&mut self, service: Service, everything: bool) -> Service {
        // Some wait behind the one that runs, whatever becomes of those that are asked for meanwhile.
        while self.waiting() < WAITING - 1 {
            let job = self.site.add(&self.suite, &[]);
            self.jobs.insert(job);
        }
        let begun = std::time::Instant::now();
        let at = Duration::from_millis(self.chance.below(LATEST_MS));
        let add = (self.waiting() < WAITING).then(|| self.chance.below(LATEST_MS));
        let declare = Some(self.chance.below(LATEST_MS));
        let ceiling = self.next_ceiling;
        self.next_ceiling += 1;
        let mut asked =
            [add, declare].map(|after| (after.map(Duration::from_millis), None::<Child>));
        while begun.elapsed() < at {
            for (which, (after, child)) in asked.iter_mut().enumerate() {
                if child.is_none() && after.is_some_and(|after| begun.elapsed() >= after) {
                    *child = Some(self.ask(which, ceiling));
                }
            }
            sleep(Duration::from_millis(2));
        }
        let group = Pid::from_raw(service.pid());
        let killed = if everything {
            killpg(group, Signal::SIGKILL)
        } else {
            kill(group, Signal::SIGKILL)
        };
        let killed_ms = wall_ms();
        killed.expect("killed");
        drop(service);
        let [add, declare] =
            asked.map(|(_, child)| child.map(|child| child.wait_with_output().expect("ends")));
        if let Some(output) = declare {
            if output.status.success() {
                self.ceilings.insert(ceiling);
            } else {
                self.refused += 1;
            }
        }
        if let Some(output) = add {
            if output.status.success() {
                let job: Value = serde_json::from_slice(&output.stdout).expect("JSON");
                self.jobs
                    .insert(job["job"]["id"].as_i64().expect("a number"));
            } else {
                self.refused += 1;
            }
        }
        wait_until_gone(group);
        let runs = self.store().runs().expect("read");
        let known: Vec<(i64, bool)> = runs.iter().map(|run| (run.number, run.open)).collect();
        if everything {
            self.boots += 1;
            let id = format!("99999999-8888-4777-8666-{:012}\n", self.boots);
            fs::write(self.site.path("machine").join(BOOT_ID), id).expect("written");
        }
        let service = self.begin();
        self.check_runs(&known, everything, killed_ms);
        self.check_acknowledged();
        if self.site.holds().iter().any(|hold| hold == "after-reset") {
            self.site.json(&["queue", "release", "--json"]);
        }
        service
    }

    /// A client that adds a job, or one that writes into the ledger.
    fn ask(&self, which: usize, ceiling: i64) -> Child {
        let ceiling = ceiling.to_string();
        let machine = self.site.text("machine");
        let add = ["queue", "add", &self.suite, "--json"];
        let declare = [
            "setting",
            "probe",
            "--kind",
            "other",
            "--unit",
            "x",
            "--ceiling",
            &ceiling,
            "--machine",
            &machine,
        ];
        let arguments: &[&str] = if which == 0 { &add } else { &declare };
        let mut command = self.site.command(arguments);
        command.stderr(Stdio::null()).spawn().expect("starts")
    }

    fn waiting(&self) -> usize {
        let (queue, damaged) = self.store().queue().expect("read");
        assert_eq!(damaged, 0);
        queue.waiting().len()
    }

    /// Whole, with one verdict, and every row as it was written.
    fn check_run(store: &Store, number: i64) -> Record {
        let record = store.record(number).expect("read");
        assert_eq!(store.check_run(number).expect("read"), []);
        assert_eq!(record.verdicts.len(), 1, "run {number}: one verdict");
        record
    }

    /// `known` are the runs at the kill, and whether they were under way. Those of before are looked through once
    /// more when all is over.
    fn check_runs(&mut self, known: &[(i64, bool)], everything: bool, killed_ms: i64) {
        let store = self.store();
        for (number, under_way) in known {
            if !self.seen.insert(*number) {
                continue;
            }
            let record = Self::check_run(&store, *number);
            let ending = match record.end.as_ref().map(|end| &end.what) {
                Some(End::Complete) => "complete",
                Some(End::Reset) if *under_way && everything => "reset",
                Some(End::Interrupted { .. }) if *under_way && !everything => "interrupted",
                // Of a service that was killed while it began.
                Some(End::Interrupted { .. }) if !under_way => "interrupted before",
                // A machine that is busy with other things: samples that fall due every 200 ms came too late.
                Some(End::Guard { .. }) => "ended by the guard",
                other => panic!("run {number}: {other:?}, everything killed: {everything}"),
            };
            *self.endings.entry(ending.to_owned()).or_default() += 1;
            if matches!(ending, "reset" | "interrupted") && !record.samples.is_empty() {
                let lost = killed_ms - record.last_moment().wall.0;
                assert!(lost <= MOST_LOST_MS, "run {number}: {lost} ms are missing");
                self.lost_ms.push(lost);
            }
        }
    }

    /// Every job that was taken is there and was started at most once, every entry of the ledger too.
    fn check_acknowledged(&mut self) {
        let store = self.store();
        let (queue, damaged) = store.queue().expect("read");
        assert_eq!(damaged, 0);
        for id in &self.jobs {
            assert!(
                queue.jobs.iter().any(|job| job.id.0 == *id),
                "job {id} is lost"
            );
        }
        for job in &queue.jobs {
            assert!(job.starts <= 1, "job {} was started again", job.id);
            // The store keeps a limited number of those that are over.
            if job.state.is_over() {
                self.jobs.remove(&job.id.0);
            }
        }
        let Some(host) = store
            .runs()
            .expect("read")
            .first()
            .map(|run| run.host.clone())
        else {
            return;
        };
        let rows = store.ledger(&host).expect("read");
        let ceiling = |entry: &LedgerEntry| match entry {
            LedgerEntry::Setting(setting) => setting.ceiling.map(|ceiling| ceiling.to_string()),
            LedgerEntry::Change(_)
            | LedgerEntry::Undone { .. }
            | LedgerEntry::NoBoot { .. }
            | LedgerEntry::Good(_) => None,
        };
        let written: BTreeSet<String> = rows.iter().filter_map(|row| ceiling(&row.entry)).collect();
        for ceiling in &self.ceilings {
            assert!(
                written.contains(&ceiling.to_string()),
                "entry {ceiling} of the ledger is lost"
            );
        }
    }

    /// Lets the queue run empty and the notices out; each event of each run came, under one id.
    fn finish(mut self, shots: u32, service: Service) {
        self.site.wait("the queue to be empty", || {
            let open = |line: &Value| {
                matches!(
                    line["job"]["state"]["is"].as_str(),
                    Some("waiting" | "running")
                )
            };
            (!self.site.jobs().iter().any(open)).then_some(())
        });
        let mut left = DELIVERED_WITHIN;
        loop {
            let notices = self.site.json(&["notices", "--json"]);
            let waits = |line: &Value| line["state"] != "delivered";
            let lines = notices["notices"].as_array().expect("a list");
            // The desk looks every two seconds; the last run is told by then.
            if !lines.iter().any(waits) && self.told("run.finished").len() >= self.runs() {
                break;
            }
            left -= 1;
            assert!(left > 0, "notices are left: {notices:#}");
            sleep(Duration::from_secs(1));
        }
        for event in ["run.started", "run.finished"] {
            let told = self.told(event);
            assert_eq!(told.len(), self.runs(), "{event}");
            for (run, ids) in told {
                assert_eq!(ids.len(), 1, "{event} of run {run}: {ids:?}");
            }
        }
        let resets = usize::try_from(self.endings.get("reset").copied().unwrap_or(0)).expect("few");
        assert_eq!(self.told("reset.discovered").len(), resets);
        drop(service);
        let store = self.store();
        for run in store.runs().expect("read") {
            Self::check_run(&store, run.number);
        }
        self.lost_ms.sort_unstable();
        println!(
            "{shots} kills: {:?} of {} runs; missing at the kill: median {:?} ms, most {:?} ms; killed while \
             beginning, too: {}; acknowledged and there: {} jobs, {} entries of the ledger; asked and not \
             acknowledged: {}",
            self.endings,
            self.runs(),
            self.lost_ms.get(self.lost_ms.len() / 2),
            self.lost_ms.last(),
            self.startups_killed,
            self.jobs.len(),
            self.ceilings.len(),
            self.refused
        );
    }

    fn runs(&self) -> usize {
        self.store().runs().expect("read").len()
    }

    /// Ids of the notices of an event that have arrived, by run.
    fn told(&self, event: &str) -> BTreeMap<i64, BTreeSet<String>> {
        let mut told: BTreeMap<i64, BTreeSet<String>> = BTreeMap::new();
        for file in fs::read_dir(self.site.path("told"))
            .expect("a folder")
            .flatten()
        {
            if file.path().extension().is_none() {
                continue;
            }
            let text = fs::read(file.path()).expect("read");
            // A service that dies while it hands a notice over leaves half of one, and tells it again later.
            let Ok(notice) = serde_json::from_slice::<Value>(&text) else {
                continue;
            };
            if notice["type"] == event {
                let run = notice["data"]["run"]["number"].as_i64().expect("a run");
                let id = notice["data"]["id"].as_str().expect("an id").to_owned();
                told.entry(run).or_default().insert(id);
            }
        }
        told
    }
}

fn campaign(seed: u64, shots: u32) {
    let mut range = Range::new(seed);
    let mut service = range.begin();
    for shot in 0..shots {
        service = range.shoot(service, shot % 2 == 1);
        if (shot + 1) % 50 == 0 {
            println!("{} kills: {:?}", shot + 1, range.endings);
        }
    }
    range.finish(shots, service);
}

#[test]
fn a_few_kills_of_the_service_lose_nothing_that_it_has_acknowledged() {
    campaign(3, 4);
}

#[test]
#[ignore = "a campaign of about half an hour"]
fn two_hundred_kills_of_the_service_lose_nothing_that_it_has_acknowledged() {
    campaign(200, 200);
}

#[test]
#[ignore = "a campaign of about two hours and a half"]
fn a_thousand_kills_of_the_service_lose_nothing_that_it_has_acknowledged() {
    campaign(1_000, 1_000);
}
