//! One campaign from an empty folder to the checker's word.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::thread::sleep;
use std::time::{Duration, Instant};

use rand::rngs::StdRng;
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use soakproof::fleet::hub::{HubDesk, HubFolder, LiveKeep};
use soakproof::fleet::link::LinkOptions;
use soakproof::fleet::protocol::{DeskEntry, MachineName, RESULTS, Registration};
use soakproof::os::Secret;
use tokio::runtime::Runtime;
use tokio::task::JoinHandle;

use super::super::{Running, Shop, name};
use super::checker::{Held, Produced, check};
use super::line::Line;
use super::machine::{SharedDisk, Traits, live};
use super::records::Template;
use super::rogue::{Flood, flood};
use super::servers::Servers;

/// Name of the machine that is hostile.
const ROGUE: &str = "rogue";
/// An hour, in milliseconds.
const HOUR_MS: i64 = 3_600_000;

/// What goes wrong, and for how long.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Trouble {
    /// A server is killed; of several, the one that leads the stream of results.
    ServerDies(Duration),
    /// The hub is killed.
    HubDies(Duration),
    /// One machine in so many loses its power.
    MachinesDie(usize, Duration),
    /// The line of one machine in three goes dark.
    LineStalls(Duration),
    /// A machine says as much as it can.
    Flood(Duration),
}

/// What is tried.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub(crate) machines: usize,
    pub(crate) servers: usize,
    /// Runs of each machine.
    pub(crate) runs: u32,
    /// Shortest and longest run.
    pub(crate) work: (Duration, Duration),
    /// After what pause what happens.
    pub(crate) trouble: Vec<(Duration, Trouble)>,
    pub(crate) seed: u64,
    /// How long a machine waits for a receipt at first.
    pub(crate) wait: Duration,
    /// Longest wait for everything to be over after the last trouble.
    pub(crate) patience: Duration,
}

/// A campaign under way.
pub(crate) struct Campaign {
    pub(crate) shop: Shop,
    pub(crate) servers: Servers,
    pub(crate) hub: Option<Running>,
    pub(crate) templates: Arc<[Template; 2]>,
    pub(crate) flooded: Flood,
    pub(crate) ordered: Instant,
    plan: Plan,
    runtime: Runtime,
    line: Option<Line>,
    machines: Vec<(Traits, SharedDisk, Option<JoinHandle<()>>)>,
    random: StdRng,
}

impl Campaign {
    /// Servers, a hub and machines, all of them heard; none where there is no server to be had.
    pub(crate) fn start(plan: Plan) -> Option<Self> {
        let mut shop = Shop::open(&[])?;
        shop.kill_server();
        let folder = shop.path("hub");
        let servers = Servers::start(&folder, plan.servers);
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .expect("an event loop");
        let line = (plan.servers == 1).then(|| runtime.block_on(Line::to(servers.port(0))));
        let mut campaign = Self {
            templates: Arc::new(Template::both(&shop.path("templates"))),
            random: StdRng::seed_from_u64(plan.seed),
            shop,
            servers,
            hub: None,
            flooded: Flood::default(),
            ordered: Instant::now(),
            runtime,
            line,
            machines: Vec::new(),
            plan,
        };
        campaign.enrol();
        campaign.start_hub();
        for place in 0..campaign.machines.len() {
            campaign.power_on(place);
        }
        let live = LiveKeep::open(&folder).expect("opens");
        // A thousand handshakes take their time where other programs are at work.
        let begun = Instant::now();
        while live.lines().expect("read").len() < campaign.plan.machines {
            let patient = begun.elapsed() < campaign.plan.patience;
            assert!(patient, "not every machine was heard");
            sleep(Duration::from_millis(100));
        }
        Some(campaign)
    }

