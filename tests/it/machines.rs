//! Readers against folders shaped like machines (`tests/machines/`): invented names, files as
//! the documentation of Linux 6.12 describes them. Each test shows one trap of those files.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests lay out and change fixtures, and a fixture that cannot be read fails them"
)]

mod hardware;
mod identity;
mod limits;

use std::fs;
use std::path::{Path, PathBuf};

use soakproof::model::{
    Channel, ChannelId, CpuId, GapKind, InstructionSet, Loss, Machine, Moment, Mono, Quantity,
    Role, Wall,
};
use soakproof::os::Root;
use soakproof::sensors::{InstrumentOptions, Instruments, read_machine};

const MACHINES: [&str; 7] = [
    "desktop-core-labels",
    "desktop-die-labels",
    "laptop-zones-hybrid",
    "server-two-packages",
    "arm-board",
    "bare-virtual",
    "hostile",
];

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/machines")
        .join(name)
}

fn at(ms: u64) -> Moment {
    Moment {
        mono: Mono(ms * 1_000_000),
        wall: Wall(0),
    }
}

fn open(root: &Root) -> Instruments {
    Instruments::open(root, &InstrumentOptions::default(), at(0))
}

fn instruments(name: &str) -> Instruments {
    open(&Root::simulated(folder(name)))
}

/// A copy of a machine that the test may change.
struct Copied {
    dir: tempfile::TempDir,
}

impl Copied {
    fn of(name: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        copy(&folder(name), dir.path());
        Self { dir }
    }

    fn root(&self) -> Root {
        Root::simulated(self.dir.path())
    }

