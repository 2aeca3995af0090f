//! Trouble with what the program stands on: a record that fills up, is deleted, damaged or kept out, and a
//! system that starts no worker. The load ends, the verdict is told, nothing hangs.
#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests start programs and spoil files"
)]

mod disks;

use std::fs;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;

use crate::program::{COMPUTE, Trial, end_of};

/// Runs the program under limits that a shell sets first.
fn limited(trial: &Trial, limits: &str, seconds: &str) -> Output {
    let suite = trial.suite(&COMPUTE.replace("20s", seconds));
    let script = format!("{limits}; exec \"$0\" run \"$1\" --json");
    Command::new("sh")
        .args(["-c", &script, env!("CARGO_BIN_EXE_soakproof")])
        .arg(suite)
        .env("SOAKPROOF_STORE", store_of(trial))
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn store_of(trial: &Trial) -> PathBuf {
    trial.folder.path().join("store")
}

fn words(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn a_record_that_fills_up_ends_the_run_and_says_what_is_missing() {
    let trial = Trial::new();
    // The limit works like a full disk for whoever does not let the signal kill him.
    let output = limited(&trial, "trap '' XFSZ; ulimit -f 320", "60s");
    let said = words(&output.stderr);
    let report: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(
        end_of(&report).contains("cannot be written"),
        "{}",
        end_of(&report)
    );
    assert!(said.contains("part of the record"), "{said}");
    assert_eq!(output.status.code(), Some(1));
    // What was written stays readable, and the run is closed by the next command.
    let again = trial.output(&["report", "last", "--json"]);
    let again: Value = serde_json::from_slice(&again.stdout).unwrap();
    assert!(
        again["run"]["sample_count"].as_u64() >= Some(1),
        "{again:#}"
    );
    assert_ne!(again["verdict"]["grade"], "failed", "{again:#}");
}

#[test]
fn a_record_that_is_deleted_under_the_run_ends_it() {
    let trial = Trial::new();
    let running = trial.start(COMPUTE);
    fs::remove_dir_all(store_of(&trial)).unwrap();
    let (code, report) = running.finish();
    assert!(
        end_of(&report).contains("moved or deleted"),
        "{}",
        end_of(&report)
    );
    assert_eq!(code, 1);
}

#[test]
fn a_worker_that_cannot_be_started_is_an_interruption() {
    let trial = Trial::new();
    // Enough descriptors for the program itself, not for what a worker needs.
    let found = (14..40).find_map(|most| {
        let output = limited(&trial, &format!("ulimit -n {most}"), "2s");
        let report: Value = serde_json::from_slice(&output.stdout).ok()?;
        end_of(&report)
            .contains("could not be started")
            .then_some((output, report))
    });
    let (output, report) = found.expect("a limit at which only workers fail");
    assert!(
        report["verdict"]["findings"].as_array().unwrap().is_empty(),
        "{report:#}"
    );
    assert_eq!(report["verdict"]["grade"], "inconclusive");
    assert_eq!(output.status.code(), Some(5));
}

/// Folds the log into the file and overwrites the last page that holds samples.
fn spoil(store: &Path) {
    const PAGE: usize = 4096;
    let path = store.join("soakproof.sqlite");
    let connection = rusqlite::Connection::open(&path).unwrap();
    connection
        .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
        .unwrap();
    drop(connection);
    let bytes = fs::read(&path).unwrap();
    let samples = br#""entry":"sample""#;
    let holds = |page: &[u8]| page.windows(samples.len()).any(|part| part == samples);
    let page = bytes.chunks(PAGE).rposition(holds).unwrap();
    let file = fs::File::options().write(true).open(&path).unwrap();
    let at = u64::try_from(page * PAGE).unwrap();
    file.write_all_at(&[0xa5; PAGE], at).unwrap();
}

#[test]
fn a_damaged_record_is_set_aside_and_what_can_be_read_is_kept() {
    let trial = Trial::new();
    let suite = trial.suite(&COMPUTE.replace("20s", "6s"));
    let suite = suite.to_str().unwrap();
    let first = trial.output(&["run", suite, "--json"]);
    assert_eq!(first.status.code(), Some(0), "{}", words(&first.stderr));
    spoil(&store_of(&trial));
    let second = trial.output(&["run", suite, "--json"]);
    let said = words(&second.stderr);
    assert!(said.contains("set aside"), "{said}");
    let report: Value = serde_json::from_slice(&second.stdout).unwrap();
    assert_eq!(report["run"]["number"], 2, "the numbers go on");
    let gaps = report["run"]["gaps"].to_string();
    assert!(gaps.contains("set aside"), "{gaps}");
    assert_eq!(second.status.code(), Some(0), "{said}");
    let names: Vec<String> = fs::read_dir(store_of(&trial))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    let aside = names.iter().filter(|name| name.contains(".damaged-"));
    assert!(aside.count() >= 1, "{names:?}");
    // The first run is there, and says what it lacks, if it lacks anything.
    let old = trial.output(&["report", "1", "--json"]);
    let old: Value = serde_json::from_slice(&old.stdout).unwrap();
    assert!(!old["run"]["started"].is_null(), "{old:#}");
    let check = trial.output(&["runs", "check"]);
    let text = words(&check.stdout);
    assert!(text.contains("2 runs checked"), "{text}");
}

#[test]
fn a_record_that_may_not_be_written_is_told_before_anything_starts() {
    let trial = Trial::new();
    // A place where not even root may make a folder.
    let output = trial.output(&["run", "smoke", "--store", "/proc/soakproof"]);
    let said = words(&output.stderr);
    assert!(
        said.contains("/proc/soakproof") && said.contains("--store"),
        "{said}"
    );
    assert_eq!(output.status.code(), Some(1));
}
