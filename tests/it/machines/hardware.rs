//! Hardware errors and throttling.

#![expect(
    clippy::wildcard_enum_match_arm,
    reason = "every other finding is a failure here"
)]

use soakproof::model::{FindingKind, GapKind, Quantity, Severity};
use soakproof::os::Root;
use soakproof::sensors::read_check_interval;

use super::{Copied, folder, has_gap, instruments, open};

fn errors(findings: &[FindingKind]) -> Vec<(Severity, u64, String)> {
    findings
        .iter()
        .filter_map(|finding| match finding {
            FindingKind::HardwareError {
                severity,
                count,
                text,
                ..
            } => Some((*severity, *count, text.clone())),
            _ => None,
        })
        .collect()
}

#[test]
fn memory_errors_count_above_the_baseline_and_once() {
    let copied = Copied::of("server-two-packages");
    let mut server = open(&copied.root());
    let mc = "sys/devices/system/edac/mc/mc1";
    // Five more: three in a module, two without a place; the old tree repeats them.
    copied.write(&format!("{mc}/ce_count"), "7\n");
    copied.write(&format!("{mc}/ce_noinfo_count"), "2\n");
    copied.write(&format!("{mc}/csrow0/ce_count"), "7\n");
    copied.write(&format!("{mc}/csrow0/ch0_ce_count"), "7\n");
    copied.write(&format!("{mc}/dimm1/dimm_ce_count"), "3\n");
    // The log tells of the same errors, and of one that no counter knows.
    copied.append(
        "dev/kmsg",
        "4,102,9,-;EDAC MC1: 5 CE memory read error on P1_DIMM_A1 (channel:0 slot:1)\n\
         4,103,9,-;EDAC MC0: 1 UE memory read error on P0_DIMM_A0 (channel:0 slot:0)\n",
    );
    let found = errors(&server.read_hardware());
    let counts: Vec<(Severity, u64)> = found.iter().map(|(s, n, _)| (*s, *n)).collect();
    let corrected = Severity::Corrected;
    assert_eq!(
        counts,
        [(corrected, 3), (corrected, 2), (Severity::Uncorrected, 1)]
    );
    assert!(
        found[0].2.contains("P1_DIMM_A1 (channel 0 slot 1)"),
        "{}",
        found[0].2
    );
    assert!(server.read_hardware().is_empty(), "told once");
    // Somebody reset the counters; what comes after counts from zero.
    copied.write(&format!("{mc}/ce_count"), "1\n");
    copied.write(&format!("{mc}/dimm1/dimm_ce_count"), "1\n");
    assert_eq!(
        errors(&server.read_hardware())
            .iter()
            .map(|e| e.1)
            .sum::<u64>(),
        1
    );
    let totals = server
        .channels()
        .iter()
        .filter(|c| c.quantity == Quantity::CorrectedErrors);
    assert_eq!(totals.count(), 2, "one a controller, nothing twice");
}

#[test]
fn without_error_counters_memory_errors_are_not_observable() {
    let desktop = instruments("desktop-core-labels");
    assert!(has_gap(&desktop, GapKind::NoSource, "not observable"));
    assert!(
        !desktop
            .channels()
            .iter()
            .any(|c| c.quantity == Quantity::CorrectedErrors)
    );
    assert!(!has_gap(
        &instruments("server-two-packages"),
        GapKind::NoSource,
        "not observable"
    ));
}

#[test]
fn only_what_the_kernel_logged_after_opening_is_evidence() {
    let copied = Copied::of("desktop-core-labels");
    let mut desktop = open(&copied.root());
    assert!(
        desktop.read_hardware().is_empty(),
        "the old machine check is not of this run"
    );
    copied.append(
        "dev/kmsg",
        "0,102,9,-;mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 5: 9c00000000010151\n \
         SUBSYSTEM=cpu\n\
         0,103,9,-;mce: [Hardware Error]: TSC 1 ADDR 2 MISC 3\n\
         6,104,9,-;mce: [Hardware Error]: Machine check events logged\n\
         8,105,9,-;mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 5: be00000000010151\n\
         0,106,9,-;mce: [Hardware Error]: CPU 2: Machine Ch",
    );
    let found = errors(&desktop.read_hardware());
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!((found[0].0, found[0].1), (Severity::Corrected, 1));
    assert!(
        found[0].2.ends_with("9c00000000010151; ADDR 2"),
        "{found:?}"
    );
    copied.append("dev/kmsg", "eck: 0 Bank 1: b200000000010151\n");
    let found = errors(&desktop.read_hardware());
    assert_eq!(found.len(), 1, "a line written in two goes is one line");
    assert_eq!(found[0].0, Severity::Fatal);
    copied.append(
        "dev/kmsg",
        "6,107,9,-;mce: [Hardware Error]: Machine check events logged\n",
    );
    let found = errors(&desktop.read_hardware());
    assert_eq!(
        (found.len(), found[0].0),
        (1, Severity::Corrected),
        "nothing else told of it"
    );
    assert!(!has_gap(&desktop, GapKind::SamplerLate, "lost"));
    copied.append("dev/kmsg", "6,150,9,-;quiet again\n");
    assert!(desktop.read_hardware().is_empty());
    assert!(
        has_gap(&desktop, GapKind::SamplerLate, "lost"),
        "42 numbers were skipped"
    );
}

