//! Power zones, `sys/class/powercap` (Linux 6.12 Documentation/power/powercap/powercap.rst).
//!
//! Zones nest (the cores are part of the package) and the same package may be reached by two
//! roads; each is its own channel and nothing is added up. The counters are mode 0400: without
//! rights there is no power figure, which is not 0 W. Counters are never reset.

use super::energy::EnergyMeter;
use super::probe::{Conversion, Probe};
use super::roles::resolve_role;
use super::text::{read_name, read_whole};
use crate::model::{Quantity, Role};
use crate::os::Root;

const CLASS: &str = "sys/class/powercap";
/// Zones looked at on one machine.
const MAX_ZONES: usize = 256;

/// Every zone, seen by one road.
pub(super) fn find(root: &Root) -> Vec<Probe> {
    let zones: Vec<(String, String)> = root
        .list(CLASS)
        .into_iter()
        .filter_map(|name| name.into_string().ok())
        .filter(|name| name.contains(':'))
        .take(MAX_ZONES)
        .filter_map(|zone| Some((read_name(root, format!("{CLASS}/{zone}/name"))?, zone)))
        .collect();
    let is_second_road = |zone: &str| zone.starts_with("intel-rapl-mmio:");
    let has_first_road = zones
        .iter()
        .any(|(_, zone)| zone.starts_with("intel-rapl:"));
    zones
        .iter()
        .filter(|(_, zone)| !(is_second_road(zone) && has_first_road))
        .filter_map(|(name, zone)| zone_probe(root, zone, &full_name(&zones, zone, name)))
        .collect()
}

/// A nested zone is named behind its parents (`package-0/core`).
fn full_name(zones: &[(String, String)], zone: &str, name: &str) -> String {
    let parent = zone
        .rsplit_once(':')
        .and_then(|(parent, _)| zones.iter().find(|(_, other)| other == parent));
    match parent {
        Some((parent_name, _)) => format!("{parent_name}/{name}"),
        None => name.to_owned(),
    }
}

fn zone_probe(root: &Root, zone: &str, name: &str) -> Option<Probe> {
    let folder = format!("{CLASS}/{zone}");
    let (counter, power) = (format!("{folder}/energy_uj"), format!("{folder}/power_uw"));
    let mut probe = if root.exists(&counter) {
        let mut probe = Probe::new(Quantity::Power, counter, 1e6);
        let range = read_whole(root, format!("{folder}/max_energy_range_uj"));
        probe.conversion = Conversion::Energy(EnergyMeter::new(range));
        probe
    } else if root.exists(&power) {
        Probe::new(Quantity::Power, power, 1e6)
    } else {
        return None;
    }
    .named("powercap", zone, Some(name.to_owned()));
    let own = name.rsplit('/').next().unwrap_or(name);
    probe.channel.role = resolve_role(Quantity::Power, "powercap", zone, own);
    // Part of a package is not the package.
    if own != name && probe.channel.role == Role::Package {
        probe.channel.role = Role::Unknown;
    }
    Some(probe)
}