    fn enrol(&mut self) {
        let folder = HubFolder::open(&self.shop.path("hub")).expect("made");
        let (link, copies) = folder.link().expect("read");
        let mut names: Vec<String> = (1..=self.plan.machines)
            .map(|n| format!("m{n:04}"))
            .collect();
        names.push(ROGUE.to_owned());
        self.runtime.block_on(async {
            // Servers that have just found each other take a moment to agree on who leads.
            let mut desk = HubDesk::open(&link, copies).await;
            for _ in 0..60 {
                if desk.is_ok() {
                    break;
                }
                tokio::time::sleep(Duration::from_millis(500)).await;
                desk = HubDesk::open(&link, copies).await;
            }
            let desk = desk.expect("a desk");
            for (place, machine) in names.iter().enumerate() {
                folder.enrol(&name(machine)).expect("enrolled");
                let group = if machine == ROGUE {
                    "elsewhere"
                } else {
                    "floor"
                };
                let entry = DeskEntry::Machine(Registration {
                    name: name(machine),
                    serial: Some(format!("SN-{place}")),
                    owner: "the floor".to_owned(),
                    note: String::new(),
                    group: Some(group.to_owned()),
                    circuit: None,
                    enrolled: true,
                });
                desk.say(entry).await.expect("said");
            }
        });
        self.servers.reload();
        names.pop();
        for (place, machine) in names.iter().enumerate() {
            let traits = self.traits(place, machine);
            self.machines.push((traits, SharedDisk::default(), None));
        }
    }

    fn traits(&self, place: usize, machine: &str) -> Traits {
        // Some clocks are an hour ahead or behind, and some lines deliver twice.
        let skew_ms = match place % 10 {
            3 => HOUR_MS,
            7 => -HOUR_MS,
            _ => 0,
        };
        let mut link = self.link(machine);
        if let Some(line) = self.line.as_ref().filter(|_| place.is_multiple_of(3)) {
            link.servers = vec![format!("nats://127.0.0.1:{}", line.port)];
        }
        Traits {
            name: name(machine),
            serial: format!("SN-{place}"),
            link,
            seed: self.plan.seed ^ u64::try_from(place).expect("small"),
            skew_ms,
            twice: place.is_multiple_of(4),
            work: self.plan.work,
            wait: self.plan.wait,
        }
    }

    fn link(&self, machine: &str) -> LinkOptions {
        let key = self.shop.path(&format!("hub/machines/{machine}.nk"));
        let seed = std::fs::read_to_string(key).expect("a key");
        LinkOptions {
            servers: self.servers.addresses(),
            seed: Secret::new(seed.trim()),
            name: machine.to_owned(),
            roots: None,
        }
    }

    fn power_on(&mut self, place: usize) {
        let (traits, disk, task) = &mut self.machines[place];
        let living = live(traits.clone(), self.templates.clone(), disk.clone());
        *task = Some(self.runtime.spawn(living));
    }

    pub(crate) fn start_hub(&mut self) {
        let log = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.shop.path("hub.log"))
            .expect("made");
        let mut command: Command = self.shop.program();
        // Another build of the program may be looked at: one that is optimised, or has a defect.
        if let Some(other) = std::env::var_os("SOAKPROOF_FLEET_PROGRAM") {
            command = Command::new(other);
            command
                .env("SOAKPROOF_CONFIG", "/dev/null")
                .env("SOAKPROOF_HUB", self.shop.path("hub"));
        }
        command
            .args(["hub", "serve"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log);
        self.hub = Some(Running(command.spawn().expect("starts")));
    }

    /// Gives the order.
    pub(crate) fn order(&mut self) {
        let runs = self.plan.runs.to_string();
        self.ordered = Instant::now();
        let again = [
            "--group",
            "floor",
            "--repeat",
            &runs,
            "--again-after-failure",
            "9",
        ];
        self.shop.order(3, &again);
    }

