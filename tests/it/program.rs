//! The real binary, driven and disturbed from outside: right finding, right core, right grade, right
//! exit code, no orphan. One run at a time, since load is machine-wide.
#![expect(
    clippy::disallowed_methods,
    reason = "tests start programs, read /proc and wait"
)]

use std::fs;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::thread::sleep;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;

pub(crate) static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
pub(crate) const PATIENCE: Duration = Duration::from_secs(60);

/// Arithmetic on every core.
pub(crate) const COMPUTE: &str = r#"
about = "arithmetic on every core"
asserts = ["answers"]
stall-after = "5s"

[[stage]]
name = "work"
time = "20s"

[[stage.load]]
kernels = ["int-streams.reg"]
cores = "all"
"#;

/// A walk over 64 MiB on every core.
fn walking(kernel: &str) -> String {
    COMPUTE
        .replace("int-streams.reg", kernel)
        .replace("cores = \"all\"", "cores = \"all\"\nmemory = \"64MiB\"")
}

pub(crate) struct Trial {
    pub(crate) folder: tempfile::TempDir,
    _turn: MutexGuard<'static, ()>,
}

pub(crate) struct Running {
    pub(crate) child: Option<Child>,
    pub(crate) workers: Vec<Worker>,
}

#[derive(Debug, Clone)]
pub(crate) struct Worker {
    pub(crate) pid: i32,
    pub(crate) cpu: u64,
}

impl Trial {
    pub(crate) fn new() -> Self {
        let turn = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        Self {
            folder: tempfile::tempdir().expect("a folder"),
            _turn: turn,
        }
    }

    pub(crate) fn suite(&self, text: &str) -> PathBuf {
        let path = self.folder.path().join("trial.toml");
        fs::write(&path, text).expect("suite written");
        path
    }

    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_soakproof"));
        command
            .args(arguments)
            .env("SOAKPROOF_STORE", self.folder.path().join("store"))
            .env("SOAKPROOF_SOCKET", self.folder.path().join("socket"));
        command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    pub(crate) fn output(&self, arguments: &[&str]) -> Output {
        self.command(arguments)
            .output()
            .expect("the program starts")
    }

    pub(crate) fn start(&self, suite: &str) -> Running {
        let path = self.suite(suite);
        let mut command = self.command(&["run", path.to_str().expect("text"), "--json"]);
        let mut running = Running::new(command.spawn().expect("starts"));
        let cores = usable_cores();
        let begun = Instant::now();
        while running.workers.len() < cores {
            assert!(begun.elapsed() < PATIENCE, "workers never came up");
            sleep(Duration::from_millis(50));
            running.workers = workers_of(running.pid());
        }
        // Past the common epoch, so that all of them compute.
        sleep(Duration::from_millis(1500));
        running
    }
}

/// A test that fails midway leaves no load behind for the next one to trip over.
impl Drop for Running {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            drop(child.kill());
            drop(child.wait());
        }
    }
}

impl Running {
    pub(crate) fn new(child: Child) -> Self {
        Self {
            child: Some(child),
            workers: vec![],
        }
    }

    pub(crate) fn pid(&self) -> i32 {
        let id = self.child.as_ref().expect("still running").id();
        i32::try_from(id).expect("a pid")
    }

    pub(crate) fn finish(mut self) -> (i32, Value) {
        let workers = self.workers.clone();
        let child = self.child.take().expect("still running");
        let output = child.wait_with_output().expect("ends");
        for worker in workers {
            assert!(!is_alive(worker.pid), "worker {worker:?} was left running");
        }
        let code = output.status.code().expect("an exit code");
        let text = String::from_utf8(output.stdout).expect("text");
        let errors = String::from_utf8_lossy(&output.stderr);
        let report = serde_json::from_str(&text);
        (
            code,
            report.unwrap_or_else(|error| panic!("{error} in {text:?}, said {errors}")),
        )
    }
}

pub(crate) fn usable_cores() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

