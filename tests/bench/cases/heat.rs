//! Case 1, heat. The processor's thermometer is the kernel's `k10temp` over a device whose register the host
//! writes; a thermal zone of the firmware's stands beside it.

use std::time::Duration;

use anyhow::{Context, Result, ensure};

use crate::Bench;
use crate::guest::{Guest, WINDOW};
use crate::host;
use crate::receiver::{self, Receiver};
use crate::trial::{INTEGERS, figure, suite};

/// The chip's own critical value; the guard stops the usual 5 degrees below.
const CRITICAL_C: f64 = 95.0;
const CEILING_C: f64 = 90.0;
/// Two samples of the usual second, the second of them at once, and the time that a worker takes to end a
/// pass: in the guest's own seconds.
const STOPPED_WITHIN_S: f64 = 3.0;

/// The sensor climbs to the ceiling: the load ends in time, the run fails by heat, and somebody elsewhere
/// is told.
pub(crate) fn ceiling(bench: &Bench) -> Result<()> {
    let receiver = Receiver::start()?;
    let mut setup = bench.setup("heat-ceiling")?;
    setup.arguments = receiver.network(&bench.busybox());
    let mut guest = Guest::boot(setup)?;
    guest.attach_thermometer(45.0, CRITICAL_C)?;
    guest.ok(receiver::UP)?;
    guest.write("/tmp/notices.toml", receiver::CONFIGURATION)?;
    guest.ok("mkdir -p /etc/soakproof && cp /tmp/notices.toml /etc/soakproof/soakproof.toml")?;
    guest.start_run(&suite(INTEGERS, 120), "")?;
    // Near the ceiling it goes on.
    for celsius in [60.0, 75.0, 85.0, CEILING_C - 0.125] {
        guest.set_temperature(celsius)?;
        guest.ok("sleep 1.5")?;
    }
    let going = guest.run("cat /tmp/status")?;
    ensure!(going.status != 0, "the run has ended below the ceiling");
    let before = guest.run("true")?.uptime_s;
    guest.set_temperature(CEILING_C + 0.5)?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("failed", 4)?;
    let found = &outcome.finding("over-hot")?["kind"];
    ensure!(
        found["ceiling_c"] == CEILING_C && found["reading_c"] == CEILING_C + 0.5,
        "{found}"
    );
    ensure!(outcome.causes() == ["heat"], "{:?}", outcome.causes());
    let took = outcome.load_ended_s()? - before;
    ensure!(took < STOPPED_WITHIN_S, "the load went on for {took:.1} s");
    receiver.wait_for(&[
        "run.started",
        "guard.stopped",
        "finding.first",
        "run.finished",
    ])
}

/// The sensor's device no longer answers (all bits one), vanishes, or answers late: the load ends, and what was
/// seen is not taken for a proof.
pub(crate) fn blind(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("heat-blind")?;
    let zone = bench.compile_table(&setup.folder, "zone", include_str!("../guest/zone.asl"))?;
    setup.arguments = vec!["-acpitable".to_owned(), format!("file={zone}")];
    setup.window = vec![
        (0, 3032_u32.to_le_bytes().to_vec()),
        (8, 3732_u32.to_le_bytes().to_vec()),
    ];
    let mut guest = Guest::boot(setup)?;
    guest.attach_thermometer(45.0, CRITICAL_C)?;
    let zone = guest.ok(
        "grep -l acpitz /sys/class/hwmon/*/name && cat /sys/class/thermal/thermal_zone0/temp",
    )?;
    ensure!(
        zone.ends_with("30000"),
        "the zone of the firmware reads {zone}"
    );
    let load = suite(INTEGERS, 120);

    guest.start_run(&load, "")?;
    guest.ok("sleep 5")?;
    guest.set_thermometer_register(u32::MAX)?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("provisional", 5)?;
    outcome.ensure_gap("sensor-lost")?;

    guest.set_temperature(45.0)?;
    guest.start_run(&load, "")?;
    guest.ok("sleep 5")?;
    guest.ok("echo 0000:00:10.0 > /sys/bus/pci/drivers/k10temp/unbind")?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("provisional", 5)?;
    outcome.ensure_gap("sensor-lost")?;

    guest.ok("echo 0000:00:10.0 > /sys/bus/pci/drivers/k10temp/bind")?;
    guest.start_run(&load, "")?;
    guest.ok("sleep 5")?;
    guest.poke(WINDOW + 4, &5000_u32.to_le_bytes())?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("provisional", 5)?;
    outcome.ensure_gap("sampler-late")
}

