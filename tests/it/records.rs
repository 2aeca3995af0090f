//! The record on disk: what was acknowledged is there again, what is damaged is told.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests start children and read what they wrote"
)]

mod day;
mod ledger;
pub(crate) mod paper;
mod released;
mod sums;
mod together;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use soakproof::model::{
    Aftermath, Asserts, Channel, ChannelId, ClassStatement, CpuId, CrashManner, Declared, End,
    Entry, Exposure, FORMAT, Finding, FindingKind, Gap, GapKind, Grade, HeatLimits, InstructionSet,
    LoadClass, Loss, Machine, MemoryFault, MemoryFaultClass, Mismatch, Moment, Mono, Note,
    NotedCause, OnFinding, Plan, PlannedLoad, ProgramFault, ProgramRun, Quantity, Reading, Record,
    Rhythm, Role, Rule, RuleEffect, RunHeader, Sample, Segment, Severity, Stage, StageGate,
    StageMark, Stamped, StopMark, TotalStatement, Trace, Verdict, Wall, Witness, WorkerProgress,
};
use soakproof::store::{
    Damage, FILE_NAME, FindRunError, OpenStoreError, ReadStoreError, Store, WriteStoreError, crc32c,
};

use paper::*;

pub(crate) fn moment(second: u64) -> Moment {
    Moment {
        mono: Mono(second * 1_000_000_000),
        wall: Wall(1_790_000_000_000 + i64::try_from(second).unwrap() * 1000),
    }
}

fn raw(dir: &Path) -> rusqlite::Connection {
    rusqlite::Connection::open(dir.join(FILE_NAME)).unwrap()
}

fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}

#[test]
fn every_kind_of_entry_comes_back_as_it_was_after_reopening() {
    let dir = tempfile::tempdir().unwrap();
    let head = header("0198a000-0000-7000-8000-000000000001", "plain");
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&head).unwrap();
    for entries in every_entry().chunks(3) {
        store.append(run, entries).unwrap();
    }
    let wanted = folded(head, every_entry());
    assert_eq!(store.record(run).unwrap(), wanted);
    drop(store);
    let store = Store::open(dir.path()).unwrap();
    assert_eq!(store.record(run).unwrap(), wanted);
    assert_eq!(wanted.findings[1].events, 40);
    assert_eq!(store.check_run(run).unwrap(), Vec::new());
}

#[test]
fn the_list_of_runs_says_what_became_of_each() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let first = store.begin_run(&header("aaaa-1", "")).unwrap();
    let second = store.begin_run(&header("bbbb-2", "")).unwrap();
    store.append(first, &every_entry()).unwrap();
    let runs = store.runs().unwrap();
    assert_eq!((first, second, runs.len()), (1, 2, 2));
    assert_eq!(runs[0].findings, 10);
    assert_eq!(
        runs[0].grade,
        Some(Grade::Marginal),
        "the last verdict holds"
    );
    assert_eq!(runs[0].ended, Some(moment(61).wall));
    assert!(!runs[0].open && runs[1].open);
    assert_eq!(runs[1].grade, None);
    assert_eq!(
        (runs[1].boot_id.as_str(), runs[1].simulated),
        ("boot-a", true)
    );
    assert_eq!(
        (runs[1].suite.as_str(), runs[1].host.as_str()),
        ("smoke", "bench-7")
    );
    assert_eq!(runs[1].started, moment(0).wall);
}

#[test]
fn every_grade_survives_the_list_of_runs() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let grades = [
        Grade::Failed,
        Grade::Marginal,
        Grade::Inconclusive,
        Grade::Provisional,
        Grade::Proven,
    ];
    for grade in grades {
        let run = store.begin_run(&header(&grade.to_string(), "")).unwrap();
        let entry = Entry::Verdict(Box::new(verdict(grade)));
        store.append(run, &[entry]).unwrap();
    }
    let listed: Vec<Grade> = store
        .runs()
        .unwrap()
        .iter()
        .filter_map(|r| r.grade)
        .collect();
    assert_eq!(listed, grades);
}