    /// Lets everything happen that the plan says.
    pub(crate) fn go_through_trouble(&mut self) {
        for (pause, trouble) in self.plan.trouble.clone() {
            sleep(pause);
            println!("{:.1} s: {trouble:?}", self.ordered.elapsed().as_secs_f64());
            match trouble {
                Trouble::ServerDies(span) => {
                    let place = self.leader();
                    self.servers.kill(place);
                    sleep(span);
                    self.servers.raise(place);
                }
                Trouble::HubDies(span) => {
                    drop(self.hub.take());
                    sleep(span);
                    self.start_hub();
                }
                Trouble::MachinesDie(one_in, span) => self.cut_power(one_in, span),
                Trouble::LineStalls(span) => {
                    let line = self.line.as_ref().expect("one server");
                    line.stall(true);
                    sleep(span);
                    line.stall(false);
                }
                Trouble::Flood(span) => {
                    let own = (name(ROGUE), self.link(ROGUE));
                    let victim = &self.machines[0].0;
                    let victim = (victim.name.clone(), victim.serial.clone());
                    self.flooded = self.runtime.block_on(flood(own, victim, span));
                }
            }
        }
    }

    fn cut_power(&mut self, one_in: usize, span: Duration) {
        let all: Vec<usize> = (0..self.machines.len()).collect();
        let count = (all.len() / one_in).max(1);
        let struck: Vec<usize> = all.sample(&mut self.random, count).copied().collect();
        for place in &struck {
            if let Some(task) = self.machines[*place].2.take() {
                task.abort();
            }
        }
        sleep(span);
        for place in struck {
            self.power_on(place);
        }
    }

    /// Number of the server that leads the stream of results.
    fn leader(&mut self) -> usize {
        if self.servers.count() == 1 {
            return 0;
        }
        let folder = HubFolder::open(&self.shop.path("hub")).expect("made");
        let (link, _) = folder.link().expect("read");
        let leader = self.runtime.block_on(async {
            let client = soakproof::fleet::link::connect(&link, true).await.ok()?;
            let jetstream = async_nats::jetstream::new(client);
            let mut stream = jetstream.get_stream(RESULTS).await.ok()?;
            stream.info().await.ok()?.cluster.clone()?.leader
        });
        let place = leader.and_then(|leader| leader.rsplit_once('-')?.1.parse().ok());
        place.unwrap_or_else(|| self.random.random_range(0..self.servers.count()))
    }

    /// Waits until every machine has done its runs and has a receipt for each; false where that never came.
    pub(crate) fn settle(&self) -> bool {
        let begun = Instant::now();
        loop {
            let settled = self.machines.iter().all(|(_, disk, _)| {
                let disk = disk.lock();
                let passed = |told: &&super::machine::Told| told.template == 0;
                let done = disk.told.values().filter(passed).count();
                done >= self.plan.runs as usize && disk.is_settled()
            });
            if settled || begun.elapsed() > self.plan.patience {
                return settled;
            }
            sleep(Duration::from_millis(200));
        }
    }

    /// What every machine remembers.
    pub(crate) fn produced(&self) -> Produced {
        let each = self.machines.iter();
        let each = each.map(|(traits, disk, _)| (traits.name.clone(), disk.lock().clone()));
        each.collect()
    }

    /// What the hub holds.
    pub(crate) fn held(&self) -> Held {
        let mut names: Vec<MachineName> =
            self.machines.iter().map(|(t, ..)| t.name.clone()).collect();
        names.push(name(ROGUE));
        Held::read(&self.shop.path("hub"), &names)
    }

    /// What the checker says; where it complains, the hub's last words too.
    pub(crate) fn complaints(&self) -> Vec<String> {
        let mut complaints = check(&self.produced(), &self.held(), &self.templates);
        if !complaints.is_empty() {
            let log = std::env::temp_dir().join(format!("hub-{}.log", self.plan.seed));
            std::fs::write(&log, self.shop.log("hub")).expect("written");
            complaints.push(format!("what the hub said is in {}", log.display()));
        }
        complaints
    }

    /// Machines whose clock is right, by name, with what they are like.
    pub(crate) fn in_time(&self) -> BTreeMap<MachineName, bool> {
        let each = self.machines.iter();
        let each = each.map(|(traits, ..)| (traits.name.clone(), traits.skew_ms == 0));
        each.collect()
    }

    /// The hub's folder.
    pub(crate) fn folder(&self) -> PathBuf {
        self.shop.path("hub")
    }
}

impl Drop for Campaign {
    fn drop(&mut self) {
        for (.., task) in &self.machines {
            if let Some(task) = task {
                task.abort();
            }
        }
    }
}
