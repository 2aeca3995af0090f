//! The real program on a folder shaped like a machine, killed in mid-run and started again.

use std::fs;
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant};

use nix::sys::signal::Signal;
use serde_json::Value;
use soakproof::os::RecordHold;

use crate::program::{COMPUTE, PATIENCE, Running, Trial, copy_tree, is_alive, send, workers_of};

/// How long others may load the machine.
const TURN_WITHIN: Duration = Duration::from_secs(300);
const BOOT_ID: &str = "proc/sys/kernel/random/boot_id";
const NEXT_BOOT: &str = "99999999-8888-4777-8666-555555555555";

/// A trial on an invented desktop of its own.
struct Bench {
    trial: Trial,
    machine: PathBuf,
}

impl Bench {
    fn new() -> Self {
        let trial = Trial::new();
        let machine = trial.folder.path().join("machine");
        let source = Path::new(env!("CARGO_MANIFEST_DIR"));
        copy_tree(&source.join("tests/machines/desktop-core-labels"), &machine);
        Self { trial, machine }
    }

    fn start(&self) -> Running {
        self.start_with(&[])
    }

    fn start_with(&self, more: &[&str]) -> Running {
        let suite = self.trial.suite(COMPUTE);
        let (suite, machine) = (suite.to_str().unwrap(), self.machine.to_str().unwrap());
        let mut arguments = vec!["run", suite, "--json", "--machine", machine];
        arguments.extend(more);
        let begun = Instant::now();
        let mut running = Running::new(self.trial.command(&arguments).spawn().unwrap());
        while running.workers.is_empty() {
            assert!(begun.elapsed() < TURN_WITHIN, "workers never came up");
            sleep(Duration::from_millis(50));
            let child = running.child.as_mut().unwrap();
            // Load is one at a time on the whole machine: others may have their turn first.
            if child.try_wait().unwrap().is_some() {
                running = Running::new(self.trial.command(&arguments).spawn().unwrap());
            }
            running.workers = workers_of(running.pid());
        }
        // Two samples under load at the least.
        sleep(Duration::from_millis(3_500));
        running
    }

    /// Everything ends this instant, as when the power is cut; the machine is started again.
    fn cut(&self, mut running: Running) {
        send(running.pid(), Signal::SIGKILL);
        running.child.take().unwrap().wait().unwrap();
        let begun = Instant::now();
        while running.workers.iter().any(|worker| is_alive(worker.pid)) {
            assert!(begun.elapsed() < PATIENCE, "workers survive");
            sleep(Duration::from_millis(20));
        }
    }

    fn boot(&self) {
        fs::write(self.machine.join(BOOT_ID), format!("{NEXT_BOOT}\n")).unwrap();
    }

    fn close(&self) -> Value {
        let machine = self.machine.to_str().unwrap();
        let output = self
            .trial
            .output(&["runs", "close", "--json", "--machine", machine]);
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        serde_json::from_slice(&output.stdout).unwrap()
    }

    fn report(&self) -> Value {
        let output = self.trial.output(&["report", "last", "--json"]);
        serde_json::from_slice(&output.stdout).unwrap()
    }
}

#[test]
fn a_run_cut_short_by_a_reset_is_closed_once_and_fails_the_machine() {
    let bench = Bench::new();
    bench.cut(bench.start());
    bench.boot();
    let status = bench.machine.join("sys/class/watchdog/watchdog0");
    fs::create_dir_all(&status).unwrap();
    fs::write(status.join("bootstatus"), "32\n").unwrap();
    // A command about this very machine must not judge by its own boot what happened on another.
    let report = bench.report();
    assert!(report["verdict"].is_null(), "{report:#}");
    assert_eq!(bench.close()["closed"], serde_json::json!([1]));
    assert_eq!(bench.close()["closed"], serde_json::json!([]));
    let report = bench.report();
    assert_eq!(report["verdict"]["grade"], "failed", "{report:#}");
    assert_eq!(report["verdict"]["causes"], serde_json::json!(["reset"]));
    assert_eq!(report["earlier_verdicts"], serde_json::json!([]));
    assert_eq!(report["run"]["end"]["why"], "reset");
    let kind = &report["verdict"]["findings"][0]["kind"];
    assert_eq!(kind["manner"], "hang");
    let evidence = kind["evidence"].as_str().unwrap();
    assert!(
        evidence.contains("machine hung or this service died"),
        "{evidence}"
    );
    assert!(evidence.contains("int-streams.reg"), "{evidence}");
    assert!(
        report["run"]["sample_count"].as_u64() >= Some(2),
        "{report:#}"
    );
}

#[test]
fn a_killed_program_is_closed_by_the_next_run_and_held_against_nobody() {
    let bench = Bench::new();
    bench.cut(bench.start());
    let suite = bench.trial.suite(&COMPUTE.replace("20s", "1s"));
    let arguments = [
        "run",
        suite.to_str().unwrap(),
        "--machine",
        bench.machine.to_str().unwrap(),
    ];
    let output = bench.trial.output(&arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        said.contains("run 1") && said.contains("inconclusive"),
        "{said}"
    );
    let first = bench.trial.output(&["report", "1", "--json"]);
    let first: Value = serde_json::from_slice(&first.stdout).unwrap();
    assert_eq!(first["run"]["end"]["why"], "interrupted");
    assert_eq!(first["verdict"]["grade"], "inconclusive");
}

