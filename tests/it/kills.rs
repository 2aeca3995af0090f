//! Kill -9 at random instants, of the supervisor alone and of everything with the boot id changed. Every
//! time the record must be whole up to the last sample that was due, exactly one verdict must result, and
//! no process may survive. One record is used throughout, so that a kill that harmed an earlier run shows.
//!
//! A handful of instants run with all tests; the campaigns are `cargo test --test it kills:: -- --ignored
//! --nocapture --test-threads 1`.
#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "tests start and kill programs, and a campaign tells its figures"
)]

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use nix::sys::signal::{Signal, kill, killpg};
use nix::unistd::Pid;
use soakproof::model::{End, FindingKind, Grade, Record};
use soakproof::store::Store;

use crate::program::{PATIENCE, Trial, copy_tree};

/// All of it takes about five seconds; a sample falls due every 200 ms.
pub(crate) const SHORT: &str = r#"
about = "short, for being killed"
asserts = ["answers"]
sample-period = "200ms"

[[stage]]
name = "idle"
time = "1s"

[[stage]]
name = "first"
time = "1s"
[[stage.load]]
kernels = ["int-streams.reg"]
cores = "all"

[[stage]]
name = "second"
time = "1s"
[[stage.load]]
kernels = ["hash-chain.reg"]
cores = "all"
"#;
/// Kills fall anywhere up to here after the start, also before the run has begun and after its end.
const LATEST_MS: u64 = 5_000;
/// More than this between the last sample and the kill is a loss: three periods late, the guard would
/// have ended the run itself; the rest is for a machine with other things to do.
pub(crate) const MOST_LOST_MS: i64 = 5_000;
/// How long others may load the machine.
const TURN_WITHIN: Duration = Duration::from_secs(600);
pub(crate) const BOOT_ID: &str = "proc/sys/kernel/random/boot_id";