#[test]
fn a_run_is_found_by_last_by_number_and_by_the_beginning_of_its_id() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    assert!(matches!(
        store.find_run("last"),
        Err(FindRunError::NoRuns { .. })
    ));
    for id in ["0198aa01", "0198aa02", "7f000001"] {
        store.begin_run(&header(id, "")).unwrap();
    }
    assert_eq!(store.find_run("last").unwrap(), 3);
    assert_eq!(store.find_run("2").unwrap(), 2);
    assert_eq!(store.find_run("0198AA01").unwrap(), 1);
    assert_eq!(
        store.find_run("7").unwrap(),
        3,
        "no run 7, so it begins an id"
    );
    let several = store.find_run("0198").unwrap_err();
    assert!(matches!(several, FindRunError::Ambiguous { .. }));
    assert!(
        several
            .to_string()
            .contains("1 (`0198aa01`), 2 (`0198aa02`)"),
        "{several}"
    );
    for absent in ["4", "%", "", "0198aa0_", "99999999999999999999"] {
        let error = store.find_run(absent).unwrap_err();
        assert!(
            error.to_string().contains("runs 1 to 3"),
            "{absent}: {error}"
        );
    }
}

#[test]
fn a_second_run_with_the_same_id_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    store.begin_run(&header("same", "")).unwrap();
    let error = store.begin_run(&header("same", "")).unwrap_err();
    assert!(matches!(error, WriteStoreError::Sqlite { .. }));
    assert_eq!(store.runs().unwrap().len(), 1);
}

#[test]
fn an_unknown_run_is_neither_written_nor_read() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let write = store.append(9, &[Entry::Gap(gap("x"))]).unwrap_err();
    assert!(matches!(write, WriteStoreError::UnknownRun { run: 9, .. }));
    let read = store.record(9).unwrap_err();
    assert!(matches!(read, ReadStoreError::UnknownRun { run: 9, .. }));
}

#[test]
fn the_folder_is_for_its_owner_only() {
    use std::os::unix::fs::PermissionsExt as _;
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("a/b");
    let store = Store::open(&folder).unwrap();
    let mode = std::fs::metadata(&folder).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o700);
    assert_eq!(store.path(), folder.join(FILE_NAME));
}

#[test]
fn commits_are_synced_in_full_and_readers_do_not_block() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(dir.path()).unwrap();
    let (journal, level) = store.durability().unwrap();
    // https://www.sqlite.org/pragma.html#pragma_synchronous: 2 is FULL.
    assert_eq!((journal.as_str(), level), ("wal", 2));
}

#[test]
fn a_newer_schema_is_refused_by_name() {
    let dir = tempfile::tempdir().unwrap();
    drop(Store::open(dir.path()).unwrap());
    raw(dir.path())
        .pragma_update(None, "user_version", 77)
        .unwrap();
    let error = Store::open(dir.path()).unwrap_err();
    assert!(matches!(error, OpenStoreError::Newer { found: 77, .. }));
    let text = error.to_string();
    assert!(
        text.contains("soakproof.sqlite") && text.contains("77"),
        "{text}"
    );
    let version: i64 = raw(dir.path())
        .query_row("PRAGMA user_version", [], |row| row.get(0))
        .unwrap();
    assert_eq!(version, 77, "it was left as it was");
}

#[test]
fn a_newer_form_of_a_run_is_refused_and_the_others_stay_readable() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let newer = RunHeader {
        format: FORMAT + 1,
        ..header("new", "")
    };
    let first = store.begin_run(&newer).unwrap();
    let second = store.begin_run(&header("old", "")).unwrap();
    let error = store.record(first).unwrap_err();
    assert!(
        matches!(error, ReadStoreError::NewerFormat { .. }),
        "{error}"
    );
    assert!(store.record(second).is_ok());
}

