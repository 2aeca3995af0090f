//! What the machine tells of itself, against what it told before and what was declared.

use std::fs;
use std::path::Path;

use soakproof::ledger::{declared_clocks, find_unexplained, find_unshown, stand};
use soakproof::model::{
    Fingerprint, Grade, LoadClass, MemoryModule, SettingKind, SettingValue, Standing,
};
use soakproof::os::Root;
use soakproof::sensors::read_fingerprint;

use super::table::{Device, table};
use super::{Story, value};

fn machine() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (path, text) in [
        ("sys/class/dmi/id/bios_vendor", "Birchwood"),
        ("sys/class/dmi/id/bios_version", "1.20"),
        ("sys/class/dmi/id/bios_date", "03/01/2026"),
        ("sys/class/dmi/id/board_vendor", "Birchwood"),
        ("sys/class/dmi/id/board_name", "BW-Z1"),
        ("sys/devices/system/cpu/online", "0-1"),
        (
            "sys/devices/system/cpu/cpufreq/policy0/scaling_governor",
            "performance",
        ),
        (
            "sys/devices/system/cpu/cpufreq/policy1/scaling_governor",
            "performance",
        ),
        ("sys/devices/system/cpu/cpufreq/boost", "1"),
        ("proc/sys/kernel/osrelease", "6.12.0-demo"),
        (
            "proc/cpuinfo",
            "processor : 0\nmodel name : Quercus Q8\nstepping : 2\nmicrocode : 0xf4\n",
        ),
    ] {
        write(dir.path(), path, text.as_bytes());
    }
    dir
}

fn write(base: &Path, path: &str, bytes: &[u8]) {
    let path = base.join(path);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, bytes).unwrap();
}

fn plug(dir: &Path, devices: &[Device]) {
    write(dir, "sys/firmware/dmi/tables/DMI", &table(devices, 100));
}

fn read(dir: &Path) -> Fingerprint {
    read_fingerprint(&Root::simulated(dir))
}

#[test]
fn a_machine_tells_firmware_processor_and_modules() {
    let dir = machine();
    let large = Device {
        size: 0x7fff,
        extended_mib: 49_152,
        configured_mv: 0,
        ..Device::at("DIMM_B2", 5600)
    };
    let empty = Device {
        size: 0,
        ..Device::at("DIMM_A1", 0)
    };
    plug(dir.path(), &[empty, Device::at("DIMM_A2", 6000), large]);
    let seen = read(dir.path());
    assert_eq!(seen.firmware_vendor, "Birchwood");
    assert_eq!(
        (seen.firmware_version.as_str(), seen.firmware_date.as_str()),
        ("1.20", "03/01/2026")
    );
    assert_eq!(
        (seen.board.as_str(), seen.processor.as_str()),
        ("Birchwood BW-Z1", "Quercus Q8")
    );
    assert_eq!(
        (seen.stepping.as_str(), seen.microcode.as_str()),
        ("2", "0xf4")
    );
    assert_eq!((seen.threads, seen.turbo), (Some(2), Some(true)));
    assert_eq!(
        (seen.governor.as_str(), seen.kernel.as_str()),
        ("performance", "6.12.0-demo")
    );
    assert_eq!(seen.reference_mhz, Some(100.0));
    let module = |slot: &str, bytes, mts, mv| MemoryModule {
        slot: slot.to_owned(),
        bytes,
        rated_mts: Some(6000),
        configured_mts: Some(mts),
        configured_mv: mv,
        part: "WN-16G-6000".to_owned(),
    };
    assert_eq!(
        seen.modules.unwrap(),
        [
            module("DIMM_A2", 16 << 30, 6000, Some(1350)),
            module("DIMM_B2", 48 << 30, 5600, None)
        ]
    );
}

#[test]
fn what_cannot_be_read_is_none_and_no_difference() {
    let dir = machine();
    let blind = read(dir.path());
    assert_eq!(blind.modules, None);
    plug(dir.path(), &[Device::at("DIMM_A2", 6000)]);
    let seeing = read(dir.path());
    let before = Standing {
        fingerprint: blind.clone(),
        ..Standing::default()
    };
    assert_eq!(
        find_unexplained(&before, &seeing, &[]),
        Vec::<String>::new()
    );
    let empty = tempfile::tempdir().unwrap();
    assert_eq!(
        find_unexplained(&before, &read(empty.path()), &[]),
        Vec::<String>::new()
    );
}

