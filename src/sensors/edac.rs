//! Counters of memory errors, `sys/devices/system/edac/mc` (Linux 6.12
//! Documentation/ABI/testing/sysfs-devices-edac, Documentation/admin-guide/RAS/main.rst).
//!
//! A controller's count holds those of its modules and those without a place; the old `csrow`
//! tree counts the same errors again and is not read. No controller folder means that errors
//! cannot be observed, which is not "no errors". Counters are never reset.

use super::kept::KeptFile;
use super::probe::Probe;
use super::text::{read_name, read_whole};
use crate::model::{Quantity, Role, Severity};
use crate::os::Root;

const TREE: &str = "sys/devices/system/edac/mc";
/// Controllers, and modules of one, looked at.
const MAX_FOLDERS: usize = 128;

/// Folders of the memory controllers, with their numbers.
fn controllers(root: &Root) -> Vec<(u32, String)> {
    root.list(TREE)
        .into_iter()
        .filter_map(|name| {
            let name = name.into_string().ok()?;
            let number = name.strip_prefix("mc")?.parse().ok()?;
            let folder = format!("{TREE}/{name}");
            root.exists(format!("{folder}/ce_count"))
                .then_some((number, folder))
        })
        .take(MAX_FOLDERS)
        .collect()
}

/// Two channels a controller.
pub(super) fn find(root: &Root) -> Vec<Probe> {
    let mut probes = Vec::new();
    for (number, folder) in controllers(root) {
        let chip = read_name(root, format!("{folder}/mc_name")).unwrap_or_default();
        for (item, quantity) in [
            ("ce_count", Quantity::CorrectedErrors),
            ("ue_count", Quantity::UncorrectedErrors),
        ] {
            let label = format!("memory controller {number}");
            let mut probe = Probe::new(quantity, format!("{folder}/{item}"), 1.0).named(
                &chip,
                item,
                Some(label),
            );
            probe.channel.role = Role::MemoryModule;
            probes.push(probe);
        }
    }
    probes
}

/// One counter and where it counts.
#[derive(Debug)]
pub(super) struct Counter {
    /// Number of the controller.
    pub(super) controller: u32,
    pub(super) severity: Severity,
    pub(super) file: KeptFile,
    /// Module in words; none for the controller's total.
    pub(super) module: Option<String>,
    seen: u64,
    /// Errors that modules already told of and this total has not yet.
    ahead: u64,
}

impl Counter {
    fn new(root: &Root, controller: u32, severity: Severity, path: String) -> Option<Self> {
        let seen = read_whole(root, &path)?;
        Some(Self {
            controller,
            severity,
            file: KeptFile::new(path),
            module: None,
            seen,
            ahead: 0,
        })
    }

    /// Errors since the last call. A count that went back was set to zero in between.
    fn read_new(&mut self, root: &Root) -> u64 {
        let Some(now) = self.file.read_whole(root) else {
            return 0;
        };
        let new = if now >= self.seen {
            now - self.seen
        } else {
            now
        };
        self.seen = now;
        new
    }
}

/// All counters against the counts at the start.
#[derive(Debug, Default)]
pub(super) struct Counters {
    totals: Vec<Counter>,
    modules: Vec<Counter>,
}

/// New errors at one place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Increase {
    pub(super) controller: u32,
    pub(super) severity: Severity,
    pub(super) path: String,
    pub(super) place: String,
    pub(super) count: u64,
}

impl Counters {
    /// Takes the counts at the start.
    pub(super) fn open(root: &Root) -> Self {
        let mut counters = Self::default();
        for (number, folder) in controllers(root) {
            for (prefix, severity) in [("ce", Severity::Corrected), ("ue", Severity::Uncorrected)] {
                let path = format!("{folder}/{prefix}_count");
                counters
                    .totals
                    .extend(Counter::new(root, number, severity, path));
                for module in module_folders(root, &folder) {
                    let path = format!("{module}/dimm_{prefix}_count");
                    if let Some(mut counter) = Counter::new(root, number, severity, path) {
                        counter.module = Some(module_words(root, &module));
                        counters.modules.push(counter);
                    }
                }
            }
        }
        counters
    }

    /// True when there is nothing to count with.
    pub(super) fn is_empty(&self) -> bool {
        self.totals.is_empty()
    }

    /// Keeps its files open from the next reading on, while `left` descriptors are not used up.
    pub(super) fn keep(&mut self, left: &mut usize) {
        let all = self.totals.iter_mut().chain(&mut self.modules);
        all.for_each(|counter| counter.file.keep(left));
    }

    /// Errors counted since the last call: by module where known, the rest by controller.
    pub(super) fn read_new(&mut self, root: &Root) -> Vec<Increase> {
        let mut increases = Vec::new();
        for total in &mut self.totals {
            let counted = total.read_new(root);
            let mut placed = total.ahead;
            let own = |module: &&mut Counter| {
                module.controller == total.controller && module.severity == total.severity
            };
            for module in self.modules.iter_mut().filter(own) {
                let new = module.read_new(root);
                placed = placed.saturating_add(new);
                increases.extend(increase(module, new));
            }
            // Modules are read later than their total and may be ahead of it.
            total.ahead = placed.saturating_sub(counted);
            increases.extend(increase(total, counted.saturating_sub(placed)));
        }
        increases
    }
}

fn increase(counter: &Counter, count: u64) -> Option<Increase> {
    (count > 0).then(|| Increase {
        controller: counter.controller,
        severity: counter.severity,
        path: counter.file.path().to_owned(),
        place: match &counter.module {
            Some(module) => module.clone(),
            None => format!("memory controller {}, module not known", counter.controller),
        },
        count,
    })
}

fn module_folders(root: &Root, controller: &str) -> Vec<String> {
    root.list(controller)
        .into_iter()
        .filter_map(|name| name.into_string().ok())
        .filter(|name| name.starts_with("dimm") || name.starts_with("rank"))
        .take(MAX_FOLDERS)
        .map(|name| format!("{controller}/{name}"))
        .collect()
}

fn module_words(root: &Root, folder: &str) -> String {
    let label = read_name(root, format!("{folder}/dimm_label"));
    let place = read_name(root, format!("{folder}/dimm_location"));
    match (label, place) {
        (Some(label), Some(place)) => format!("{label} ({place})"),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => folder.rsplit('/').next().unwrap_or(folder).to_owned(),
    }
}
