//! Case 2, what the board measures: the kernel's `nct7802` over a chip of which only the registers exist (module
//! `i2c-stub`, Linux Documentation/i2c/i2c-stub.rst), and its meter of power over a table of the firmware's. Registers
//! by drivers/hwmon/nct7802.c of Linux 6.1.

use anyhow::{Context, Result, ensure};

use crate::Bench;
use crate::guest::{Guest, WINDOW};
use crate::trial::{INTEGERS, figure, suite};

const CHIP: u8 = 0x28;
const SECOND_CHIP: u8 = 0x29;
/// First voltage: its upper 8 bits, in steps of four times 4 mV.
const VOLTAGE: u8 = 0x09;
/// First fan: the upper 8 of 13 bits of a count; 1 350 000 by the count is the speed, all ones is standstill.
const FAN: u8 = 0x10;
const FANS_ON: u8 = 0x24;
/// Meters of the firmware's are read every 10 s; two readings, and the two that show that there are no more.
const READ_FOR_S: u32 = 15;
const GONE_FOR_S: u32 = 25;
/// A load whose speed is not held against its own start: on a busy host that would be a finding.
const WALK: &str = "[[stage.load]]\nkernels = [\"march.memory\"]\ncores = [1]\nmemory = \"1MiB\"";

fn set(guest: &mut Guest, chip: u8, register: u8, value: u8) -> Result<()> {
    guest.ok(&format!(
        "i2cset -y -f $(cat /tmp/bus) {chip:#x} {register:#x} {value:#x} b"
    ))?;
    Ok(())
}

/// Makes room for two chips, and says on which bus.
fn load_chips(guest: &mut Guest) -> Result<()> {
    guest.ok(&format!(
        "modprobe i2c-dev && modprobe i2c-stub chip_addr={CHIP:#x},{SECOND_CHIP:#x} && modprobe nct7802"
    ))?;
    guest.ok("for bus in /sys/bus/i2c/devices/i2c-*; do grep -q stub $bus/name && echo ${bus##*i2c-} > /tmp/bus; done; cat /tmp/bus")?;
    Ok(())
}

/// Lets the driver take a chip.
fn attach(guest: &mut Guest, chip: u8) -> Result<()> {
    guest.ok(&format!(
        "echo nct7802 {chip:#x} > /sys/bus/i2c/devices/i2c-$(cat /tmp/bus)/new_device"
    ))?;
    Ok(())
}

/// The core voltage sags under load, and a fan stops: the sag is in the verdict, the fan makes the run marginal.
pub(crate) fn trouble(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("board")?)?;
    load_chips(&mut guest)?;
    set(&mut guest, CHIP, VOLTAGE, 78)?;
    set(&mut guest, CHIP, FAN, 42)?;
    set(&mut guest, CHIP, FANS_ON, 1)?;
    attach(&mut guest, CHIP)?;
    guest.ok("grep . /sys/class/hwmon/*/in0_input /sys/class/hwmon/*/fan1_input")?;
    guest.start_run(&suite(INTEGERS, 20), "")?;
    guest.ok("sleep 2")?;
    set(&mut guest, CHIP, VOLTAGE, 72)?;
    guest.ok("sleep 3")?;
    set(&mut guest, CHIP, FAN, 0xff)?;
    set(&mut guest, CHIP, 0x13, 0xf8)?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("marginal", 3)?;
    let fan = &outcome.finding("cooling-stopped")?["kind"];
    ensure!(fan["label"] == "fan1", "{fan}");
    let voltage = &outcome.report["verdict"]["voltages"][0];
    ensure!(
        figure(voltage, "lowest_mv")? == 1152.0 && figure(voltage, "idle_mv")? == 1248.0,
        "{voltage}"
    );
    Ok(())
}

/// Two chips read the core voltage and disagree; the meter of power vanishes. The run goes on and finds nothing, and
/// its report names the one and the other.
pub(crate) fn doubtful(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("board-doubtful")?;
    let table = bench.compile_table(&setup.folder, "meter", include_str!("../guest/meter.asl"))?;
    setup.arguments = vec!["-acpitable".to_owned(), format!("file={table}")];
    setup.window = vec![(0, 65_000_u32.to_le_bytes().to_vec())];
    let mut guest = Guest::boot(setup)?;
    load_chips(&mut guest)?;
    for (chip, volts) in [(CHIP, 78), (SECOND_CHIP, 72)] {
        set(&mut guest, chip, VOLTAGE, volts)?;
        attach(&mut guest, chip)?;
    }
    guest.ok("modprobe acpi_power_meter && cat /sys/class/hwmon/*/device/power1_average")?;
    guest.start_run(&suite(WALK, READ_FOR_S + GONE_FOR_S), "")?;
    guest.ok("sleep 2")?;
    guest.poke(WINDOW, &80_000_u32.to_le_bytes())?;
    guest.ok(&format!("sleep {READ_FOR_S}"))?;
    guest.ok("for meter in /sys/bus/acpi/drivers/power_meter/ACPI*; do echo ${meter##*/} > ${meter%/*}/unbind; done")?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("provisional", 0)?;
    let verdict = &outcome.report["verdict"];
    let gaps = verdict["gaps"].as_array().context("gaps")?;
    let lost = gaps.iter().find(|gap| gap["kind"] == "sensor-lost");
    let lost = lost.with_context(|| format!("nothing is lost: {gaps:?}"))?;
    let about = lost["about"].as_str().unwrap_or_default();
    ensure!(
        about.starts_with("power1 of power_meter could be read until"),
        "{about}"
    );
    let watts = guest.readings("power1 [W]")?;
    ensure!(
        watts.first() == Some(&65.0) && watts.last() == Some(&80.0),
        "{watts:?}"
    );
    let found = verdict["diagnoses"].as_array();
    let found = found.map(Vec::as_slice).unwrap_or_default();
    let apart = found
        .iter()
        .find(|one| one["pattern"] == "sensors-disagree");
    let apart = apart.with_context(|| format!("nobody disagrees: {found:?}"))?;
    let because = apart["because"].to_string();
    ensure!(
        because.contains("1248") && because.contains("1152") && because.contains("in0"),
        "{because}"
    );
    Ok(())
}