/// A record of the platform's, as Linux 6.1 wrote it for one of UEFI 2.10, appendix N.2.5; then one of whose error a
/// counter tells, too, with an address that belongs to nobody.
#[test]
fn an_error_is_told_with_its_address_and_its_module() {
    let copied = Copied::of("server-two-packages");
    let mut server = open(&copied.root());
    let part = "4,9,9,-;{1}[Hardware Error]:";
    copied.append(
        "dev/kmsg",
        &[
            "Hardware error from APEI Generic Hardware Error Source: 0",
            "It has been corrected by h/w and requires no further action",
            "event severity: corrected",
            " Error 0, type: corrected",
            "  section_type: memory error",
            "  physical_address: 0x0000000012345000",
            "  node:0 card:1 module:2 ",
            "  error_type: 2, single-bit ECC",
            "  DIMM location: BANK_1 SLOT_B ",
        ]
        .map(|line| format!("{part} {line}\n"))
        .concat(),
    );
    let found = errors(&server.read_hardware());
    let expected = "{1}[Hardware Error]: event severity: corrected; physical_address: 0x0000000012345000; \
                    node:0 card:1 module:2; error_type: 2, single-bit ECC; DIMM location: BANK_1 SLOT_B";
    assert_eq!(found, [(Severity::Corrected, 1, expected.to_owned())]);
    copied.write("sys/devices/system/edac/mc/mc1/dimm1/dimm_ce_count", "1\n");
    copied.write("sys/devices/system/edac/mc/mc1/ce_count", "1\n");
    let flood = "4,9,9,-;[Hardware Error]: Error Addr: 0x0000000123456780\n".repeat(50);
    copied.append(
        "dev/kmsg",
        &format!(
            "4,9,9,-;EDAC MC1: 1 CE memory read error on P1_DIMM_A1 (channel:0 slot:1)\n{flood}"
        ),
    );
    let found = errors(&server.read_hardware());
    assert!(
        found.iter().all(|(.., text)| !text.contains("Error Addr")),
        "{found:?}"
    );
    copied.append(
        "dev/kmsg",
        &format!("0,9,9,-;mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 5: 9c00000000010151\n{flood}"),
    );
    let found = errors(&server.read_hardware());
    assert_eq!(found.len(), 1, "{found:?}");
    assert!((500..700).contains(&found[0].2.len()), "{found:?}");
}

#[test]
fn throttling_counts_once_a_core_and_once_a_package_above_the_baseline() {
    let copied = Copied::of("desktop-core-labels");
    let mut desktop = open(&copied.root());
    let counters = desktop
        .channels()
        .iter()
        .filter(|c| c.quantity == Quantity::ThrottleEvents);
    assert_eq!(
        counters.count(),
        5,
        "four cores and one package on eight CPUs"
    );
    for cpu in 0..8 {
        let folder = format!("sys/devices/system/cpu/cpu{cpu}/thermal_throttle");
        copied.write(&format!("{folder}/package_throttle_count"), "11\n");
    }
    // An offline CPU gives an empty file.
    copied.write(
        "sys/devices/system/cpu/cpu2/thermal_throttle/core_throttle_count",
        "",
    );
    copied.append(
        "dev/kmsg",
        "4,102,9,-;CPU0: Package temperature is above threshold, cpu clock is throttled (total events = 11)\n",
    );
    let events = |findings: Vec<FindingKind>| -> Vec<u64> {
        let throttled = findings.into_iter().map(|finding| match finding {
            FindingKind::Throttled { events, .. } => events,
            other => panic!("{other:?}"),
        });
        throttled.collect()
    };
    assert_eq!(events(desktop.read_hardware()), [2]);
    copied.write("sys/class/thermal/cooling_device0/cur_state", "3\n");
    assert_eq!(
        events(desktop.read_hardware()),
        [1],
        "the kernel slows the processor down"
    );
    assert!(desktop.read_hardware().is_empty());
}

#[test]
fn switches_that_hide_errors_are_said() {
    let server = instruments("server-two-packages");
    assert!(
        has_gap(&server, GapKind::Environment, "ignore_ce"),
        "{:#?}",
        server.gaps()
    );
    assert!(
        has_gap(&server, GapKind::Environment, "neither announce"),
        "{:#?}",
        server.gaps()
    );
    let desktop = instruments("desktop-core-labels");
    assert!(!has_gap(&desktop, GapKind::Environment, ""));
    let interval = read_check_interval(&Root::simulated(folder("desktop-core-labels")));
    assert_eq!(interval.unwrap().as_secs(), 300);
    assert_eq!(
        read_check_interval(&Root::simulated(folder("server-two-packages"))),
        None
    );
}

#[test]
fn throttling_lines_of_the_kernel_log_are_one_fault_by_their_source() {
    // No throttle counters on this machine, so that the log is what tells.
    let copied = Copied::of("desktop-die-labels");
    let mut desktop = open(&copied.root());
    let mut told = Vec::new();
    for total in [7, 9] {
        copied.append(
            "dev/kmsg",
            &format!(
                "4,{},9,-;CPU0: Core temperature is above threshold, cpu clock is throttled \
                 (total events = {total})\n",
                900 + total
            ),
        );
        for finding in desktop.read_hardware() {
            match finding {
                FindingKind::Throttled { source, events } => told.push((source, events)),
                other => panic!("{other:?}"),
            }
        }
    }
    assert_eq!(told.len(), 2, "{told:?}");
    assert_eq!(told[0].0, told[1].0, "one source");
    assert_eq!((told[0].1, told[1].1), (1, 2), "counts go up");
}
