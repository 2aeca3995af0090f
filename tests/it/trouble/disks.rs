//! Disks that are slow, or fail while a run goes on: by `disk.c`, which stands between the program and its disk.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;

use super::words;
use crate::program::{COMPUTE, PATIENCE, Running, Trial, end_of, workers_of};

const ENOSPC: i32 = 28;
const EROFS: i32 = 30;
const EIO: i32 = 5;

struct Disk<'a> {
    trial: &'a Trial,
    shim: PathBuf,
}

impl<'a> Disk<'a> {
    fn new(trial: &'a Trial) -> Self {
        let shim = trial.folder.path().join("disk.so");
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/trouble/disk.c");
        let made = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-o"])
            .args([&shim, &source])
            .status();
        assert!(made.unwrap().success(), "a C compiler is needed");
        Self { trial, shim }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.trial.folder.path().join(name)
    }

    /// From now on each sync takes so long, and writes to the record fail by `error` (0: none).
    fn behave(&self, sync: Duration, error: i32) {
        let next = self.path("trouble.next");
        fs::write(&next, format!("{} {error}\n", sync.as_millis())).unwrap();
        fs::rename(next, self.path("trouble")).unwrap();
    }

    fn syncs(&self) -> u64 {
        fs::metadata(self.path("syncs")).map_or(0, |file| file.len())
    }

    fn start(&self, seconds: &str) -> Running {
        let suite = self.trial.suite(&COMPUTE.replace("20s", seconds));
        let mut command = self
            .trial
            .command(&["run", suite.to_str().unwrap(), "--json"]);
        command
            .env("LD_PRELOAD", &self.shim)
            .env("DISK_TROUBLE", self.path("trouble"))
            .env("DISK_SYNCS", self.path("syncs"));
        Running::new(command.spawn().unwrap())
    }
}

/// A disk whose every sync takes 100 ms holds neither the guard nor the samples up.
#[test]
fn on_a_slow_disk_a_run_loses_no_sample() {
    let trial = Trial::new();
    let disk = Disk::new(&trial);
    disk.behave(Duration::from_millis(100), 0);
    let (code, report) = disk.start("8s").finish();
    let samples = report["run"]["sample_count"].as_u64().unwrap();
    println!("{} syncs of 100 ms, {samples} samples", disk.syncs());
    assert!(disk.syncs() >= 8, "the disk was not slow: {}", disk.syncs());
    assert!(samples >= 8, "{report:#}");
    assert!(end_of(&report).contains("complete"), "{report:#}");
    let gaps = report["run"]["gaps"].to_string();
    assert!(
        !gaps.contains("record") && !gaps.contains("sampler-late"),
        "{gaps}"
    );
    assert_eq!(code, 0);
}

/// Full, read-only (what a file system becomes after errors of its own) and broken, from one moment on.
#[test]
fn a_disk_that_fails_under_a_run_ends_it_and_leaves_what_was_written() {
    for error in [ENOSPC, EROFS, EIO] {
        let trial = Trial::new();
        let disk = Disk::new(&trial);
        disk.behave(Duration::ZERO, 0);
        let running = disk.start("60s");
        let begun = Instant::now();
        while workers_of(running.pid()).is_empty() {
            assert!(begun.elapsed() < PATIENCE, "workers never came up");
            sleep(Duration::from_millis(50));
        }
        sleep(Duration::from_secs(2));
        disk.behave(Duration::ZERO, error);
        let (code, report) = running.finish();
        let end = end_of(&report);
        assert!(end.contains("cannot be written"), "{error}: {end}");
        assert_eq!(report["verdict"]["findings"], Value::Array(Vec::new()));
        assert_eq!(code, 1, "{error}");
        let again = trial.output(&["report", "last", "--json"]);
        let said = words(&again.stderr);
        let again: Value = serde_json::from_slice(&again.stdout).unwrap();
        assert!(
            again["run"]["sample_count"].as_u64() >= Some(1),
            "{said} {again:#}"
        );
        assert_ne!(again["verdict"]["grade"], "failed");
        println!(
            "error {error}: {end}, {} samples kept",
            again["run"]["sample_count"]
        );
    }
}