pub(crate) fn workers_of(parent: i32) -> Vec<Worker> {
    let mut workers = Vec::new();
    for entry in fs::read_dir("/proc").expect("proc").flatten() {
        let Ok(pid) = entry.file_name().to_string_lossy().parse::<i32>() else {
            continue;
        };
        let Ok(status) = fs::read_to_string(format!("/proc/{pid}/status")) else {
            continue;
        };
        let field = |name: &str| {
            let line = status.lines().find(|line| line.starts_with(name));
            line.map(|line| line[name.len()..].trim().to_owned())
                .unwrap_or_default()
        };
        let is_worker = fs::read_to_string(format!("/proc/{pid}/cmdline"))
            .is_ok_and(|line| line.starts_with("soakproof-worker"));
        if field("PPid:") == parent.to_string()
            && is_worker
            && let Ok(cpu) = field("Cpus_allowed_list:").parse()
        {
            workers.push(Worker { pid, cpu });
        }
    }
    workers.sort_by_key(|worker| worker.cpu);
    workers
}

pub(crate) fn is_alive(pid: i32) -> bool {
    fs::read_to_string(format!("/proc/{pid}/stat")).is_ok_and(|stat| {
        !stat
            .rsplit_once(')')
            .is_some_and(|(_, rest)| rest.starts_with(" Z"))
    })
}

pub(crate) fn send(pid: i32, signal: Signal) {
    kill(Pid::from_raw(pid), signal).expect("signal delivered");
}

/// Where a mapping of the process lies.
fn mapping(pid: i32, name: &str) -> (u64, u64) {
    let maps = fs::read_to_string(format!("/proc/{pid}/maps")).expect("maps");
    let line = maps
        .lines()
        .find(|line| line.ends_with(name))
        .expect("mapping");
    let (start, end) = line
        .split_whitespace()
        .next()
        .and_then(|r| r.split_once('-'))
        .expect("-");
    let number = |text| u64::from_str_radix(text, 16).expect("hexadecimal");
    (number(start), number(end))
}

pub(crate) fn memory_of(pid: i32) -> fs::File {
    let path = format!("/proc/{pid}/mem");
    fs::File::options()
        .read(true)
        .write(true)
        .open(path)
        .expect("the memory of our own child")
}

/// The worker's live data, as its slot tells it (words 15 and 16 of the slot page).
pub(crate) fn live_data(pid: i32) -> (u64, u64) {
    let (slot, _) = mapping(pid, "/memfd:soakproof (deleted)");
    let memory = memory_of(pid);
    let word = |index: u64| {
        let mut bytes = [0; 8];
        memory
            .read_exact_at(&mut bytes, slot + index * 8)
            .expect("slot");
        u64::from_le_bytes(bytes)
    };
    (word(15), word(16))
}

pub(crate) fn findings(report: &Value) -> &Vec<Value> {
    report["verdict"]["findings"].as_array().expect("findings")
}

pub(crate) fn end_of(report: &Value) -> String {
    report["run"]["end"].to_string()
}

#[test]
fn an_undisturbed_run_uses_every_core_and_says_the_same_in_text_and_json() {
    let trial = Trial::new();
    let running = trial.start(&COMPUTE.replace("20s", "3s"));
    let cpus: Vec<u64> = running.workers.iter().map(|worker| worker.cpu).collect();
    let (code, report) = running.finish();
    assert_eq!(cpus.len(), usable_cores());
    assert!(findings(&report).is_empty(), "{report:#}");
    assert_eq!(report["verdict"]["grade"], "provisional");
    assert_eq!(code, 0);
    let text = trial.output(&["report", "last"]);
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(text.contains("provisional"), "{text}");
    let again = trial.output(&["report", "last", "--json"]);
    let again: Value = serde_json::from_slice(&again.stdout).expect("JSON");
    assert_eq!(again["verdict"], report["verdict"]);
}

