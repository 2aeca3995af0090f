//! Records that earlier versions of this program left behind.

use std::fs;
use std::path::{Path, PathBuf};

use soakproof::model::Wall;
use soakproof::report::read_export;
use soakproof::service::as_stored;
use soakproof::store::{SCHEMA_VERSION, Store, StoredRow, record_of};
use soakproof::verdict::judge;

use super::raw;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests")
        .join(name)
}

/// A run in the first form of export, which must stay readable.
fn released_run() -> Vec<StoredRow> {
    let export = fs::read(data("fuzz/corpus/import/short-run")).unwrap();
    let rows = read_export(export.as_slice()).unwrap().into_iter();
    rows.map(as_stored).collect()
}

/// Tables and indexes, without the blanks of their text.
fn shape(folder: &Path) -> Vec<String> {
    let file = raw(folder);
    let mut rows = file
        .prepare("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name")
        .unwrap();
    let texts = rows.query_map([], |row| row.get::<_, String>(0)).unwrap();
    texts
        .map(|text| {
            text.unwrap()
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
        })
        .collect()
}

#[test]
fn records_of_every_released_version_open_with_all_that_is_in_them() {
    let rows = released_run();
    let fresh = tempfile::tempdir().unwrap();
    drop(Store::open(fresh.path()).unwrap());
    let mut versions = 0;
    for version in 1..=SCHEMA_VERSION {
        let Ok(script) = fs::read_to_string(data(&format!("data/schemas/{version}.sql"))) else {
            continue;
        };
        versions += 1;
        let folder = tempfile::tempdir().unwrap();
        let old = raw(folder.path());
        old.execute_batch(&script).unwrap();
        let header = &rows[0];
        old.execute(
            "INSERT INTO runs (id, suite, host, boot_id, simulated, started_ms, header, crc)
             VALUES ('aaaa-1', 'short', 'larch', 'boot-a', 1, 0, ?1, ?2)",
            rusqlite::params![header.body, header.crc],
        )
        .unwrap();
        for row in &rows[1..] {
            old.execute(
                "INSERT INTO entries (run, seq, kind, body, crc) VALUES (1, ?1, ?2, ?3, ?4)",
                rusqlite::params![row.seq, row.kind, row.body, row.crc],
            )
            .unwrap();
        }
        drop(old);

        let store = Store::open(folder.path()).unwrap();
        let record = store.record(1).unwrap();
        assert_eq!(record, record_of(1, rows.clone()).unwrap(), "{version}");
        assert_eq!(judge(&record).grade, record.verdict().unwrap().grade);
        assert!(store.check_run(1).unwrap().is_empty());
        let (queue, damaged) = store.queue().unwrap();
        assert!(queue.jobs.is_empty() && damaged == 0);
        assert!(store.ledger("larch").unwrap().is_empty());
        assert_eq!(store.outcomes("larch", Wall(0)).unwrap().len(), 1);
        drop(store);
        assert_eq!(shape(folder.path()), shape(fresh.path()), "{version}");
    }
    assert!(versions >= 4, "only {versions} versions were tried");
}
