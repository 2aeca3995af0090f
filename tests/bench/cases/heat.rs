//! Case 1, heat. The processor's thermometer is the kernel's `k10temp` over a device whose register the host
//! writes; a thermal zone of the firmware's stands beside it.

use anyhow::{Result, ensure};

use crate::Bench;
use crate::guest::{Guest, WINDOW};
use crate::receiver::{self, Receiver};
use crate::trial::{INTEGERS, suite};

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
