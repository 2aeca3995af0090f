//! The ledger on disk: all of an entry or nothing, nobody overwritten, nothing guessed.

use soakproof::model::{Amount, Change, LedgerEntry, Move, Standing};
use soakproof::store::{ReadLedgerError, WriteLedgerError};

use super::*;

fn change(number: u32) -> LedgerEntry {
    LedgerEntry::Change(Change {
        number,
        boot_id: "boot-a".to_owned(),
        moves: vec![Move {
            setting: "core-voltage".to_owned(),
            from: Amount::whole(1250),
            to: Amount::thousandths(1_243_750),
        }],
        note: "'; DROP TABLE ledger; --\u{0}\u{1b}[2J".to_owned(),
    })
}

fn entries(store: &Store, host: &str) -> Vec<LedgerEntry> {
    store
        .ledger(host)
        .unwrap()
        .into_iter()
        .map(|row| row.entry)
        .collect()
}

#[test]
fn what_was_written_comes_back_by_machine() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    assert!(store.ledger("bench-7").unwrap().is_empty());
    let undone = LedgerEntry::Undone { change: 1 };
    store
        .append_ledger(("bench-7", 0), Wall(5), &[change(1), undone.clone()])
        .unwrap();
    store
        .append_ledger(("bench-8", 0), Wall(6), &[change(1)])
        .unwrap();
    store
        .append_ledger(("bench-7", 2), Wall(7), &[change(2)])
        .unwrap();
    drop(store);
    let store = Store::open(dir.path()).unwrap();
    assert_eq!(entries(&store, "bench-7"), [change(1), undone, change(2)]);
    assert_eq!(entries(&store, "bench-8"), [change(1)]);
    let rows = store.ledger("bench-7").unwrap();
    assert_eq!((rows[2].number, rows[2].at), (4, Wall(7)));
}

#[test]
fn of_two_writers_that_read_the_same_ledger_one_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let mut one = Store::open(dir.path()).unwrap();
    let mut other = Store::open(dir.path()).unwrap();
    one.append_ledger(("bench-7", 0), Wall(5), &[change(1)])
        .unwrap();
    let refused = other
        .append_ledger(("bench-7", 0), Wall(5), &[change(1)])
        .unwrap_err();
    assert!(matches!(refused, WriteLedgerError::Moved), "{refused:?}");
    assert_eq!(entries(&other, "bench-7").len(), 1);
}

#[test]
fn entries_that_belong_together_are_written_together_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    store
        .append_ledger(("bench-7", 0), Wall(5), &[change(1)])
        .unwrap();
    store.limit_size(150_000).unwrap();
    let many: Vec<LedgerEntry> = (2..5_000).map(change).collect();
    let error = store
        .append_ledger(("bench-7", 1), Wall(6), &many)
        .unwrap_err();
    assert!(error.to_string().contains(FILE_NAME), "{error}");
    assert_eq!(entries(&store, "bench-7"), [change(1)]);
}

#[test]
fn a_damaged_row_is_told_and_never_skipped() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    store
        .append_ledger(("bench-7", 0), Wall(5), &[change(1), change(2)])
        .unwrap();
    raw(dir.path())
        .execute(
            "UPDATE ledger SET body = replace(body, '1250', '1350') WHERE number = 1",
            [],
        )
        .unwrap();
    let error = store.ledger("bench-7").unwrap_err();
    assert!(
        matches!(error, ReadLedgerError::Damaged { row: 1, .. }),
        "{error:?}"
    );
    assert!(
        error.to_string().contains("present settings are not known"),
        "{error}"
    );
}

#[test]
fn runs_come_with_their_header_and_the_verdict_that_holds() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let mut head = header("aaaa-1", "");
    head.declared.standing = Some(Box::new(Standing {
        change: Some(3),
        ..Standing::default()
    }));
    let first = store.begin_run(&head).unwrap();
    let judged = |grade| Entry::Verdict(Box::new(verdict(grade)));
    store
        .append(first, &[judged(Grade::Provisional), judged(Grade::Failed)])
        .unwrap();
    let second = store.begin_run(&header("bbbb-2", "")).unwrap();
    let mut elsewhere = header("cccc-3", "");
    elsewhere.machine.host = "bench-9".to_owned();
    store.begin_run(&elsewhere).unwrap();
    let outcomes = store.outcomes("bench-7", Wall(0)).unwrap();
    let seen: Vec<(i64, Option<Grade>)> = outcomes
        .iter()
        .map(|o| (o.run, o.verdict.as_ref().map(|v| v.grade)))
        .collect();
    assert_eq!(seen, [(first, Some(Grade::Failed)), (second, None)]);
    assert_eq!(outcomes[0].header, head);
    let later = Wall(head.started.wall.0 + 1);
    assert!(store.outcomes("bench-7", later).unwrap().is_empty());
}

#[test]
fn a_header_without_a_standing_is_written_and_read_as_before() {
    let head = header("aaaa-1", "");
    let text = serde_json::to_string(&head).unwrap();
    assert!(!text.contains("standing"), "{text}");
    let back: RunHeader = serde_json::from_str(&text).unwrap();
    assert_eq!(back, head);
}
