//! Why a run has no end on record. Pure: the record and what was gathered in, a conclusion out.

use super::heartbeat::{clocks, heartbeat_words};
use crate::model::{
    Aftermath, CrashManner, End, Entry, Finding, FindingKind, Record, Severity, Stamped, Trace,
    Witness,
};

/// `WDIOF_CARDRESET` of include/uapi/linux/watchdog.h.
const WATCHDOG_RESET: u32 = 0x20;
/// Most messages quoted in the evidence.
const QUOTED: usize = 4;

/// How a run that nobody ended came to its end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// The machine was shut down in an orderly way; no evidence against it.
    ShutDown {
        /// What says so.
        evidence: String,
    },
    /// This program ended while the machine went on; no evidence against the machine.
    ProgramEnded {
        /// What is known of it.
        evidence: String,
    },
    /// The machine went down.
    Reset {
        /// How.
        manner: CrashManner,
        /// What says so.
        evidence: String,
    },
}

/// Decides how the run ended. A shutdown must be shown; whatever is not shown to be harmless is a reset.
pub fn decide_ending(record: &Record, aftermath: &Aftermath) -> Ending {
    if aftermath.boot_id == record.header.machine.boot_id {
        let evidence = quotes(aftermath, |trace| {
            matches!(trace, Trace::ProgramEnded { .. })
        });
        return Ending::ProgramEnded { evidence };
    }
    let broke = aftermath.traces.iter().any(|trace| match trace {
        Trace::Panic { .. } | Trace::LockUp { .. } => true,
        Trace::Hardware { severity, .. } => *severity != Severity::Corrected,
        Trace::Watchdog { .. } | Trace::OrderlyShutdown { .. } | Trace::ProgramEnded { .. } => {
            false
        }
    });
    // What broke during a shutdown broke under this load all the same.
    match shutdown(record, aftermath) {
        Some(evidence) if !broke => Ending::ShutDown { evidence },
        Some(_) | None => Ending::Reset {
            manner: manner(aftermath),
            evidence: evidence(record, aftermath),
        },
    }
}

fn shutdown(record: &Record, aftermath: &Aftermath) -> Option<String> {
    if record.stop_marks.iter().any(|mark| mark.shutdown) {
        return Some("the run had been asked to end because the system was going down".to_owned());
    }
    let told = quotes(aftermath, |trace| {
        matches!(trace, Trace::OrderlyShutdown { .. })
    });
    (!told.is_empty()).then_some(told)
}

/// What a watchdog says holds for the last start only: after further starts it is about another one.
fn watchdog(aftermath: &Aftermath) -> Option<&str> {
    let last = aftermath.starts.is_none_or(|starts| starts <= 1);
    let device = aftermath.traces.iter().find_map(|trace| {
        if let Trace::Watchdog { device, flags } = trace {
            (flags & WATCHDOG_RESET != 0).then_some(device.as_str())
        } else {
            None
        }
    });
    device.filter(|_| last)
}

fn has(aftermath: &Aftermath, what: fn(&Trace) -> bool) -> bool {
    aftermath.traces.iter().any(what)
}

fn manner(aftermath: &Aftermath) -> CrashManner {
    if has(aftermath, |trace| matches!(trace, Trace::Panic { .. })) {
        return CrashManner::Panic;
    }
    let stood_still = has(aftermath, |trace| matches!(trace, Trace::LockUp { .. }));
    if stood_still || watchdog(aftermath).is_some() {
        return CrashManner::Hang;
    }
    // Without a witness who would have kept a last word, silence means nothing.
    let would_tell = |witness: &Witness| match witness {
        Witness::Journal | Witness::KeptRecords => true,
        Witness::Watchdog | Witness::BootRecord => false,
    };
    if aftermath.asked.iter().any(would_tell) {
        CrashManner::Sudden
    } else {
        CrashManner::Unknown
    }
}

