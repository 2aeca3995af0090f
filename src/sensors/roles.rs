//! What a channel tells of, judged by chip, item and label; the person's own word goes first.
//!
//! A wrong role is worse than none: whatever is not known well stays `Unknown` or `Board` and
//! never serves as a processor temperature.

use serde::Deserialize;

use super::probe::Probe;
use super::text::clean;
use crate::model::{Quantity, Role};

/// The person's own word on one channel.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RoleOverride {
    /// Name of the chip (`nct6799`).
    pub chip: String,
    /// Label, or the item's own name (`temp3`).
    pub channel: String,
    /// What it tells of.
    pub role: Option<Role>,
    /// A better label.
    pub label: Option<String>,
}

impl RoleOverride {
    /// Changes `probe` where the override is meant for it.
    pub(super) fn apply(&self, probe: &mut Probe) {
        let here = self.chip == probe.channel.chip
            && (self.channel == probe.item || self.channel == probe.channel.label);
        if !here {
            return;
        }
        if let Some(role) = self.role {
            probe.channel.role = role;
        }
        if let Some(label) = self
            .label
            .as_deref()
            .map(clean)
            .filter(|label| !label.is_empty())
        {
            probe.channel.label = label;
        }
    }
}

/// Chips behind which the board's firmware or an embedded controller does the reading; asking
/// them too often has stopped fans on some boards (rulings: Heat).
pub(super) fn is_firmware_mediated(chip: &str) -> bool {
    const NAMES: [&str; 12] = [
        "asusec",
        "asus",
        "acpitz",
        "dell_smm",
        "dell_ddv",
        "thinkpad",
        "power_meter",
        "acpi_fan",
        "oxpec",
        "lenovo",
        "surface_fan",
        "i8k",
    ];
    let is_wmi = chip.split(['_', '-']).any(|part| part == "wmi");
    is_wmi || NAMES.contains(&chip)
}

/// True for the monitoring chips of main boards.
pub(super) fn is_board_chip(chip: &str) -> bool {
    [
        "nct6", "nct7", "it87", "it86", "f718", "w836", "sch5", "asus",
    ]
    .iter()
    .any(|prefix| chip.starts_with(prefix))
}

/// Role by quantity, chip, item and label.
pub(super) fn resolve_role(quantity: Quantity, chip: &str, item: &str, label: &str) -> Role {
    match quantity {
        Quantity::Temperature => temperature_role(chip, label),
        Quantity::Voltage => voltage_role(chip, item, label),
        Quantity::Fan => {
            if label.to_lowercase().contains("pump") {
                Role::Pump
            } else {
                Role::Fan
            }
        }
        Quantity::Power | Quantity::Current => supply_role(chip, label),
        Quantity::Clock
        | Quantity::ThrottleEvents
        | Quantity::CorrectedErrors
        | Quantity::UncorrectedErrors => Role::Unknown,
    }
}

fn temperature_role(chip: &str, label: &str) -> Role {
    match chip {
        "coretemp" if label.starts_with("Core ") => Role::Core,
        "coretemp" if label.starts_with("Package id") || label.starts_with("Physical id") => {
            Role::Package
        }
        "k10temp" if label.starts_with("Tccd") => Role::Die,
        "k10temp" if label == "Tdie" || label == "Tctl" => Role::Package,
        // Very old parts have one value without a label.
        "k10temp" | "k8temp" if label.starts_with("temp") => Role::Package,
        "spd5118" | "jc42" => Role::MemoryModule,
        "drivetemp" | "nvme" => Role::Drive,
        _ => temperature_role_by_words(chip, label),
    }
}

fn temperature_role_by_words(chip: &str, label: &str) -> Role {
    let words = label.to_lowercase();
    let any = |list: &[&str]| list.iter().any(|word| words.contains(word));
    if any(&["vrm", "vr mos", "mosfet", "regulator"]) {
        return Role::Regulator;
    }
    if any(&["ambient", "inlet", "intake"]) {
        return Role::Ambient;
    }
    if any(&["dimm"]) {
        return Role::MemoryModule;
    }
    if is_board_chip(chip) || is_firmware_mediated(chip) {
        return Role::Board;
    }
    zone_role(chip)
}

/// Role by the type of a thermal zone, which also names the hwmon chip made from the zone.
pub(super) fn zone_role(kind: &str) -> Role {
    let words = kind.to_lowercase().replace('_', "-");
    let is_other = ["gpu", "npu", "ddr", "wifi", "modem", "camera"]
        .iter()
        .any(|word| words.contains(word));
    match words.as_str() {
        "x86-pkg-temp" | "tcpu" => Role::Package,
        "acpitz" => Role::Board,
        _ if is_other => Role::Unknown,
        _ if words.contains("thermal") && (words.contains("cpu") || words.contains("soc")) => {
            Role::Package
        }
        _ if words.contains("core") && words.contains("thermal") => Role::Die,
        _ => Role::Unknown,
    }
}

fn voltage_role(chip: &str, item: &str, label: &str) -> Role {
    let words = label.to_lowercase();
    let named = ["vcore", "cpu core", "vddcr_cpu", "cpu vcore"]
        .iter()
        .any(|word| words.contains(word));
    // Input 0 of the board's monitoring chip is wired to the core supply: common practice.
    if named || (item == "in0" && label == item && is_board_chip(chip)) {
        Role::CoreVoltage
    } else {
        Role::Unknown
    }
}

fn supply_role(chip: &str, label: &str) -> Role {
    let words = label.to_lowercase();
    if words.starts_with("package-") || (chip == "amd_energy" && words.starts_with("esocket")) {
        Role::Package
    } else if words.starts_with("dram") {
        Role::MemoryModule
    } else if words.starts_with("psys") {
        Role::Board
    } else {
        Role::Unknown
    }
}
