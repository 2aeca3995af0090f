//! What is gathered from a folder shaped like a machine, file by file.

use std::fs;
use std::path::Path;
use std::time::{Duration, UNIX_EPOCH};

use soakproof::model::{Severity, Trace, Wall, Witness};
use soakproof::os::Root;
use soakproof::run::gather_aftermath;

use super::{OTHER, SAME, cut_short, paper};

fn put(machine: &Path, path: &str, content: impl AsRef<[u8]>) -> std::path::PathBuf {
    let path = machine.join(path);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(&path, content).unwrap();
    path
}

/// A file of the time of the run.
fn put_then(machine: &Path, path: &str, content: &str, wall: Wall) {
    let path = put(machine, path, content);
    let at = UNIX_EPOCH + Duration::from_millis(u64::try_from(wall.0).unwrap());
    fs::File::options()
        .write(true)
        .open(path)
        .unwrap()
        .set_modified(at)
        .unwrap();
}

fn gathered(machine: &Path, boot_id: &str) -> soakproof::model::Aftermath {
    let mut record = cut_short();
    record.header.machine.boot_id = SAME.to_owned();
    gather_aftermath(
        &Root::simulated(machine),
        &record,
        boot_id,
        paper::sample(2).at,
    )
}

/// The boot is that of the run, written as a journal does, without dashes.
fn journal_line(second: f64, more: &str) -> String {
    format!(
        r#"{{"_BOOT_ID":"boota","__REALTIME_TIMESTAMP":"1790000000000000","__MONOTONIC_TIMESTAMP":"{:.0}",{more}}}"#,
        second * 1e6
    )
}

#[test]
fn an_empty_machine_tells_nothing_and_says_so() {
    let machine = tempfile::tempdir().unwrap();
    let aftermath = gathered(machine.path(), OTHER);
    assert!(aftermath.traces.is_empty() && aftermath.asked.is_empty());
    assert_eq!(aftermath.starts, None);
    assert_eq!(aftermath.silent.len(), 1, "{:?}", aftermath.silent);
    assert_eq!(aftermath.silent[0].0, Witness::Journal);
}

#[test]
fn a_kept_panic_of_the_time_of_the_run_is_found_in_both_places() {
    let now = paper::sample(2).at.wall;
    let log = "Panic#1 Part1\n<0>[   12.5] Kernel panic - not syncing: invented\n";
    for place in [
        "sys/fs/pstore/dmesg-erst-1",
        "var/lib/systemd/pstore/17/001/dmesg.txt",
    ] {
        let machine = tempfile::tempdir().unwrap();
        put_then(machine.path(), place, log, now);
        let aftermath = gathered(machine.path(), OTHER);
        let [Trace::Panic { source, text }] = aftermath.traces.as_slice() else {
            panic!("{place}: {:?}", aftermath.traces);
        };
        assert_eq!(source, place);
        assert!(text.ends_with("invented"), "{text}");
        assert_eq!(aftermath.asked, [Witness::KeptRecords]);
        // The same panic of the day before is not about this run.
        put_then(machine.path(), place, log, Wall(now.0 - 86_400_000));
        assert!(gathered(machine.path(), OTHER).traces.is_empty());
    }
}

/// Found on the virtual bench: the parts of one log were told as so many panics, by whatever line stood last.
#[test]
fn of_a_panic_that_is_kept_in_parts_only_the_line_that_names_it_is_told() {
    let now = paper::sample(2).at.wall;
    let machine = tempfile::tempdir().unwrap();
    let older = "sys/fs/pstore/dmesg-erst-1";
    put_then(
        machine.path(),
        older,
        "Panic#1 Part2\n<6>[    1.5] quiet\n",
        now,
    );
    // Where the part that names it was lost, the reason line has to do.
    let aftermath = gathered(machine.path(), OTHER);
    let [Trace::Panic { text, .. }] = aftermath.traces.as_slice() else {
        panic!("{:?}", aftermath.traces);
    };
    assert_eq!(text, "quiet");
    let newer = "Panic#1 Part1\n<0>[   12.5] Kernel panic - not syncing: invented\n";
    put_then(machine.path(), "sys/fs/pstore/dmesg-erst-2", newer, now);
    let aftermath = gathered(machine.path(), OTHER);
    let [Trace::Panic { text, .. }] = aftermath.traces.as_slice() else {
        panic!("{:?}", aftermath.traces);
    };
    assert!(text.ends_with("invented"), "{text}");
}

#[test]
fn an_oops_that_was_survived_is_no_panic() {
    let machine = tempfile::tempdir().unwrap();
    let log = "Oops#1 Part1\n<1>[   12.5] BUG: unable to handle page fault for address: 0\n";
    put_then(
        machine.path(),
        "sys/fs/pstore/dmesg-erst-2",
        log,
        paper::sample(2).at.wall,
    );
    assert!(gathered(machine.path(), OTHER).traces.is_empty());
}

#[test]
fn an_empty_folder_without_a_backend_is_no_witness() {
    let machine = tempfile::tempdir().unwrap();
    let backend = "sys/module/pstore/parameters/backend";
    put(machine.path(), backend, "(null)\n");
    fs::create_dir_all(machine.path().join("sys/fs/pstore")).unwrap();
    assert!(gathered(machine.path(), OTHER).asked.is_empty());
    put(machine.path(), backend, "efi_pstore\n");
    assert_eq!(
        gathered(machine.path(), OTHER).asked,
        [Witness::KeptRecords]
    );
}