fn rate(mts: i64) -> Vec<SettingValue> {
    vec![value("memory-rate", SettingKind::MemoryRate, mts)]
}

#[test]
fn a_difference_that_no_declared_change_explains_is_listed() {
    let dir = machine();
    plug(
        dir.path(),
        &[Device::at("DIMM_A2", 6000), Device::at("DIMM_B2", 6000)],
    );
    let before = Standing {
        settings: rate(6000),
        fingerprint: read(dir.path()),
        ..Standing::default()
    };
    plug(
        dir.path(),
        &[Device::at("DIMM_A2", 4800), Device::at("DIMM_B2", 4800)],
    );
    let now = read(dir.path());
    assert_eq!(
        find_unexplained(&before, &now, &rate(6000)),
        ["memory now runs at 4800, was 6000 MT/s"]
    );
    assert!(
        find_unexplained(&before, &now, &rate(4800)).is_empty(),
        "that was declared"
    );
    let mut other = now.clone();
    other.firmware_version = "1.31".to_owned();
    other.turbo = Some(false);
    other.threads = Some(1);
    let before = Standing {
        fingerprint: now,
        ..before
    };
    assert_eq!(
        find_unexplained(&before, &other, &rate(6000)),
        [
            "firmware version is now 1.31, was 1.20",
            "1 logical CPUs are online now, were 2",
            "clocks above the base clock are now not allowed, were allowed",
        ]
    );
}

/// Found on the virtual bench: modules of another rate were told as the same ones, twice.
#[test]
fn modules_of_another_rated_speed_are_told_apart_in_words() {
    let dir = machine();
    plug(dir.path(), &[Device::at("DIMM_A2", 6000)]);
    let seen = read(dir.path());
    let before = Standing {
        fingerprint: seen.clone(),
        ..Standing::default()
    };
    let mut now = seen;
    now.modules.as_mut().unwrap()[0].rated_mts = Some(4000);
    let found = find_unexplained(&before, &now, &[]);
    let [line] = found.as_slice() else {
        panic!("{found:?}");
    };
    let (is, was) = line.split_once(", were ").unwrap();
    assert!(
        is.ends_with("DIMM_A2 16 GiB WN-16G-6000 rated 4000 MT/s"),
        "{line}"
    );
    assert_ne!(is.trim_start_matches("memory modules are now "), was);
}

#[test]
fn every_part_of_the_fingerprint_that_changes_is_noticed() {
    let dir = machine();
    plug(dir.path(), &[Device::at("DIMM_A2", 6000)]);
    let mut seen = read(dir.path());
    seen.probed_mhz = Some(5000.0);
    let before = Standing {
        fingerprint: seen.clone(),
        ..Standing::default()
    };
    type Twist = fn(&mut Fingerprint);
    let twists: [Twist; 16] = [
        |f| f.firmware_vendor = "other".to_owned(),
        |f| f.firmware_version = "other".to_owned(),
        |f| f.firmware_date = "other".to_owned(),
        |f| f.board = "other".to_owned(),
        |f| f.processor = "other".to_owned(),
        |f| f.stepping = "other".to_owned(),
        |f| f.microcode = "other".to_owned(),
        |f| f.kernel = "other".to_owned(),
        |f| f.governor = "other".to_owned(),
        |f| f.cores = Some(99),
        |f| f.threads = Some(99),
        |f| f.turbo = Some(false),
        |f| f.reference_mhz = Some(103.0),
        |f| f.probed_mhz = Some(4_890.0),
        |f| f.modules.as_mut().unwrap()[0].part = "other".to_owned(),
        |f| f.modules.as_mut().unwrap()[0].configured_mv = Some(1250),
    ];
    for (index, twist) in twists.iter().enumerate() {
        let mut now = seen.clone();
        twist(&mut now);
        assert_eq!(
            find_unexplained(&before, &now, &[]).len(),
            1,
            "twist {index}"
        );
    }
    assert!(find_unexplained(&before, &seen, &[]).is_empty());
    // Within 2 %: a short probe and a counted clock are not that exact.
    (seen.reference_mhz, seen.probed_mhz) = (Some(101.9), Some(4_901.0));
    assert!(find_unexplained(&before, &seen, &[]).is_empty());
}

