//! The configuration as the machine tells it, for comparison with what was declared and with what it
//! told before.

use std::collections::BTreeSet;

use super::machine::cpuinfo;
use super::smbios::read_table;
use super::text::{clean, read_name, read_whole};
use super::topology::Topology;
use crate::model::Fingerprint;
use crate::os::Root;

const CPUFREQ: &str = "sys/devices/system/cpu/cpufreq";
const CPUS: &str = "sys/devices/system/cpu";
/// Most bytes read of `proc/cpuinfo`: the first CPU's part is all that is looked at.
const MAX_CPUINFO_BYTES: usize = 64 * 1024;

/// Reads what the files of the machine tell; the clock is probed elsewhere.
pub fn read_fingerprint(root: &Root) -> Fingerprint {
    let info = root
        .read_bounded("proc/cpuinfo", MAX_CPUINFO_BYTES)
        .unwrap_or_default();
    let of_cpu = |key: &str| cpuinfo(&info, key).unwrap_or_default();
    let name = |path: &str| read_name(root, path).unwrap_or_default();
    let dmi = |item: &str| name(&format!("sys/class/dmi/id/{item}"));
    let topology = Topology::read(root);
    let cores: BTreeSet<u32> = topology.cpus.iter().map(|cpu| cpu.core).collect();
    let count = |number: usize| u32::try_from(number).ok().filter(|number| *number > 0);
    let table = read_table(root);
    Fingerprint {
        firmware_vendor: dmi("bios_vendor"),
        firmware_version: dmi("bios_version"),
        firmware_date: dmi("bios_date"),
        board: clean(&format!("{} {}", dmi("board_vendor"), dmi("board_name"))),
        processor: of_cpu("model name"),
        stepping: of_cpu("stepping"),
        microcode: of_cpu("microcode"),
        cores: count(cores.len()),
        threads: count(topology.cpus.len()),
        kernel: name("proc/sys/kernel/osrelease"),
        governor: governors(root),
        turbo: turbo(root),
        reference_mhz: table.as_ref().and_then(|table| table.reference_mhz),
        probed_mhz: None,
        modules: table.map(|table| table.modules),
    }
}

fn governors(root: &Root) -> String {
    let policies = root.list(CPUFREQ).into_iter();
    let policies = policies.filter_map(|name| name.into_string().ok());
    let policies = policies.filter(|name| name.starts_with("policy"));
    let found: BTreeSet<String> = policies
        .filter_map(|name| read_name(root, format!("{CPUFREQ}/{name}/scaling_governor")))
        .collect();
    found.into_iter().collect::<Vec<_>>().join(", ")
}

/// Linux 6.12 Documentation/admin-guide/pm/cpufreq.rst (`boost`) and intel_pstate.rst (`no_turbo`).
fn turbo(root: &Root) -> Option<bool> {
    let off = read_whole(root, format!("{CPUS}/intel_pstate/no_turbo")).map(|off| off == 0);
    off.or_else(|| read_whole(root, format!("{CPUFREQ}/boost")).map(|on| on == 1))
}