#[test]
fn a_signal_that_someone_sent_is_an_interruption_not_a_finding() {
    let trial = Trial::new();
    let running = trial.start(COMPUTE);
    send(running.workers[0].pid, Signal::SIGSEGV);
    let (code, report) = running.finish();
    assert!(findings(&report).is_empty(), "{report:#}");
    assert!(
        end_of(&report).contains("interrupted"),
        "{}",
        end_of(&report)
    );
    assert_eq!(report["verdict"]["grade"], "inconclusive");
    assert_eq!(code, 5);
}

#[test]
fn a_worker_that_jumps_to_garbage_is_a_crash_on_its_core() {
    let trial = Trial::new();
    let running = trial.start(COMPUTE);
    let worker = running.workers.last().expect("a worker").clone();
    // A stack full of nonsense: the next return or saved pointer leads nowhere.
    let (start, end) = mapping(worker.pid, "[stack]");
    let nonsense = 0x0000_0bad_0000_0bad_u64.to_le_bytes().repeat(512);
    let memory = memory_of(worker.pid);
    let mut at = start;
    while at < end {
        memory.write_all_at(&nonsense, at).expect("stack written");
        at += nonsense.len() as u64;
    }
    let (code, report) = running.finish();
    let trap = findings(&report)
        .iter()
        .find(|finding| finding["kind"]["kind"] == "trap");
    let trap = trap.unwrap_or_else(|| panic!("no trap in {report:#}"));
    assert_eq!(trap["cpu"], worker.cpu);
    assert_eq!(trap["kernel"], "int-streams.reg");
    assert_eq!(report["verdict"]["grade"], "failed");
    assert_eq!(report["verdict"]["causes"][0], "crash");
    assert_eq!(code, 4);
}

#[test]
fn a_worker_stopped_from_outside_is_named_and_not_held_against_the_machine() {
    let trial = Trial::new();
    let running = trial.start(COMPUTE);
    let worker = running.workers[0].clone();
    send(worker.pid, Signal::SIGSTOP);
    let (code, report) = running.finish();
    assert!(findings(&report).is_empty(), "{report:#}");
    let end = end_of(&report);
    assert!(end.contains("stopped from outside"), "{end}");
    assert!(end.contains(&format!("cpu {}", worker.cpu)), "{end}");
    assert_eq!(code, 5);
}

#[test]
fn a_bit_flipped_in_walked_memory_is_found_with_address_and_direction() {
    let trial = Trial::new();
    let running = trial.start(&walking("address.memory"));
    let worker = running.workers.last().expect("a worker").clone();
    let (address, bytes) = live_data(worker.pid);
    assert!(bytes >= 16 << 20, "{bytes}");
    let memory = memory_of(worker.pid);
    let target = address + bytes / 2 + 8;
    let begun = Instant::now();
    // The flip must fall between a write and its read; a few tries do.
    while is_alive(worker.pid) && begun.elapsed() < PATIENCE {
        let mut word = [0; 8];
        if memory.read_exact_at(&mut word, target).is_ok() {
            word[3] ^= 0x10;
            drop(memory.write_all_at(&word, target));
        }
        sleep(Duration::from_millis(37));
    }
    let (code, report) = running.finish();
    let wrong = findings(&report)
        .iter()
        .find(|finding| finding["kind"]["kind"] == "wrong-memory");
    let wrong = wrong.unwrap_or_else(|| panic!("no wrong word in {report:#}"));
    assert_eq!(wrong["cpu"], worker.cpu);
    assert_eq!(wrong["kind"]["address"], target);
    let word = |name: &str| wrong["kind"][name].as_u64().expect("a word");
    assert_eq!(word("expected") ^ word("got"), 0x10 << 24);
    // What was written follows from the place, so the direction is known as well.
    let value = soakproof::kernels::memory::address_value((target - address) / 8);
    let written = if word("step") < 2 { value } else { !value };
    assert_eq!(word("expected"), written);
    let (rose, fell) = if written & (0x10 << 24) == 0 {
        (0x10_u64 << 24, 0_u64)
    } else {
        (0, 0x10 << 24)
    };
    let text = trial.output(&["report", "last"]);
    // Lines are wrapped to the width of the page.
    let text = String::from_utf8_lossy(&text.stdout);
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let direction = format!("rose {rose:016x}, fell {fell:016x}");
    assert!(text.contains(&direction), "{direction} in {text}");
    assert_eq!(report["verdict"]["causes"][0], "memory");
    assert_eq!(code, 4);
}

