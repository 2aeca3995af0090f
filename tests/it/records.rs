//! The record on disk: what was acknowledged is there again, what is damaged is told.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests start children and read what they wrote"
)]

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use proptest::prelude::*;
use soakproof::model::{
    Asserts, Channel, ChannelId, ClassStatement, CpuId, CrashManner, Declared, End, Entry,
    Exposure, FORMAT, Finding, FindingKind, Gap, GapKind, Grade, HeatLimits, InstructionSet,
    LoadClass, Loss, Machine, MemoryFault, MemoryFaultClass, Mismatch, Moment, Mono, OnFinding,
    Plan, PlannedLoad, Quantity, Reading, Record, Rhythm, Role, Rule, RuleEffect, RunHeader,
    Sample, Segment, Severity, Stage, StageGate, StageMark, Stamped, TotalStatement, Verdict, Wall,
    WorkerProgress,
};
use soakproof::store::{
    Damage, FILE_NAME, FindRunError, OpenStoreError, ReadStoreError, Store, WriteStoreError, crc32c,
};

fn moment(second: u64) -> Moment {
    Moment {
        mono: Mono(second * 1_000_000_000),
        wall: Wall(1_790_000_000_000 + i64::try_from(second).unwrap() * 1000),
    }
}

fn plan(suite: &str) -> Plan {
    Plan {
        suite: suite.to_owned(),
        about: String::new(),
        stages: vec![Stage {
            name: "all".to_owned(),
            segments: vec![Segment {
                length: Duration::from_millis(60_500),
                loads: vec![PlannedLoad {
                    kernels: vec!["fma-f64.l1".to_owned()],
                    cpus: vec![CpuId(0), CpuId(1)],
                    rhythm: Rhythm::Sparse {
                        seed: u64::MAX,
                        longest_gap_ms: 250,
                    },
                    switch_ms: 0,
                    memory_bytes_per_worker: 0,
                }],
            }],
            gate: StageGate::Cool,
        }],
        claim: None,
        asserts: Asserts {
            answers: true,
            heat: true,
            clock: false,
            memory: false,
        },
        on_finding: OnFinding::Stop,
        sample_period: Duration::from_secs(1),
        stall_after: Duration::from_secs(10),
        heat: HeatLimits::default(),
        needs_thermometer: false,
        shortened: Vec::new(),
    }
}

fn header(id: &str, note: &str) -> RunHeader {
    RunHeader {
        format: FORMAT,
        id: id.to_owned(),
        program: "0.1.0".to_owned(),
        started: moment(0),
        plan: plan("smoke"),
        machine: Machine {
            host: "bench-7".to_owned(),
            boot_id: "boot-a".to_owned(),
            simulated: true,
            ..Machine::default()
        },
        channels: vec![Channel {
            id: ChannelId(0),
            quantity: Quantity::Temperature,
            role: Role::Package,
            source: "sys/class/hwmon/hwmon0/temp1_input".to_owned(),
            chip: "inventedtemp".to_owned(),
            label: note.to_owned(),
            core: None,
            limit: Some(100.0),
            critical: None,
            step: Some(0.125),
            slow: false,
        }],
        gaps: vec![gap("no fan")],
        declared: Declared {
            note: note.to_owned(),
            ambient_c: Some(21.3),
            clock_mhz: vec![(LoadClass::WideVector, 4650.1)],
        },
        kernels: vec![(
            "fma-f64.l1".to_owned(),
            LoadClass::WideVector,
            InstructionSet::Avx2,
        )],
    }
}

fn gap(about: &str) -> Gap {
    Gap {
        kind: GapKind::NoSource,
        about: about.to_owned(),
        remedy: String::new(),
    }
}

