//! A shop: the pure parts by themselves, then hub, agents and a real message server (`nats-server` from
//! Debian's packages) on loopback, killed, cut off and lied to. Without that server these tests say so and
//! pass, but not where `SOAKPROOF_NEEDS_SERVER` is set, as `.ci/run` does.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "tests start programs, read the environment, wait, and say why they do not"
)]

mod faults;
mod floors;
mod hostile;
mod leases;
mod machines;
mod pages;
mod plans;
mod severed;
mod swarm;
mod thousand;
mod travel;
mod twice;

use std::cell::RefCell;
use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{MutexGuard, PoisonError};
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;
use soakproof::fleet::protocol::MachineName;

use crate::program::{ONE_AT_A_TIME, copy_tree};

const PATIENCE: Duration = Duration::from_secs(150);

fn name(text: &str) -> MachineName {
    text.parse().expect("a name")
}

fn suite_text(seconds: u32) -> String {
    format!(
        "about = \"arithmetic\"\nasserts = [\"answers\"]\nstall-after = \"10s\"\n\n[[stage]]\n\
         name = \"work\"\ntime = \"{seconds}s\"\n\n[[stage.load]]\n\
         kernels = [\"int-streams.reg\"]\ncores = \"all\"\n"
    )
}

/// A process that ends with the test.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// Kills it like a power cut.
fn die(running: Running) {
    drop(running);
}

struct Shop {
    folder: tempfile::TempDir,
    port: u16,
    server: Option<Running>,
    /// Taken by its first machine: those that load this computer do it one after the other.
    turn: RefCell<Option<MutexGuard<'static, ()>>>,
}

