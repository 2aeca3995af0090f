//! The full screen, drawn into a buffer, and once on a real terminal.

use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use nix::pty::{OpenptyResult, Winsize, openpty};
use nix::sys::signal::{Signal, kill};
use nix::sys::termios::{LocalFlags, tcgetattr};
use nix::unistd::Pid;
use proptest::prelude::*;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use soakproof::model::{Entry, Gap, GapKind, RunHeader};
use soakproof::report::live::{LiveView, Look, Question, draw};

use super::night::Night;
use super::{golden, short, style};
use crate::program::{COMPUTE, PATIENCE, Trial};

/// The screen as lines of text.
fn screen(view: &LiveView, look: Look, (width, height): (u16, u16)) -> String {
    let area = Rect::new(0, 0, width, height);
    let mut buffer = Buffer::empty(area);
    draw(view, look, area, &mut buffer);
    let line = |y: u16| -> String {
        let line: String = (0..width)
            .map(|x| buffer[(x, y)].symbol().to_owned())
            .collect();
        line.trim_end().to_owned()
    };
    (0..height).map(|y| line(y) + "\n").collect()
}

/// The view after `seconds` of a run.
fn after(night: &Night, seconds: u64) -> LiveView {
    let (header, entries) = night.entries();
    let mut view = LiveView::new(12, &header, &style());
    for entry in &entries {
        if let Entry::Sample(sample) = entry
            && sample.at.mono > night::moment(seconds).mono
        {
            break;
        }
        view.take(entry);
    }
    view
}

use super::night;

fn unicode() -> Look {
    Look {
        unicode: true,
        ..Look::default()
    }
}

#[test]
fn the_screen_of_80_by_24_answers_the_three_questions() {
    let night = Night {
        wrong_at: Some(3100),
        ..Night::default()
    };
    let calm = screen(&after(&night, 2400), unicode(), (80, 24));
    golden("live-calm.txt", &calm);
    for part in [
        "nothing against it",
        "left ",
        "under the limit of 90 C",
        "now >",
    ] {
        assert!(calm.contains(part), "{part} in\n{calm}");
    }
    let failed = screen(&after(&night, 3200), unicode(), (80, 24));
    golden("live-failed.txt", &failed);
    assert!(
        failed.contains("NO, it has failed") && failed.contains("wrong answer"),
        "{failed}"
    );
    assert!(calm.is_ascii() || !screen(&after(&night, 2400), Look::default(), (80, 24)).is_empty());
}

#[test]
fn a_terminal_that_knows_ascii_only_gets_ascii_only() {
    let text = screen(&after(&Night::default(), 900), Look::default(), (80, 24));
    assert!(text.is_ascii(), "{text}");
}

#[test]
fn a_hundred_and_twenty_eight_cores_fold_and_the_bad_one_comes_first() {
    let night = Night {
        cores: 128,
        shorter: 30,
        ..Night::default()
    };
    let mut view = after(&night, 60);
    let (_, entries) = night.entries();
    let mut seen = entries.into_iter().filter_map(|entry| {
        if let Entry::Sample(sample) = entry {
            Some(sample).filter(|sample| !sample.workers.is_empty())
        } else {
            None
        }
    });
    let mut bad = seen.next_back().unwrap();
    bad.workers[77].errors = 3;
    view.take(&Entry::Sample(bad));
    let text = screen(&view, unicode(), (80, 24));
    golden("live-many.txt", &text);
    let signs: String = text
        .lines()
        .filter(|line| line.starts_with("===="))
        .collect();
    assert_eq!(signs.matches('=').count(), 127, "{text}");
    assert_eq!(signs.matches('X').count(), 1);
    let head = text
        .lines()
        .position(|line| line.starts_with("cpu does"))
        .unwrap();
    let first = text.lines().nth(head + 1).unwrap();
    assert!(first.trim_start().starts_with("77 work"), "{text}");
}

