//! Case 3, errors that the hardware reports. Machine checks are raised by the emulator's monitor, the counters of
//! a memory controller by an in-tree driver over registers that the host writes.

use std::time::Duration;

use anyhow::{Result, ensure};

use crate::Bench;
use crate::cases::flips::{PAGE, find_page};
use crate::cases::power::{ensure_reset, keep_last_words, wait_for_samples};
use crate::guest::{Guest, WINDOW};
use crate::host;
use crate::trial::{INTEGERS, one_stage, suite};

/// Where the registers of the memory controller lie, in the window; those of the second 64 KiB on.
const CONTROLLER: u64 = 0x1_0000;
/// Slot of the host bridge, of which the driver takes them to be.
const HOST_BRIDGE: u32 = 0x8000_0000;
const WALK: &str =
    "[[stage.load]]\nkernels = [\"march.memory\"]\ncores = \"all\"\nmemory = \"8MiB\"";

/// A corrected machine check in mid-run is told once, with its CPU and bank, and makes the run marginal.
pub(crate) fn corrected(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("mce-corrected")?)?;
    look_often(&mut guest)?;
    guest.start_run(&suite(INTEGERS, 10), "")?;
    guest.monitor("mce 1 4 0x9c00004000010091 0 0x12345000 0x8c")?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("marginal", 3)?;
    let found = &outcome.finding("hardware-error")?["kind"];
    ensure!(
        found["severity"] == "corrected" && found["count"] == 1,
        "{found}"
    );
    let text = found["text"].as_str().unwrap_or_default();
    ensure!(
        text.contains("CPU 1") && text.contains("Bank 4: 9c00004000010091"),
        "{text}"
    );
    Ok(())
}

/// The hardware could not correct a word that a worker holds: the worker gets the signal for it and the run fails
/// by it; program and machine go on.
pub(crate) fn recoverable(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("mce-recoverable")?)?;
    look_often(&mut guest)?;
    // Otherwise the kernel's word of it may end the run before the worker touches the page.
    let load = one_stage(WALK, 15).replace("asserts", "on-finding = \"continue\"\nasserts");
    guest.start_run(&load, "")?;
    let (arena, address) = find_page(&mut guest, 0)?;
    let page = address / PAGE;
    guest.monitor(&format!(
        "mce -b 0 9 0xbd000000000000c0 5 {:#x} 0x8c",
        page * PAGE
    ))?;
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("failed", 4)?;
    ensure!(
        outcome.causes().contains(&"hardware-error"),
        "{:?}",
        outcome.causes()
    );
    let told = outcome.findings("hardware-error").into_iter();
    let told: Vec<&str> = told
        .filter_map(|one| one["kind"]["text"].as_str())
        .collect();
    // By the page: within it, whichever word was touched first.
    let by_worker = format!("broken memory at {:#x}", arena.start / PAGE);
    ensure!(
        told.iter().any(|text| text.contains(&by_worker)),
        "{by_worker}: {told:?}"
    );
    let by_kernel = format!("Memory failure: {page:#x}: recovery action");
    ensure!(
        told.iter().any(|text| text.contains(&by_kernel)),
        "{by_kernel}: {told:?}"
    );
    guest.start_run(&suite(INTEGERS, 2), "")?;
    guest.finish_run()?.ensure_ends("provisional", 0)
}

/// One that the machine cannot go on after: the kernel panics, and the next start tells of it.
pub(crate) fn fatal(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("mce-fatal")?;
    keep_last_words(&mut setup);
    let mut guest = Guest::boot(setup)?;
    guest.start_run(&suite(INTEGERS, 120), "")?;
    let acknowledged = wait_for_samples(&mut guest, 7)?;
    guest.monitor("mce -b 1 4 0xbe00000000010091 5 0x12345000 0x8c")?;
    guest.wait_for_boot()?;
    let outcome = guest.report()?;
    let evidence = ensure_reset(&outcome, "panic", acknowledged)?;
    ensure!(evidence.contains("Fatal machine check"), "{evidence}");
    ensure!(
        outcome.causes() == ["reset", "hardware-error"],
        "{:?}",
        outcome.causes()
    );
    Ok(())
}

/// A counter of the memory controller's goes up: told with the count and the module, once, although the kernel
/// logs the same errors too.
pub(crate) fn counters(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("memory-counters")?)?;
    for (place, value) in [(0xd400, 1_u32), (0xd800, 0), (0xd80c, 1), (0xd810, 0)] {
        for controller in [CONTROLLER, CONTROLLER + 0x1_0000] {
            guest.poke(WINDOW + controller + place, &value.to_le_bytes())?;
        }
    }
    let base = u32::try_from(WINDOW + CONTROLLER)? | 1;
    let registers = [
        (0x48, base),
        (0x4c, 0),
        (0xa0, 0x4000_0000),
        (0xa4, 0),
        (0xbc, 0x4000_0000),
        (0xf0, 0),
    ];
    guest.set_pci(HOST_BRIDGE, &registers)?;
    guest.ok("modprobe igen6_edac; true")?;
    // The driver is told to take this bridge for one of a kind that it knows.
    guest.ok("kind=$(grep -w adl_cfg /proc/kallsyms | cut -d' ' -f1) && \
         echo \"8086 29c0 ffffffff ffffffff 0 0 $kind\" > /sys/bus/pci/drivers/igen6_edac/new_id")?;
    guest.ok(
        "cat /sys/devices/system/edac/mc/mc0/ce_count /sys/devices/system/edac/mc/mc0/mc_name",
    )?;
    look_often(&mut guest)?;
    guest.start_run(&suite(INTEGERS, 12), "")?;
    let told: u64 = 0x0100_0000 | 1 << 62;
    guest.poke(WINDOW + CONTROLLER + 0xd468, &told.to_le_bytes())?;
    guest.monitor("mce 0 4 0x9c00004000000090 0 0x1000000 0x8c")?;
    host::pause(Duration::from_millis(2500));
    guest.poke(WINDOW + CONTROLLER + 0xd468, &0_u64.to_le_bytes())?;
    let outcome = guest.finish_run()?;
    let counted = guest.ok("grep . /sys/devices/system/edac/mc/mc0/ce_count /sys/devices/system/edac/mc/mc0/*/dimm_label; dmesg | grep EDAC | tail -3")?;
    guest.note(&counted);
    outcome.ensure_ends("marginal", 3)?;
    let found = &outcome.finding("hardware-error")?["kind"];
    let says =
        |name: &str, what: &str| found[name].as_str().is_some_and(|text| text.contains(what));
    ensure!(
        says("source", "edac") && says("text", "MC#0"),
        "not by the counter: {found}"
    );
    ensure!(
        found["severity"] == "corrected" && found["count"] == 1,
        "{found}"
    );
    Ok(())
}

/// Corrected errors that do not announce themselves are looked for every second.
fn look_often(guest: &mut Guest) -> Result<()> {
    guest.ok("echo 1 > /sys/devices/system/machinecheck/machinecheck0/check_interval")?;
    Ok(())
}
