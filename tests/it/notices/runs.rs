//! Notices of real runs on an invented machine: with the run's own process, with a process for notices
//! alone, and with the service.

use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::sync::{MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;

use super::endpoint::Endpoint;
use crate::program::{ONE_AT_A_TIME, copy_tree};

const PATIENCE: Duration = Duration::from_secs(90);

const SUITE: &str = r#"
about = "arithmetic for a moment"
asserts = ["answers"]

[[stage]]
name = "work"
time = "2s"

[[stage.load]]
kernels = ["int-streams.reg"]
cores = "all"
"#;

struct Site {
    folder: tempfile::TempDir,
    _turn: MutexGuard<'static, ()>,
}

/// A program that goes on until it is told to end; a test that fails leaves none behind.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

impl Running {
    fn end(mut self) {
        let pid = Pid::from_raw(i32::try_from(self.0.id()).unwrap());
        kill(pid, Signal::SIGTERM).unwrap();
        assert_eq!(self.0.wait().unwrap().code(), Some(0));
    }
}

impl Site {
    fn new() -> Self {
        let turn = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let folder = tempfile::tempdir().unwrap();
        let tests = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests");
        copy_tree(
            &tests.join("machines/desktop-core-labels"),
            &folder.path().join("machine"),
        );
        std::fs::write(folder.path().join("work.toml"), SUITE).unwrap();
        let site = Self {
            folder,
            _turn: turn,
        };
        let text = "[service]\nstore = \"HERE/store\"\n[[notice]]\nname = \"chat\"\nurl-file = \"HERE/url\"\n";
        let text = text.replace("HERE", &site.text(""));
        std::fs::write(site.text("soakproof.toml"), text).unwrap();
        site
    }

    fn text(&self, name: &str) -> String {
        let path = self.folder.path().join(name);
        path.to_str().unwrap().trim_end_matches('/').to_owned()
    }

    fn point_at(&self, url: &str) {
        std::fs::write(self.text("url"), url).unwrap();
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_soakproof"));
        command
            .args(arguments)
            .env_remove("SOAKPROOF_STORE")
            .env("SOAKPROOF_SOCKET", self.text("socket"))
            .env("SOAKPROOF_CONFIG", self.text("soakproof.toml"))
            .stdin(Stdio::null());
        command
    }

    fn output(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    fn start(&self, arguments: &[&str]) -> Running {
        let mut command = self.command(arguments);
        Running(command.stderr(Stdio::null()).spawn().unwrap())
    }

    fn run(&self) -> Output {
        let (suite, machine) = (self.text("work.toml"), self.text("machine"));
        self.output(&["run", &suite, "--machine", &machine])
    }

    fn states(&self) -> Vec<(Value, Value)> {
        let output = self.output(&["notices", "--json"]);
        let list: Value = serde_json::from_slice(&output.stdout).unwrap();
        let list = list["notices"].as_array().unwrap().clone();
        let pairs = list
            .iter()
            .map(|line| (line["type"].clone(), line["state"].clone()));
        pairs.collect()
    }
}

fn wait(what: &str, ready: impl Fn() -> bool) {
    let begun = Instant::now();
    while !ready() {
        assert!(begun.elapsed() < PATIENCE, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn kinds(endpoint: &Endpoint) -> Vec<String> {
    let seen = endpoint.seen();
    let kinds = seen.iter().map(|request| {
        let event: Value = serde_json::from_slice(&request.body).unwrap();
        event["type"].as_str().unwrap().to_owned()
    });
    kinds.collect()
}

#[test]
fn a_run_of_its_own_tells_its_start_and_its_verdict() {
    let site = Site::new();
    let endpoint = Endpoint::answering("200 OK");
    site.point_at(&endpoint.url());
    let output = site.run();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{errors}");
    assert_eq!(kinds(&endpoint), ["run.started", "run.finished"]);
    let event: Value = serde_json::from_slice(&endpoint.seen()[1].body).unwrap();
    assert_eq!(event["data"]["run"]["grade"], "provisional");
    assert_eq!(event["data"]["simulated"], true);
    assert!(
        Path::new(&site.text("store/soakproof.sqlite")).exists(),
        "as configured"
    );
}

/// Nobody answers while the run goes on; the process for notices alone delivers later, by the same ids.
#[test]
fn a_run_that_nobody_hears_of_is_told_later() {
    let site = Site::new();
    let broken = Endpoint::answering("503 Later");
    site.point_at(&broken.url());
    let output = site.run();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(
        output.status.code(),
        Some(0),
        "a notice decides nothing: {errors}"
    );
    assert!(errors.contains("2 deliveries of notices wait"), "{errors}");
    let working = Endpoint::answering("200 OK");
    site.point_at(&working.url());
    let sender = site.start(&["notices", "deliver"]);
    wait("both notices", || working.seen().len() >= 2);
    sender.end();
    let ids = |endpoint: &Endpoint| {
        let seen = endpoint.seen();
        let mut ids: Vec<String> = seen
            .iter()
            .map(|request| request.header("webhook-id").unwrap().to_owned())
            .collect();
        ids.sort();
        ids.dedup();
        ids
    };
    assert_eq!(ids(&working), ids(&broken));
    assert!(site.states().iter().all(|(_, state)| state == "delivered"));
}

#[test]
fn the_service_tells_of_its_runs_and_of_the_empty_queue_unless_another_process_does() {
    let site = Site::new();
    let endpoint = Endpoint::answering("200 OK");
    site.point_at(&endpoint.url());
    let machine = site.text("machine");
    let suite = site.text("work.toml");
    let add = || {
        let output = site.output(&["queue", "add", &suite]);
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{errors}");
    };
    let answers = || site.output(&["queue"]).status.code() == Some(0);
    let service = site.start(&["serve", "--machine", &machine]);
    wait("the service", || {
        Path::new(&site.text("socket")).exists() && answers()
    });
    add();
    wait("the empty queue", || endpoint.seen().len() >= 3);
    service.end();
    assert_eq!(
        kinds(&endpoint),
        ["run.started", "run.finished", "queue.empty"]
    );

    let service = site.start(&["serve", "--machine", &machine, "--without-notices"]);
    let sender = site.start(&["notices", "deliver"]);
    wait("the service", || {
        Path::new(&site.text("socket")).exists() && answers()
    });
    add();
    wait("the empty queue", || endpoint.seen().len() >= 6);
    service.end();
    sender.end();
    assert_eq!(
        kinds(&endpoint)[3..],
        ["run.started", "run.finished", "queue.empty"]
    );
}

#[test]
fn a_schedule_with_a_suite_that_is_not_there_is_refused_before_anything_starts() {
    let site = Site::new();
    let text =
        "[[schedule]]\nname = \"night\"\nwhen = \"0 22 * * *\"\nsuite = \"/nowhere/mine.toml\"\n";
    std::fs::write(site.text("soakproof.toml"), text).unwrap();
    let output = site.output(&["serve"]);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert!(
        errors.contains("cannot read `/nowhere/mine.toml`"),
        "{errors}"
    );
}

#[test]
fn man_pages_and_completions_fit_the_commands() {
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_soakproof"))
        .arg("manual")
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).unwrap();
    assert!(read("man/soakproof.1").contains("soakproof\\-run(1)"));
    assert!(read("man/soakproof-notices-retry.1").contains("Id of the notice"));
    for name in ["worker", "manual", "notices-deliver"] {
        let page = folder.path().join(format!("man/soakproof-{name}.1"));
        assert!(!page.exists(), "{name} is hidden");
    }
    for name in ["soakproof.bash", "_soakproof", "soakproof.fish"] {
        assert!(read(&format!("completions/{name}")).contains("instruments"));
    }
}