#[test]
fn a_run_that_is_alive_is_not_closed_by_others() {
    let bench = Bench::new();
    let running = bench.start();
    bench.boot();
    assert_eq!(bench.close()["closed"], serde_json::json!([]));
    send(running.pid(), Signal::SIGINT);
    let (_, report) = running.finish();
    assert_eq!(report["run"]["end"]["why"], "stopped", "{report:#}");
    assert_eq!(report["run"]["stop_marks"][0]["shutdown"], false);
}

#[test]
fn a_record_that_is_held_for_a_moment_only_is_waited_for() {
    let bench = Bench::new();
    bench.cut(bench.start());
    bench.boot();
    let hold = RecordHold::take(&bench.trial.folder.path().join("store")).expect("free");
    let holder = std::thread::spawn(move || {
        sleep(Duration::from_secs(1));
        drop(hold);
    });
    assert_eq!(bench.close()["closed"], serde_json::json!([1]));
    holder.join().expect("let go");
}

#[test]
fn what_a_person_knows_stands_beside_the_grade() {
    let bench = Bench::new();
    bench.cut(bench.start());
    bench.boot();
    bench.close();
    let wrong = bench.trial.output(&["runs", "note", "1"]);
    assert_eq!(wrong.status.code(), Some(2), "{wrong:?}");
    let noted = bench.trial.output(&[
        "runs",
        "note",
        "1",
        "--cause",
        "power-cut",
        "--text",
        "fuse",
    ]);
    assert_eq!(noted.status.code(), Some(0), "{noted:?}");
    let report = bench.report();
    assert_eq!(report["verdict"]["grade"], "failed");
    assert_eq!(report["run"]["notes"][0]["cause"], "power-cut");
    let text = bench.trial.output(&["report", "1"]);
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(text.contains("the power was cut, `fuse`"), "{text}");
    assert!(text.contains("gathered"), "{text}");
    let check = bench.trial.output(&["runs", "check"]);
    assert_eq!(check.status.code(), Some(0), "{check:?}");
}

#[test]
fn a_damaged_row_is_named_by_the_check() {
    let bench = Bench::new();
    bench.cut(bench.start());
    let path = bench.trial.folder.path().join("store/soakproof.sqlite");
    let store = rusqlite::Connection::open(path).unwrap();
    let change = "UPDATE entries SET body = replace(body, 'stage', 'stale') WHERE seq = 2";
    assert_eq!(store.execute(change, []).unwrap(), 1);
    drop(store);
    let check = bench.trial.output(&["runs", "check", "1"]);
    let text = String::from_utf8_lossy(&check.stdout).into_owned();
    assert_eq!(check.status.code(), Some(1), "{text}");
    assert!(text.contains("run 1 row 2"), "{text}");
}

const DEVICE: &str = "dev/watchdog";
const CLASS: &str = "sys/class/watchdog/watchdog0";

/// Gives the invented machine a watchdog.
fn give_watchdog(bench: &Bench, nowayout: &str) {
    fs::create_dir_all(bench.machine.join(CLASS)).unwrap();
    fs::write(bench.machine.join(CLASS).join("nowayout"), nowayout).unwrap();
    fs::write(bench.machine.join(CLASS).join("timeout"), "8\n").unwrap();
    fs::write(bench.machine.join(DEVICE), "").unwrap();
}

fn written(bench: &Bench) -> String {
    fs::read_to_string(bench.machine.join(DEVICE)).unwrap()
}

#[test]
fn the_watchdog_is_put_off_during_a_run_and_stopped_at_its_end() {
    let bench = Bench::new();
    give_watchdog(&bench, "0");
    let suite = bench.trial.suite(&COMPUTE.replace("20s", "3s"));
    let (suite, machine) = (suite.to_str().unwrap(), bench.machine.to_str().unwrap());
    let plain = bench.trial.output(&["run", suite, "--machine", machine]);
    assert_eq!(plain.status.code(), Some(0), "{plain:?}");
    assert_eq!(written(&bench), "", "nobody asked for it");
    let output = bench
        .trial
        .output(&["run", suite, "--machine", machine, "--watchdog"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.contains("fires after 8 s"), "{said}");
    let written = written(&bench);
    assert!(written.ends_with("\nV"), "{written:?}");
    assert_eq!(written.matches('V').count(), 1, "{written:?}");
}

#[test]
fn a_killed_program_leaves_the_watchdog_armed() {
    let bench = Bench::new();
    give_watchdog(&bench, "0");
    bench.cut(bench.start_with(&["--watchdog"]));
    let written = written(&bench);
    assert!(
        written.contains('\n') && !written.contains('V'),
        "{written:?}"
    );
}

#[test]
fn a_watchdog_that_cannot_be_stopped_is_not_started() {
    let bench = Bench::new();
    give_watchdog(&bench, "1");
    let machine = bench.machine.to_str().unwrap();
    let output = bench
        .trial
        .output(&["run", "smoke", "--machine", machine, "--watchdog"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("nowayout"), "{said}");
    assert_eq!(written(&bench), "");
}

#[test]
fn a_run_told_to_end_while_the_system_goes_down_says_so() {
    let bench = Bench::new();
    let running = bench.start();
    fs::create_dir_all(bench.machine.join("run")).unwrap();
    fs::write(bench.machine.join("run/nologin"), "going down\n").unwrap();
    send(running.pid(), Signal::SIGTERM);
    let (_, report) = running.finish();
    let marks = report["run"]["stop_marks"].as_array().unwrap();
    let told: Vec<bool> = marks
        .iter()
        .filter_map(|mark| mark["shutdown"].as_bool())
        .collect();
    assert_eq!(told, [false, true], "{marks:?}");
}