impl Shop {
    /// A message server with the machines `names`; none where there is no server to be had.
    fn open(names: &[&str]) -> Option<Self> {
        if Command::new("nats-server")
            .arg("--version")
            .output()
            .is_err()
        {
            assert!(
                std::env::var("SOAKPROOF_NEEDS_SERVER").is_err(),
                "`nats-server` is missing: apt-get install nats-server"
            );
            println!("skipped: `nats-server` is missing (apt-get install nats-server)");
            return None;
        }
        let free = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = free.local_addr().expect("bound").port();
        drop(free);
        let mut shop = Self {
            folder: tempfile::tempdir().expect("a folder"),
            port,
            server: None,
            turn: RefCell::new(None),
        };
        let listen = format!("127.0.0.1:{port}");
        assert!(shop.hub(&["init", "--listen", &listen]).status.success());
        shop.start_server();
        for name in names {
            shop.ok(&["enrol", name, "--group", "floor", "--circuit", "B2"]);
        }
        Some(shop)
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn start_server(&mut self) {
        let child = Command::new("nats-server")
            .arg("-c")
            .arg(self.path("hub/server.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        self.server = Some(Running(child.expect("starts")));
        let port = self.port;
        wait("the server", || {
            std::net::TcpStream::connect(("127.0.0.1", port)).ok()
        });
    }

    fn kill_server(&mut self) {
        drop(self.server.take());
    }

    fn program(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_soakproof"));
        command
            .env("SOAKPROOF_CONFIG", "/dev/null")
            .env("SOAKPROOF_HUB", self.path("hub"))
            .stdin(Stdio::null());
        command
    }

    fn hub(&self, arguments: &[&str]) -> Output {
        let mut command = self.program();
        command.arg("hub").args(arguments);
        command.output().expect("starts")
    }

    fn ok(&self, arguments: &[&str]) -> String {
        let output = self.hub(arguments);
        let errors = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{arguments:?}: {errors}");
        String::from_utf8(output.stdout).expect("text")
    }

    fn json(&self, arguments: &[&str]) -> Value {
        let text = self.ok(&[arguments, &["--json"]].concat());
        serde_json::from_str(&text).expect("JSON")
    }

    /// A hub over the folder `name`; what it says goes to `name.log`.
    fn start_hub(&self, name: &str) -> Running {
        let log = fs::File::create(self.path(&format!("{name}.log"))).expect("made");
        let mut command = self.program();
        command
            .env("SOAKPROOF_HUB", self.path(name))
            .args(["hub", "serve"])
            .stdout(Stdio::null())
            .stderr(log);
        Running(command.spawn().expect("starts"))
    }

    /// The service of a machine with its agent, on an invented machine.
    fn start_machine(&self, name: &str) -> Running {
        Running(self.serving(name).spawn().expect("starts"))
    }

    /// The same, not yet started; made on the first call.
    fn serving(&self, name: &str) -> Command {
        let take = || ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        self.turn.borrow_mut().get_or_insert_with(take);
        let machine = self.machine(name);
        if !machine.exists() {
            let source = Path::new(env!("CARGO_MANIFEST_DIR"));
            copy_tree(&source.join("tests/machines/desktop-core-labels"), &machine);
            fs::create_dir_all(machine.join("proc")).expect("made");
            fs::write(machine.join("proc/uptime"), "7200.00 1000.00\n").expect("written");
            let section = fs::read_to_string(self.path(&format!("hub/machines/{name}.toml")));
            let key = self.path(&format!("hub/machines/{name}.nk"));
            let section = section.expect("made by `hub enrol`").replace(
                &format!("/etc/soakproof/{name}.nk"),
                key.to_str().expect("text"),
            );
            fs::write(self.path(&format!("{name}.toml")), section).expect("written");
        }
        let log = fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.path(&format!("{name}.log")))
            .expect("made");
        let mut command = self.local(name, &["serve", "--notice", "1s", "--settle", "1s"]);
        command
            .arg("--machine")
            .arg(&machine)
            .env("SOAKPROOF_CONFIG", self.path(&format!("{name}.toml")))
            .stdout(Stdio::null())
            .stderr(log);
        command
    }

    fn machine(&self, name: &str) -> PathBuf {
        self.path(&format!("{name}-machine"))
    }

    fn store(&self, name: &str) -> PathBuf {
        self.path(&format!("{name}-store"))
    }

    /// A command at the machine itself.
    fn local(&self, name: &str, arguments: &[&str]) -> Command {
        let mut command = self.program();
        command
            .args(arguments)
            .env("SOAKPROOF_STORE", self.store(name))
            .env("SOAKPROOF_SOCKET", self.path(&format!("{name}-socket")));
        command
    }

    fn local_json(&self, name: &str, arguments: &[&str]) -> Value {
        let output = self.local(name, arguments).output().expect("starts");
        let errors = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{arguments:?}: {errors}");
        serde_json::from_slice(&output.stdout).expect("JSON")
    }

    fn order(&self, seconds: u32, more: &[&str]) -> String {
        let suite = self.path(&format!("work-{seconds}.toml"));
        fs::write(&suite, suite_text(seconds)).expect("written");
        let suite = suite.to_str().expect("text").to_owned();
        let order = self.json(&[&["order", suite.as_str()], more].concat());
        order["order"]["id"].as_str().expect("an id").to_owned()
    }

    /// How the order stands at the machine: state, and more.
    fn standing(&self, order: &str, machine: &str) -> (String, String) {
        let orders = self.json(&["orders"]);
        let known = orders["orders"].as_array().expect("orders").iter();
        let mut of_order = known.filter(|known| known["id"] == order);
        let Some(of_order) = of_order.next() else {
            return ("not copied yet".to_owned(), String::new());
        };
        let machines = of_order["machines"].as_array().expect("machines").iter();
        let mut of_machine = machines.filter(|line| line["machine"] == machine);
        let line = of_machine.next().expect("ordered there");
        let text = |key: &str| line[key].as_str().expect("text").to_owned();
        (text("is"), text("more"))
    }

    fn wait_for(&self, order: &str, machine: &str, state: &str) -> String {
        wait(&format!("{order} at {machine} to be {state}"), || {
            let (is, more) = self.standing(order, machine);
            (is == state).then_some(more)
        })
    }

    fn results(&self) -> Vec<Value> {
        let results = self.json(&["results"]);
        results["results"].as_array().expect("a list").clone()
    }

    /// The machine on the board, once the hub has copied that it is there.
    fn board_line(&self, machine: &str) -> Option<Value> {
        let board = self.json(&["board"]);
        let lines = board["machines"].as_array().expect("a list").iter();
        let mut of_machine = lines.filter(|line| line["machine"] == machine);
        of_machine.next().cloned()
    }

    fn wait_for_state(&self, machine: &str, state: &str) -> Value {
        wait(&format!("{machine} to be {state}"), || {
            let line = self.board_line(machine)?;
            (line["state"] == state).then_some(line)
        })
    }

    /// What a process said so far.
    fn log(&self, name: &str) -> String {
        fs::read_to_string(self.path(&format!("{name}.log"))).expect("a log")
    }
}

fn wait<T>(what: &str, mut ready: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(value) = ready() {
            return value;
        }
        assert!(begun.elapsed() < PATIENCE, "waited in vain for {what}");
        sleep(Duration::from_millis(100));
    }
}
