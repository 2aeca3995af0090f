//! Runs that nobody ended: what is concluded from what the machine tells, over a table of evidence; what
//! is gathered from a folder shaped like a machine; and the real program over a change of boot.
#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests write folders shaped like machines, start programs and wait"
)]

mod gathered;
mod late;
mod whole;

use soakproof::model::{
    Aftermath, Cause, CrashManner, End, Entry, FindingKind, Grade, Record, Severity, StopMark,
    Trace, Witness,
};
use soakproof::run::{Ending, decide_ending, entries_of};
use soakproof::verdict::judge;

use crate::records::paper;

const SAME: &str = "boot-a";
const OTHER: &str = "boot-b";

/// A run cut short after its second sample, with nothing on record against the machine.
fn cut_short() -> Record {
    let mut record = Record::new(paper::header("run", ""));
    record.gaps.clear();
    for second in [1, 2] {
        record.apply(Entry::Sample(paper::sample(second)));
    }
    record
}

fn found(boot_id: &str, traces: &[Trace], asked: &[Witness]) -> Aftermath {
    Aftermath {
        boot_id: boot_id.to_owned(),
        starts: Some(1),
        traces: traces.to_vec(),
        asked: asked.to_vec(),
        silent: Vec::new(),
        ..paper::aftermath()
    }
}

fn told() -> (String, String) {
    ("journal".to_owned(), "invented words".to_owned())
}

fn panic() -> Trace {
    let (source, text) = told();
    Trace::Panic { source, text }
}

fn lock_up() -> Trace {
    let (source, text) = told();
    Trace::LockUp { source, text }
}

fn shutdown() -> Trace {
    let (source, text) = told();
    Trace::OrderlyShutdown { source, text }
}

fn hardware(severity: Severity) -> Trace {
    let (source, text) = told();
    Trace::Hardware {
        source,
        severity,
        text,
    }
}

fn watchdog(flags: u32) -> Trace {
    Trace::Watchdog {
        device: "watchdog0".to_owned(),
        flags,
    }
}

/// What became of the run: manner of the reset, none when it is no evidence against the machine.
fn manner(record: &Record, aftermath: &Aftermath) -> Option<CrashManner> {
    match decide_ending(record, aftermath) {
        Ending::Reset { manner, .. } => Some(manner),
        Ending::ShutDown { .. } | Ending::ProgramEnded { .. } => None,
    }
}

/// What was found, by whom, and how the machine went down by it; none when that is held against nobody.
type Case<'a> = (&'a [Witness], Vec<Trace>, Option<CrashManner>);

