//! Which logical CPU sits on which physical core of which package.
//!
//! Core numbers of the kernel repeat in every package; here a core's number is unique over the
//! machine and the same wherever a channel or a CPU names it. Machines without a topology tree
//! get one core per logical CPU.

use std::collections::BTreeMap;

use super::text::{parse_cpu_list, read_attribute};
use crate::model::{Cpu, CpuId, EFFICIENCY, PERFORMANCE};
use crate::os::Root;

const CPUS: &str = "sys/devices/system/cpu";

/// The logical CPUs of a machine that are online.
#[derive(Debug, Default)]
pub(super) struct Topology {
    pub(super) cpus: Vec<Cpu>,
    /// Distance between the core numbers of two packages.
    stride: u32,
    /// True when core numbers could be built from the kernel's.
    by_package: bool,
}

struct Place {
    id: u32,
    package: u32,
    core_id: u32,
    /// CPUs of the same core as the kernel lists them, itself included.
    siblings: Vec<u32>,
    lists_siblings: bool,
}

impl Topology {
    /// Reads the tree; never fails.
    pub(super) fn read(root: &Root) -> Self {
        let places: Vec<Place> = online(root).into_iter().map(|id| place(root, id)).collect();
        let stride = places
            .iter()
            .map(|p| p.core_id)
            .max()
            .map_or(1, |max| max.saturating_add(1));
        let numbers: Vec<u32> = places
            .iter()
            .map(|p| p.package.saturating_mul(stride).saturating_add(p.core_id))
            .collect();
        let by_package = are_unique(&places, &numbers);
        let kinds = kinds(root, &places);
        let cpus = places
            .iter()
            .zip(numbers)
            .map(|(p, number)| Cpu {
                id: CpuId(p.id),
                core: if by_package {
                    number
                } else {
                    p.siblings.first().copied().unwrap_or(p.id)
                },
                package: p.package,
                kind: kinds.get(&p.id).cloned(),
            })
            .collect();
        Self {
            cpus,
            stride,
            by_package,
        }
    }

    /// The machine-wide number of the kernel's core `core_id` in `package`.
    pub(super) fn core(&self, package: u32, core_id: u32) -> Option<u32> {
        let number = package.checked_mul(self.stride)?.checked_add(core_id)?;
        let known = self
            .cpus
            .iter()
            .any(|cpu| cpu.core == number && cpu.package == package);
        (self.by_package && known).then_some(number)
    }

    /// The logical CPU `id`.
    pub(super) fn cpu(&self, id: u32) -> Option<&Cpu> {
        self.cpus.iter().find(|cpu| cpu.id.0 == id)
    }
}

/// Numbers of the CPUs that are online; without the list, every CPU that has a folder.
fn online(root: &Root) -> Vec<u32> {
    let listed = read_attribute(root, format!("{CPUS}/online"));
    if let Some(cpus) = listed
        .and_then(|text| parse_cpu_list(&text))
        .filter(|cpus| !cpus.is_empty())
    {
        return cpus;
    }
    root.list(CPUS)
        .iter()
        .filter_map(|name| name.to_str()?.strip_prefix("cpu")?.parse().ok())
        .collect()
}

fn place(root: &Root, id: u32) -> Place {
    let folder = format!("{CPUS}/cpu{id}/topology");
    let number = |item: &str| -> Option<u32> {
        // Firmware that does not know says -1.
        read_attribute(root, format!("{folder}/{item}"))?
            .parse()
            .ok()
            .filter(|n| *n < 1 << 20)
    };
    let siblings = ["core_cpus_list", "thread_siblings_list"]
        .iter()
        .find_map(|item| parse_cpu_list(&read_attribute(root, format!("{folder}/{item}"))?))
        .filter(|list| list.contains(&id));
    Place {
        id,
        package: number("physical_package_id").unwrap_or(0),
        core_id: number("core_id").unwrap_or(id),
        lists_siblings: siblings.is_some(),
        siblings: siblings.unwrap_or_else(|| vec![id]),
    }
}

/// True when equal numbers mean siblings and siblings have equal numbers. Kernels that list no
/// siblings at all are believed in their numbers.
fn are_unique(places: &[Place], numbers: &[u32]) -> bool {
    if !places.iter().any(|place| place.lists_siblings) {
        return true;
    }
    let mut owner: BTreeMap<u32, &[u32]> = BTreeMap::new();
    places.iter().zip(numbers).all(|(place, number)| {
        *owner.entry(*number).or_insert(&place.siblings) == place.siblings.as_slice()
    })
}

/// Kind of core per CPU where the processor mixes several.
fn kinds(root: &Root, places: &[Place]) -> BTreeMap<u32, String> {
    let mut kinds = BTreeMap::new();
    for (folder, kind) in [("cpu_core", PERFORMANCE), ("cpu_atom", EFFICIENCY)] {
        let list = read_attribute(root, format!("sys/devices/{folder}/cpus"));
        for cpu in list
            .and_then(|text| parse_cpu_list(&text))
            .unwrap_or_default()
        {
            kinds.insert(cpu, kind.to_owned());
        }
    }
    if !kinds.is_empty() {
        return kinds;
    }
    let capacities: BTreeMap<u32, u64> = places
        .iter()
        .filter_map(|p| {
            let text = read_attribute(root, format!("{CPUS}/cpu{}/cpu_capacity", p.id))?;
            Some((p.id, text.parse().ok()?))
        })
        .collect();
    let (least, most) = (capacities.values().min(), capacities.values().max());
    if least == most {
        return kinds;
    }
    for (cpu, capacity) in &capacities {
        let kind = match (Some(capacity) == most, Some(capacity) == least) {
            (true, _) => PERFORMANCE,
            (false, true) => EFFICIENCY,
            (false, false) => "middle",
        };
        kinds.insert(*cpu, kind.to_owned());
    }
    kinds
}