    fn write(&self, path: &str, text: &str) {
        let path = self.dir.path().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    fn append(&self, path: &str, text: &str) {
        let path = self.dir.path().join(path);
        let before = fs::read_to_string(&path).unwrap();
        fs::write(path, before + text).unwrap();
    }

    fn remove(&self, path: &str) {
        fs::remove_file(self.dir.path().join(path)).unwrap();
    }
}

fn copy(from: &Path, to: &Path) {
    for entry in fs::read_dir(from).unwrap().flatten() {
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            fs::create_dir_all(&target).unwrap();
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

fn channel<'a>(instruments: &'a Instruments, chip: &str, label: &str) -> &'a Channel {
    let found: Vec<&Channel> = instruments
        .channels()
        .iter()
        .filter(|c| c.chip == chip && c.label == label)
        .collect();
    assert_eq!(
        found.len(),
        1,
        "`{chip}` `{label}` in {:#?}",
        instruments.channels()
    );
    found[0]
}

/// What a channel gives in one reading of all: none when it is in neither list.
fn outcome(instruments: &mut Instruments, id: ChannelId, at: Moment) -> Option<Result<f64, Loss>> {
    let (readings, lost) = instruments.read(at);
    let value = readings
        .iter()
        .find(|r| r.channel == id)
        .map(|r| Ok(r.value));
    value.or_else(|| {
        lost.iter()
            .find(|(c, _)| *c == id)
            .map(|(_, loss)| Err(*loss))
    })
}

fn read_one(name: &str, chip: &str, label: &str) -> Option<Result<f64, Loss>> {
    let mut instruments = instruments(name);
    let id = channel(&instruments, chip, label).id;
    outcome(&mut instruments, id, at(1000))
}

fn machine(name: &str, allowed: u32) -> Machine {
    let allowed: Vec<CpuId> = (0..allowed).map(CpuId).collect();
    read_machine(
        &Root::simulated(folder(name)),
        &allowed,
        &[InstructionSet::Portable],
    )
}

fn has_gap(instruments: &Instruments, kind: GapKind, word: &str) -> bool {
    instruments
        .gaps()
        .iter()
        .any(|gap| gap.kind == kind && gap.about.contains(word))
}

// ---- every machine ----

#[test]
fn every_machine_opens_and_ids_are_places_in_the_list() {
    for name in MACHINES {
        let mut instruments = instruments(name);
        for (place, channel) in instruments.channels().iter().enumerate() {
            assert_eq!(usize::from(channel.id.0), place, "{name}");
            assert!(!channel.label.is_empty(), "{name}: {channel:?}");
        }
        let mut labels: Vec<_> = instruments
            .channels()
            .iter()
            .map(|c| (c.quantity, c.chip.clone(), c.label.clone()))
            .collect();
        let all = labels.len();
        labels.sort();
        labels.dedup();
        assert_eq!(labels.len(), all, "{name}: labels repeat");
        let (readings, lost) = instruments.read(at(1000));
        assert!(readings.iter().all(|r| r.value.is_finite()), "{name}");
        assert!(readings.len() + lost.len() <= all, "{name}");
        assert!(
            instruments.read_hardware().is_empty(),
            "{name}: nothing has happened"
        );
        let mut gaps = instruments.gaps().to_vec();
        let count = gaps.len();
        gaps.dedup_by(|second, first| second == first);
        assert_eq!(gaps.len(), count, "{name}: a gap is told twice");
    }
}

#[test]
fn a_machine_with_nothing_is_gaps_and_not_an_error() {
    let mut bare = instruments("bare-virtual");
    assert!(bare.channels().is_empty());
    assert!(bare.read(at(1000)).0.is_empty() && bare.read(at(2000)).1.is_empty());
    assert!(has_gap(
        &bare,
        GapKind::NoProcessorTemperature,
        "temperature"
    ));
    for word in ["voltage", "fan", "power", "memory errors", "kernel log"] {
        assert!(
            has_gap(&bare, GapKind::NoSource, word),
            "{word}: {:#?}",
            bare.gaps()
        );
    }
    let remedy = &bare.gaps()[0].remedy;
    assert!(
        remedy.contains("coretemp") && remedy.contains("k10temp"),
        "{remedy}"
    );
    let empty = tempfile::tempdir().unwrap();
    assert_eq!(open(&Root::simulated(empty.path())).gaps(), bare.gaps());
}

// ---- temperatures ----

#[test]
fn core_labels_are_placed_on_the_cores_of_the_topology() {
    let desktop = instruments("desktop-core-labels");
    let package = channel(&desktop, "coretemp", "Package id 0");
    assert_eq!(package.role, Role::Package);
    assert_eq!((package.limit, package.critical), (Some(80.0), Some(100.0)));
    assert_eq!(package.step, Some(1.0));
    let cores: Vec<u32> = machine("desktop-core-labels", 8)
        .cpus
        .iter()
        .map(|c| c.core)
        .collect();
    for number in [0, 4, 8, 12] {
        let core = channel(&desktop, "coretemp", &format!("Core {number}"));
        assert_eq!((core.role, core.core), (Role::Core, Some(number)));
        assert!(cores.contains(&number), "{cores:?}");
    }
}

#[test]
fn equal_core_numbers_of_two_packages_are_two_cores() {
    let server = instruments("server-two-packages");
    let mut cores: Vec<u32> = server
        .channels()
        .iter()
        .filter(|c| c.chip == "coretemp" && c.role == Role::Core)
        .map(|c| c.core.unwrap())
        .collect();
    cores.sort_unstable();
    assert_eq!(cores, [0, 1, 2, 3]);
    let machine = machine("server-two-packages", 8);
    assert_eq!(machine.core_count(), 4);
    let mut of_machine: Vec<u32> = machine.cpus.iter().map(|c| c.core).collect();
    of_machine.dedup();
    assert_eq!(of_machine, cores, "channels and CPUs name cores alike");
}

/// Documentation/hwmon/coretemp.rst: readings run from 0 to TjMax and saturate there.
#[test]
fn a_reading_at_the_end_of_the_scale_is_no_temperature() {
    let copied = Copied::of("desktop-core-labels");
    let mut desktop = open(&copied.root());
    let id = channel(&desktop, "coretemp", "Core 0").id;
    let input = "sys/class/hwmon/hwmon0/temp2_input";
    copied.write(input, "99000\n");
    assert_eq!(outcome(&mut desktop, id, at(1000)), Some(Ok(99.0)));
    copied.write(input, "100000\n");
    assert_eq!(
        outcome(&mut desktop, id, at(2000)),
        Some(Err(Loss::Clipped))
    );
    let zone = channel(&desktop, "x86_pkg_temp", "x86_pkg_temp").id;
    copied.write("sys/class/thermal/thermal_zone1/temp", "100000\n");
    assert_eq!(
        outcome(&mut desktop, zone, at(3000)),
        Some(Err(Loss::Clipped))
    );
}

/// Documentation/hwmon/k10temp.rst: Tctl is on an arbitrary scale.
#[test]
fn a_control_value_is_not_taken_for_a_temperature_beside_physical_ones() {
    let desktop = instruments("desktop-die-labels");
    assert_eq!(channel(&desktop, "k10temp", "Tctl").role, Role::Unknown);
    assert_eq!(channel(&desktop, "k10temp", "Tccd1").role, Role::Die);
    let copied = Copied::of("desktop-die-labels");
    copied.remove("sys/class/hwmon/hwmon0/temp3_input");
    copied.remove("sys/class/hwmon/hwmon0/temp4_input");
    let older = open(&copied.root());
    assert_eq!(
        channel(&older, "k10temp", "Tctl").role,
        Role::Package,
        "the only one there is"
    );
    copied.write("sys/class/hwmon/hwmon0/temp2_input", "51000\n");
    copied.write("sys/class/hwmon/hwmon0/temp2_label", "Tdie\n");
    let offset = open(&copied.root());
    assert_eq!(channel(&offset, "k10temp", "Tdie").role, Role::Package);
    assert_eq!(channel(&offset, "k10temp", "Tctl").role, Role::Unknown);
}

#[test]
fn impossible_temperatures_are_not_believed() {
    let board = "nct6799";
    let read = |label| read_one("desktop-core-labels", board, label);
    assert_eq!(read("AUXTIN0"), Some(Err(Loss::Implausible)), "127 C");
    assert_eq!(read("AUXTIN1"), Some(Err(Loss::Implausible)), "-62 C");
    assert_eq!(read("SYSTIN"), Some(Ok(33.0)));
}

#[test]
fn each_loss_has_its_reason_and_none_is_a_zero() {
    let copied = Copied::of("desktop-core-labels");
    let mut desktop = open(&copied.root());
    let id = channel(&desktop, "coretemp", "Core 4").id;
    let input = "sys/class/hwmon/hwmon0/temp6_input";
    let mut read = |ms| outcome(&mut desktop, id, at(ms)).unwrap();
    copied.write(input, "");
    assert_eq!(read(1000), Err(Loss::NoData));
    copied.write(input, "N/A\n");
    assert_eq!(read(2000), Err(Loss::Implausible));
    copied.remove(input);
    assert_eq!(read(3000), Err(Loss::Vanished));
    // A read that the system refuses for a moment: position 0 of a process's memory gives EIO.
    std::os::unix::fs::symlink("/proc/self/mem", copied.dir.path().join(input)).unwrap();
    assert_eq!(read(4000), Err(Loss::NoData));
    copied.remove(input);
    copied.write(input, "41000\n");
    assert_eq!(read(5000), Ok(41.0), "it comes back");
    copied.write("sys/class/hwmon/hwmon0/temp6_fault", "1\n");
    let mut faulty = open(&copied.root());
    assert_eq!(outcome(&mut faulty, id, at(6000)), Some(Err(Loss::Faulty)));
}

#[test]
fn modules_drives_and_the_board_have_their_roles() {
    let desktop = instruments("desktop-die-labels");
    let module = channel(&desktop, "spd5118", "temp1 #1");
    assert_eq!(
        (module.role, module.critical),
        (Role::MemoryModule, Some(85.0))
    );
    assert_eq!(
        channel(&desktop, "spd5118", "temp1 #2").role,
        Role::MemoryModule
    );
    assert_eq!(channel(&desktop, "drivetemp", "temp1").role, Role::Drive);
    let other = instruments("desktop-core-labels");
    assert_eq!(
        channel(&other, "nvme", "Composite #2").limit,
        None,
        "65261 C is no limit"
    );
    assert_eq!(channel(&other, "nct6799", "VRM MOS").role, Role::Regulator);
    assert_eq!(channel(&other, "nct6799", "SYSTIN").role, Role::Board);
    assert_eq!(
        channel(&other, "nct6799", "AUXTIN (temp5)").role,
        Role::Board
    );
    assert_eq!(
        channel(&other, "nct6799", "AUXTIN (temp6)").role,
        Role::Board
    );
}

#[test]
fn a_constant_zone_of_the_firmware_is_no_processor_temperature() {
    let copied = Copied::of("laptop-zones-hybrid");
    let laptop = open(&copied.root());
    let firmware = channel(&laptop, "acpitz", "acpitz");
    assert_eq!((firmware.role, firmware.slow), (Role::Board, true));
    let package = channel(&laptop, "x86_pkg_temp", "x86_pkg_temp");
    assert_eq!(
        (package.role, package.critical),
        (Role::Package, Some(105.0))
    );
    assert_eq!(package.limit, Some(95.0), "passive trip point");
    assert!(!has_gap(&laptop, GapKind::NoProcessorTemperature, ""));
    copied.remove("sys/class/thermal/thermal_zone1/type");
    let blind = open(&copied.root());
    assert!(
        has_gap(&blind, GapKind::NoProcessorTemperature, ""),
        "acpitz does not serve"
    );
    // One zone is shown by one of its two roads.
    let desktop = instruments("desktop-core-labels");
    assert!(
        channel(&desktop, "acpitz", "temp1")
            .source
            .contains("hwmon")
    );
}

#[test]
fn arm_zones_name_the_processor() {
    let mut board = instruments("arm-board");
    let zone = channel(&board, "cpu-thermal", "cpu-thermal");
    assert_eq!(
        (zone.role, zone.critical, zone.slow),
        (Role::Package, Some(110.0), false)
    );
    let id = zone.id;
    assert_eq!(
        channel(&board, "bigcore0-thermal", "bigcore0-thermal").role,
        Role::Die
    );
    assert_eq!(channel(&board, "gpu_thermal", "temp1").role, Role::Unknown);
    assert_eq!(outcome(&mut board, id, at(1)), Some(Ok(47.0)));
}

/// Rulings, Heat: firmware-mediated chips are polled at most every 10 s.
#[test]
fn a_firmware_mediated_chip_is_asked_at_most_every_ten_seconds() {
    let mut desktop = instruments("desktop-core-labels");
    let slow = channel(&desktop, "asusec", "Chipset");
    assert!(slow.slow);
    let id = slow.id;
    assert!(channel(&instruments("desktop-die-labels"), "gigabyte_wmi", "temp1").slow);
    let asked: Vec<u64> = (1..=21)
        .filter(|s| outcome(&mut desktop, id, at(s * 1000)).is_some())
        .collect();
    assert_eq!(asked, [1, 11, 21]);
}

// ---- voltages, fans, power, clocks ----

#[test]
fn voltages_and_fans_have_roles_and_faults() {
    let mut desktop = instruments("desktop-core-labels");
    let core = channel(&desktop, "nct6799", "in0");
    assert_eq!((core.role, core.limit), (Role::CoreVoltage, Some(1744.0)));
    let id = core.id;
    assert_eq!(channel(&desktop, "nct6799", "in1").role, Role::Unknown);
    assert_eq!(
        channel(&desktop, "nct6799", "in1").limit,
        None,
        "0 is no limit"
    );
    assert_eq!(channel(&desktop, "nct6799", "AIO Pump").role, Role::Pump);
    let (still, faulty) = (
        channel(&desktop, "nct6799", "fan1").id,
        channel(&desktop, "nct6799", "fan4").id,
    );
    assert_eq!(outcome(&mut desktop, id, at(1)), Some(Ok(1104.0)));
    assert_eq!(
        outcome(&mut desktop, still, at(2)),
        Some(Ok(0.0)),
        "standing still is a reading"
    );
    assert_eq!(
        outcome(&mut desktop, faulty, at(3)),
        Some(Err(Loss::Faulty))
    );
    // Attributes of old drivers lie in the device's folder.
    assert_eq!(
        read_one("desktop-die-labels", "it8689", "in0"),
        Some(Ok(1250.0))
    );
}

/// Range 262143328850 uJ: 2^32 - 1 units of 61 uJ (check-values 7.2).
#[test]
fn power_is_right_across_the_wrap_and_zones_are_not_doubled() {
    let copied = Copied::of("desktop-core-labels");
    let mut desktop = open(&copied.root());
    let id = channel(&desktop, "powercap", "package-0").id;
    assert_eq!(
        channel(&desktop, "powercap", "package-0").role,
        Role::Package
    );
    assert_eq!(
        channel(&desktop, "powercap", "package-0/core").role,
        Role::Unknown
    );
    let zones = desktop
        .channels()
        .iter()
        .filter(|c| c.chip == "powercap")
        .count();
    assert_eq!(zones, 2, "the second road to one package is left out");
    // From 262143300000: 28850 uJ to the end, one unit, then 64971089 uJ: 65 J in 0.5 s.
    copied.write("sys/class/powercap/intel-rapl:0/energy_uj", "64971089\n");
    assert_eq!(outcome(&mut desktop, id, at(500)), Some(Ok(130.0)));
    // Without elapsed time there is nothing to say.
    assert_eq!(outcome(&mut desktop, id, at(500)), None);
    // A counter that someone set to zero looks like a whole turn in a second.
    copied.write("sys/class/powercap/intel-rapl:0/energy_uj", "0\n");
    assert_eq!(
        outcome(&mut desktop, id, at(1500)),
        Some(Err(Loss::Implausible))
    );
}

#[test]
fn clocks_are_one_a_core_in_megahertz() {
    let mut desktop = instruments("desktop-core-labels");
    let clocks: Vec<Option<u32>> = desktop
        .channels()
        .iter()
        .filter(|c| c.quantity == Quantity::Clock)
        .map(|c| c.core)
        .collect();
    assert_eq!(clocks, [Some(0), Some(4), Some(8), Some(12)]);
    let id = channel(&desktop, "cpufreq", "core 4").id;
    assert_eq!(outcome(&mut desktop, id, at(1)), Some(Ok(4800.002)));
    let arm = instruments("arm-board");
    assert_eq!(channel(&arm, "cpufreq", "cpus 2-3").core, None);
}