#[test]
fn a_text_file_instead_of_a_database_is_refused_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let text = "not a database at all\n".repeat(100);
    std::fs::write(dir.path().join(FILE_NAME), &text).unwrap();
    let error = Store::open(dir.path()).unwrap_err();
    assert!(
        matches!(error, OpenStoreError::NotARecord { .. }),
        "{error:?}"
    );
    assert!(error.to_string().contains("--store"), "{error}");
    let left = std::fs::read_to_string(dir.path().join(FILE_NAME)).unwrap();
    assert_eq!(left, text);
}

#[test]
fn a_database_of_another_program_is_refused_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let other = raw(dir.path());
    other
        .execute_batch("CREATE TABLE recipes (name TEXT)")
        .unwrap();
    drop(other);
    let error = Store::open(dir.path()).unwrap_err();
    assert!(
        matches!(error, OpenStoreError::NotARecord { .. }),
        "{error:?}"
    );
    let tables: i64 = raw(dir.path())
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .unwrap();
    assert_eq!(tables, 1);
}

#[test]
fn a_folder_that_cannot_be_made_is_named_with_a_remedy() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("a-file");
    std::fs::write(&file, "x").unwrap();
    let below = file.join("store");
    let error = Store::open(&below).unwrap_err();
    assert!(matches!(error, OpenStoreError::Folder { .. }));
    let text = chain(&error);
    assert!(
        text.contains(below.to_str().unwrap()) && text.contains("--store"),
        "{text}"
    );
}

#[test]
fn a_file_that_cannot_be_opened_is_named_with_a_remedy() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::create_dir(dir.path().join(FILE_NAME)).unwrap();
    let error = Store::open(dir.path()).unwrap_err();
    assert!(
        matches!(error, OpenStoreError::NoAccess { .. }),
        "{error:?}"
    );
    assert!(error.to_string().contains(FILE_NAME), "{error}");
}

#[test]
fn a_full_disk_is_told_and_what_was_written_stays_readable() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("full", "")).unwrap();
    store.append(run, &[Entry::Sample(sample(0))]).unwrap();
    store.limit_size(200_000).unwrap();
    let mut written = 1;
    let error = loop {
        assert!(written < 100_000, "the limit never held");
        match store.append(run, &[Entry::Sample(sample(written))]) {
            Ok(()) => written += 1,
            Err(error) => break error,
        }
    };
    assert!(matches!(error, WriteStoreError::Full { .. }), "{error:?}");
    assert!(error.to_string().contains(FILE_NAME), "{error}");
    let kept = store.record(run).unwrap();
    assert_eq!(kept.samples.len() as u64, written);
    assert!(written > 10, "some were written before: {written}");
    drop(store);
    // Once there is room again, it goes on where it stopped.
    let mut store = Store::open(dir.path()).unwrap();
    store
        .append(run, &[Entry::Sample(sample(written))])
        .unwrap();
    assert_eq!(store.record(run).unwrap().samples.len() as u64, written + 1);
    assert_eq!(store.check_run(run).unwrap(), Vec::new());
}

#[test]
fn a_batch_is_written_whole_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("batch", "")).unwrap();
    store.limit_size(150_000).unwrap();
    let batch: Vec<Entry> = (0..5000).map(|n| Entry::Sample(sample(n))).collect();
    assert!(store.append(run, &batch).is_err());
    assert_eq!(store.record(run).unwrap().samples.len(), 0);
}

#[test]
fn hostile_text_comes_back_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let hostile = "'; DROP TABLE runs; -- \u{1b}[2J\u{0}\n\"\\\u{202e}\u{10ffff}";
    let head = header(hostile, hostile);
    let run = store.begin_run(&head).unwrap();
    store.append(run, &[Entry::Gap(gap(hostile))]).unwrap();
    let wanted = folded(head, vec![Entry::Gap(gap(hostile))]);
    assert_eq!(store.record(run).unwrap(), wanted);
    assert_eq!(store.runs().unwrap()[0].id, hostile);
    assert_eq!(store.find_run(hostile).unwrap(), run);
    let error = store.find_run("\u{1b}[2J").unwrap_err();
    assert!(!error.to_string().contains('\u{1b}'));
}

