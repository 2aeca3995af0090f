//! The hardware monitoring tree, `sys/class/hwmon` (Linux 6.12
//! Documentation/hwmon/sysfs-interface.rst).
//!
//! Folder numbers change from boot to boot; chips are known by their name. Temperatures come in
//! millidegrees, voltages in millivolts at the chip's pin (not scaled for the board's divider),
//! currents in milliamperes, power in microwatts, energy in microjoules. Alarms are latches of the
//! hardware and some clear on reading: they are not read. Nothing here is ever written.

use super::energy::EnergyMeter;
use super::kept::KeptFile;
use super::probe::{Conversion, Probe};
use super::roles::{is_firmware_mediated, resolve_role};
use super::text::{read_name, read_number};
use super::topology::Topology;
use crate::model::{Quantity, Role};
use crate::os::Root;

const CLASS: &str = "sys/class/hwmon";
/// Chips looked at on one machine.
const MAX_CHIPS: usize = 256;
/// Files of one chip looked at.
const MAX_FILES: usize = 4096;

/// Every channel of every chip.
pub(super) fn find(root: &Root, topology: &Topology) -> Vec<Probe> {
    root.list(CLASS)
        .into_iter()
        .take(MAX_CHIPS)
        .filter_map(|folder| folder.into_string().ok())
        .flat_map(|folder| find_chip(root, &format!("{CLASS}/{folder}"), topology))
        .collect()
}

fn find_chip(root: &Root, folder: &str, topology: &Topology) -> Vec<Probe> {
    // Some drivers keep everything in the device's folder (old style).
    let device = format!("{folder}/device");
    let name = read_name(root, format!("{folder}/name"))
        .or_else(|| read_name(root, format!("{device}/name")));
    let Some(name) = name else {
        return Vec::new();
    };
    let mut probes = find_items(root, folder, &name);
    if probes.is_empty() {
        probes = find_items(root, &device, &name);
    }
    match name.as_str() {
        "coretemp" => place_cores(&mut probes, topology),
        "k10temp" => prefer_physical(&mut probes),
        _ => {}
    }
    probes
}

fn find_items(root: &Root, folder: &str, chip: &str) -> Vec<Probe> {
    let mut items: Vec<(String, String)> = root
        .list(folder)
        .into_iter()
        .take(MAX_FILES)
        .filter_map(|name| {
            let file = name.into_string().ok()?;
            let (item, what) = file.split_once('_')?;
            let wanted = what == "input" || (what == "average" && item.starts_with("power"));
            wanted.then(|| (item.to_owned(), file.clone()))
        })
        .collect();
    // A power item with both values is read once.
    items.dedup_by(|second, first| second.0 == first.0);
    items
        .iter()
        .filter_map(|(item, file)| item_probe(root, folder, (item.as_str(), file.as_str()), chip))
        .collect()
}

fn item_probe(root: &Root, folder: &str, names: (&str, &str), chip: &str) -> Option<Probe> {
    let (item, file) = names;
    let (quantity, divisor) = kind_of(item)?;
    let label = read_name(root, format!("{folder}/{item}_label"));
    let mut probe =
        Probe::new(quantity, format!("{folder}/{file}"), divisor).named(chip, item, label);
    if item.starts_with("energy") {
        probe.conversion = Conversion::Energy(EnergyMeter::new(None));
    }
    let limit = |what: &str| {
        let value = read_number(root, format!("{folder}/{item}_{what}"))? / divisor;
        is_usable_limit(quantity, value).then_some(value)
    };
    let channel = &mut probe.channel;
    channel.limit = limit("max");
    channel.critical = limit("crit");
    channel.role = resolve_role(quantity, chip, item, &channel.label);
    channel.slow = is_firmware_mediated(chip);
    channel.step = match (chip, quantity) {
        // Documentation/hwmon/coretemp.rst and k10temp.rst.
        ("coretemp", Quantity::Temperature) => Some(1.0),
        ("k10temp", Quantity::Temperature) => Some(0.125),
        _ => None,
    };
    let fault = format!("{folder}/{item}_fault");
    probe.fault = root.exists(&fault).then(|| KeptFile::new(fault));
    Some(probe)
}

/// Quantity of an item (`temp3`) and what its files are divided by.
fn kind_of(item: &str) -> Option<(Quantity, f64)> {
    let stem = item.trim_end_matches(|c: char| c.is_ascii_digit());
    if stem == item {
        return None;
    }
    match stem {
        "temp" => Some((Quantity::Temperature, 1e3)),
        "in" => Some((Quantity::Voltage, 1.0)),
        "fan" => Some((Quantity::Fan, 1.0)),
        "curr" => Some((Quantity::Current, 1e3)),
        "power" | "energy" => Some((Quantity::Power, 1e6)),
        _ => None,
    }
}

/// Chips fill limits that nobody set with zeros or the largest number that fits.
fn is_usable_limit(quantity: Quantity, value: f64) -> bool {
    match quantity {
        Quantity::Temperature => (20.0..=150.0).contains(&value),
        Quantity::Voltage
        | Quantity::Fan
        | Quantity::Current
        | Quantity::Power
        | Quantity::Clock
        | Quantity::ThrottleEvents
        | Quantity::CorrectedErrors
        | Quantity::UncorrectedErrors => value > 0.0 && value < 1e6,
    }
}

/// Readings of this chip saturate at its critical value, and its labels name cores by the
/// kernel's number within one package.
fn place_cores(probes: &mut [Probe], topology: &Topology) {
    let package = probes
        .iter()
        .find(|probe| probe.channel.role == Role::Package)
        .and_then(|probe| probe.channel.label.split(' ').next_back()?.parse().ok())
        .unwrap_or(0);
    for probe in probes {
        probe.scale_end = probe.channel.critical;
        let number = probe
            .channel
            .label
            .strip_prefix("Core ")
            .and_then(|n| n.parse().ok());
        probe.channel.core = number.and_then(|core_id| topology.core(package, core_id));
    }
}

/// `Tctl` is a control value on an arbitrary scale; where the chip also tells physical
/// temperatures it is not taken for one (Documentation/hwmon/k10temp.rst).
fn prefer_physical(probes: &mut [Probe]) {
    let is_physical =
        |probe: &Probe| probe.channel.label == "Tdie" || probe.channel.label.starts_with("Tccd");
    if probes.iter().any(is_physical) {
        for probe in probes
            .iter_mut()
            .filter(|probe| probe.channel.label == "Tctl")
        {
            probe.channel.role = Role::Unknown;
        }
    }
}
