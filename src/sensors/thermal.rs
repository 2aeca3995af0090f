//! Thermal zones, `sys/class/thermal` (Linux 6.12 Documentation/ABI/testing/sysfs-class-thermal).
//!
//! The only source of temperatures on many boards without monitoring chips. Zones that the
//! hwmon tree already shows are not shown twice. `emul_temp` is never written.

use super::probe::Probe;
use super::roles::{is_firmware_mediated, zone_role};
use super::text::{read_name, read_number};
use crate::model::Quantity;
use crate::os::Root;

const CLASS: &str = "sys/class/thermal";
/// Zones looked at on one machine.
const MAX_ZONES: usize = 256;
/// Trip points looked at in one zone.
const MAX_TRIPS: usize = 32;

/// Every zone that is not among `shown` (the chips of the hwmon tree). `scale_end` is where the
/// processor's own sensors saturate.
pub(super) fn find(root: &Root, shown: &[Probe]) -> Vec<Probe> {
    let scale_end = shown.iter().find_map(|probe| probe.scale_end);
    root.list(CLASS)
        .into_iter()
        .filter_map(|name| name.into_string().ok())
        .filter(|name| name.starts_with("thermal_zone"))
        .take(MAX_ZONES)
        .filter_map(|name| {
            let folder = format!("{CLASS}/{name}");
            let kind = read_name(root, format!("{folder}/type"))?;
            // The hwmon chip made from a zone has the zone's type as its name.
            let chip = kind.replace('-', "_");
            if shown
                .iter()
                .any(|probe| probe.channel.chip.replace('-', "_") == chip)
            {
                return None;
            }
            let mut probe = zone(root, &folder, &name, &kind)?;
            if kind == "x86_pkg_temp" {
                probe.scale_end = scale_end;
            }
            Some(probe)
        })
        .collect()
}

fn zone(root: &Root, folder: &str, name: &str, kind: &str) -> Option<Probe> {
    let source = format!("{folder}/temp");
    if !root.exists(&source) {
        return None;
    }
    let mut probe =
        Probe::new(Quantity::Temperature, source, 1e3).named(kind, name, Some(kind.to_owned()));
    probe.channel.role = zone_role(kind);
    probe.channel.slow = is_firmware_mediated(kind);
    probe.channel.critical = trip(root, folder, "critical");
    probe.channel.limit = trip(root, folder, "hot").or_else(|| trip(root, folder, "passive"));
    Some(probe)
}

/// Lowest believable trip point of a type, in degrees.
fn trip(root: &Root, folder: &str, wanted: &str) -> Option<f64> {
    (0..MAX_TRIPS)
        .map_while(|number| {
            let stem = format!("{folder}/trip_point_{number}");
            let kind = read_name(root, format!("{stem}_type"))?;
            Some((kind, read_number(root, format!("{stem}_temp"))))
        })
        .filter_map(|(kind, value)| (kind == wanted).then_some(value? / 1e3))
        .filter(|degrees| (20.0..=150.0).contains(degrees))
        .min_by(f64::total_cmp)
}