#[test]
fn a_damaged_row_is_left_out_and_told() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("damage", "")).unwrap();
    let samples: Vec<Entry> = (1..=4).map(|n| Entry::Sample(sample(n))).collect();
    store.append(run, &samples).unwrap();
    let file = raw(dir.path());
    // One digit of one reading, a text that is no UTF-8, and a row that is gone.
    file.execute(
        "UPDATE entries SET body = replace(body, '61.875', '61.975') WHERE seq = 2",
        [],
    )
    .unwrap();
    file.execute(
        "UPDATE entries SET body = CAST(x'fffe7b' AS TEXT) WHERE seq = 3",
        [],
    )
    .unwrap();
    file.execute("DELETE FROM entries WHERE seq = 1", [])
        .unwrap();
    let damaged = store.check_run(run).unwrap();
    let rows: Vec<Option<i64>> = damaged.iter().map(|row| row.seq).collect();
    assert_eq!(rows, [Some(1), Some(2), Some(3)]);
    assert_eq!(damaged[0].damage, Damage::Missing);
    assert!(matches!(damaged[1].damage, Damage::Checksum { .. }));
    assert!(
        damaged[1].to_string().contains("row 2 `sample`"),
        "{}",
        damaged[1]
    );
    let record = store.record(run).unwrap();
    assert_eq!(record.samples, [sample(4)]);
    let told = record.gaps.last().unwrap();
    assert!(told.about.starts_with("3 rows"), "{}", told.about);
}

#[test]
fn a_damaged_number_does_not_make_a_reader_count_for_ever() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("number", "")).unwrap();
    let samples: Vec<Entry> = (1..=2).map(|n| Entry::Sample(sample(n))).collect();
    store.append(run, &samples).unwrap();
    raw(dir.path())
        .execute("UPDATE entries SET seq = ?1 WHERE seq = 2", [i64::MAX])
        .unwrap();
    let record = store.record(run).unwrap();
    assert_eq!(record.samples, [sample(1), sample(2)]);
    let told = record.gaps.last().unwrap();
    assert!(told.about.contains("rows of the record"), "{}", told.about);
}

#[test]
fn a_row_that_means_nothing_to_this_program_is_told_too() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("strange", "")).unwrap();
    store.append(run, &[Entry::Gap(gap("x"))]).unwrap();
    let strange = r#"{"entry":"poem"}"#;
    raw(dir.path())
        .execute(
            "UPDATE entries SET body = ?1, crc = ?2",
            rusqlite::params![strange, crc32c(strange.as_bytes())],
        )
        .unwrap();
    let damaged = store.check_run(run).unwrap();
    assert!(matches!(damaged[0].damage, Damage::Unreadable { .. }));
}

#[test]
fn repeats_after_a_damaged_finding_still_name_the_right_one() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("repeat", "")).unwrap();
    let stall = |silent_s| Entry::Finding(finding(FindingKind::Stall { silent_s }));
    let repeat = |finding, events| Entry::Repeated { finding, events };
    let entries = [
        stall(1.0),
        stall(2.0),
        stall(3.0),
        repeat(1, 50),
        repeat(0, 9),
    ];
    store.append(run, &entries).unwrap();
    raw(dir.path())
        .execute("UPDATE entries SET body = body || ' ' WHERE seq = 1", [])
        .unwrap();
    let record = store.record(run).unwrap();
    let events: Vec<u64> = record
        .findings
        .iter()
        .map(|finding| finding.events)
        .collect();
    assert_eq!(events, [50, 1]);
}

#[test]
fn a_damaged_header_is_an_error_that_names_the_run() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("head", "")).unwrap();
    raw(dir.path())
        .execute(
            "UPDATE runs SET header = replace(header, 'smoke', 'smoky')",
            [],
        )
        .unwrap();
    let error = store.record(run).unwrap_err();
    assert!(
        matches!(error, ReadStoreError::DamagedHeader { run: 1, .. }),
        "{error}"
    );
    assert_eq!(store.check_run(run).unwrap()[0].seq, None);
    assert_eq!(store.runs().unwrap().len(), 1);
}