fn worker(cpu: u32, passes: u64) -> WorkerProgress {
    WorkerProgress {
        cpu: CpuId(cpu),
        load: 0,
        kernel: 0,
        passes: vec![passes],
        checked_s: vec![0.1 + 0.2],
        clock_mhz: vec![4649.7],
        errors: 0,
        load_steps: 3,
        silent_ns: u64::MAX,
        pausing: true,
    }
}

fn sample(second: u64) -> Sample {
    Sample {
        at: moment(second),
        stage: 0,
        segment: 0,
        readings: vec![Reading {
            channel: ChannelId(0),
            value: 61.875,
        }],
        lost: vec![(ChannelId(1), Loss::Clipped)],
        workers: vec![worker(0, second), worker(1, second)],
    }
}

fn finding(kind: FindingKind) -> Finding {
    Finding {
        at: moment(5),
        stage: "all".to_owned(),
        cpu: Some(CpuId(1)),
        kernel: Some("fma-f64.l1".to_owned()),
        temperature_c: Some(71.3),
        clock_mhz: None,
        kind,
        events: 1,
    }
}

fn stamped<T>(what: T) -> Stamped<T> {
    Stamped {
        at: moment(61),
        stage: 0,
        segment: 0,
        what,
    }
}

fn every_finding_kind() -> Vec<FindingKind> {
    vec![
        FindingKind::WrongAnswer(Mismatch {
            pass: 7,
            step: 3,
            word: Some(11),
            expected: u64::MAX,
            got: u64::MAX - 1,
        }),
        FindingKind::WrongMemory(MemoryFault {
            pass: 0,
            step: 4,
            address: 0x7fff_0000_1000,
            physical: Some(0x1_2345_6000),
            expected: 0x5555_5555_5555_5555,
            got: 0xd555_5555_5555_5555,
            class: MemoryFaultClass::StuckBit,
        }),
        FindingKind::Trap {
            signal: 11,
            code: Some(1),
            address: Some(u64::MAX),
            instruction: None,
        },
        FindingKind::Stall { silent_s: 10.1 },
        FindingKind::HardwareError {
            severity: Severity::Uncorrected,
            source: "kernel log".to_owned(),
            text: "invented bank 5".to_owned(),
            count: 2,
        },
        FindingKind::OverHot {
            label: "package".to_owned(),
            reading_c: 95.3,
            ceiling_c: 95.0,
        },
        FindingKind::Throttled {
            source: "cpu 0".to_owned(),
            events: 9,
        },
        FindingKind::CoolingStopped {
            label: "pump".to_owned(),
        },
        FindingKind::Reset {
            manner: CrashManner::Hang,
            evidence: "watchdog".to_owned(),
        },
    ]
}

fn verdict(grade: Grade) -> Verdict {
    let exposure = Exposure {
        machine_s: 59.9,
        cores_s: 119.8,
        passes: 120,
    };
    Verdict {
        grade,
        headline: "nothing found".to_owned(),
        causes: Vec::new(),
        rules: vec![Rule {
            name: "answers".to_owned(),
            effect: RuleEffect::Met,
            figure: "0 wrong".to_owned(),
            threshold: "0".to_owned(),
        }],
        findings: vec![finding(FindingKind::Stall { silent_s: 0.3 })],
        gaps: vec![gap("no fan")],
        classes: vec![ClassStatement {
            class: LoadClass::WideVector,
            exposure,
            faults: 0,
            bound_s: Some(20.000_000_000_000_004),
            confidence: 0.95,
            claim_s: None,
            words: String::new(),
        }],
        total: TotalStatement {
            exposure,
            faults: 0,
            bound_s: None,
            confidence: 0.95,
            claim_s: None,
            load_steps: 6,
            words: String::new(),
        },
        heat: None,
        clocks: Vec::new(),
        voltages: Vec::new(),
        next: vec!["run the hour".to_owned()],
        complete: true,
    }
}