#[test]
fn declared_settings_that_the_machine_does_not_show_are_said() {
    let dir = machine();
    plug(dir.path(), &[Device::at("DIMM_A2", 4800)]);
    let mut seen = read(dir.path());
    seen.probed_mhz = Some(4700.0);
    let declared = [
        value("core-clock", SettingKind::CoreClock, 5000),
        value("memory-rate", SettingKind::MemoryRate, 6000),
        value("memory-voltage", SettingKind::MemoryVoltage, 1400),
    ];
    assert_eq!(
        find_unshown(&declared, &seen),
        [
            "core-clock is declared 5000 MHz, a short probe shows 4700 MHz",
            "memory-rate is declared 6000 MT/s, the memory runs at 4800 MT/s",
            "memory-voltage is declared 1400 mV, the firmware tells 1350 mV",
        ]
    );
    seen.probed_mhz = Some(4_998.0);
    let right = [
        value("core-clock", SettingKind::CoreClock, 5000),
        value("memory-rate", SettingKind::MemoryRate, 4800),
        value("memory-voltage", SettingKind::MemoryVoltage, 1350),
    ];
    assert!(find_unshown(&right, &seen).is_empty());
    // As far as a probe, a rounded rate and a voltage in steps may be off.
    seen.probed_mhz = Some(4_975.0);
    let near = [
        right[0].clone(),
        value("memory-rate", SettingKind::MemoryRate, 4802),
        value("memory-voltage", SettingKind::MemoryVoltage, 1365),
    ];
    assert!(find_unshown(&near, &seen).is_empty());
}

#[test]
fn five_gigahertz_with_an_offset_of_one_are_4900_megahertz_under_wide_vectors() {
    // Common practice: the offset counts multiplier steps of the reference clock, 100 MHz.
    let mut settings = vec![
        value("core-clock", SettingKind::CoreClock, 5000),
        value("wide-vector-offset", SettingKind::WideVectorOffset, 1),
    ];
    let clocks = declared_clocks(&settings, None);
    for (class, mhz) in &clocks {
        let expected = if *class == LoadClass::WideVector {
            4900.0
        } else {
            5000.0
        };
        assert!((mhz - expected).abs() < 1e-9, "{class}: {mhz}");
    }
    assert_eq!(clocks.len(), LoadClass::ALL.len());
    let of_reference = declared_clocks(&settings, Some(102.0));
    assert!(of_reference.contains(&(LoadClass::WideVector, 4898.0)));
    settings.push(value("core-clock-2", SettingKind::CoreClock, 5200));
    assert!(
        declared_clocks(&settings, None).is_empty(),
        "no one clock holds for all cores"
    );
    assert!(declared_clocks(&[], None).is_empty());
}

#[test]
fn a_run_is_compared_with_the_last_judged_one_of_the_same_machine() {
    let dir = machine();
    plug(dir.path(), &[Device::at("DIMM_A2", 6000)]);
    let mut story = Story::of_voltage();
    let seen = read(dir.path());
    story.run(Some(Grade::Provisional)).standing.fingerprint = seen.clone();
    story.outcomes[0].clocks = vec![(LoadClass::WideVector, 4900.0)];
    // One that judged nothing is no measure.
    story.run(Some(Grade::Inconclusive));
    plug(dir.path(), &[Device::at("DIMM_A2", 4800)]);
    let now = stand(&story.ledger(), read(dir.path()), "recheck");
    assert_eq!(now.unexplained, ["memory now runs at 4800, was 6000 MT/s"]);
    assert_eq!(now.measured_before, [(LoadClass::WideVector, 4900.0)]);
    assert!(now.rated && now.change.is_none());
    let other = stand(&story.ledger(), seen, "smoke");
    assert!(other.unexplained.is_empty());
    assert!(
        other.measured_before.is_empty(),
        "another suite loads otherwise"
    );
}
