//! The service as a process: asked through its socket, killed, ended, started twice, lied to. On an invented
//! machine, with suites of a few seconds; one load at a time.
#![expect(
    clippy::disallowed_methods,
    reason = "tests start programs, read /proc and wait"
)]

mod continuation;
mod figures;
mod kills;
mod later;
mod pages;
mod reduced;
mod resources;
mod seal;
mod storms;
pub(crate) mod tcp;

use std::fs;
use std::io::{Read, Write};
use std::os::unix::net::{UnixDatagram, UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{MutexGuard, PoisonError};
use std::thread::sleep;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;

use crate::program::{ONE_AT_A_TIME, copy_tree, is_alive, workers_of};

const PATIENCE: Duration = Duration::from_secs(90);

fn suite(seconds: u32) -> String {
    format!(
        "about = \"arithmetic\"\nasserts = [\"answers\"]\nstall-after = \"10s\"\n\n[[stage]]\n\
         name = \"work\"\ntime = \"{seconds}s\"\n\n[[stage.load]]\n\
         kernels = [\"int-streams.reg\"]\ncores = \"all\"\n"
    )
}

struct Site {
    folder: tempfile::TempDir,
    _turn: MutexGuard<'static, ()>,
}

struct Service {
    child: Child,
}

impl Drop for Service {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

impl Service {
    fn pid(&self) -> i32 {
        i32::try_from(self.child.id()).expect("a pid")
    }

    fn send(&self, signal: Signal) {
        kill(Pid::from_raw(self.pid()), signal).expect("delivered");
    }

    fn die(mut self) {
        self.child.kill().expect("killed");
        self.child.wait().expect("reaped");
    }
}

impl Site {
    fn new() -> Self {
        let turn = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let folder = tempfile::tempdir().expect("a folder");
        let source =
            Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/machines/desktop-core-labels");
        let machine = folder.path().join("machine");
        copy_tree(&source, &machine);
        fs::create_dir_all(machine.join("proc")).expect("made");
        fs::write(machine.join("proc/uptime"), "7200.00 1000.00\n").expect("written");
        Self {
            folder,
            _turn: turn,
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        self.path(name).to_str().expect("text").to_owned()
    }

    fn suite(&self, seconds: u32) -> String {
        let name = format!("work-{seconds}.toml");
        fs::write(self.path(&name), suite(seconds)).expect("written");
        self.text(&name)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_soakproof"));
        command
            .args(arguments)
            .env("SOAKPROOF_STORE", self.path("store"))
            .env("SOAKPROOF_SOCKET", self.path("socket"))
            .env("SOAKPROOF_CONFIG", "/dev/null")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    fn output(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().expect("starts")
    }

    /// What a command that must succeed prints as JSON.
    fn json(&self, arguments: &[&str]) -> Value {
        let output = self.output(arguments);
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
        serde_json::from_slice(&output.stdout).expect("JSON")
    }

    fn service_command(&self) -> Command {
        let machine = self.text("machine");
        let arguments = [
            "serve",
            "--machine",
            &machine,
            "--notice",
            "1s",
            "--settle",
            "1s",
        ];
        let mut command = self.command(&arguments);
        command.stderr(Stdio::null());
        command
    }

    /// What a service says that must end by itself.
    fn refused(&self, mut command: Command, code: i32) -> String {
        let child = command.stderr(Stdio::piped()).spawn().expect("starts");
        let mut service = Service { child };
        let status = self.wait("a service to be refused", || {
            service.child.try_wait().expect("asked")
        });
        let mut said = String::new();
        let mut errors = service.child.stderr.take().expect("piped");
        errors.read_to_string(&mut said).expect("text");
        assert_eq!(status.code(), Some(code), "{said}");
        said
    }

    fn serve(&self) -> Service {
        let service = Service {
            child: self.service_command().spawn().expect("starts"),
        };
        self.wait("the service to answer", || {
            let answers = UnixStream::connect(self.path("socket")).is_ok();
            answers.then_some(())
        });
        service
    }

    fn wait<T>(&self, what: &str, mut ready: impl FnMut() -> Option<T>) -> T {
        let begun = Instant::now();
        loop {
            if let Some(value) = ready() {
                return value;
            }
            assert!(begun.elapsed() < PATIENCE, "waited in vain for {what}");
            sleep(Duration::from_millis(50));
        }
    }

    fn jobs(&self) -> Vec<Value> {
        let queue = self.json(&["queue", "--json"]);
        queue["jobs"].as_array().expect("jobs").clone()
    }

    fn state_of(&self, id: i64) -> String {
        let jobs = self.jobs();
        let line = jobs.iter().find(|line| line["job"]["id"] == id);
        line.expect("a known job")["job"]["state"]["is"]
            .as_str()
            .expect("a state")
            .to_owned()
    }

    fn wait_for_state(&self, id: i64, state: &str) {
        self.wait(&format!("job {id} to be {state}"), || {
            (self.state_of(id) == state).then_some(())
        });
    }

    /// Why a job was given up, once it is.
    fn dropped_why(&self, id: i64) -> String {
        self.wait_for_state(id, "dropped");
        let jobs = self.jobs();
        let mut of_job = jobs.iter().filter(|line| line["job"]["id"] == id);
        let line = of_job.next().expect("known");
        let why = line["job"]["state"]["why"].as_str().expect("words");
        why.to_owned()
    }

    fn add(&self, suite: &str, more: &[&str]) -> i64 {
        let arguments = [&["queue", "add", suite, "--json"], more].concat();
        self.json(&arguments)["job"]["id"]
            .as_i64()
            .expect("a number")
    }

    fn holds(&self) -> Vec<String> {
        let queue = self.json(&["queue", "--json"]);
        let holds = queue["holds"].as_array().expect("holds").iter();
        holds
            .map(|hold| hold["kind"].as_str().expect("a kind").to_owned())
            .collect()
    }
}

#[test]
fn a_run_through_the_service_looks_like_one_without_and_is_its_own_child() {
    let site = Site::new();
    let service = site.serve();
    let machine = site.text("machine");
    let client = site
        .command(&["run", &site.suite(4), "--machine", &machine, "--json"])
        .spawn()
        .expect("starts");
    let workers = site.wait("workers of the service", || {
        let workers = workers_of(service.pid());
        (!workers.is_empty()).then_some(workers)
    });
    // Two loads at once are refused here too.
    let second = site.output(&["run", "smoke", "--machine", &machine]);
    let said = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(said.contains("another run"), "{said}");
    assert_eq!(second.status.code(), Some(1));
    let output = client.wait_with_output().expect("ends");
    let report: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{errors}");
    assert_eq!(report["verdict"]["grade"], "provisional");
    assert!(
        errors.contains("stage 1/1"),
        "nothing was shown live: {errors}"
    );
    assert!(workers.iter().all(|worker| !is_alive(worker.pid)));
    let through = site.json(&["report", "last", "--json"]);
    assert_eq!(through, report);
    let mut without = site.command(&["report", "last", "--json"]);
    without.env("SOAKPROOF_SOCKET", site.path("nowhere"));
    let without = without.output().expect("starts");
    let without: Value = serde_json::from_slice(&without.stdout).expect("JSON");
    assert_eq!(without, report, "the store says the same");
    let runs = site.json(&["runs", "--json"]);
    assert_eq!(runs["runs"].as_array().map(Vec::len), Some(1));
}

#[test]
fn an_interrupted_client_ends_its_run_and_a_vanished_one_does_not() {
    let site = Site::new();
    let service = site.serve();
    let machine = site.text("machine");
    let start = |seconds| {
        let suite = site.suite(seconds);
        let client = site
            .command(&["run", &suite, "--machine", &machine, "--json"])
            .spawn();
        let client = client.expect("starts");
        site.wait("workers", || {
            (!workers_of(service.pid()).is_empty()).then_some(())
        });
        sleep(Duration::from_millis(1200));
        client
    };
    let client = start(40);
    let pid = Pid::from_raw(i32::try_from(client.id()).expect("a pid"));
    kill(pid, Signal::SIGINT).expect("delivered");
    let output = client.wait_with_output().expect("ends");
    let report: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(report["run"]["end"]["why"], "stopped", "{report:#}");
    assert_eq!(output.status.code(), Some(5));

    let mut client = start(4);
    client.kill().expect("killed");
    client.wait().expect("reaped");
    site.wait_for_state(2, "done");
    let report = site.json(&["report", "last", "--json"]);
    assert_eq!(report["run"]["end"]["why"], "complete", "{report:#}");
}

#[test]
fn the_queue_survives_a_killed_service_and_goes_on() {
    let site = Site::new();
    let long = site.suite(40);
    // Queued before any service was there.
    let first = site.add(&long, &["--note", "before"]);
    let service = site.serve();
    site.wait_for_state(first, "running");
    let short = site.suite(2);
    let second = site.add(&short, &[]);
    let third = site.add(&short, &["--priority", "3"]);
    let workers = site.wait("workers", || {
        let workers = workers_of(service.pid());
        (!workers.is_empty()).then_some(workers)
    });
    service.die();
    site.wait("workers to be gone", || {
        let left = workers.iter().any(|worker| is_alive(worker.pid));
        (!left).then_some(())
    });
    assert_eq!(site.state_of(second), "waiting", "read without a service");
    let _service = site.serve();
    assert_eq!(site.state_of(first), "cut-short");
    site.wait_for_state(second, "done");
    assert_eq!(site.state_of(third), "done");
    let order = |id: i64| {
        let jobs = site.jobs();
        let line = jobs
            .iter()
            .find(|line| line["job"]["id"] == id)
            .expect("known")
            .clone();
        line["job"]["state"]["run"].as_i64().expect("a run")
    };
    assert!(order(third) < order(second), "the higher one went first");
    assert_eq!(site.holds(), Vec::<String>::new());
}

#[test]
fn a_reset_in_a_run_holds_the_queue_until_it_is_released() {
    let site = Site::new();
    let service = site.serve();
    let first = site.add(&site.suite(40), &[]);
    site.wait_for_state(first, "running");
    let second = site.add(&site.suite(2), &[]);
    site.wait("workers", || {
        (!workers_of(service.pid()).is_empty()).then_some(())
    });
    service.die();
    let boot = site.path("machine/proc/sys/kernel/random/boot_id");
    fs::write(boot, "7a5c0000-0000-4000-8000-00000000beef\n").expect("written");
    let service = site.serve();
    assert_eq!(site.holds(), ["after-reset"]);
    sleep(Duration::from_secs(2));
    assert_eq!(site.state_of(second), "waiting");
    // Seen once, it is not answered again after the next start of the service.
    service.send(Signal::SIGTERM);
    drop(service);
    let _service = site.serve();
    assert_eq!(site.holds(), ["after-reset"]);
    site.json(&["queue", "release", "--json"]);
    site.wait_for_state(second, "done");
    assert_eq!(site.state_of(first), "cut-short");
}

#[test]
fn a_hold_file_and_the_kernel_command_line_hold_the_queue() {
    let site = Site::new();
    fs::create_dir_all(site.path("machine/etc/soakproof")).expect("made");
    fs::write(site.path("machine/etc/soakproof/hold"), "").expect("written");
    let line = "root=/dev/vda soakproof.hold quiet\n";
    fs::write(site.path("machine/proc/cmdline"), line).expect("written");
    let _service = site.serve();
    let id = site.add(&site.suite(2), &[]);
    assert_eq!(site.holds(), ["kernel-command-line", "hold-file"]);
    sleep(Duration::from_secs(1));
    assert_eq!(site.state_of(id), "waiting");
}

#[test]
fn a_second_service_is_refused_by_name() {
    let site = Site::new();
    let service = site.serve();
    let mut second = site.service_command();
    second.env("SOAKPROOF_SOCKET", site.path("other"));
    let said = site.refused(second, 1);
    assert!(
        said.contains(&format!("process {}", service.pid())),
        "{said}"
    );

    let mut third = site.service_command();
    third.env("SOAKPROOF_STORE", site.path("store-2"));
    let said = site.refused(third, 1);
    assert!(said.contains("another service listens"), "{said}");
    // Neither has done the first any harm.
    assert!(site.jobs().is_empty());

    // Whoever asks the wrong socket is told who keeps the queue.
    let mut stray = site.command(&["queue", "add", "smoke"]);
    stray.env("SOAKPROOF_SOCKET", site.path("nowhere"));
    let stray = stray.output().expect("starts");
    let said = String::from_utf8_lossy(&stray.stderr).into_owned();
    assert!(
        said.contains(&format!("process {}", service.pid())),
        "{said}"
    );
}

#[test]
fn a_cancelled_job_that_runs_ends_with_a_verdict_and_whoever_follows_an_ending_service_sees_it() {
    let site = Site::new();
    let service = site.serve();
    let id = site.add(&site.suite(60), &[]);
    site.wait("workers", || {
        (!workers_of(service.pid()).is_empty()).then_some(())
    });
    sleep(Duration::from_millis(1500));
    site.json(&["queue", "cancel", &id.to_string(), "--json"]);
    site.wait_for_state(id, "done");
    let report = site.json(&["report", "last", "--json"]);
    assert_eq!(report["run"]["end"]["why"], "stopped", "{report:#}");

    let machine = site.text("machine");
    let client = site
        .command(&["run", &site.suite(60), "--machine", &machine, "--json"])
        .spawn()
        .expect("starts");
    site.wait("workers", || {
        (!workers_of(service.pid()).is_empty()).then_some(())
    });
    sleep(Duration::from_millis(1500));
    service.send(Signal::SIGTERM);
    let output = client.wait_with_output().expect("ends");
    let report: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(report["run"]["end"]["why"], "interrupted", "{report:#}");
    assert_eq!(output.status.code(), Some(5));
}

#[test]
fn a_dead_services_socket_is_replaced_and_anything_else_is_left_alone() {
    let site = Site::new();
    site.serve().die();
    assert!(site.path("socket").exists());
    drop(site.serve());

    fs::remove_file(site.path("socket")).expect("removed");
    fs::write(site.path("socket"), "precious").expect("written");
    let said = site.refused(site.service_command(), 1);
    assert!(said.contains("not a socket"), "{said}");
    let left = fs::read_to_string(site.path("socket")).expect("there");
    assert_eq!(left, "precious");
}

#[test]
fn an_orderly_end_judges_the_run_under_way_and_takes_the_socket_away() {
    let site = Site::new();
    let mut service = site.serve();
    let id = site.add(&site.suite(60), &[]);
    let workers = site.wait("workers", || {
        let workers = workers_of(service.pid());
        (!workers.is_empty()).then_some(workers)
    });
    sleep(Duration::from_millis(1500));
    service.send(Signal::SIGTERM);
    let status = service.child.wait().expect("ends");
    assert_eq!(status.code(), Some(0));
    assert!(workers.iter().all(|worker| !is_alive(worker.pid)));
    assert!(!site.path("socket").exists());
    let report = site.json(&["report", "last", "--json"]);
    let end = &report["run"]["end"];
    assert_eq!(end["why"], "interrupted", "{report:#}");
    assert!(end["reason"].to_string().contains("told to end"), "{end}");
    assert_eq!(report["verdict"]["grade"], "inconclusive");
    assert_eq!(report["earlier_verdicts"].as_array().map(Vec::len), Some(0));
    assert_eq!(site.state_of(id), "done");
}

#[test]
fn the_queue_is_altered_alike_with_and_without_a_service() {
    let site = Site::new();
    let mut service = None;
    for served in [false, true] {
        if served {
            site.json(&["queue", "pause", "--json"]);
            service = Some(site.serve());
        } else {
            site.json(&["queue", "pause", "--json"]);
        }
        let suite = site.suite(2);
        let ids: Vec<i64> = (0..3).map(|_| site.add(&suite, &[])).collect();
        let waiting = || -> Vec<i64> {
            let jobs = site.jobs();
            let waiting = jobs
                .iter()
                .filter(|line| line["job"]["state"]["is"] == "waiting");
            waiting
                .map(|line| line["job"]["id"].as_i64().expect("a number"))
                .collect()
        };
        site.json(&["queue", "move", &ids[2].to_string(), "1", "--json"]);
        assert_eq!(waiting(), [ids[2], ids[0], ids[1]]);
        site.json(&["queue", "cancel", &ids[0].to_string(), "--json"]);
        assert_eq!(waiting(), [ids[2], ids[1]]);
        let refused = |arguments: &[&str], word: &str| {
            let output = site.output(arguments);
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert!(said.contains(word), "{arguments:?}: {said}");
            assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
        };
        refused(&["queue", "cancel", "99"], "no job 99");
        refused(&["queue", "add", "smok"], "`smok`");
        refused(&["queue", "add", &suite, "--at", "25:00"], "25:00");
        refused(&["queue", "add", &suite, "--priority", "11"], "11");
        refused(
            &["queue", "add", "hour", "--window", "22:00-23:00"],
            "80 min",
        );
        for id in waiting() {
            site.json(&["queue", "cancel", &id.to_string(), "--json"]);
        }
        site.json(&["queue", "resume", "--json"]);
        let twice = site.output(&["queue", "resume"]);
        assert_ne!(twice.status.code(), Some(0), "not paused any more");
    }
    drop(service);
}

#[test]
fn a_job_with_a_time_is_announced_and_then_runs() {
    let site = Site::new();
    let _service = site.serve();
    let at = jiff::Timestamp::now() + jiff::SignedDuration::from_secs(3);
    let id = site.add(&site.suite(2), &["--at", &at.to_string()]);
    let notice = site.wait("the notice", || {
        let queue = site.json(&["queue", "--json"]);
        let notice = queue["notice"]["job"].as_i64();
        let waits = queue["jobs"][0]["waits"].to_string();
        assert!(notice.is_some() || waits.contains("until"), "{queue:#}");
        notice
    });
    assert_eq!(notice, id);
    site.wait_for_state(id, "done");
    let report = site.json(&["report", "last", "--json"]);
    let started: jiff::Timestamp = report["run"]["started"]
        .as_str()
        .expect("a time")
        .parse()
        .expect("RFC 3339");
    assert!(started >= at, "{started} is before {at}");
}

#[test]
fn a_schedule_is_kept_and_a_mistake_in_it_starts_nothing() {
    let site = Site::new();
    let write = |when: &str| {
        let text =
            format!("[[schedule]]\nname = \"often\"\nwhen = \"{when}\"\nsuite = \"smoke\"\n");
        fs::write(site.path("soakproof.toml"), text).expect("written");
    };
    write("61 * * * *");
    let mut command = site.service_command();
    command.env("SOAKPROOF_CONFIG", site.path("soakproof.toml"));
    let said = site.refused(command, 2);
    assert!(said.contains("soakproof.toml:3:8: `61 * * * *`"), "{said}");

    write("0 3 1 1 *");
    let path = site.path("soakproof.toml");
    let text = fs::read_to_string(&path).expect("there") + "[watchdog]\nenabled = true\n";
    fs::write(&path, text).expect("written");
    let mut command = site.service_command();
    command.env("SOAKPROOF_CONFIG", site.path("soakproof.toml"));
    let _service = Service {
        child: command.spawn().expect("starts"),
    };
    site.wait("the service to answer", || {
        UnixStream::connect(site.path("socket")).ok()
    });
    let answer = raw(
        &site,
        b"GET /v1/schedule HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n",
    );
    assert!(answer.contains("\"often\""), "{answer}");
    // The invented machine has no watchdog, which is no reason to miss a night.
    let id = site.add(&site.suite(2), &["--priority", "9"]);
    site.wait_for_state(id, "done");
    let report = site.json(&["report", "last", "--json"]);
    let gaps = report["run"]["gaps"].to_string();
    assert!(gaps.contains("hardware watchdog is asked for"), "{gaps}");
}

/// Status, content type and body of one raw request.
fn raw(site: &Site, request: &[u8]) -> String {
    try_raw(site, request).expect("connects")
}

fn try_raw(site: &Site, request: &[u8]) -> Option<String> {
    let mut stream = UnixStream::connect(site.path("socket")).ok()?;
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    // The other end may have said no before it has read all of it.
    drop(stream.write_all(request));
    let mut answer = String::new();
    drop(stream.read_to_string(&mut answer));
    Some(answer)
}

fn post(site: &Site, path: &str, body: &str) -> String {
    let head = format!(
        "POST {path} HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\n\
         connection: close\r\ncontent-length: {}\r\n\r\n",
        body.len()
    );
    raw(site, format!("{head}{body}").as_bytes())
}

#[test]
fn bad_requests_are_answered_with_problems_and_leave_nothing_behind() {
    let site = Site::new();
    let _service = site.serve();
    let huge = format!("{{\"wish\": {{\"suite\": \"{}\"}}}}", "x".repeat(5 << 20));
    let cases = [
        (
            "/v1/queue",
            "{\"wish\": {\"suite\": \"smoke\"}, \"colour\": 1}",
            "422",
            "colour",
        ),
        (
            "/v1/queue",
            "{\"wish\": {\"suite\": \"smoke\", \"at\": 1}}",
            "422",
            "at",
        ),
        (
            "/v1/queue",
            "{\"wish\": {\"suite\": \"smok\"}}",
            "422",
            "smok",
        ),
        ("/v1/queue", "{\"wish\"", "400", "EOF"),
        ("/v1/queue", &huge, "413", ""),
        ("/v1/queue/jobs/7/cancel", "{}", "404", "no job 7"),
        ("/v1/queue/jobs/x/cancel", "{}", "400", ""),
        ("/v1/queue/jobs/1/move", "{\"place\": -1}", "422", ""),
        ("/v1/queue/resume", "{}", "409", "not held"),
        ("/v1/runs/1/stop", "{}", "404", "not under way"),
        ("/v1/nothing", "{}", "404", "no such resource"),
        ("/v1/schedule", "{}", "405", "no such method"),
    ];
    for (path, body, status, word) in cases {
        let answer = post(&site, path, body);
        let shown: String = body.chars().take(60).collect();
        assert!(
            answer.starts_with(&format!("HTTP/1.1 {status}")),
            "{path} {shown}: {answer}"
        );
        assert!(
            answer.contains("application/problem+json"),
            "{path} {shown}: {answer}"
        );
        let problem = answer.split_once("\r\n\r\n").expect("a body").1;
        let problem: Value = serde_json::from_str(problem).expect("JSON");
        assert_eq!(problem["status"].to_string(), status);
        assert!(
            problem["detail"].to_string().contains(word),
            "{path} {shown}: {problem}"
        );
    }
    assert!(raw(&site, b"nonsense\r\n\r\n").starts_with("HTTP/1.1 400"));
    assert!(site.jobs().is_empty());
}

#[test]
fn more_connections_than_places_are_sent_away_and_the_service_goes_on() {
    let site = Site::new();
    let _service = site.serve();
    let connect = || UnixStream::connect(site.path("socket")).expect("connects");
    let idle: Vec<UnixStream> = (0..80).map(|_| connect()).collect();
    let refused = idle.into_iter().rev().take(10).filter_map(|mut stream| {
        stream.set_read_timeout(Some(PATIENCE)).ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        answer.starts_with("HTTP/1.1 503").then_some(())
    });
    assert_eq!(refused.count(), 10);
    site.wait("a free place", || {
        let output = site.output(&["queue", "--json"]);
        (output.status.code() == Some(0)).then_some(())
    });
}

#[test]
fn the_service_manager_hears_that_it_is_ready_alive_and_ending() {
    let site = Site::new();
    let manager = UnixDatagram::bind(site.path("notify")).expect("bound");
    manager.set_read_timeout(Some(PATIENCE)).expect("set");
    let mut command = site.service_command();
    command
        .env("NOTIFY_SOCKET", site.path("notify"))
        .env("WATCHDOG_USEC", "200000");
    let service = Service {
        child: command.spawn().expect("starts"),
    };
    let hear = |wanted: &str| {
        let mut bytes = [0; 512];
        loop {
            let count = manager.recv(&mut bytes).expect("something is said");
            let said = String::from_utf8_lossy(&bytes[..count]).into_owned();
            if said.lines().any(|line| line == wanted) {
                return;
            }
        }
    };
    hear("READY=1");
    hear("WATCHDOG=1");
    // One that does not read holds nothing up: more than its socket takes is sent meanwhile.
    sleep(Duration::from_secs(3));
    let id = site.add(&site.suite(3), &[]);
    site.wait_for_state(id, "running");
    hear("WATCHDOG=1");
    service.send(Signal::SIGTERM);
    hear("STOPPING=1");
}

#[test]
fn a_service_that_may_not_be_reached_or_keeps_another_store_is_worked_without() {
    let site = Site::new();
    let _service = site.serve();
    let mut elsewhere = site.command(&["runs", "--json"]);
    elsewhere.env("SOAKPROOF_STORE", site.path("elsewhere"));
    let output = elsewhere.output().expect("starts");
    assert_eq!(output.status.code(), Some(0));
    assert!(
        site.path("elsewhere").exists(),
        "it went to the store that was named"
    );
    // Something that accepts and says nothing sensible is no service.
    let stranger = UnixListener::bind(site.path("stranger")).expect("bound");
    let answers = std::thread::spawn(move || {
        for stream in stranger.incoming().take(2).flatten() {
            let mut stream = stream;
            drop(stream.write_all(b"220 hello\r\n"));
        }
    });
    let mut strange = site.command(&["runs", "--json"]);
    strange
        .env("SOAKPROOF_SOCKET", site.path("stranger"))
        .env("SOAKPROOF_STORE", site.path("elsewhere"));
    let output = strange.output().expect("starts");
    assert_eq!(output.status.code(), Some(0));
    answers.join().expect("ends");
}

#[test]
fn the_ledger_is_kept_by_the_service_and_its_runs_judge_the_changes() {
    let site = Site::new();
    let service = site.serve();
    let (machine, own) = (site.text("machine"), site.path("own"));
    // Nothing names the store, so whatever does not go through the service lands in a folder of ours.
    let ask = |arguments: &[&str]| -> Value {
        let output = site
            .command(arguments)
            .args(["--machine", &machine, "--json"])
            .env_remove("SOAKPROOF_STORE")
            .env("XDG_STATE_HOME", &own)
            .output()
            .expect("starts");
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
        serde_json::from_slice(&output.stdout).expect("JSON")
    };
    ask(&[
        "setting",
        "core-voltage",
        "--kind",
        "core-voltage",
        "--value",
        "1250",
    ]);
    ask(&["change", "core-voltage", "1250", "1240"]);
    let change = |of: &Value| of["changes"][0].clone();
    assert_eq!(change(&ask(&["changes"]))["state"], "pending");
    let report = ask(&["run", &site.suite(3)]);
    let standing = &report["run"]["declared"]["standing"];
    assert_eq!(standing["settings"][0]["value"], 1240.0, "{standing:#}");
    let judged = change(&ask(&["changes"]));
    assert_eq!(judged["grade"], "provisional", "{judged:#}");
    assert_eq!(judged["run"], report["run"]["number"]);
    assert_eq!(ask(&["good", "daily"])["profiles"][0]["run"], judged["run"]);
    assert!(!own.exists(), "the ledger lies with the service");
    // Two commands that read the same ledger cannot both write behind it.
    let stale = r#"{"after":0,"entries":[{"entry":"undone","change":1}]}"#;
    assert!(post(&site, "/v1/ledger", stale).contains("409"));
    assert!(change(&ask(&["changes"]))["taken_back"].is_null());
    service.die();
}
