//! The session in the README, carried out as it is written there: the commands in their order, on an
//! invented machine, and what they say. Notes that a reader does not see (`<!-- session: ... -->`) start the
//! machine again or let a core compute wrongly.
//!
//! An output line of the README stands for the line that it was; `...` alone stands for any lines, and at
//! the end of a line for its rest. Times, counts of passes and of cores are those of the machine.
#![expect(
    clippy::disallowed_methods,
    reason = "tests start programs and lay out a machine"
)]

use std::collections::VecDeque;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::PoisonError;
use std::time::{Duration, Instant};

use crate::program::{ONE_AT_A_TIME, copy_tree, is_alive, live_data, memory_of, workers_of};

const README: &str = include_str!("../../../README.md");
const HEADING: &str = "## A tuning session";
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
}

fn section() -> &'static str {
    let start = README.find(HEADING).expect("the session in the README");
    let rest = &README[start + HEADING.len()..];
    &rest[..rest.find("\n## ").unwrap_or(rest.len())]
}

fn steps() -> Vec<Step> {
    let mut steps = Vec::new();
    let mut block: Option<(String, Vec<String>)> = None;
    for line in section().lines() {
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

struct Session {
    folder: tempfile::TempDir,
    boots: u32,
}

impl Session {
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
        let words = words(command);
        assert_eq!(words[0], "soakproof", "{command}");
        let mut child = Command::new(env!("CARGO_BIN_EXE_soakproof"))
            .args(&words[1..])
            .current_dir(self.folder.path())
            .env("SOAKPROOF_STORE", self.folder.path().join("store"))
            .env("SOAKPROOF_MACHINE", self.machine())
            .env("COLUMNS", "80")
            .env("TZ", "UTC")
            .stdin(Stdio::null())
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
fn the_session_in_the_readme_runs_as_it_is_written() {
    let _turn = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let mut session = Session {
        folder: tempfile::tempdir().unwrap(),
        boots: 0,
    };
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/machines/desktop-core-labels");
    copy_tree(&source, &session.machine());
    let (mut flip, mut commands, mut reboots, mut flips) = (false, 0, 0, 0);
    for step in steps() {
        match step {
            Step::File { name, text } => fs::write(session.folder.path().join(name), text).unwrap(),
            Step::Reboot => {
                session.reboot();
                reboots += 1;
            }
            Step::Flip => {
                flip = true;
                flips += 1;
            }
            Step::Say { command, lines } => {
                let said = session.say(&command, std::mem::take(&mut flip));
                hold(&command, lines, &said);
                commands += 1;
            }
        }
    }
    assert!(
        commands >= 10 && reboots >= 2 && flips >= 1,
        "{commands}, {reboots}, {flips}"
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