#[test]
fn a_watchdog_tells_its_flags_and_its_name() {
    let machine = tempfile::tempdir().unwrap();
    put(
        machine.path(),
        "sys/class/watchdog/watchdog0/bootstatus",
        "32\n",
    );
    put(
        machine.path(),
        "sys/class/watchdog/watchdog0/identity",
        "invented timer\n",
    );
    put(
        machine.path(),
        "sys/class/watchdog/watchdog1/bootstatus",
        "0\n",
    );
    let aftermath = gathered(machine.path(), OTHER);
    let device = "watchdog0 (invented timer)".to_owned();
    let wanted = Trace::Watchdog { device, flags: 32 };
    assert_eq!(aftermath.traces, [wanted]);
    assert_eq!(aftermath.asked, [Witness::Watchdog]);
}

#[test]
fn the_journal_of_that_boot_tells_lock_ups_errors_and_a_shutdown() {
    let kernel = |second: f64, text: &str| {
        journal_line(
            second,
            &format!(r#""_TRANSPORT":"kernel","MESSAGE":"{text}""#),
        )
    };
    let fatal = "mce: [Hardware Error]: CPU 3: Machine Check: 0 Bank 5: be00000000800400";
    let stop =
        r#""_UID":"0","MESSAGE_ID":"d93fb3c9c24d451a97cea615ce59c00b","MESSAGE":"Journal stopped""#;
    let lines = [
        kernel(1.5, &fatal.replace("Bank 5", "Bank 1")),
        kernel(
            2.2,
            "watchdog: BUG: soft lockup - CPU#3 stuck for 22s! [invented:9]",
        ),
        kernel(2.3, fatal),
        journal_line(2.3, stop),
        kernel(2.3, "mce: [Hardware Error]: TSC 0 ADDR 7f0011223344"),
        journal_line(
            2.5,
            &stop
                .replace("\"0\"", "\"1000\"")
                .replace("Journal", "Forged"),
        ),
    ];
    let machine = tempfile::tempdir().unwrap();
    put(machine.path(), "var/log/journal.json", lines.join("\n"));
    let aftermath = gathered(machine.path(), OTHER);
    let source = || "journal".to_owned();
    let text = |text: &str| text.to_owned();
    let wanted = [
        Trace::LockUp {
            source: source(),
            text: text("watchdog: BUG: soft lockup - CPU#3 stuck for 22s! [invented:9]"),
        },
        // Bank 1 spoke before the last heartbeat: the run saw that one itself.
        Trace::Hardware {
            source: source(),
            severity: Severity::Fatal,
            text: format!("{fatal}; ADDR 7f0011223344"),
        },
        Trace::OrderlyShutdown {
            source: source(),
            text: text("Journal stopped"),
        },
    ];
    assert_eq!(aftermath.traces, wanted);
    assert_eq!(aftermath.asked, [Witness::Journal]);
}

/// utmp(5): type at 0, user at 44, seconds at 340 of 384 bytes.
fn login(kind: i16, user: &str, seconds: i64) -> Vec<u8> {
    let mut bytes = vec![0; 384];
    bytes[..2].copy_from_slice(&kind.to_le_bytes());
    bytes[44..44 + user.len()].copy_from_slice(user.as_bytes());
    bytes[340..344].copy_from_slice(&i32::try_from(seconds).unwrap().to_le_bytes());
    bytes
}

#[test]
fn the_record_of_starts_counts_them_and_knows_a_shutdown() {
    let last = paper::sample(2).at.wall.0 / 1000;
    let started = |after: i64| login(2, "reboot", last + after);
    let stopped = |after: i64| login(1, "shutdown", last + after);
    let cases = [
        (
            "crashed once",
            vec![started(-900), started(60)],
            Some(1),
            false,
        ),
        (
            "crashed, then shut down",
            vec![started(60), stopped(90), started(120)],
            Some(2),
            false,
        ),
        (
            "shut down",
            vec![started(-900), stopped(1), started(60)],
            Some(1),
            true,
        ),
        (
            "shut down long before",
            vec![stopped(-900), started(60)],
            Some(1),
            false,
        ),
    ];
    for (case, marks, starts, orderly) in cases {
        let machine = tempfile::tempdir().unwrap();
        put(machine.path(), "var/log/wtmp", marks.concat());
        let aftermath = gathered(machine.path(), OTHER);
        assert_eq!(aftermath.starts, starts, "{case}");
        assert_eq!(
            !aftermath.traces.is_empty(),
            orderly,
            "{case}: {aftermath:?}"
        );
    }
}

#[test]
fn after_the_end_of_the_program_alone_only_the_journal_is_asked() {
    let machine = tempfile::tempdir().unwrap();
    put(
        machine.path(),
        "sys/class/watchdog/watchdog0/bootstatus",
        "32\n",
    );
    let killed = "Out of memory: Killed process 77 (soakproof) total-vm:1kB";
    let line = journal_line(
        3.0,
        &format!(r#""_TRANSPORT":"kernel","MESSAGE":"{killed}""#),
    );
    put(machine.path(), "var/log/journal.json", line);
    let aftermath = gathered(machine.path(), SAME);
    let wanted = Trace::ProgramEnded {
        source: "journal".to_owned(),
        text: killed.to_owned(),
    };
    assert_eq!(aftermath.traces, [wanted]);
}