#[test]
fn a_bit_flipped_in_the_live_data_of_a_compute_kernel_is_a_wrong_answer_on_its_core() {
    let trial = Trial::new();
    let running = trial.start(&COMPUTE.replace("int-streams.reg", "matrix-exact.l1"));
    let worker = running.workers[0].clone();
    let (address, bytes) = live_data(worker.pid);
    let memory = memory_of(worker.pid);
    let begun = Instant::now();
    let mut step = 0;
    while is_alive(worker.pid) && begun.elapsed() < PATIENCE {
        let target = address + (step * 4099 * 8) % bytes;
        let mut word = [0; 8];
        if memory.read_exact_at(&mut word, target).is_ok() {
            word[5] ^= 0x01;
            drop(memory.write_all_at(&word, target));
        }
        step += 1;
        sleep(Duration::from_millis(3));
    }
    let (code, report) = running.finish();
    let wrong = findings(&report)
        .iter()
        .find(|finding| finding["kind"]["kind"] == "wrong-answer");
    let wrong = wrong.unwrap_or_else(|| panic!("no wrong answer in {report:#}"));
    assert_eq!(wrong["cpu"], worker.cpu);
    assert_eq!(wrong["kernel"], "matrix-exact.l1");
    assert_eq!(report["verdict"]["causes"][0], "computation");
    assert_eq!(code, 4);
}

#[test]
fn a_killed_supervisor_takes_its_workers_with_it() {
    let trial = Trial::new();
    let mut running = trial.start(COMPUTE);
    send(running.pid(), Signal::SIGKILL);
    running
        .child
        .take()
        .expect("started")
        .wait()
        .expect("reaped");
    let begun = Instant::now();
    while running.workers.iter().any(|worker| is_alive(worker.pid)) {
        assert!(begun.elapsed() < PATIENCE, "orphans: {:?}", running.workers);
        sleep(Duration::from_millis(20));
    }
    // What was known is on disk, and the next command reads it.
    let runs = trial.output(&["runs", "--json"]);
    let runs: Value = serde_json::from_slice(&runs.stdout).expect("JSON");
    assert_eq!(runs["runs"].as_array().map(Vec::len), Some(1), "{runs:#}");
    let report = trial.output(&["report", "last", "--json"]);
    assert_eq!(report.status.code(), Some(0));
}

#[test]
fn an_interrupt_ends_the_run_with_a_verdict_on_what_was_seen() {
    let trial = Trial::new();
    let running = trial.start(COMPUTE);
    send(running.pid(), Signal::SIGINT);
    let (code, report) = running.finish();
    assert!(end_of(&report).contains("stopped"), "{}", end_of(&report));
    assert_eq!(report["verdict"]["grade"], "inconclusive");
    assert_eq!(code, 5);
}

#[test]
fn two_loads_at_once_are_refused() {
    let trial = Trial::new();
    let running = trial.start(COMPUTE);
    for second in [&["run", "smoke"][..], &["measure", "--json"]] {
        let second = trial.output(second);
        let said = String::from_utf8_lossy(&second.stderr).into_owned();
        assert!(said.contains("another run"), "{said}");
        assert_eq!(second.status.code(), Some(1));
        assert!(second.stdout.is_empty());
    }
    send(running.pid(), Signal::SIGINT);
    running.finish();
}

