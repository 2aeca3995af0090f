//! A file that is not whole any more is set aside, never repaired in place and never deleted: what can be
//! read of it is read into a new one. Rows keep their numbers and their checksums, so that what is missing
//! or damaged is told as such whenever a record is read.

use std::ffi::OsString;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rusqlite::types::Value;
use rusqlite::{Connection, ErrorCode, OpenFlags, params_from_iter};

use super::open::{FILE_NAME, OpenStoreError, Store};

/// What SQLite keeps beside the file while it is in use.
const COMPANIONS: [&str; 2] = ["-wal", "-shm"];
/// Most complaints of the check that are quoted.
const COMPLAINTS: usize = 3;

/// A damaged file could not be set aside.
#[derive(Debug, thiserror::Error)]
pub enum SetAsideError {
    /// It could not be moved.
    #[error("cannot move the damaged record `{}` aside", path.display())]
    Move {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// A new one could not be begun.
    #[error(transparent)]
    Begin(#[from] OpenStoreError),
}

/// What became of a damaged file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SetAside {
    /// Where it lies now.
    pub path: PathBuf,
    /// What is wrong with it, as SQLite says.
    pub damage: String,
    /// Rows that were read into the new file.
    pub rows: u64,
    /// Tables that could not be read to their end.
    pub cut_tables: Vec<String>,
}

/// What is wrong with the file in `dir`, as SQLite's own quick check says; none when it is whole or not
/// there. A file that is no database at all is left to [`Store::open`], which refuses it by name.
pub fn find_damage(dir: &Path) -> Option<String> {
    let path = dir.join(FILE_NAME);
    if !path.exists() {
        return None;
    }
    let connection = Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_WRITE).ok()?;
    match quick_check(&connection) {
        Ok(complaints) if complaints.is_empty() => None,
        Ok(complaints) => Some(complaints.join("; ")),
        Err(error) if is_corrupt(&error) => Some(error.to_string()),
        // Locked, forbidden, no room: no damage; opening it says so.
        Err(_) => None,
    }
}

fn quick_check(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare(&format!("PRAGMA quick_check({COMPLAINTS})"))?;
    let rows = statement.query_map([], |row| row.get::<_, String>(0))?;
    let complaints: Vec<String> = rows.collect::<rusqlite::Result<_>>()?;
    let complaints = complaints.into_iter().filter(|line| line != "ok");
    Ok(complaints.map(|line| line.replace('\n', " ")).collect())
}

fn is_corrupt(error: &rusqlite::Error) -> bool {
    error.sqlite_error_code() == Some(ErrorCode::DatabaseCorrupt)
}

/// Moves the file in `dir` aside under a name that ends in `stamp`, begins a new one, and reads into it
/// what can be read. Nobody else may have the file open.
///
/// # Errors
/// Nothing was moved, or the new file cannot be begun.
pub fn set_aside(dir: &Path, damage: String, stamp: &str) -> Result<SetAside, SetAsideError> {
    let old = dir.join(FILE_NAME);
    let aside = free_name(dir, stamp);
    for companion in COMPANIONS {
        let from = with_ending(&old, companion);
        if from.exists() {
            move_file(&from, &with_ending(&aside, companion))?;
        }
    }
    move_file(&old, &aside)?;
    let mut store = Store::open(dir)?;
    let mut outcome = SetAside {
        path: aside.clone(),
        damage,
        rows: 0,
        cut_tables: Vec::new(),
    };
    // Read-write, because the log beside it may hold what the file does not have yet.
    let Ok(source) = Connection::open_with_flags(&aside, OpenFlags::SQLITE_OPEN_READ_WRITE) else {
        return Ok(outcome);
    };
    for table in tables_of(&store.connection).unwrap_or_default() {
        let (rows, whole) = copy_table(&source, &mut store.connection, &table);
        outcome.rows += rows;
        if !whole {
            outcome.cut_tables.push(table);
        }
    }
    Ok(outcome)
}