fn try_all(cases: &[Case<'_>]) {
    for (asked, traces, wanted) in cases {
        let found = found(OTHER, traces, asked);
        assert_eq!(
            manner(&cut_short(), &found),
            *wanted,
            "{traces:?} by {asked:?}"
        );
    }
}

const JOURNAL: [Witness; 1] = [Witness::Journal];
/// They would not have kept a last word.
const NOBODY: [Witness; 2] = [Witness::Watchdog, Witness::BootRecord];

#[test]
fn every_kind_of_evidence_leads_to_its_manner() {
    let (reset, under_voltage) = (watchdog(0x20), watchdog(0x10));
    try_all(&[
        (&JOURNAL, vec![], Some(CrashManner::Sudden)),
        (&NOBODY, vec![], Some(CrashManner::Unknown)),
        (&JOURNAL, vec![panic()], Some(CrashManner::Panic)),
        (&JOURNAL, vec![lock_up(), panic()], Some(CrashManner::Panic)),
        (&JOURNAL, vec![lock_up()], Some(CrashManner::Hang)),
        (&NOBODY, vec![reset.clone()], Some(CrashManner::Hang)),
        (&JOURNAL, vec![under_voltage], Some(CrashManner::Sudden)),
        (
            &JOURNAL,
            vec![hardware(Severity::Fatal)],
            Some(CrashManner::Sudden),
        ),
    ]);
}

#[test]
fn a_shutdown_excuses_the_machine_unless_something_broke_in_it() {
    let (fatal, corrected) = (hardware(Severity::Fatal), hardware(Severity::Corrected));
    try_all(&[
        (&JOURNAL, vec![shutdown()], None),
        // Some boards set the flag at every start.
        (&JOURNAL, vec![shutdown(), watchdog(0x20)], None),
        (&JOURNAL, vec![shutdown(), corrected], None),
        (
            &JOURNAL,
            vec![shutdown(), panic()],
            Some(CrashManner::Panic),
        ),
        (
            &JOURNAL,
            vec![shutdown(), lock_up()],
            Some(CrashManner::Hang),
        ),
        (&JOURNAL, vec![shutdown(), fatal], Some(CrashManner::Sudden)),
    ]);
}

#[test]
fn a_wish_to_end_is_no_excuse_but_a_shutdown_is() {
    let mark = |shutdown| {
        let mut record = cut_short();
        record.apply(Entry::StopMark(StopMark {
            at: record.last_moment(),
            shutdown,
        }));
        record
    };
    let nothing = found(OTHER, &[], &[Witness::Journal]);
    assert_eq!(manner(&mark(true), &nothing), None);
    // The load that is taken away is a step, too: machines fail at it.
    assert_eq!(manner(&mark(false), &nothing), Some(CrashManner::Sudden));
}

#[test]
fn a_reset_fails_the_machine_and_says_what_it_was_doing() {
    let mut record = cut_short();
    let traces = [watchdog(0x20)];
    for entry in entries_of(&record, found(OTHER, &traces, &[])) {
        record.apply(entry);
    }
    assert!(matches!(
        record.end.as_ref().map(|end| &end.what),
        Some(End::Reset)
    ));
    let verdict = judge(&record);
    assert_eq!(
        (verdict.grade, verdict.causes),
        (Grade::Failed, vec![Cause::Reset])
    );
    let [finding] = record.findings.as_slice() else {
        panic!("{:?}", record.findings);
    };
    assert_eq!(finding.at, paper::sample(2).at);
    assert_eq!(finding.temperature_c, Some(61.875));
    assert_eq!(finding.stage, "all");
    let FindingKind::Reset { evidence, .. } = &finding.kind else {
        panic!("{finding:?}");
    };
    for words in [
        "stage 1 of 1 `all`",
        "fma-f64.l1 on 2 cpus",
        "61.9 C",
        "4650 MHz",
        "machine hung or this service died",
    ] {
        assert!(evidence.contains(words), "{words}: {evidence}");
    }
}

#[test]
fn a_watchdog_tells_of_the_last_start_only() {
    let mut twice = found(OTHER, &[watchdog(0x20)], &[]);
    assert_eq!(manner(&cut_short(), &twice), Some(CrashManner::Hang));
    twice.starts = Some(2);
    assert_eq!(manner(&cut_short(), &twice), Some(CrashManner::Unknown));
}

#[test]
fn a_program_that_ended_alone_is_held_against_nobody() {
    let mut record = cut_short();
    let (source, text) = told();
    let traces = [Trace::ProgramEnded { source, text }];
    for entry in entries_of(&record, found(SAME, &traces, &[])) {
        record.apply(entry);
    }
    let Some(End::Interrupted { reason }) = record.end.as_ref().map(|end| &end.what) else {
        panic!("{:?}", record.end);
    };
    assert!(
        reason.contains("machine went on") && reason.contains("invented words"),
        "{reason}"
    );
    assert!(record.findings.is_empty());
    assert_eq!(judge(&record).grade, Grade::Inconclusive);
}

#[test]
fn errors_that_the_hardware_reported_in_the_end_are_findings_beside_the_reset() {
    let mut record = cut_short();
    let traces = [hardware(Severity::Fatal), panic()];
    for entry in entries_of(&record, found(OTHER, &traces, &[Witness::KeptRecords])) {
        record.apply(entry);
    }
    let verdict = judge(&record);
    assert_eq!(verdict.causes, [Cause::Reset, Cause::HardwareError]);
    assert_eq!(record.findings.len(), 2);
}

/// Live, replayed and imported, the same record has the same grade.
#[test]
fn the_grade_is_a_function_of_the_record_alone() {
    let before = cut_short();
    let aftermath = found(OTHER, &[panic()], &[Witness::KeptRecords]);
    let entries = entries_of(&before, aftermath);
    let text = serde_json::to_string(&entries).unwrap();
    let replayed: Vec<Entry> = serde_json::from_str(&text).unwrap();
    let fold = |entries: Vec<Entry>| {
        let mut record = cut_short();
        entries.into_iter().for_each(|entry| record.apply(entry));
        judge(&record)
    };
    assert_eq!(fold(entries), fold(replayed));
}
