//! Real small records, made once for each kind of end; what differs between two runs is the id.

use std::path::Path;

use soakproof::fleet::protocol::{Packed, RunTold, pack};
use soakproof::model::{Entry, Grade, Wall};
use soakproof::service::write_export;
use soakproof::store::{Store, StoredRow, crc32c};

use crate::views::night::Night;

/// A record to be copied.
#[derive(Debug)]
pub(crate) struct Template {
    rows: Vec<StoredRow>,
    id: &'static str,
    suite: String,
    pub(crate) grade: Grade,
}

impl Template {
    /// The record of a night, by way of a store in `folder`.
    fn of(night: &Night, folder: &Path) -> Self {
        let (header, entries) = night.entries();
        let grade = entries.iter().find_map(|entry| {
            if let Entry::Verdict(verdict) = entry {
                Some(verdict.grade)
            } else {
                None
            }
        });
        std::fs::create_dir_all(folder).expect("made");
        let mut store = Store::open(folder).expect("opens");
        let number = store.begin_run(&header).expect("begun");
        store.append(number, &entries).expect("written");
        Self {
            rows: store.rows(number, -1, u32::MAX).expect("read"),
            id: night.id,
            suite: header.plan.suite,
            grade: grade.expect("judged"),
        }
    }

    /// One that passes, one that fails.
    pub(crate) fn both(folder: &Path) -> [Self; 2] {
        let sound = Night {
            shorter: 120,
            ..Night::default()
        };
        let wrong = Night {
            wrong_at: Some(20),
            ..sound.clone()
        };
        let both = [
            Self::of(&sound, &folder.join("sound")),
            Self::of(&wrong, &folder.join("wrong")),
        ];
        assert!(both[0].grade != Grade::Failed && both[1].grade == Grade::Failed);
        both
    }

    /// The rows of run `id`.
    pub(crate) fn rows(&self, id: &str) -> Vec<StoredRow> {
        let mut rows = self.rows.clone();
        let head = rows.first_mut().expect("a header");
        head.body = head.body.replace(self.id, id);
        head.crc = crc32c(head.body.as_bytes()).into();
        rows
    }

    /// Run `id` as a machine tells it.
    pub(crate) fn told(&self, id: &str, started: Wall) -> RunTold {
        RunTold {
            id: id.to_owned(),
            suite: self.suite.clone(),
            started,
            grade: self.grade,
            rows: i64::try_from(self.rows.len()).expect("few"),
            record: None,
        }
    }

    /// Its parcel.
    pub(crate) fn parcel(&self, id: &str) -> (Packed, Vec<u8>) {
        pack(|to| write_export(self.rows(id), to).map(drop)).expect("packs")
    }
}
