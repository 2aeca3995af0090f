//! Case 2, what the board measures: the kernel's `nct7802` over a chip of which only the registers exist (module
//! `i2c-stub`, Linux Documentation/i2c/i2c-stub.rst). Registers by drivers/hwmon/nct7802.c of Linux 6.1.

use anyhow::{Context, Result, ensure};

use crate::Bench;
use crate::guest::Guest;
use crate::trial::{INTEGERS, suite};

const CHIP: u8 = 0x28;
/// First voltage: its upper 8 bits, in steps of four times 4 mV.
const VOLTAGE: u8 = 0x09;
/// First fan: the upper 8 of 13 bits of a count; 1 350 000 by the count is the speed, all ones is standstill.
const FAN: u8 = 0x10;
const FANS_ON: u8 = 0x24;

fn set(guest: &mut Guest, register: u8, value: u8) -> Result<()> {
    guest.ok(&format!(
        "i2cset -y -f $(cat /tmp/bus) {CHIP:#x} {register:#x} {value:#x} b"
    ))?;
    Ok(())
}

/// The core voltage sags under load, and a fan stops: the sag is in the verdict, the fan makes the run marginal.
pub(crate) fn trouble(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("board")?)?;
    guest.ok(&format!(
        "modprobe i2c-dev && modprobe i2c-stub chip_addr={CHIP:#x} && modprobe nct7802"
    ))?;
    guest.ok("for bus in /sys/bus/i2c/devices/i2c-*; do grep -q stub $bus/name && echo ${bus##*i2c-} > /tmp/bus; done; cat /tmp/bus")?;
    set(&mut guest, VOLTAGE, 78)?;
    set(&mut guest, FAN, 42)?;
    set(&mut guest, FANS_ON, 1)?;
    guest.ok(&format!(
        "echo nct7802 {CHIP:#x} > /sys/bus/i2c/devices/i2c-$(cat /tmp/bus)/new_device && grep . /sys/class/hwmon/*/in0_input /sys/class/hwmon/*/fan1_input"
    ))?;
    guest.start_run(&suite(INTEGERS, 20), "")?;
    guest.ok("sleep 2")?;
    set(&mut guest, VOLTAGE, 72)?;
    guest.ok("sleep 3")?;
    set(&mut guest, FAN, 0xff)?;
    set(&mut guest, 0x13, 0xf8)?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("marginal", 3)?;
    let fan = &outcome.finding("cooling-stopped")?["kind"];
    ensure!(fan["label"] == "fan1", "{fan}");
    let voltage = &outcome.report["verdict"]["voltages"][0];
    let figure = |name: &str| {
        voltage[name]
            .as_f64()
            .with_context(|| format!("no `{name}`: {voltage}"))
    };
    ensure!(
        figure("lowest_mv")? == 1152.0 && figure("idle_mv")? == 1248.0,
        "{voltage}"
    );
    Ok(())
}