/// Sebastiano Vigna's SplitMix64: the same instants every time.
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    pub(crate) fn below(&mut self, most: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut value = self.0;
        value = (value ^ (value >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        value = (value ^ (value >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (value ^ (value >> 31)) % most
    }
}

struct Range {
    trial: Trial,
    machine: PathBuf,
    suite: PathBuf,
    chance: Chance,
    boot: u64,
    /// How runs ended, and how often.
    endings: BTreeMap<String, u32>,
    /// Milliseconds between the last sample and the kill, of runs that were cut short under way.
    lost_ms: Vec<i64>,
    recoveries_killed: u32,
}

impl Range {
    fn new(seed: u64) -> Self {
        let trial = Trial::new();
        let machine = trial.folder.path().join("machine");
        let source = Path::new(env!("CARGO_MANIFEST_DIR"));
        copy_tree(&source.join("tests/machines/desktop-core-labels"), &machine);
        let suite = trial.suite(SHORT);
        Self {
            trial,
            machine,
            suite,
            chance: Chance(seed),
            boot: 0,
            endings: BTreeMap::new(),
            lost_ms: Vec::new(),
            recoveries_killed: 0,
        }
    }

    fn store(&self) -> Store {
        Store::open(&self.trial.folder.path().join("store")).unwrap()
    }

    fn known(&self) -> usize {
        self.store().runs().unwrap().len()
    }

    /// One run, killed at a random instant, recovered and checked. Load is one at a time on the whole
    /// machine, so it waits for others.
    fn shoot(&mut self) {
        let begun = Instant::now();
        while !self.try_to_shoot() {
            assert!(begun.elapsed() < TURN_WITHIN, "others load this machine");
            sleep(Duration::from_millis(500));
        }
    }

    fn try_to_shoot(&mut self) -> bool {
        let before = self.known();
        let everything = before.is_multiple_of(2);
        let machine = self.machine.to_str().unwrap().to_owned();
        let suite = self.suite.to_str().unwrap().to_owned();
        let mut command = self.trial.command(&["run", &suite, "--machine", &machine]);
        let child = command.process_group(0).spawn().unwrap();
        sleep(Duration::from_millis(self.chance.below(LATEST_MS)));
        let group = Pid::from_raw(i32::try_from(child.id()).unwrap());
        let killed = if everything {
            killpg(group, Signal::SIGKILL)
        } else {
            kill(group, Signal::SIGKILL)
        };
        let killed_ms = wall_ms();
        // It may have ended by itself just before; a zombie is still there to be signalled.
        killed.unwrap();
        let said = child.wait_with_output().unwrap().stderr;
        wait_until_gone(group);
        if String::from_utf8_lossy(&said).contains("another run is putting load") {
            return false;
        }
        if everything {
            self.reboot();
        }
        self.recover();
        self.check(before, everything, killed_ms);
        true
    }

    fn reboot(&mut self) {
        self.boot += 1;
        let id = format!("99999999-8888-4777-8666-{:012}\n", self.boot);
        fs::write(self.machine.join(BOOT_ID), id).unwrap();
    }

    /// Recovers; every now and then recovery itself is killed first.
    fn recover(&mut self) {
        let machine = self.machine.to_str().unwrap().to_owned();
        let close = ["runs", "close", "--machine", machine.as_str()];
        if self.chance.below(4) == 0 {
            let mut child = self.trial.command(&close).spawn().unwrap();
            sleep(Duration::from_millis(self.chance.below(60)));
            child.kill().unwrap();
            child.wait().unwrap();
            self.recoveries_killed += 1;
        }
        let output = self.trial.output(&close);
        assert_eq!(output.status.code(), Some(0), "{output:?}");
    }

    fn check(&mut self, before: usize, everything: bool, killed_ms: i64) {
        let store = self.store();
        let runs = store.runs().unwrap();
        if runs.len() == before {
            *self.endings.entry("not begun".to_owned()).or_default() += 1;
            return;
        }
        assert_eq!(runs.len(), before + 1);
        let number = runs[before].number;
        assert_eq!(store.check_run(number).unwrap(), []);
        let record = store.record(number).unwrap();
        assert_eq!(record.verdicts.len(), 1, "run {number}: one verdict");
        let grade = record.verdicts[0].grade;
        let end = record.end.as_ref().map(|end| &end.what);
        let ending = match end {
            Some(End::Complete) => "complete",
            Some(End::Reset) => {
                assert!(everything, "run {number}");
                assert_eq!(grade, Grade::Failed, "run {number}");
                assert_eq!(resets(&record), 1, "run {number}");
                "reset"
            }
            Some(End::Interrupted { reason }) => {
                assert!(!everything, "run {number}: {reason}");
                assert_ne!(grade, Grade::Failed, "run {number}");
                "interrupted"
            }
            other => panic!("run {number}: {other:?}"),
        };
        *self.endings.entry(ending.to_owned()).or_default() += 1;
        if ending != "complete" && !record.samples.is_empty() {
            let lost = killed_ms - record.last_moment().wall.0;
            assert!(lost <= MOST_LOST_MS, "run {number}: {lost} ms are missing");
            self.lost_ms.push(lost);
        }
    }

    /// All runs together, once more: nothing that was closed was touched again.
    fn finish(mut self, shots: u32) {
        self.recover();
        let store = self.store();
        for run in store.runs().unwrap() {
            assert!(!run.open && run.grade.is_some(), "{run:?}");
            assert_eq!(store.record(run.number).unwrap().verdicts.len(), 1);
            assert_eq!(store.check_run(run.number).unwrap(), []);
        }
        let not_begun = self.endings.get("not begun").copied().unwrap_or(0);
        assert!(
            not_begun < shots / 2,
            "hardly a run was hit: {:?}",
            self.endings
        );
        self.lost_ms.sort_unstable();
        let median = self.lost_ms.get(self.lost_ms.len() / 2);
        println!(
            "{shots} kills: {:?}; missing at the kill: median {median:?} ms, most {:?} ms; recoveries \
             killed, too: {}",
            self.endings,
            self.lost_ms.last(),
            self.recoveries_killed
        );
    }
}

fn resets(record: &Record) -> usize {
    let resets = record.findings.iter();
    resets
        .filter(|finding| matches!(finding.kind, FindingKind::Reset { .. }))
        .count()
}

pub(crate) fn wall_ms() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    i64::try_from(since.as_millis()).unwrap()
}

/// Processes of a group that still run; what waits to be reaped by somebody else does not count.
fn alive_in(group: Pid) -> Vec<String> {
    let mut alive = Vec::new();
    for entry in fs::read_dir("/proc").unwrap().flatten() {
        let Ok(stat) = fs::read_to_string(entry.path().join("stat")) else {
            continue;
        };
        let Some((_, rest)) = stat.rsplit_once(')') else {
            continue;
        };
        let fields: Vec<&str> = rest.split_whitespace().collect();
        let own = fields.get(2).and_then(|text| text.parse::<i32>().ok()) == Some(group.as_raw());
        if own && fields[0] != "Z" {
            alive.push(stat);
        }
    }
    alive
}

pub(crate) fn wait_until_gone(group: Pid) {
    let begun = Instant::now();
    loop {
        let alive = alive_in(group);
        if alive.is_empty() {
            return;
        }
        assert!(begun.elapsed() < PATIENCE, "survivors: {alive:?}");
        sleep(Duration::from_millis(5));
    }
}

fn campaign(seed: u64, shots: u32) {
    let mut range = Range::new(seed);
    for _ in 0..shots {
        range.shoot();
    }
    range.finish(shots);
}

#[test]
fn a_few_kills_at_random_instants_leave_one_verdict_each() {
    campaign(1, 6);
}

#[test]
#[ignore = "a campaign of about ten minutes"]
fn two_hundred_kills_at_random_instants_leave_one_verdict_each() {
    campaign(200, 200);
}

#[test]
#[ignore = "a campaign of about an hour"]
fn a_thousand_kills_at_random_instants_leave_one_verdict_each() {
    campaign(1_000, 1_000);
}
