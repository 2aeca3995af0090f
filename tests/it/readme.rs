//! The sessions in the README, carried out as they are written there: the commands in their order, on an
//! invented machine, and what they say. Notes that a reader does not see (`<!-- session: ... -->`) start the
//! machine again, cut its power, or let a core compute wrongly. A command with `&` goes on beside the others;
//! a time of day is replaced by one that is near.
//!
//! An output line of the README stands for the line that it was; `...` alone stands for any lines, and at
//! the end of a line for its rest. Times, counts of passes and of cores are those of the machine.
#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests start programs, lay out a machine and fail by panicking"
)]

use std::collections::VecDeque;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use crate::program::{ONE_AT_A_TIME, copy_tree, is_alive, live_data, memory_of, workers_of};

const README: &str = include_str!("../../README.md");
/// How far ahead a time of day is put.
const NEAR: jiff::SignedDuration = jiff::SignedDuration::from_secs(6);
const PATIENCE: Duration = Duration::from_secs(60);

/// One thing that the session does.
#[derive(Debug)]
enum Step {
    /// A file to be written.
    File { name: String, text: String },
    /// A command and what it says.
    Say {
        command: String,
        lines: VecDeque<String>,
    },
    /// The machine is started again.
    Reboot,
    /// A bit of a core's data flips during the next command.
    Flip,
    /// Everything ends in the middle of a run, and the machine is started again.
    PowerCut,
}

/// What stands below `heading`, up to the next one of its rank or above.
fn section(heading: &str) -> &'static str {
    let start = README.find(heading).expect("the session in the README");
    let rest = &README[start + heading.len()..];
    let ranks: &[&str] = if heading.starts_with("\n### ") {
        &["\n## ", "\n### "]
    } else {
        &["\n## "]
    };
    let ends = ranks.iter().filter_map(|next| rest.find(next));
    &rest[..ends.min().unwrap_or(rest.len())]
}

fn steps(heading: &str) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut block: Option<(String, Vec<String>)> = None;
    for line in section(heading).lines() {
        if let Some(kind) = line.strip_prefix("```") {
            match block.take() {
                None => block = Some((kind.to_owned(), Vec::new())),
                Some((kind, lines)) => close(&kind, lines, &mut steps),
            }
        } else if let Some((_, lines)) = &mut block {
            lines.push(line.to_owned());
        } else if line.contains("<!-- session: reboot -->") {
            steps.push(Step::Reboot);
        } else if line.contains("<!-- session: flip -->") {
            steps.push(Step::Flip);
        } else if line.contains("<!-- session: power cut -->") {
            steps.push(Step::PowerCut);
        } else {
            assert!(!line.contains("<!--"), "unknown note: {line}");
        }
    }
    steps
}

fn close(kind: &str, lines: Vec<String>, steps: &mut Vec<Step>) {
    match kind {
        "toml" => {
            let name = lines[0]
                .strip_prefix("# ")
                .expect("the name of the file first")
                .to_owned();
            let text = lines.join("\n");
            steps.push(Step::File { name, text });
        }
        "console" => {
            for line in lines {
                if let Some(command) = line.strip_prefix("$ ") {
                    steps.push(Step::Say {
                        command: command.to_owned(),
                        lines: VecDeque::new(),
                    });
                } else if let Some(Step::Say { lines, .. }) = steps.last_mut() {
                    lines.push_back(line);
                }
            }
        }
        other => panic!("a block of kind {other:?}"),
    }
}