#[test]
fn scrolling_reaches_every_core_and_every_finding() {
    let night = Night {
        cores: 128,
        shorter: 30,
        ..Night::default()
    };
    let mut view = after(&night, 60);
    for number in 0..40 {
        view.take(&Entry::Gap(Gap {
            kind: GapKind::Busy,
            about: format!("gap number {number}"),
            remedy: String::new(),
        }));
    }
    let mut cores = String::new();
    let mut news = String::new();
    for step in 0..60 {
        let look = Look {
            cores_from: step,
            ..unicode()
        };
        cores.push_str(&screen(&view, look, (80, 24)));
        let look = Look {
            news_from: step,
            in_news: true,
            ..unicode()
        };
        news.push_str(&screen(&view, look, (80, 24)));
    }
    for cpu in 0..128 {
        assert!(cores.contains(&format!("{cpu:>3} work")), "cpu {cpu}");
    }
    for number in 0..40 {
        assert!(
            news.contains(&format!("gap number {number}\n")),
            "gap {number}"
        );
    }
}

#[test]
fn what_stands_in_the_way_of_a_grade_is_told_at_once() {
    let (mut header, _) = short().entries();
    header.plan.claim = None;
    let view = LiveView::new(1, &header, &style());
    assert!(
        screen(&view, unicode(), (80, 24))
            .contains("provisional at best: this suite makes no claim")
    );
    let (header, _) = short().entries();
    let mut view = LiveView::new(1, &header, &style());
    assert!(screen(&view, unicode(), (80, 24)).contains("nothing against it"));
    view.take(&Entry::Gap(Gap {
        kind: GapKind::ClassNotRun,
        about: "wide vector could not run here".to_owned(),
        remedy: String::new(),
    }));
    let text = screen(&view, unicode(), (80, 24));
    assert!(text.contains("provisional at best"), "{text}");
}

#[test]
fn a_question_takes_the_place_of_the_keys() {
    let view = after(&short(), 30);
    let look = Look {
        question: Question::Stop,
        ..unicode()
    };
    let text = screen(&view, look, (80, 24));
    assert!(
        text.lines().last().unwrap().starts_with("End the run now"),
        "{text}"
    );
    assert!(!screen(&view, unicode(), (80, 24)).contains("End the run now"));
}

fn hostile(text: &str) -> (RunHeader, Vec<Entry>) {
    let (mut header, mut entries) = Night {
        wrong_at: Some(40),
        shorter: 30,
        ..short()
    }
    .entries();
    text.clone_into(&mut header.plan.suite);
    text.clone_into(&mut header.machine.host);
    for stage in &mut header.plan.stages {
        text.clone_into(&mut stage.name);
    }
    for channel in &mut header.channels {
        text.clone_into(&mut channel.label);
    }
    for entry in &mut entries {
        if let Entry::Finding(finding) = entry {
            text.clone_into(&mut finding.stage);
        }
    }
    (header, entries)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn no_text_and_no_size_breaks_the_screen(
        text in any::<String>(), width in 1_u16..220, height in 1_u16..80
    ) {
        let (header, entries) = hostile(&text);
        let mut view = LiveView::new(1, &header, &style());
        for entry in &entries {
            view.take(entry);
        }
        let area = Rect::new(0, 0, width, height);
        let mut buffer = Buffer::empty(area);
        draw(&view, unicode(), area, &mut buffer);
        for cell in buffer.content() {
            prop_assert!(!cell.symbol().chars().any(char::is_control));
        }
    }
}

/// The program on a terminal of its own.
struct OnTerminal {
    child: Child,
    master: std::fs::File,
    slave: OwnedFd,
    output: Arc<Mutex<String>>,
}

