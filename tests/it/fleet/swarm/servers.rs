//! One message server, or three that keep every stream together, each to be killed and started.

use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::super::{Running, wait};

/// The servers of a shop.
pub(crate) struct Servers {
    files: Vec<PathBuf>,
    ports: Vec<u16>,
    running: Vec<Option<Running>>,
}

impl Servers {
    /// As many as `count`, for the hub's `folder`, which says from now on how they are reached.
    pub(crate) fn start(folder: &Path, count: usize) -> Self {
        let text = fs::read_to_string(folder.join("server.conf")).expect("made by `hub init`");
        let held: Vec<TcpListener> = (0..2 * count)
            .map(|_| TcpListener::bind("127.0.0.1:0").expect("a free port"))
            .collect();
        let port = |place: usize| held[place].local_addr().expect("bound").port();
        let ports: Vec<u16> = (0..count).map(port).collect();
        let routes: Vec<u16> = (count..2 * count).map(port).collect();
        drop(held);
        let files = (0..count).map(|place| {
            let path = folder.join(format!("server-{place}.conf"));
            let own = altered(&text, folder, place, ports[place]);
            fs::write(&path, own + &cluster(place, &routes)).expect("written");
            path
        });
        let files = files.collect();
        say_where(folder, &ports);
        let mut servers = Self {
            files,
            running: (0..count).map(|_| None).collect(),
            ports,
        };
        for place in 0..count {
            servers.raise(place);
        }
        servers
    }

    pub(crate) fn count(&self) -> usize {
        self.files.len()
    }

    pub(crate) fn port(&self, place: usize) -> u16 {
        self.ports[place]
    }

    /// Addresses for a machine; the order in which it tries them is its own.
    pub(crate) fn addresses(&self) -> Vec<String> {
        let ports = self.ports.iter();
        ports
            .map(|port| format!("nats://127.0.0.1:{port}"))
            .collect()
    }

    pub(crate) fn kill(&mut self, place: usize) {
        drop(self.running[place].take());
    }

    pub(crate) fn raise(&mut self, place: usize) {
        let child = Command::new("nats-server")
            .arg("-c")
            .arg(&self.files[place])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        self.running[place] = Some(Running(child.expect("starts")));
        let port = self.ports[place];
        wait("the server", || {
            std::net::TcpStream::connect(("127.0.0.1", port)).ok()
        });
    }

    /// Has them read their users anew.
    pub(crate) fn reload(&self) {
        for running in self.running.iter().flatten() {
            let pid = nix::unistd::Pid::from_raw(i32::try_from(running.0.id()).expect("a pid"));
            nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGHUP).expect("told");
        }
    }

    /// Process of the first one.
    pub(crate) fn pid(&self) -> u32 {
        let running = self.running.first().and_then(Option::as_ref);
        running.map_or(0, |running| running.0.id())
    }
}

/// The server's file with a name, a port and folders of its own.
fn altered(text: &str, folder: &Path, place: usize, port: u16) -> String {
    let lines = text.lines().map(|line| {
        let word = line.trim_start();
        if word.starts_with("server_name:") {
            format!("server_name: \"server-{place}\"")
        } else if word.starts_with("listen:") {
            format!("listen: \"127.0.0.1:{port}\"")
        } else if word.starts_with("pid_file:") {
            format!("pid_file: {:?}", folder.join(format!("server-{place}.pid")))
        } else if word.starts_with("store_dir:") {
            format!("store_dir: {:?}", folder.join(format!("jetstream-{place}")))
        } else {
            line.to_owned()
        }
    });
    lines.map(|line| line + "\n").collect()
}

fn cluster(place: usize, routes: &[u16]) -> String {
    if routes.len() == 1 {
        return String::new();
    }
    let to: Vec<String> = routes
        .iter()
        .map(|port| format!("\"nats://127.0.0.1:{port}\""))
        .collect();
    format!(
        "cluster {{\n  name: shop\n  listen: \"127.0.0.1:{}\"\n  routes: [{}]\n}}\n",
        routes[place],
        to.join(", ")
    )
}

/// Writes into the hub's settings where the servers are and how many of them keep each stream.
fn say_where(folder: &Path, ports: &[u16]) {
    let path = folder.join("hub.toml");
    let text = fs::read_to_string(&path).expect("made by `hub init`");
    let mut settings: toml::Table = text.parse().expect("TOML");
    let servers = ports.iter().map(|port| format!("nats://127.0.0.1:{port}"));
    settings.insert(
        "servers".to_owned(),
        toml::Value::Array(servers.map(Into::into).collect()),
    );
    let copies = i64::try_from(ports.len()).expect("few");
    settings.insert("copies".to_owned(), copies.into());
    fs::write(&path, settings.to_string()).expect("written");
}