fn evidence(record: &Record, aftermath: &Aftermath) -> String {
    let mut words = vec![heartbeat_words(record)];
    words.push(match aftermath.starts {
        Some(starts) if starts > 1 => format!("the machine was started {starts} times since"),
        Some(_) | None => "the machine was started again since".to_owned(),
    });
    if let Some(mark) = record.stop_marks.last() {
        let since = record.last_known().seconds_since(mark.at.mono);
        words.push(format!("the run had been asked to end {since:.1} s before"));
    }
    let told = quotes(aftermath, |trace| {
        matches!(
            trace,
            Trace::Panic { .. } | Trace::LockUp { .. } | Trace::Hardware { .. }
        )
    });
    if let Some(device) = watchdog(aftermath) {
        let alone = if told.is_empty() {
            ": machine hung or this service died"
        } else {
            ""
        };
        words.push(format!("{device} reset the machine{alone}"));
    }
    match (told.is_empty(), manner(aftermath)) {
        (false, _) => words.push(told),
        (true, CrashManner::Sudden) => words.push("nothing was left behind".to_owned()),
        (true, CrashManner::Unknown) => {
            words.push("there was nowhere to look for a last word".to_owned());
        }
        (true, CrashManner::Hang | CrashManner::Panic) => {}
    }
    words.join("; ")
}

/// Messages of some kinds with where they were kept, each once.
fn quotes(aftermath: &Aftermath, wanted: fn(&Trace) -> bool) -> String {
    let mut told: Vec<String> = Vec::new();
    let wanted = aftermath.traces.iter().filter(|trace| wanted(trace));
    for (source, text) in wanted.filter_map(Trace::quote) {
        let quote = format!("`{text}` ({source})");
        if !told.contains(&quote) {
            told.push(quote);
        }
    }
    let more = told.len().saturating_sub(QUOTED);
    told.truncate(QUOTED);
    if more > 0 {
        told.push(format!("{more} more"));
    }
    told.join(", ")
}

/// What is to be put on record: what was found, what it shows, and the end.
pub fn entries_of(record: &Record, aftermath: Aftermath) -> Vec<Entry> {
    let ending = decide_ending(record, &aftermath);
    let mut entries = Vec::new();
    let what = match ending {
        Ending::ShutDown { evidence } => End::Interrupted {
            reason: format!("the machine was shut down in mid-run: {evidence}"),
        },
        Ending::ProgramEnded { evidence } => End::Interrupted {
            reason: program_ended(&evidence),
        },
        Ending::Reset { manner, evidence } => {
            entries.extend(hardware(record, &aftermath));
            let kind = FindingKind::Reset { manner, evidence };
            entries.push(Entry::Finding(last_heard(record, kind)));
            End::Reset
        }
    };
    let place = record.samples.last();
    let end = Stamped {
        at: record.last_moment(),
        stage: place.map_or(0, |sample| sample.stage),
        segment: place.map_or(0, |sample| sample.segment),
        what,
    };
    entries.insert(0, Entry::Aftermath(Box::new(aftermath)));
    entries.push(Entry::End(end));
    entries
}

fn program_ended(evidence: &str) -> String {
    let known = if evidence.is_empty() {
        String::new()
    } else {
        format!(": {evidence}")
    };
    format!("this program ended in mid-run without a word while the machine went on{known}")
}

/// Errors that the hardware reported after the last heartbeat are findings of their own.
fn hardware(record: &Record, aftermath: &Aftermath) -> Vec<Entry> {
    let kinds = aftermath.traces.iter().filter_map(|trace| {
        if let Trace::Hardware {
            source,
            severity,
            text,
        } = trace
        {
            Some(FindingKind::HardwareError {
                severity: *severity,
                source: source.clone(),
                text: text.clone(),
                count: 1,
            })
        } else {
            None
        }
    });
    kinds
        .map(|kind| Entry::Finding(last_heard(record, kind)))
        .collect()
}

/// A finding under the circumstances of the last heartbeat. No kernel is named: which of them brought
/// the machine down is not known, so it counts against all.
fn last_heard(record: &Record, kind: FindingKind) -> Finding {
    let sample = record.samples.last();
    let stage = sample.and_then(|sample| record.header.plan.stages.get(usize::from(sample.stage)));
    Finding {
        at: record.last_moment(),
        stage: stage.map(|stage| stage.name.clone()).unwrap_or_default(),
        cpu: None,
        kernel: None,
        temperature_c: sample
            .and_then(|sample| Some(record.header.hottest_of_processor(sample)?.1)),
        clock_mhz: sample.and_then(|sample| clocks(sample).into_iter().reduce(f64::min)),
        kind,
        events: 1,
    }
}