fn refused(trial: &Trial, arguments: &[&str], words: &[&str]) {
    let output = trial.output(arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    for word in words {
        assert!(
            said.contains(word),
            "{arguments:?} said {said:?}, not {word:?}"
        );
    }
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
    assert!(output.stdout.is_empty(), "no data for a refused command");
}

#[test]
fn bad_input_is_refused_by_name_before_anything_starts() {
    let trial = Trial::new();
    refused(&trial, &["run", "smok"], &["`smok`", "`smoke`"]);
    refused(&trial, &["run", "./missing.toml"], &["missing.toml"]);
    refused(&trial, &["report", "7"], &["no run"]);
    refused(&trial, &["run", "smoke", "--clock", "5.0"], &["5000"]);
    let with = |text: &str| trial.suite(text).to_str().expect("text").to_owned();
    let far = with(&COMPUTE.replace("\"all\"", "[99]"));
    refused(&trial, &["run", &far], &["99"]);
    let negative = with(&COMPUTE.replace("20s", "-20s"));
    refused(&trial, &["run", &negative], &["trial.toml:8:", "-20s"]);
    let huge = COMPUTE.replace("int-streams.reg", "march.memory");
    let huge = with(&huge.replace("\"all\"", "\"all\"\nmemory = \"900000GiB\""));
    refused(&trial, &["run", &huge], &["memory"]);
    let empty = with("about = \"nothing\"\n");
    refused(&trial, &["run", &empty], &["stage"]);
}

#[test]
fn a_store_that_cannot_be_opened_is_named_and_nothing_starts() {
    let trial = Trial::new();
    let file = trial.folder.path().join("plain");
    fs::write(&file, "not a folder").expect("written");
    let below = file.join("store");
    let output = trial.output(&["run", "smoke", "--store", below.to_str().expect("text")]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("plain"), "{said}");
    assert_eq!(output.status.code(), Some(1));
}

#[test]
fn a_dry_run_shows_what_the_claim_needs_and_starts_nothing() {
    let trial = Trial::new();
    let text = trial.output(&["run", "hour", "--dry-run"]);
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    // NIST/SEMATECH e-Handbook 8.4.5.1: 15 min at 95 % need 15 min x 2.9957 = 44 min 56 s.
    assert!(text.contains("the claim needs 44min56s"), "{text}");
    let json = trial.output(&["run", "hour", "--dry-run", "--json"]);
    let plan: Value = serde_json::from_slice(&json.stdout).expect("JSON");
    let exposure = &plan["exposure"][0];
    let number = |name: &str| exposure[name].as_f64().expect("a number");
    assert!(
        number("planned_s") >= 1.05 * number("needed_s"),
        "{exposure}"
    );
    assert!(
        !trial.folder.path().join("store").exists(),
        "a dry run keeps no record"
    );
}

pub(crate) fn copy_tree(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("folder");
    for entry in fs::read_dir(from).expect("tree").flatten() {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy_tree(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).expect("copied");
        }
    }
}

/// The thermometers of the processor of an invented desktop, to be played with.
fn thermometers(machine: &Path) -> Vec<PathBuf> {
    let chips = machine.join("sys/class/hwmon");
    let chips = fs::read_dir(chips)
        .expect("chips")
        .flatten()
        .map(|entry| entry.path());
    let of_processor = |chip: &PathBuf| {
        fs::read_to_string(chip.join("name")).is_ok_and(|name| name.trim() == "coretemp")
    };
    let files = chips
        .filter(of_processor)
        .flat_map(|chip| fs::read_dir(chip).expect("chip"));
    let named = |path: &PathBuf| {
        let name = path
            .file_name()
            .map(|name| name.to_string_lossy().into_owned());
        name.is_some_and(|name| name.starts_with("temp") && name.ends_with("_input"))
    };
    files
        .flatten()
        .map(|entry| entry.path())
        .filter(named)
        .collect()
}

fn run_on_fixture(trial: &Trial, disturb: impl FnOnce(&[PathBuf])) -> (i32, Value) {
    run_suite_on_fixture(trial, COMPUTE, |_, machine| disturb(&thermometers(machine)))
}

