//! Finding the run that a person means: `last`, a number, or the beginning of an id.

use std::path::PathBuf;

use rusqlite::{Connection, OptionalExtension};

use super::open::Store;

/// Most runs named in a message.
const NAMED: usize = 5;

/// It is not clear which run is meant.
#[derive(Debug, thiserror::Error)]
pub enum FindRunError {
    /// There is none at all.
    #[error("no run is on record in `{}` yet", path.display())]
    NoRuns {
        /// The file.
        path: PathBuf,
    },
    /// None fits.
    #[error(
        "no run `{word}` in `{}`; there are runs {first} to {last}: say one of them, `last`, or the \
         beginning of an id",
        path.display()
    )]
    NotFound {
        /// The file.
        path: PathBuf,
        /// What was asked for.
        word: String,
        /// Number of the first run.
        first: i64,
        /// Number of the last run.
        last: i64,
    },
    /// Several fit.
    #[error(
        "`{word}` fits several runs: {}; say more of the id, or the number",
        name(candidates)
    )]
    Ambiguous {
        /// What was asked for.
        word: String,
        /// Number and id of those that fit.
        candidates: Vec<(i64, String)>,
    },
    /// The file cannot be read.
    #[error("cannot read `{}`; check the disk that it lies on", path.display())]
    Sqlite {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
}

fn name(candidates: &[(i64, String)]) -> String {
    let mut words: Vec<String> = candidates
        .iter()
        .take(NAMED)
        .map(|(number, id)| format!("{number} (`{id}`)"))
        .collect();
    if candidates.len() > NAMED {
        words.push(format!("{} more", candidates.len() - NAMED));
    }
    words.join(", ")
}

impl Store {
    /// Number of the run that `word` names. A word of digits is a number where such a run exists,
    /// else the beginning of an id.
    ///
    /// # Errors
    /// Says which runs are known.
    pub fn find_run(&self, word: &str) -> Result<i64, FindRunError> {
        let failed = |source| FindRunError::Sqlite {
            path: self.path.clone(),
            source,
        };
        let Some((first, last)) = read_span(&self.connection).map_err(failed)? else {
            return Err(FindRunError::NoRuns {
                path: self.path.clone(),
            });
        };
        if word == "last" {
            return Ok(last);
        }
        if let Some(number) = parse_number(word)
            && has_number(&self.connection, number).map_err(failed)?
        {
            return Ok(number);
        }
        let candidates = read_candidates(&self.connection, word).map_err(failed)?;
        match candidates.as_slice() {
            [(number, _)] => Ok(*number),
            [] => Err(FindRunError::NotFound {
                path: self.path.clone(),
                word: word.escape_debug().collect(),
                first,
                last,
            }),
            [_, _, ..] => Err(FindRunError::Ambiguous {
                word: word.escape_debug().collect(),
                candidates,
            }),
        }
    }
}

/// Ids may consist of digits at their beginning too, often with a leading 0, which no number has.
fn parse_number(word: &str) -> Option<i64> {
    let digits = word.bytes().all(|byte| byte.is_ascii_digit());
    if digits && !word.starts_with('0') {
        word.parse().ok()
    } else {
        None
    }
}

fn read_span(connection: &Connection) -> rusqlite::Result<Option<(i64, i64)>> {
    connection.query_row("SELECT min(number), max(number) FROM runs", [], |row| {
        let first: Option<i64> = row.get(0)?;
        let last: Option<i64> = row.get(1)?;
        Ok(first.zip(last))
    })
}

fn has_number(connection: &Connection, number: i64) -> rusqlite::Result<bool> {
    connection
        .query_row("SELECT 1 FROM runs WHERE number = ?1", [number], |_| Ok(()))
        .optional()
        .map(|found| found.is_some())
}

fn read_candidates(connection: &Connection, word: &str) -> rusqlite::Result<Vec<(i64, String)>> {
    if word.is_empty() {
        return Ok(Vec::new());
    }
    // Compared here and not by SQL, whose text functions end at a NUL.
    let word = word.to_ascii_lowercase();
    let mut statement = connection.prepare("SELECT number, id FROM runs ORDER BY number")?;
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let fits = |id: &str| id.to_ascii_lowercase().starts_with(&word);
    let all: Vec<(i64, String)> = rows.collect::<rusqlite::Result<_>>()?;
    Ok(all.into_iter().filter(|(_, id)| fits(id)).collect())
}