/// The sensor says the same before and under load for a minute.
pub(crate) fn frozen(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("heat-frozen")?)?;
    guest.attach_thermometer(45.0, CRITICAL_C)?;
    guest.start_run(&suite(INTEGERS, 90), "")?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("provisional", 5)?;
    outcome.ensure_gap("sensor-frozen")
}

/// Air around the body that the guest heats, how far it gets above it when all is at work, and its time constant.
const AIR_C: f64 = 30.0;
const RISE_C: f64 = 42.0;
const TIME_CONSTANT_S: f64 = 150.0;
/// Long enough to speak of a plateau.
const EVEN_S: u32 = 930;
/// Between two looks at what the guest does, by the host's clock.
const LOOK_EVERY: Duration = Duration::from_millis(300);
/// Looks until the run must have ended.
const MOST_LOOKS: u32 = 4000;

/// What a guest says of its time and its work.
const WORK: &str = "cat /proc/uptime && head -n 1 /proc/stat";

/// What a guest had done by a second of its own.
struct Work {
    uptime_s: f64,
    idle_ticks: f64,
    all_ticks: f64,
}

impl Work {
    /// Takes what [`WORK`] said.
    fn parse(said: &str) -> Result<Self> {
        let mut lines = said.lines();
        let mut numbers = || -> Result<Vec<f64>> {
            let words = lines.next().context("a line")?.split_whitespace();
            Ok(words.filter_map(|word| word.parse().ok()).collect())
        };
        let uptime_s = *numbers()?.first().context("the uptime")?;
        let ticks = numbers()?;
        ensure!(ticks.len() >= 8, "ticks: {said}");
        Ok(Self {
            uptime_s,
            idle_ticks: ticks[3] + ticks[4],
            all_ticks: ticks[..8].iter().sum(),
        })
    }
}

/// A body that one resistance couples to the air: first order, moved on exactly from look to look.
struct Body {
    celsius: f64,
    seen: Work,
}

impl Body {
    fn heat(&mut self, now: Work) {
        let before = std::mem::replace(&mut self.seen, now);
        let idle = self.seen.idle_ticks - before.idle_ticks;
        let all = f64::max(self.seen.all_ticks - before.all_ticks, 1.0);
        let level = AIR_C + RISE_C * (1.0 - idle / all).clamp(0.0, 1.0);
        let left = (-(self.seen.uptime_s - before.uptime_s) / TIME_CONSTANT_S).exp();
        self.celsius = level + (self.celsius - level) * left;
    }
}

/// The load of the guest itself heats the thermometer, and a quarter of an hour shows the plateau: its height and the
/// time constant are those of the body. Time in the guest goes by the instructions that it carries out, and no faster
/// or slower than it can be emulated.
pub(crate) fn plateau(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("heat-plateau")?;
    setup.cpus = 1;
    setup.arguments = ["-icount", "shift=6,sleep=off"].map(str::to_owned).to_vec();
    let mut guest = Guest::boot(setup)?;
    guest.attach_thermometer(AIR_C, CRITICAL_C)?;
    let load = INTEGERS.replace("[1]", "[0]");
    let even = suite(&load, EVEN_S)
        .replace("asserts", "sample-period = \"5s\"\nasserts")
        .replace("\"1s\"", "\"60s\"");
    guest.begin_run(&even, "")?;
    let mut body = Body {
        celsius: AIR_C,
        seen: Work::parse(&guest.ok(WORK)?)?,
    };
    let mut looks = 0;
    while !guest.has_ended() {
        body.heat(Work::parse(&guest.ok(WORK)?)?);
        guest.set_temperature(body.celsius)?;
        looks += 1;
        ensure!(looks < MOST_LOOKS, "the run does not end");
        host::pause(LOOK_EVERY);
    }
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("provisional", 0)?;
    let heat = &outcome.report["verdict"]["heat"];
    ensure!(heat["plateau"] == "reached", "{heat}");
    ensure!(
        (figure(heat, "settled_c")? - (AIR_C + RISE_C)).abs() < 1.0,
        "{heat}"
    );
    let off = figure(heat, "time_constant_s")? / TIME_CONSTANT_S;
    ensure!((0.9..1.1).contains(&off), "{heat}");
    ensure!(figure(heat, "idle_c")? < AIR_C + 0.1 * RISE_C, "{heat}");
    Ok(())
}