fn run_suite_on_fixture(
    trial: &Trial,
    suite: &str,
    disturb: impl FnOnce(&Running, &Path),
) -> (i32, Value) {
    let machine = trial.folder.path().join("machine");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/machines/desktop-core-labels");
    copy_tree(&source, &machine);
    assert!(!thermometers(&machine).is_empty());
    let suite = trial.suite(suite);
    let suite = suite.to_str().expect("text");
    let folder = machine.to_str().expect("text");
    let mut command = trial.command(&["run", suite, "--json", "--machine", folder]);
    let mut running = Running::new(command.spawn().expect("starts"));
    let begun = Instant::now();
    while running.workers.is_empty() {
        assert!(begun.elapsed() < PATIENCE, "workers never came up");
        sleep(Duration::from_millis(50));
        running.workers = workers_of(running.pid());
    }
    sleep(Duration::from_millis(1500));
    disturb(&running, &machine);
    running.finish()
}

#[test]
fn a_processor_over_its_ceiling_stops_the_load_and_fails_for_heat() {
    let trial = Trial::new();
    let (code, report) = run_on_fixture(&trial, |thermometers| {
        for path in thermometers {
            fs::write(path, "97000\n").expect("heated");
        }
    });
    let hot = findings(&report)
        .iter()
        .find(|finding| finding["kind"]["kind"] == "over-hot");
    let hot = hot.unwrap_or_else(|| panic!("no over-hot finding in {report:#}"));
    assert_eq!(hot["kind"]["reading_c"], 97.0);
    assert!(end_of(&report).contains("guard"), "{}", end_of(&report));
    assert_eq!(report["verdict"]["causes"][0], "heat");
    assert_eq!(report["run"]["machine"]["simulated"], true);
    assert_eq!(code, 4);
}

#[test]
fn thermometers_that_vanish_stop_the_load_without_a_charge_against_the_machine() {
    let trial = Trial::new();
    let (code, report) = run_on_fixture(&trial, |thermometers| {
        for path in thermometers {
            fs::remove_file(path).expect("removed");
        }
    });
    assert!(findings(&report).is_empty(), "{report:#}");
    assert!(end_of(&report).contains("guard"), "{}", end_of(&report));
    assert_eq!(report["verdict"]["grade"], "inconclusive");
    assert_eq!(code, 5);
}

#[test]
fn a_walk_gives_memory_back_when_the_machine_runs_short_and_says_so() {
    let trial = Trial::new();
    let suite = walking("march.memory").replace("20s", "8s");
    let mut walked = (0, 0);
    let (code, report) = run_suite_on_fixture(&trial, &suite, |running, machine| {
        let worker = running.workers[0].pid;
        walked.0 = live_data(worker).1;
        let pressure = machine.join("proc/pressure/memory");
        let short = "some avg10=71.50 avg60=30.00 avg300=9.00 total=9000000\n\
                     full avg10=55.25 avg60=20.00 avg300=5.00 total=5000000\n";
        fs::write(pressure, short).expect("pressure raised");
        let begun = Instant::now();
        while live_data(worker).1 == walked.0 {
            assert!(begun.elapsed() < PATIENCE, "nothing was given back");
            sleep(Duration::from_millis(20));
        }
        walked.1 = live_data(worker).1;
    });
    assert_eq!(walked.1, walked.0 / 2);
    let gaps = report["verdict"]["gaps"].as_array().expect("gaps");
    let less = gaps.iter().find(|gap| gap["kind"] == "less-memory");
    let less = less.unwrap_or_else(|| panic!("no gap in {report:#}"));
    let about = less["about"].as_str().expect("text");
    assert!(
        about.contains("ran short") && about.contains("1/2"),
        "{about}"
    );
    assert!(findings(&report).is_empty(), "{report:#}");
    assert_eq!(report["verdict"]["grade"], "provisional");
    assert_eq!(code, 0);
}