/// One of every kind of entry, findings of every kind among them.
fn every_entry() -> Vec<Entry> {
    let mut entries = vec![
        Entry::Stage(StageMark {
            at: moment(0),
            stage: 0,
            finished: false,
        }),
        Entry::Sample(sample(1)),
    ];
    entries.extend(
        every_finding_kind()
            .into_iter()
            .map(|k| Entry::Finding(finding(k))),
    );
    entries.push(Entry::Repeated {
        finding: 1,
        events: 40,
    });
    entries.push(Entry::Gap(gap("lost a sensor")));
    entries.push(Entry::WorkerDone(stamped(worker(0, 60))));
    entries.push(Entry::Stage(StageMark {
        at: moment(60),
        stage: 0,
        finished: true,
    }));
    entries.push(Entry::End(stamped(End::Guard {
        reason: "too hot".to_owned(),
    })));
    entries.push(Entry::Verdict(Box::new(verdict(Grade::Failed))));
    entries.push(Entry::Verdict(Box::new(verdict(Grade::Marginal))));
    entries
}

fn folded(header: RunHeader, entries: Vec<Entry>) -> Record {
    let mut record = Record::new(header);
    for entry in entries {
        record.apply(entry);
    }
    record
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

/// RFC 3720 appendix B.4 prints the sums as bytes on the wire, least significant first.
#[test]
fn crc32c_gives_the_sums_of_rfc_3720() {
    let rising: Vec<u8> = (0..32).collect();
    let falling: Vec<u8> = (0..32).rev().collect();
    let command: [u8; 48] = [
        0x01, 0xc0, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00,
        0x00, 0x14, 0x00, 0x00, 0x00, 0x00, 0x00, 0x04, 0x00, 0x00, 0x00, 0x00, 0x14, 0x00, 0x00,
        0x00, 0x18, 0x28, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x02, 0x00, 0x00, 0x00, 0x00,
        0x00, 0x00, 0x00,
    ];
    assert_eq!(crc32c(&[0; 32]).to_le_bytes(), [0xaa, 0x36, 0x91, 0x8a]);
    assert_eq!(crc32c(&[0xff; 32]).to_le_bytes(), [0x43, 0xab, 0xa8, 0x62]);
    assert_eq!(crc32c(&rising).to_le_bytes(), [0x4e, 0x79, 0xdd, 0x46]);
    assert_eq!(crc32c(&falling).to_le_bytes(), [0x5c, 0xdb, 0x3f, 0x11]);
    assert_eq!(crc32c(&command).to_le_bytes(), [0x56, 0x3a, 0x96, 0xd9]);
}

proptest! {
    #[test]
    fn crc32c_agrees_with_an_independent_library(bytes: Vec<u8>) {
        let theirs = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&bytes);
        prop_assert_eq!(crc32c(&bytes), theirs);
    }

    #[test]
    fn a_reading_comes_back_bit_for_bit(bits: u64, second in 0_u64..1_000_000) {
        let value = f64::from_bits(bits);
        prop_assume!(value.is_finite());
        let mut written = sample(second);
        written.readings[0].value = value;
        let text = serde_json::to_string(&Entry::Sample(written)).unwrap();
        let back: Entry = serde_json::from_str(&text).unwrap();
        let Entry::Sample(back) = back else { panic!("not a sample") };
        prop_assert_eq!(back.readings[0].value.to_bits(), bits);
    }
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
    assert_eq!(runs[0].findings, 9);
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

#[test]
fn two_processes_may_open_a_new_store_at_the_same_time() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path();
    std::thread::scope(|scope| {
        let openers: Vec<_> = (0..4)
            .map(|n| {
                scope.spawn(move || {
                    let mut store = Store::open(path).unwrap();
                    store.begin_run(&header(&format!("id-{n}"), "")).unwrap()
                })
            })
            .collect();
        let mut numbers: Vec<i64> = openers.into_iter().map(|o| o.join().unwrap()).collect();
        numbers.sort_unstable();
        assert_eq!(numbers, [1, 2, 3, 4]);
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
