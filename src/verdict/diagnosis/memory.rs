//! Rows about the memory.

use std::collections::BTreeMap;

use super::signs::{Fault, In, Signs};
use super::table::is_computing;
use crate::model::{Evidence, FindingKind, LoadClass, MemoryFault, MemoryFaultClass};

/// Bytes within which two faults are of one place: a page.
const PLACE_BITS: u32 = 12;

fn fault(kind: &FindingKind) -> Option<&MemoryFault> {
    if let FindingKind::WrongMemory(fault) = kind {
        Some(fault)
    } else {
        None
    }
}

/// The same physical place again and again, or a module that the memory controller's counter names.
pub(super) fn one_place(signs: &Signs<'_>) -> Vec<Evidence> {
    let findings = &signs.record.findings;
    let mut seen: BTreeMap<u64, u64> = BTreeMap::new();
    for finding in findings {
        let Some(known) = fault(&finding.kind) else {
            continue;
        };
        let weight = match known.class {
            // Written anew it was wrong again: that is twice by itself.
            MemoryFaultClass::StuckBit => finding.events.max(2),
            MemoryFaultClass::WrongRead | MemoryFaultClass::WrongStore => finding.events,
        };
        if let Some(physical) = known.physical {
            *seen.entry(physical >> PLACE_BITS).or_default() += weight;
        }
    }
    let worst = seen.into_iter().max_by_key(|(_, events)| *events);
    let place = worst
        .filter(|(_, events)| *events > 1)
        .map(|(place, _)| place);
    let here = |kind: &FindingKind| {
        let physical = fault(kind).and_then(|known| known.physical);
        physical.is_some_and(|physical| Some(physical >> PLACE_BITS) == place)
    };
    let mut because = signs.findings(|kind| here(kind) || is_named_module(kind));
    if let Some(place) = place {
        let first = place << PLACE_BITS;
        because.push(Evidence::Declared {
            what: format!("the same page at physical address {first:#x}"),
        });
    }
    because
}

/// The counters of the memory controllers name the module where they know it.
fn is_named_module(kind: &FindingKind) -> bool {
    matches!(kind, FindingKind::HardwareError { source, text, .. }
        if source.contains("edac/mc") && !text.contains("module not known"))
}

/// Memory went wrong and no core did.
pub(super) fn memory_only(signs: &Signs<'_>) -> Vec<Evidence> {
    if !signs.all(|fault: &Fault<'_>| fault.what == In::Memory) {
        return Vec::new();
    }
    let mut because = signs.told(|_| true);
    let cores_s = signs.seconds(|class, _, _| is_computing(class));
    because.push(if cores_s > 0.0 {
        Evidence::Clean {
            what: "computing in the cores".to_owned(),
            checked_s: cores_s,
            // A walk's errors come by what is written, not by the time it takes.
            chance: None,
        }
    } else {
        Evidence::NotRun {
            class: LoadClass::ScalarInteger,
        }
    });
    because
}
