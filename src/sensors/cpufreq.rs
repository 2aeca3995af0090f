//! Clocks as the operating system states them, `sys/devices/system/cpu/cpufreq` (Linux 6.12
//! Documentation/admin-guide/pm/cpufreq.rst), in kHz.
//!
//! Often only the last state asked for, at best an average over a recent window: shown beside the
//! clock that workers measure, never judged. Written never.

use std::collections::BTreeSet;

use super::probe::Probe;
use super::text::{parse_cpu_list, read_attribute};
use super::topology::Topology;
use crate::model::{Quantity, Role};
use crate::os::Root;

const POLICIES: &str = "sys/devices/system/cpu/cpufreq";

/// One channel a core; policies that span several cores have one for all of them.
pub(super) fn find(root: &Root, topology: &Topology) -> Vec<Probe> {
    let mut seen = BTreeSet::new();
    root.list(POLICIES)
        .into_iter()
        .filter_map(|name| name.into_string().ok())
        .filter(|name| name.starts_with("policy"))
        .filter_map(|name| {
            let folder = format!("{POLICIES}/{name}");
            let source = format!("{folder}/scaling_cur_freq");
            let cpus = parse_cpu_list(&read_cpus(root, &folder)?)?;
            let first = *cpus.first()?;
            let core_of = |cpu: &u32| topology.cpu(*cpu).map_or(*cpu, |cpu| cpu.core);
            let cores: BTreeSet<u32> = cpus.iter().map(core_of).collect();
            let core = (cores.len() == 1).then(|| core_of(&first));
            // Siblings of one core state the same clock.
            if core.is_some_and(|core| !seen.insert(core)) || !root.exists(&source) {
                return None;
            }
            let label = match core {
                Some(core) => format!("core {core}"),
                None => format!("cpus {first}-{}", cpus.last()?),
            };
            let mut probe =
                Probe::new(Quantity::Clock, source, 1e3).named("cpufreq", &name, Some(label));
            probe.channel.core = core;
            probe.channel.role = if core.is_some() {
                Role::Core
            } else {
                Role::Package
            };
            Some(probe)
        })
        .collect()
}

/// CPUs of a policy; the kernel separates them by blanks.
fn read_cpus(root: &Root, folder: &str) -> Option<String> {
    ["affected_cpus", "related_cpus"]
        .iter()
        .find_map(|item| read_attribute(root, format!("{folder}/{item}")))
        .map(|text| text.split_whitespace().collect::<Vec<_>>().join(","))
}
