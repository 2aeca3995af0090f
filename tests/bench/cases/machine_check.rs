//! Case 3, errors that the hardware reports. Machine checks are raised by the emulator's monitor, the counters of
//! a memory controller by an in-tree driver over registers that the host writes, records of the platform's by a table
//! of the firmware's that points into the window.

use std::time::Duration;

use anyhow::{Result, ensure};
use serde_json::Value;

use crate::Bench;
use crate::cases::flips::{PAGE, find_page};
use crate::cases::power::{ensure_reset, keep_last_words, wait_for_samples};
use crate::guest::{Guest, WINDOW};
use crate::host;
use crate::trial::{INTEGERS, Outcome, one_stage, suite};

/// Where the registers of the memory controller lie, in the window; those of the second 64 KiB on.
const CONTROLLER: u64 = 0x1_0000;
/// Slot of the host bridge, of which the driver takes them to be.
const HOST_BRIDGE: u32 = 0x8000_0000;
const WALK: &str =
    "[[stage.load]]\nkernels = [\"march.memory\"]\ncores = \"all\"\nmemory = \"8MiB\"";

/// A corrected machine check in mid-run is told once, with its CPU, bank and address, and makes the run marginal.
pub(crate) fn corrected(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("mce-corrected")?)?;
    look_often(&mut guest)?;
    guest.start_run(&suite(INTEGERS, 10), "")?;
    guest.monitor("mce 1 4 0x9c00004000010091 0 0x12345000 0x8c")?;
    let outcome = guest.finish_run()?;
    let found = told_once(&outcome)?;
    let text = found["text"].as_str().unwrap_or_default();
    ensure!(
        text.contains("CPU 1") && text.contains("Bank 4: 9c00004000010091; ADDR 12345000"),
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
    let found = told_once(&outcome)?;
    let says =
        |name: &str, what: &str| found[name].as_str().is_some_and(|text| text.contains(what));
    ensure!(
        says("source", "edac") && says("text", "MC#0"),
        "not by the counter: {found}"
    );
    Ok(())
}

/// Where the firmware's table points to the record, and where the record lies, in the window.
const POINTER: u64 = 0x2000;
const PLATFORM_RECORD: u64 = 0x3000;
const RECORD_BYTES: u32 = 0x1000;
/// Where the platform says that its memory erred.
const ERRED_AT: u64 = 0x1234_5000;

/// The platform's firmware leaves a record of a corrected memory error: told once, with address and module.
pub(crate) fn platform(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("platform-record")?;
    let table = setup.folder.join("hest");
    std::fs::write(&table, error_sources())?;
    let table = format!("sig=HEST,rev=1,data={}", table.display());
    let module = "type=17,loc_pfx=SLOT_,bank=BANK_1,manufacturer=Bench,part=INVENTED-1,speed=3600";
    let words = ["-acpitable", &table, "-smbios", module];
    setup.arguments = words.map(str::to_owned).to_vec();
    let pointer = WINDOW + PLATFORM_RECORD;
    setup.window = vec![
        (POINTER, pointer.to_le_bytes().to_vec()),
        (PLATFORM_RECORD, vec![0; 4]),
    ];
    let mut guest = Guest::boot(setup)?;
    guest.start_run(&suite(INTEGERS, 10), "")?;
    let record = memory_error_record();
    // Its first word says that it is there.
    guest.poke(pointer + 4, &record[4..])?;
    guest.poke(pointer, &record[..4])?;
    let outcome = guest.finish_run()?;
    guest.ok("dmesg | grep 'Hardware Error'")?;
    let found = told_once(&outcome)?;
    let text = found["text"].as_str().unwrap_or_default();
    let address = format!("physical_address: {ERRED_AT:#018x}");
    for word in [
        "event severity: corrected",
        &address,
        "DIMM location: BANK_1 SLOT_",
    ] {
        ensure!(text.contains(word), "no `{word}`: {text}");
    }
    Ok(())
}

