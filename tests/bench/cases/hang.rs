//! Case 5, machines that stand still with the watchdog armed.

use std::time::Duration;

use anyhow::{Context, Result, ensure};

use crate::Bench;
use crate::cases::power::{ensure_reset, wait_for_samples};
use crate::guest::{Guest, Next, Setup};
use crate::host;
use crate::trial::{INTEGERS, suite};

/// Timer interrupts of the first processor before one of the second must have come.
const MOST_STOPS: u32 = 2000;
/// `cli`, `hlt`, and back to the `hlt`: stands as still as a loop, and leaves the host its processors.
const FOR_EVER: [u8; 4] = [0xfa, 0xf4, 0xeb, 0xfd];

fn with_watchdog(bench: &Bench, name: &str) -> Result<Setup> {
    let mut setup = bench.setup(name)?;
    // Otherwise the kernel's text is hidden while a program runs, also from the debugger.
    setup.kernel_words = "nopti".to_owned();
    setup.arguments = ["-device", "i6300esb"].map(str::to_owned).to_vec();
    setup.arguments.extend(setup.debugger());
    Ok(setup)
}

/// Every processor stops in the kernel's scheduler: nothing puts the watchdog off, it resets the machine, and the
/// next start takes its word.
pub(crate) fn all(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(with_watchdog(bench, "hang-all")?)?;
    guest.ok("modprobe i6300esb")?;
    guest.start_run(&suite(INTEGERS, 300), "--watchdog")?;
    let acknowledged = wait_for_samples(&mut guest, 7)?;
    let scheduler = symbol(&mut guest, "schedule")?;
    let mut gdb = guest.debugger()?;
    gdb.write(scheduler, &FOR_EVER)?;
    guest.note("every processor stands still from here on");
    gdb.detach()?;
    guest.wait_for_boot()?;
    guest.ok("modprobe i6300esb")?;
    let outcome = guest.report()?;
    let evidence = ensure_reset(&outcome, "hang", acknowledged)?;
    ensure!(
        evidence.contains("reset the machine: machine hung or this service died"),
        "{evidence}"
    );
    Ok(())
}

/// One processor stands still with interrupts off, as in a deadlock of a driver's. Where the rest can still write, it
/// tells that the worker there is stalled, gives up ending it, and ends the run; where the kernel waits for that
/// processor in everything, the watchdog resets the machine, before or after. All of it was seen.
pub(crate) fn one(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(with_watchdog(bench, "hang-one")?)?;
    guest.ok("modprobe i6300esb")?;
    let load = suite(INTEGERS, 300).replace("stall-after = \"20s\"", "stall-after = \"8s\"");
    guest.start_run(&load, "--watchdog")?;
    let acknowledged = wait_for_samples(&mut guest, 7)?;
    let interrupt = symbol(&mut guest, "sysvec_apic_timer_interrupt")?;
    let dead_end = symbol(&mut guest, "panic_smp_self_stop")?;
    let mut gdb = guest.debugger()?;
    gdb.break_at(interrupt)?;
    let second = "02";
    // The first processor comes by as well.
    let mut reason = String::new();
    for _ in 0..MOST_STOPS {
        gdb.go_on()?;
        reason = wait_for_stop(&mut gdb)?;
        if reason.contains(&format!("thread:{second};")) {
            break;
        }
    }
    ensure!(
        reason.contains(&format!("thread:{second};")),
        "it never came by: {reason}"
    );
    gdb.write(dead_end, &FOR_EVER)?;
    gdb.jump(second, dead_end)?;
    gdb.clear(interrupt)?;
    guest.note("the second processor stands still from here on");
    gdb.detach()?;
    // The worker, or a thread of the program that stood there, is the kernel's, which cannot remove it, and a kernel
    // that waits for that processor answers nobody any more: what was found is on the disk.
    if guest.wait_for_end_or_start()? != Next::Start {
        guest = Guest::boot(guest.cut_power()?)?;
    }
    guest.ok("modprobe i6300esb")?;
    let outcome = guest.report()?;
    if outcome.findings("stall").is_empty() {
        ensure_reset(&outcome, "hang", acknowledged)?;
        return Ok(());
    }
    outcome.ensure_ends("failed", 0)?;
    let stall = outcome.finding("stall")?;
    ensure!(stall["cpu"] == 1, "of another processor: {stall}");
    Ok(())
}

fn wait_for_stop(gdb: &mut crate::gdb::Gdb) -> Result<String> {
    for _ in 0..50 {
        if let Some(reason) = gdb.stopped()? {
            return Ok(reason);
        }
        host::pause(Duration::from_millis(10));
    }
    anyhow::bail!("the machine does not stop")
}

/// Address of a function of the kernel's.
fn symbol(guest: &mut Guest, name: &str) -> Result<u64> {
    let line = guest.ok(&format!("grep -m1 ' [tTW] {name}$' /proc/kallsyms"))?;
    let address = line.split(' ').next().context("an address")?;
    Ok(u64::from_str_radix(address, 16)?)
}
