//! Counters of thermal throttling, `cpuN/thermal_throttle` (Linux 6.12
//! drivers/thermal/intel/therm_throt.c; one maker's processors only).
//!
//! They count edges, not time. A package's counter is repeated on each of its CPUs and a core's
//! on each sibling: each is taken once.

use std::collections::BTreeSet;

use super::probe::Probe;
use super::topology::Topology;
use crate::model::{Quantity, Role};
use crate::os::Root;

/// One channel a core and one a package.
pub(super) fn find(root: &Root, topology: &Topology) -> Vec<Probe> {
    let (mut cores, mut packages) = (BTreeSet::new(), BTreeSet::new());
    let mut probes = Vec::new();
    for cpu in &topology.cpus {
        let folder = format!("sys/devices/system/cpu/cpu{}/thermal_throttle", cpu.id.0);
        let counter = |item: &str, label: String| {
            let source = format!("{folder}/{item}_throttle_count");
            root.exists(&source).then(|| {
                Probe::new(Quantity::ThrottleEvents, source, 1.0).named(
                    "thermal_throttle",
                    item,
                    Some(label),
                )
            })
        };
        if packages.insert(cpu.package)
            && let Some(mut probe) = counter("package", format!("package {}", cpu.package))
        {
            probe.channel.role = Role::Package;
            probes.push(probe);
        }
        if cores.insert(cpu.core)
            && let Some(mut probe) = counter("core", format!("core {}", cpu.core))
        {
            probe.channel.role = Role::Core;
            probe.channel.core = Some(cpu.core);
            probes.push(probe);
        }
    }
    probes
}