/// Words of a command line, quotes respected.
fn words(command: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (index, part) in command.split('"').enumerate() {
        if index % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

/// A time a few seconds ahead.
fn near() -> String {
    let soon = jiff::Timestamp::now() + NEAR;
    soon.to_string()
}

struct Session {
    folder: tempfile::TempDir,
    boots: u32,
    beside: Vec<Child>,
    _turn: MutexGuard<'static, ()>,
}

impl Drop for Session {
    fn drop(&mut self) {
        for child in &mut self.beside {
            drop(child.kill());
            drop(child.wait());
        }
    }
}

impl Session {
    fn new() -> Self {
        let turn = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let session = Self {
            folder: tempfile::tempdir().unwrap(),
            boots: 0,
            beside: Vec::new(),
            _turn: turn,
        };
        let source =
            Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/machines/desktop-core-labels");
        copy_tree(&source, &session.machine());
        fs::write(session.machine().join("proc/uptime"), "7200.00 1000.00\n").unwrap();
        session
    }

    /// Carries out what stands below `heading`; gives the numbers of commands, starts and troubles.
    fn carry_out(&mut self, heading: &str) -> (u32, u32, u32) {
        let (mut flip, mut commands, mut starts, mut troubles) = (false, 0, 0, 0);
        for step in steps(heading) {
            match step {
                Step::File { name, text } => {
                    fs::write(self.folder.path().join(name), text).unwrap();
                }
                Step::Reboot => {
                    self.reboot();
                    starts += 1;
                }
                Step::Flip => {
                    flip = true;
                    troubles += 1;
                }
                Step::PowerCut => {
                    self.cut_power();
                    self.reboot();
                    (starts, troubles) = (starts + 1, troubles + 1);
                }
                Step::Say { command, lines } => {
                    match command.strip_suffix(" &") {
                        Some(command) => self.start_beside(command),
                        None => {
                            let said = self.say(&command, std::mem::take(&mut flip));
                            hold(&command, lines, &said);
                        }
                    }
                    commands += 1;
                }
            }
        }
        (commands, starts, troubles)
    }

    /// A service that answers when this returns.
    fn start_beside(&mut self, command: &str) {
        let socket = self.folder.path().join("socket");
        drop(fs::remove_file(&socket));
        let mut command = self.command(command);
        let child = command.stdout(Stdio::null()).stderr(Stdio::null());
        self.beside.push(child.spawn().unwrap());
        let begun = Instant::now();
        while !socket.exists() {
            assert!(begun.elapsed() < PATIENCE, "no service came up");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Ends the service and its workers at once, some seconds into a run.
    fn cut_power(&mut self) {
        let mut service = self.beside.pop().expect("something runs beside");
        let pid = i32::try_from(service.id()).unwrap();
        let begun = Instant::now();
        let workers = loop {
            let workers = workers_of(pid);
            if !workers.is_empty() {
                break workers;
            }
            assert!(begun.elapsed() < PATIENCE, "no run began");
            std::thread::sleep(Duration::from_millis(50));
        };
        std::thread::sleep(Duration::from_millis(4000));
        service.kill().unwrap();
        service.wait().unwrap();
        while workers.iter().any(|worker| is_alive(worker.pid)) {
            assert!(begun.elapsed() < PATIENCE, "workers survive");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn command(&self, command: &str) -> Command {
        let mut words = words(command);
        assert_eq!(words[0], "soakproof", "{command}");
        for word in &mut words {
            if word == "22:00" {
                *word = near();
            }
        }
        let mut command = Command::new(env!("CARGO_BIN_EXE_soakproof"));
        command
            .args(&words[1..])
            .current_dir(self.folder.path())
            .env("SOAKPROOF_STORE", self.folder.path().join("store"))
            .env("SOAKPROOF_SOCKET", self.folder.path().join("socket"))
            .env("SOAKPROOF_CONFIG", "/dev/null")
            .env("SOAKPROOF_MACHINE", self.machine())
            .env("COLUMNS", "80")
            .env("TZ", "UTC")
            .stdin(Stdio::null());
        command
    }

    fn machine(&self) -> PathBuf {
        self.folder.path().join("machine")
    }

    fn reboot(&mut self) {
        self.boots += 1;
        let path = self.machine().join("proc/sys/kernel/random/boot_id");
        fs::write(
            path,
            format!("00000000-0000-4000-8000-{:012}\n", self.boots),
        )
        .unwrap();
    }

    /// Everything that the command says, standard error first.
    fn say(&self, command: &str, flip: bool) -> Vec<String> {
        let mut child = self
            .command(command)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        if flip {
            flip_bits(i32::try_from(child.id()).unwrap());
        }
        let begun = Instant::now();
        while child.try_wait().unwrap().is_none() {
            if begun.elapsed() > PATIENCE {
                drop(child.kill());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let output = child.wait_with_output().unwrap();
        let text = [output.stderr, output.stdout].map(|bytes| String::from_utf8(bytes).unwrap());
        text.concat().lines().map(str::to_owned).collect()
    }
}

/// Flips bits of the live data of one worker until it ends.
fn flip_bits(supervisor: i32) {
    let begun = Instant::now();
    let worker = loop {
        assert!(begun.elapsed() < PATIENCE, "no worker came up");
        if let Some(worker) = workers_of(supervisor).first() {
            break worker.pid;
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    // Its data has a place once the worker has set itself up.
    std::thread::sleep(Duration::from_millis(1000));
    if !is_alive(worker) {
        return;
    }
    let (address, bytes) = live_data(worker);
    let memory = memory_of(worker);
    let mut step = 0;
    while is_alive(worker) && begun.elapsed() < PATIENCE {
        use std::os::unix::fs::FileExt;
        let target = address + (step * 4099 * 8) % bytes;
        let mut word = [0; 8];
        if memory.read_exact_at(&mut word, target).is_ok() {
            word[5] ^= 0x01;
            drop(memory.write_all_at(&word, target));
        }
        step += 1;
        std::thread::sleep(Duration::from_millis(3));
    }
}

/// The line without what belongs to the machine and the hour: dates, lengths of time, counts.
fn masked(line: &str) -> String {
    let words: Vec<&str> = line.split_whitespace().collect();
    let number = |word: &str| {
        let word = word.trim_matches(|c| matches!(c, '(' | ')'));
        word.starts_with(|c: char| c.is_ascii_digit())
            && word
                .chars()
                .all(|c| c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | ':'))
    };
    let counted = |word: &str| {
        let word = word.trim_matches(|c: char| !c.is_ascii_alphabetic());
        matches!(
            word,
            "s" | "min" | "h" | "pass" | "passes" | "core" | "cores" | "CPUs"
        )
    };
    let mut out: Vec<String> = Vec::new();
    let mut index = 0;
    while let Some(word) = words.get(index) {
        let next = words.get(index + 1).copied().unwrap_or("");
        if number(word) && counted(next) {
            // `2 min 05 s` and `42 s` are both a length of time.
            if out.last().is_none_or(|last| last != "TIME") {
                out.push("TIME".to_owned());
            }
            index += 2;
        } else if number(word) && (word.contains(':') || word.matches('-').count() == 2) {
            out.push("DATE".to_owned());
            index += 1;
        } else {
            out.push((*word).to_owned());
            index += 1;
        }
    }
    out.join(" ")
}

fn fits(expected: &str, said: &str) -> bool {
    match expected.strip_suffix("...") {
        Some(begin) => masked(said).starts_with(masked(begin).as_str()),
        None => masked(expected) == masked(said),
    }
}

/// Holds what was said against what the README shows.
fn hold(command: &str, mut expected: VecDeque<String>, said: &[String]) {
    let mut said_lines = said.iter();
    while let Some(line) = expected.pop_front() {
        let found = if line == "..." {
            let Some(next) = expected.pop_front() else {
                return;
            };
            said_lines
                .any(|said| fits(&next, said))
                .then_some(())
                .ok_or(next)
        } else {
            let said = said_lines.next().map_or("", String::as_str);
            fits(&line, said).then_some(()).ok_or(line)
        };
        if let Err(missing) = found {
            panic!(
                "`{command}` should say {missing:?} and said\n{}",
                said.join("\n")
            );
        }
    }
    let rest: Vec<&String> = said_lines.collect();
    assert!(
        rest.is_empty(),
        "`{command}` says more than the README shows: {rest:#?}"
    );
}

#[test]
fn the_tuning_session_in_the_readme_runs_as_it_is_written() {
    let (commands, starts, troubles) = Session::new().carry_out("\n## A tuning session");
    assert!(
        commands >= 10 && starts >= 2 && troubles >= 1,
        "{commands}, {starts}, {troubles}"
    );
}

#[test]
fn the_night_in_the_readme_that_went_wrong_runs_as_it_is_written() {
    let (commands, starts, troubles) = Session::new().carry_out("\n### A night that went wrong");
    assert!(
        commands >= 6 && starts == 1 && troubles == 1,
        "{commands}, {starts}, {troubles}"
    );
}

#[test]
fn the_comparison_of_a_session_is_not_blind() {
    assert!(fits(
        "No error in 4.9 s of load on 2 cores",
        "No error in 2 min 05 s of load on 16 cores"
    ));
    assert!(fits(
        "PROVISIONAL  No error ...",
        "PROVISIONAL No error in 5 s"
    ));
    assert!(fits(
        "1  2026-01-01 10:00:00 UTC  pending",
        "1 2027-02-03 11:12:13 UTC pending"
    ));
    assert!(!fits("core-voltage 1250 mV", "core-voltage 1240 mV"));
    assert!(!fits("provisional, run 2", "provisional, run 3"));
    assert!(!fits("FAILED ...", "PROVISIONAL nothing"));
}
