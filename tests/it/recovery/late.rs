//! Errors that the log tells only after a run has ended.

use std::fs;

use soakproof::model::{End, Entry, FindingKind, Grade, Stamped};
use soakproof::os::Root;
use soakproof::run::add_late_errors;
use soakproof::store::Store;
use soakproof::verdict::judge;

use super::{cut_short, paper};

/// A whole run that ended at its second second.
fn finished(store: &mut Store) -> i64 {
    let mut record = cut_short();
    let sample = paper::sample(2);
    record.apply(Entry::End(Stamped {
        at: sample.at,
        stage: 0,
        segment: 0,
        what: End::Complete,
    }));
    let number = store.begin_run(&record.header).unwrap();
    let verdict = Entry::Verdict(Box::new(judge(&record)));
    let end = record.end.clone().map(Entry::End);
    let mut entries: Vec<Entry> = record.samples.into_iter().map(Entry::Sample).collect();
    entries.extend(end);
    entries.push(verdict);
    store.append(number, &entries).unwrap();
    number
}

fn line(second: u64, bank: u32) -> String {
    told(
        second,
        &format!("CPU 3: Machine Check: 0 Bank {bank}: 9c00004000010091"),
    )
}

/// What the kernel tells of an error, as its journal keeps it.
fn told(second: u64, text: &str) -> String {
    format!(
        r#"{{"_BOOT_ID":"boota","__REALTIME_TIMESTAMP":"1790000000000000","__MONOTONIC_TIMESTAMP":"{}","_TRANSPORT":"kernel","MESSAGE":"mce: [Hardware Error]: {text}"}}"#,
        second * 1_000_000
    )
}

/// A machine whose run has ended, and what its journal holds.
struct Late {
    folder: tempfile::TempDir,
    store: Store,
    number: i64,
}

impl Late {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir_all(folder.path().join("machine/var/log")).unwrap();
        let mut store = Store::open(&folder.path().join("store")).unwrap();
        let number = finished(&mut store);
        Self {
            folder,
            store,
            number,
        }
    }

    /// How many verdicts are revised once the journal holds `lines`.
    fn look(&mut self, lines: &[String]) -> usize {
        let machine_folder = self.folder.path().join("machine");
        let journal = machine_folder.join("var/log/journal.json");
        fs::write(journal, lines.join("\n")).unwrap();
        let root = Root::simulated(&machine_folder);
        let machine = paper::header("run", "").machine;
        add_late_errors(&mut self.store, &root, &machine)
            .unwrap()
            .len()
    }
}

#[test]
fn an_error_told_after_the_end_revises_the_verdict_once_and_the_first_stays() {
    let mut late = Late::new();
    // The machine looks every five minutes where it does not say otherwise.
    let lines = [
        line(1, 1),
        line(290, 2),
        told(290, "TSC 6d4a2f0e ADDR 1234000 MISC 86"),
        line(400, 3),
        told(400, "TSC 6d4a2f0f ADDR 5678000"),
    ];
    assert_eq!(late.look(&lines[..1]), 0, "seen during the run");
    assert_eq!(late.look(&lines), 1);
    assert_eq!(late.look(&lines), 0, "once");
    let record = late.store.record(late.number).unwrap();
    assert_eq!(record.verdicts.len(), 2);
    assert_eq!(record.verdicts[0].grade, Grade::Inconclusive);
    assert_eq!(record.verdicts[1].grade, Grade::Marginal);
    assert_eq!(record.findings.len(), 1, "{:?}", record.findings);
    assert_eq!(record.findings[0].stage, "after the end");
    let FindingKind::HardwareError { text, .. } = &record.findings[0].kind else {
        panic!("{:?}", record.findings[0]);
    };
    let wanted =
        "mce: [Hardware Error]: CPU 3: Machine Check: 0 Bank 2: 9c00004000010091; ADDR 1234000";
    assert_eq!(text, wanted, "with what the line behind it tells");
}

/// A look between the two lines tells the first alone, and the next look does not take it for another error.
#[test]
fn an_error_whose_lines_are_written_between_two_looks_is_one() {
    let mut late = Late::new();
    let lines = [line(290, 2), told(290, "TSC 6d4a2f0e ADDR 1234000 MISC 86")];
    assert_eq!(late.look(&lines[..1]), 1);
    assert_eq!(late.look(&lines), 0);
}
