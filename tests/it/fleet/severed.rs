//! A machine whose network is cut for ten minutes in mid-job: a network namespace for the machine, a cable to the
//! server's, and the cable is pulled. By name only, as root: `cargo test --test it ten_minutes -- --ignored`. The
//! ordinary tests stall a line on loopback instead (`fleet::faults`).

use std::fs;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use super::{Running, Shop, wait};

const CUT: Duration = Duration::from_secs(600);
const SERVER: &str = "10.213.77.1";
const MACHINE: &str = "10.213.77.2";

fn ip(words: &str) {
    let status = Command::new("ip").args(words.split(' ')).status();
    assert!(status.expect("starts").success(), "ip {words}");
}

/// A namespace with a cable to this one.
struct Namespace(String);

impl Namespace {
    fn new() -> Self {
        let name = format!("sp{}", std::process::id());
        ip(&format!("netns add {name}"));
        let made = Self(name);
        let name = &made.0;
        ip(&format!(
            "link add {name}a type veth peer name {name}b netns {name}"
        ));
        ip(&format!("addr add {SERVER}/24 dev {name}a"));
        ip(&format!("link set {name}a up"));
        ip(&format!("-n {name} addr add {MACHINE}/24 dev {name}b"));
        ip(&format!("-n {name} link set {name}b up"));
        ip(&format!("-n {name} link set lo up"));
        made
    }

    fn plug(&self, plugged: bool) {
        let state = if plugged { "up" } else { "down" };
        ip(&format!("link set {}a {state}", self.0));
    }

    /// The command within it.
    fn within(&self, command: &Command) -> Command {
        let mut inside = Command::new("ip");
        inside
            .args(["netns", "exec", &self.0])
            .arg(command.get_program());
        inside.args(command.get_args());
        for (key, value) in command.get_envs() {
            inside.env(key, value.unwrap_or_default());
        }
        inside
    }
}

impl Drop for Namespace {
    fn drop(&mut self) {
        // Its cable goes with it.
        drop(Command::new("ip").args(["netns", "del", &self.0]).status());
    }
}

#[test]
#[ignore = "root, ten minutes, by name only"]
fn a_job_whose_machine_was_cut_off_for_ten_minutes_ends_once_and_well() {
    let Some(mut shop) = Shop::open(&["bench-1"]) else {
        return;
    };
    let namespace = Namespace::new();
    // The server is to be heard from outside too.
    shop.kill_server();
    let file = shop.path("hub/server.conf");
    let text = fs::read_to_string(&file).expect("made");
    fs::write(&file, text.replace("127.0.0.1:", "0.0.0.0:")).expect("written");
    shop.start_server();
    let _hub = shop.start_hub("hub");
    let mut serving = namespace.within(&shop.serving("bench-1"));
    let settings = shop.path("bench-1.toml");
    let text = fs::read_to_string(&settings).expect("made");
    assert!(text.contains("127.0.0.1:"), "{text}");
    let text = text.replace("127.0.0.1:", &format!("{SERVER}:")) + "trusted-network = true\n";
    fs::write(&settings, text).expect("written");
    let log = fs::File::create(shop.path("bench-1.log")).expect("made");
    serving
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(log);
    let _machine = Running(serving.spawn().expect("starts"));
    let order = shop.order(60, &["--to", "bench-1"]);
    shop.wait_for_state("bench-1", "running");
    namespace.plug(false);
    shop.wait_for_state("bench-1", "vanished");
    sleep(CUT);
    assert!(shop.results().is_empty());
    namespace.plug(true);
    shop.wait_for(&order, "bench-1", "done");
    let runs = shop.local_json("bench-1", &["runs", "--json"]);
    assert_eq!(runs["runs"].as_array().map(Vec::len), Some(1));
    wait("it to be heard again", || {
        let lost = shop.json(&["machines", "bench-1"]);
        (!lost["vanished"][0]["back"].is_null()).then_some(())
    });
    let results = shop.results();
    assert_eq!(results.len(), 1, "{results:#?}");
    assert_ne!(results[0]["grade"], "failed");
}
