//! Pages, charts, sheets and exports of a run that was simulated.
#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests read golden files, start programs and look at what they wrote"
)]

mod charts;
mod hostile;
mod live;
pub(crate) mod night;
mod pages;
mod sheets;
mod transfer;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use soakproof::model::{Entry, RunHeader};
use soakproof::report::Style;
use soakproof::store::Store;

use night::Night;

/// Compares with, or writes, `tests/golden/<name>`.
pub(crate) fn golden(name: &str, text: &str) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/golden")
        .join(name);
    if std::env::var("SOAKPROOF_GOLDEN").as_deref() == Ok("write") {
        std::fs::write(&path, text).unwrap();
        return;
    }
    let wanted = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        wanted == text,
        "{name} differs; run with SOAKPROOF_GOLDEN=write if it should\n--- wanted\n{wanted}\n--- got\n{text}"
    );
}

fn style() -> Style {
    Style::new(false, 80).of_run(7)
}

/// A folder with stores, and the program to be asked about them.
struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        Self {
            folder: tempfile::tempdir().unwrap(),
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Puts a run into the store `name`.
    fn put(&self, name: &str, (header, entries): &(RunHeader, Vec<Entry>)) -> i64 {
        let mut store = Store::open(&self.path(name)).unwrap();
        let run = store.begin_run(header).unwrap();
        for part in entries.chunks(500) {
            store.append(run, part).unwrap();
        }
        run
    }

    fn ask(&self, store: &str, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_soakproof"))
            .args(arguments)
            .env("SOAKPROOF_STORE", self.path(store))
            .env("SOAKPROOF_SOCKET", self.path("no-socket"))
            .env("TZ", "UTC")
            .output()
            .unwrap()
    }

    /// The same, which must go well; what it wrote.
    fn told(&self, store: &str, arguments: &[&str]) -> String {
        let output = self.ask(store, arguments);
        let errors = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{arguments:?}: {errors}");
        String::from_utf8(output.stdout).unwrap()
    }

    /// The same, which must be refused with this exit code; what it said.
    fn refused(&self, store: &str, arguments: &[&str], code: i32) -> String {
        let output = self.ask(store, arguments);
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {errors}");
        errors
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn short() -> Night {
    Night {
        shorter: 10,
        ..Night::default()
    }
}