impl OnTerminal {
    fn start(trial: &Trial, arguments: &[&str]) -> Self {
        let size = Winsize {
            ws_row: 24,
            ws_col: 80,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        let OpenptyResult { master, slave } = openpty(Some(&size), None).unwrap();
        let end = || Stdio::from(slave.try_clone().unwrap());
        let mut command = trial.command(arguments);
        command
            .stdin(end())
            .stdout(end())
            .stderr(end())
            .env("TERM", "xterm-256color")
            .env("LANG", "C.UTF-8");
        let child = command.spawn().unwrap();
        let output = Arc::new(Mutex::new(String::new()));
        let master = std::fs::File::from(master);
        let mut reader = master.try_clone().unwrap();
        let seen = Arc::clone(&output);
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(read @ 1..) = reader.read(&mut bytes) {
                let text = String::from_utf8_lossy(&bytes[..read]).into_owned();
                seen.lock().unwrap().push_str(&text);
            }
        });
        Self {
            child,
            master,
            slave,
            output,
        }
    }

    fn wait_for(&self, what: &str) {
        let begun = Instant::now();
        while !self.text().contains(what) {
            assert!(begun.elapsed() < PATIENCE, "`{what}` in {}", self.text());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn text(&self) -> String {
        self.output.lock().unwrap().clone()
    }

    fn press(&mut self, key: &str) {
        self.master.write_all(key.as_bytes()).unwrap();
    }

    /// True when the terminal gives whole lines and shows what is typed, as a shell wants it.
    fn is_usual(&self) -> bool {
        let flags = tcgetattr(&self.slave).unwrap().local_flags;
        flags.contains(LocalFlags::ICANON | LocalFlags::ECHO | LocalFlags::ISIG)
    }

    fn end(&mut self) -> Option<i32> {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                std::thread::sleep(Duration::from_millis(100));
                return status.code();
            }
            if begun.elapsed() > PATIENCE {
                self.child.kill().unwrap();
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

const LEAVES: &str = "\u{1b}[?1049l";

#[test]
fn on_a_terminal_a_run_is_stopped_by_a_key_and_a_yes() {
    let trial = Trial::new();
    let suite = trial.suite(COMPUTE);
    let mut seen = OnTerminal::start(&trial, &["run", suite.to_str().unwrap()]);
    seen.wait_for("pass?");
    seen.wait_for("work");
    assert!(!seen.is_usual(), "single keys are read");
    seen.press("s");
    seen.wait_for("End the run now");
    seen.press("n");
    seen.press("s");
    seen.press("y");
    assert_eq!(seen.end(), Some(5), "{}", seen.text());
    let text = seen.text();
    let (_, behind) = text.rsplit_once(LEAVES).unwrap();
    assert!(
        behind.contains("stopped by a person"),
        "the verdict follows: {behind}"
    );
    assert!(seen.is_usual());
}

#[test]
fn a_signal_gives_the_terminal_back_and_a_verdict() {
    let trial = Trial::new();
    let suite = trial.suite(COMPUTE);
    let mut seen = OnTerminal::start(&trial, &["run", suite.to_str().unwrap()]);
    seen.wait_for("work");
    let pid = Pid::from_raw(i32::try_from(seen.child.id()).unwrap());
    kill(pid, Signal::SIGTERM).unwrap();
    assert_eq!(seen.end(), Some(5), "{}", seen.text());
    assert!(seen.text().contains(LEAVES) && seen.is_usual());
}

#[test]
fn where_lines_are_wanted_there_are_lines() {
    let trial = Trial::new();
    let suite = trial.suite(&COMPUTE.replace("20s", "2s"));
    let mut seen = OnTerminal::start(&trial, &["run", "--lines", suite.to_str().unwrap()]);
    let code = seen.end();
    assert!(!seen.text().contains("\u{1b}[?1049h"), "{}", seen.text());
    assert!(
        code.is_some() && seen.text().contains("stage 1/1"),
        "{}",
        seen.text()
    );
}

#[test]
fn another_process_can_look_on_and_leave() {
    let trial = Trial::new();
    let mut running = trial.start(COMPUTE);
    let mut seen = OnTerminal::start(&trial, &["watch"]);
    seen.wait_for("pass?");
    seen.wait_for("work");
    seen.press("s");
    seen.wait_for("started elsewhere");
    let pid = Pid::from_raw(i32::try_from(seen.child.id()).unwrap());
    kill(pid, Signal::SIGINT).unwrap();
    assert_eq!(seen.end(), Some(0), "{}", seen.text());
    assert!(seen.is_usual());
    let child = running.child.as_mut().unwrap();
    assert!(child.try_wait().unwrap().is_none(), "the run goes on");
    let pid = Pid::from_raw(i32::try_from(child.id()).unwrap());
    kill(pid, Signal::SIGINT).unwrap();
    child.wait().unwrap();
}
