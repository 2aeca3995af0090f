//! What the machine says of itself at the start of a run.
//!
//! Every text is cleaned; what cannot be read stays empty. Nothing is guessed.

use std::collections::BTreeMap;

use super::text::{clean, parse_cpu_list, read_attribute, read_name, read_whole};
use super::topology::Topology;
use crate::model::{Cache, CpuId, InstructionSet, Machine};
use crate::os::Root;

/// Most bytes read of `proc/cpuinfo`.
const MAX_CPUINFO_BYTES: usize = 64 * 1024;
/// Cache folders of one CPU looked at.
const MAX_CACHES: usize = 16;
/// Nested control groups looked at.
const MAX_GROUPS: usize = 64;

/// What boards say whose maker gave them no serial number (common practice).
const NO_SERIALS: [&str; 7] = [
    "to be filled by o.e.m.",
    "default string",
    "system serial number",
    "not specified",
    "not applicable",
    "none",
    "0",
];

/// Serial number of the machine, or of its board, by the firmware's SMBIOS table (DMTF DSP0134, structure
/// types 1 and 2); the system lets root read it only.
pub fn read_serial(root: &Root) -> Option<String> {
    let told = |item: &str| {
        let text = read_name(root, format!("sys/class/dmi/id/{item}"))?;
        let none = text.is_empty() || NO_SERIALS.contains(&text.to_lowercase().as_str());
        (!none).then_some(text)
    };
    told("product_serial").or_else(|| told("board_serial"))
}

/// Reads the machine. `allowed` are the CPUs that the caller may use, `sets` the instruction sets
/// that kernels may use.
pub fn read_machine(root: &Root, allowed: &[CpuId], sets: &[InstructionSet]) -> Machine {
    let mut topology = Topology::read(root);
    topology.cpus.retain(|cpu| allowed.contains(&cpu.id));
    let info = root
        .read_bounded("proc/cpuinfo", MAX_CPUINFO_BYTES)
        .unwrap_or_default();
    let name = |path: &str| read_name(root, path).unwrap_or_default();
    let dmi = |item: &str| name(&format!("sys/class/dmi/id/{item}"));
    let join = |items: &[&str]| {
        let parts: Vec<String> = items.iter().map(|item| dmi(item)).collect();
        clean(&parts.join(" "))
    };
    let model = name("proc/device-tree/model");
    let board = join(&["board_vendor", "board_name"]);
    Machine {
        host: name("proc/sys/kernel/hostname"),
        processor: processor(&info, &model),
        microcode: cpuinfo(&info, "microcode").unwrap_or_default(),
        board: if board.is_empty() { model } else { board },
        firmware: join(&["bios_vendor", "bios_version", "bios_date"]),
        kernel: name("proc/sys/kernel/osrelease"),
        boot_id: name("proc/sys/kernel/random/boot_id"),
        caches: caches(root, &topology),
        cpus: topology.cpus,
        memory_bytes: meminfo(root, "MemTotal").unwrap_or(0),
        memory_available_bytes: available(root),
        instruction_sets: sets.to_vec(),
        simulated: root.is_simulated(),
    }
}

/// First value of a key of `proc/cpuinfo`.
pub(super) fn cpuinfo(info: &str, key: &str) -> Option<String> {
    info.lines()
        .filter_map(|line| line.split_once(':'))
        .find(|(name, _)| name.trim() == key)
        .map(|(_, value)| clean(value))
}

/// Processors that give no name give numbers of maker and part.
fn processor(info: &str, board_model: &str) -> String {
    if let Some(name) = cpuinfo(info, "model name").or_else(|| cpuinfo(info, "Hardware")) {
        return name;
    }
    match (cpuinfo(info, "CPU implementer"), cpuinfo(info, "CPU part")) {
        (Some(maker), Some(part)) => format!("implementer {maker} part {part}"),
        (Some(_) | None, _) => board_model.to_owned(),
    }
}

/// Data caches; where cores differ, the smallest of a level, so that what fits fits everywhere.
fn caches(root: &Root, topology: &Topology) -> Vec<Cache> {
    let mut levels: BTreeMap<u8, Cache> = BTreeMap::new();
    for cpu in &topology.cpus {
        let folder = format!("sys/devices/system/cpu/cpu{}/cache", cpu.id.0);
        for index in root
            .list(&folder)
            .iter()
            .filter_map(|name| name.to_str())
            .take(MAX_CACHES)
        {
            let Some(cache) = cache(root, &format!("{folder}/{index}")) else {
                continue;
            };
            let known = levels.entry(cache.level).or_insert(cache);
            if cache.bytes < known.bytes {
                *known = cache;
            }
        }
    }
    levels.into_values().collect()
}

fn cache(root: &Root, folder: &str) -> Option<Cache> {
    let kind = read_attribute(root, format!("{folder}/type"))?;
    let bytes = parse_size(&read_attribute(root, format!("{folder}/size"))?)?;
    let level = read_attribute(root, format!("{folder}/level"))?
        .parse()
        .ok()?;
    let sharers = read_attribute(root, format!("{folder}/shared_cpu_list"))
        .and_then(|text| parse_cpu_list(&text))
        .map_or(1, |cpus| cpus.len().max(1));
    (bytes > 0 && matches!(kind.as_str(), "Data" | "Unified")).then(|| Cache {
        level,
        bytes,
        shared_by: u32::try_from(sharers).unwrap_or(u32::MAX),
    })
}

/// `48K`, `2M` or plain bytes.
fn parse_size(text: &str) -> Option<u64> {
    let digits = text.trim_end_matches(['K', 'M', 'G']);
    let factor = match &text[digits.len()..] {
        "" => 1,
        "K" => 1 << 10,
        "M" => 1 << 20,
        "G" => 1 << 30,
        _ => return None,
    };
    digits.parse::<u64>().ok()?.checked_mul(factor)
}

/// A line of `proc/meminfo` in bytes.
fn meminfo(root: &Root, key: &str) -> Option<u64> {
    let text = read_attribute(root, "proc/meminfo")?;
    let line = text
        .lines()
        .find_map(|line| line.strip_prefix(key)?.strip_prefix(':'))?;
    let kib: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    kib.checked_mul(1024)
}

/// Memory that can be had: what the kernel says, or less where a control group limits us (Linux
/// 6.12 Documentation/admin-guide/cgroup-v2.rst: `memory.max`, every ancestor's limit holds).
fn available(root: &Root) -> u64 {
    let mut least = meminfo(root, "MemAvailable").unwrap_or(0);
    let own = read_attribute(root, "proc/self/cgroup")
        .and_then(|text| {
            text.lines()
                .find_map(|line| line.strip_prefix("0::/").map(str::to_owned))
        })
        .filter(|path| !path.split('/').any(|part| part == ".."))
        .unwrap_or_default();
    let mut group = own.as_str();
    for _ in 0..MAX_GROUPS {
        let folder = format!("sys/fs/cgroup/{group}");
        if let Some(most) = read_whole(root, format!("{folder}/memory.max")) {
            let used = read_whole(root, format!("{folder}/memory.current")).unwrap_or(0);
            least = least.min(most.saturating_sub(used));
        }
        if group.is_empty() {
            break;
        }
        group = group.rsplit_once('/').map_or("", |(parent, _)| parent);
    }
    least
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cache_sizes_are_read_with_their_unit() {
        assert_eq!(parse_size("48K"), Some(49_152));
        assert_eq!(parse_size("2M"), Some(2_097_152));
        assert_eq!(parse_size("512"), Some(512));
        assert_eq!(parse_size("99999999999999999999K"), None);
        assert_eq!(parse_size("KK"), None);
    }
}