#[test]
fn a_file_with_overwritten_pages_is_an_error_and_no_panic() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("pages", "")).unwrap();
    let samples: Vec<Entry> = (0..200).map(|n| Entry::Sample(sample(n))).collect();
    store.append(run, &samples).unwrap();
    drop(store);
    let path = dir.path().join(FILE_NAME);
    let mut bytes = std::fs::read(&path).unwrap();
    let from = 4096 * 3;
    assert!(
        bytes.len() > from + 4096 * 4,
        "the file has the pages to be spoiled"
    );
    bytes[from..].fill(0xA5);
    std::fs::write(&path, bytes).unwrap();
    match Store::open(dir.path()) {
        Ok(store) => match store.record(run) {
            Ok(record) => assert!(record.samples.len() < 200),
            Err(error) => assert!(error.to_string().contains(FILE_NAME), "{error}"),
        },
        Err(error) => assert!(error.to_string().contains(FILE_NAME), "{error}"),
    }
}

#[test]
fn two_readers_see_whole_batches_while_one_writes() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let run = store.begin_run(&header("readers", "")).unwrap();
    let path = dir.path();
    std::thread::scope(|scope| {
        let readers: Vec<_> = (0..2)
            .map(|_| {
                scope.spawn(move || {
                    let store = Store::open(path).unwrap();
                    let mut seen = 0;
                    while seen < 120 {
                        let now = store.record(run).unwrap().samples.len();
                        assert!(now >= seen && now.is_multiple_of(3), "{seen} then {now}");
                        seen = now;
                    }
                    seen
                })
            })
            .collect();
        for batch in 0..40 {
            let entries: Vec<Entry> = (0..3)
                .map(|n| Entry::Sample(sample(batch * 3 + n)))
                .collect();
            store.append(run, &entries).unwrap();
        }
        for reader in readers {
            assert_eq!(reader.join().unwrap(), 120);
        }
    });
}

/// Names the folder for the writing child; without it the child's test has nothing to do.
const CHILD: &str = "SOAKPROOF_TEST_WRITER";

#[test]
fn a_killed_writer_loses_nothing_that_was_acknowledged() {
    let dir = tempfile::tempdir().unwrap();
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "records::writes_until_it_is_killed",
            "--ignored",
            "--nocapture",
        ])
        .env(CHILD, dir.path())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut acknowledged = 0;
    for line in lines.map_while(Result::ok) {
        if let Some(number) = line.strip_prefix("acknowledged ") {
            acknowledged = number.parse::<u64>().unwrap();
        }
        if acknowledged == 25 {
            child.kill().unwrap();
        }
    }
    let status = child.wait().unwrap();
    assert!(!status.success(), "it was killed in mid-work");
    let store = Store::open(dir.path()).unwrap();
    let record = store.record(1).unwrap();
    let kept = record.samples.len() as u64;
    assert!(
        acknowledged >= 25 && kept >= acknowledged,
        "{kept} of {acknowledged}"
    );
    let in_order = record.samples.iter().zip(1..).all(|(s, n)| *s == sample(n));
    assert!(in_order);
    assert_eq!(store.check_run(1).unwrap(), Vec::new());
    assert!(store.runs().unwrap()[0].open);
}

#[test]
#[ignore = "the child of the test above; does nothing by itself"]
fn writes_until_it_is_killed() {
    let Ok(dir) = std::env::var(CHILD) else {
        return;
    };
    let mut store = Store::open(Path::new(&dir)).unwrap();
    let run = store.begin_run(&header("child", "")).unwrap();
    for number in 1..=20_000 {
        store.append(run, &[Entry::Sample(sample(number))]).unwrap();
        println!("acknowledged {number}");
    }
}