/// A table of one source of errors that the kernel looks at every half second (ACPI 6.4, 18.3.2.7 Generic Hardware
/// Error Source), without the head that every table has.
fn error_sources() -> Vec<u8> {
    const GENERIC: u16 = 9;
    let mut table = Vec::new();
    table.extend(1_u32.to_le_bytes());
    for half in [GENERIC, 0, 0xFFFF] {
        table.extend(half.to_le_bytes());
    }
    // No flags; enabled.
    table.extend([0, 1]);
    // Records and sections that are made room for; longest raw data.
    for word in [1, 1, RECORD_BYTES] {
        table.extend(word.to_le_bytes());
    }
    // Where the pointer lies: memory, 64 bits, read as one.
    table.extend([0, 64, 0, 4]);
    table.extend((WINDOW + POINTER).to_le_bytes());
    // Looked at, which needs nothing but the period in milliseconds.
    table.extend([0, 28, 0, 0]);
    for word in [500, 0, 0, 0, 0, 0] {
        table.extend(u32::to_le_bytes(word));
    }
    table.extend(RECORD_BYTES.to_le_bytes());
    table
}

/// One corrected single-bit error in a module (ACPI 6.4, 18.3.2.7.1 Generic Error Data; UEFI 2.10, appendix N.2.5
/// Memory Error Section).
fn memory_error_record() -> Vec<u8> {
    const CORRECTED: u32 = 2;
    const SECTION: [u8; 16] = 0xA5BC_1114_6F64_4EDE_B863_3E83_ED7C_83B1_u128.to_be_bytes();
    const SECTION_BYTES: u32 = 80;
    const HEAD_BYTES: u32 = 72;
    /// Of the address, the card, the module of it, the kind of error and the module's table of the firmware.
    const KNOWN: u64 = 0x2 | 0x10 | 0x20 | 0x4000 | 0x2_0000;
    /// The emulator's first table of a memory module.
    const MODULE_TABLE: u16 = 0x1100;
    const SINGLE_BIT: u8 = 2;
    let mut record = Vec::new();
    // One corrected error in one section; no raw data.
    let status = 1 << 1 | 1 << 4;
    for word in [status, 0, 0, HEAD_BYTES + SECTION_BYTES, CORRECTED] {
        record.extend(u32::to_le_bytes(word));
    }
    // The first three parts of such a name are numbers, with the least byte first.
    let [a, b, c, d, e, f, g, h, rest @ ..] = SECTION;
    record.extend([d, c, b, a, f, e, h, g]);
    record.extend(rest);
    record.extend(CORRECTED.to_le_bytes());
    // Revision 3.0; nothing of a part, no flags.
    record.extend(0x300_u16.to_le_bytes());
    record.extend([0, 0]);
    record.extend(SECTION_BYTES.to_le_bytes());
    record.extend([0; 16 + 20 + 8]);
    for long in [KNOWN, 0, ERRED_AT, 0] {
        record.extend(long.to_le_bytes());
    }
    // Node, card, module, bank, device, row, column, bit.
    for half in [0_u16, 1, 2, 0, 0, 0, 0, 0] {
        record.extend(half.to_le_bytes());
    }
    record.extend([0; 24]);
    record.extend([SINGLE_BIT, 0]);
    for half in [0, 0, MODULE_TABLE] {
        record.extend(half.to_le_bytes());
    }
    record
}

/// The only error that the hardware reported: corrected, counted once, and the run is marginal by it.
fn told_once(outcome: &Outcome) -> Result<&Value> {
    outcome.ensure_ends("marginal", 3)?;
    let found = &outcome.finding("hardware-error")?["kind"];
    ensure!(
        found["severity"] == "corrected" && found["count"] == 1,
        "{found}"
    );
    Ok(found)
}

/// Corrected errors that do not announce themselves are looked for every second.
fn look_often(guest: &mut Guest) -> Result<()> {
    guest.ok("echo 1 > /sys/devices/system/machinecheck/machinecheck0/check_interval")?;
    Ok(())
}