fn move_file(from: &Path, to: &Path) -> Result<(), SetAsideError> {
    fs::rename(from, to).map_err(|source| SetAsideError::Move {
        path: from.to_path_buf(),
        source,
    })
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name: OsString = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// A second damage within the second gets a number.
fn free_name(dir: &Path, stamp: &str) -> PathBuf {
    let named = |number: u32| {
        let suffix = if number == 0 {
            String::new()
        } else {
            format!("-{number}")
        };
        dir.join(format!("{FILE_NAME}.damaged-{stamp}{suffix}"))
    };
    let mut number = 0;
    while named(number).exists() {
        number += 1;
    }
    named(number)
}

/// Tables in the order in which they were made, so that a row comes after what it refers to.
fn tables_of(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'
         ORDER BY rowid",
    )?;
    let names = statement.query_map([], |row| row.get(0))?;
    names.collect()
}

fn columns_of(connection: &Connection, table: &str) -> rusqlite::Result<Vec<(String, bool)>> {
    let mut statement =
        connection.prepare("SELECT name, pk FROM pragma_table_info(?1) ORDER BY cid")?;
    let columns = statement.query_map([table], |row| {
        let key: i64 = row.get(1)?;
        Ok((row.get(0)?, key > 0))
    })?;
    columns.collect()
}

/// Copies what can be read, from both ends: a broken page in the middle hides only what lies on it. The
/// number of rows copied, and whether the table could be read whole.
fn copy_table(source: &Connection, target: &mut Connection, table: &str) -> (u64, bool) {
    let known = columns_of(source, table).unwrap_or_default();
    let wanted = columns_of(target, table).unwrap_or_default();
    let common: Vec<&(String, bool)> = wanted.iter().filter(|one| known.contains(one)).collect();
    let keys: Vec<&str> = common
        .iter()
        .filter(|(_, key)| *key)
        .map(|(name, _)| name.as_str())
        .collect();
    if common.is_empty() || keys.is_empty() {
        return (0, false);
    }
    let columns: Vec<&str> = common.iter().map(|(name, _)| name.as_str()).collect();
    let mut copied = 0;
    let mut whole = true;
    for direction in ["ASC", "DESC"] {
        let order: Vec<String> = keys
            .iter()
            .map(|key| format!("{key} {direction}"))
            .collect();
        let select = format!(
            "SELECT {} FROM {table} ORDER BY {}",
            columns.join(", "),
            order.join(", ")
        );
        let (rows, to_the_end) = copy_rows(source, target, (table, &columns), &select);
        copied += rows;
        whole = to_the_end;
        if whole {
            break;
        }
    }
    (copied, whole)
}

fn copy_rows(
    source: &Connection,
    target: &mut Connection,
    (table, columns): (&str, &[&str]),
    select: &str,
) -> (u64, bool) {
    let marks = vec!["?"; columns.len()].join(", ");
    let insert = format!(
        "INSERT OR IGNORE INTO {table} ({}) VALUES ({marks})",
        columns.join(", ")
    );
    let mut copied = 0;
    let mut to_the_end = false;
    let mut copy = || -> rusqlite::Result<()> {
        let transaction = target.transaction()?;
        {
            let mut writing = transaction.prepare(&insert)?;
            let mut reading = source.prepare(select)?;
            let mut rows = reading.query([])?;
            loop {
                // What was read before a broken page stays.
                let Ok(next) = rows.next() else { break };
                let Some(row) = next else {
                    to_the_end = true;
                    break;
                };
                let values: rusqlite::Result<Vec<Value>> =
                    (0..columns.len()).map(|index| row.get(index)).collect();
                // A row that the new file refuses (a damaged value of another kind) is left out.
                if let Ok(values) = values
                    && let Ok(count) = writing.execute(params_from_iter(values))
                {
                    copied += u64::try_from(count).unwrap_or(0);
                }
            }
        }
        transaction.commit()
    };
    match copy() {
        Ok(()) => (copied, to_the_end),
        Err(_) => (0, false),
    }
}
