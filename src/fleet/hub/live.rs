//! The last sign of life of each machine, in a file of its own: it may be lost at any moment, so nothing
//! waits for the disk.

use std::path::Path;

use rusqlite::{Connection, params};

use crate::fleet::protocol::{Beat, MachineName};
use crate::model::Wall;

/// Name of the file within the hub's folder.
const FILE_NAME: &str = "live.sqlite";

/// One machine.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveLine {
    /// Its last sign of life.
    pub beat: Beat,
    /// When it came here, by the hub's clock.
    pub heard: Wall,
}

/// The file.
#[derive(Debug)]
pub struct LiveKeep {
    connection: Connection,
}

impl LiveKeep {
    /// Opens the file in the hub's `folder`; makes it where it is not there.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn open(folder: &Path) -> rusqlite::Result<Self> {
        let connection = Connection::open(folder.join(FILE_NAME))?;
        connection.busy_timeout(std::time::Duration::from_secs(5))?;
        connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
        connection.execute_batch(
            "PRAGMA synchronous = OFF;
             CREATE TABLE IF NOT EXISTS live (
                 machine TEXT PRIMARY KEY, heard_ms INTEGER NOT NULL, beat TEXT NOT NULL
             ) STRICT, WITHOUT ROWID;",
        )?;
        Ok(Self { connection })
    }

    /// Puts signs of life in place of earlier ones.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn put<'l>(&mut self, lines: impl Iterator<Item = &'l LiveLine>) -> rusqlite::Result<()> {
        let transaction = self.connection.transaction()?;
        {
            let mut put = transaction.prepare(
                "INSERT INTO live (machine, heard_ms, beat) VALUES (?1, ?2, ?3)
                 ON CONFLICT (machine) DO UPDATE SET heard_ms = ?2, beat = ?3
                 WHERE heard_ms <= ?2",
            )?;
            for line in lines {
                let beat = serde_json::to_string(&line.beat).unwrap_or_default();
                put.execute(params![line.beat.machine.as_str(), line.heard.0, beat])?;
            }
        }
        transaction.commit()
    }

    /// The last sign of life of each machine.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn lines(&self) -> rusqlite::Result<Vec<(MachineName, LiveLine)>> {
        let mut statement = self
            .connection
            .prepare("SELECT heard_ms, beat FROM live ORDER BY machine")?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get::<_, String>(1)?)))?;
        let rows = rows.collect::<rusqlite::Result<Vec<(i64, String)>>>()?;
        let lines = rows.into_iter().filter_map(|(heard, beat)| {
            // Written by another version, perhaps: the next sign of life replaces it.
            let beat: Beat = serde_json::from_str(&beat).ok()?;
            let heard = Wall(heard);
            Some((beat.machine.clone(), LiveLine { beat, heard }))
        });
        Ok(lines.collect())
    }
}
