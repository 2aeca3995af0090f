//! The outbox: notices, to whom each is to be delivered, and how far that has come.
//!
//! Notices are derived from the entries of runs, which stand on disk already, so a run never waits for
//! them. What is derived, to whom it goes and up to which entry that was done are one transaction:
//! wherever the program dies, nothing is told twice under two ids and nothing is left out.

use rusqlite::{Row, Transaction, params};

use super::append::{WriteStoreError, encode};
use super::change::Change;
use super::crc::crc32c;
use super::open::Store;
use super::read::{decode, lossy};
use crate::model::{Notice, Wall};

/// Deliveries that may wait for one target; what comes on top is dead at once, and seen as such.
pub const MOST_WAITING: i64 = 1000;
/// Longest remark kept with a delivery, in characters.
const MOST_ANSWER: usize = 300;

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeliveryState {
    /// To be tried, for the first time or again.
    Waiting,
    /// The other side has taken it.
    Delivered,
    /// Given up; a person can have it tried again.
    Dead,
}

impl DeliveryState {
    /// Its name, as stored.
    pub fn name(self) -> &'static str {
        match self {
            Self::Waiting => "waiting",
            Self::Delivered => "delivered",
            Self::Dead => "dead",
        }
    }
}

/// A notice to be put in, once for its key.
#[derive(Debug, Clone)]
pub struct Announcement {
    /// Of several with the same key the first one counts.
    pub key: String,
    /// What is told.
    pub notice: Notice,
    /// Names of the targets.
    pub targets: Vec<String>,
}

/// A delivery that was taken out to be tried.
#[derive(Debug, Clone, PartialEq)]
pub struct Claimed {
    /// Id of the notice, the same in every attempt.
    pub id: String,
    /// Name of the target.
    pub target: String,
    /// What is told; none when the row is damaged.
    pub notice: Option<Notice>,
    /// When its first attempt was due.
    pub since: Wall,
    /// Number of this attempt, from 1.
    pub attempt: u32,
}

/// How an attempt ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settlement {
    /// Taken.
    Delivered,
    /// To be tried again.
    Again(Wall),
    /// Given up.
    Dead,
}

impl Store {
    /// Puts notices in that no run leads to.
    ///
    /// # Errors
    /// Nothing is put in then.
    pub fn announce(
        &mut self,
        announcements: &[Announcement],
        now: Wall,
    ) -> Result<(), WriteStoreError> {
        self.change(|transaction| put_all(transaction, announcements, now))
    }

    /// Puts in what the entries of `run` up to number `seq` led to, and remembers that.
    ///
    /// # Errors
    /// Nothing is put in then, and the entries count as not looked at.
    pub fn announce_run(
        &mut self,
        (run, seq): (i64, i64),
        announcements: &[Announcement],
        now: Wall,
    ) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            put_all(transaction, announcements, now)?;
            transaction.execute(
                "INSERT INTO told_runs (run, seq) VALUES (?1, ?2)
                     ON CONFLICT (run) DO UPDATE SET seq = max(seq, excluded.seq)",
                [run, seq],
            )?;
            Ok(())
        })
    }

    /// Begins a session of telling. What happened while nobody was to be told is passed over, but
    /// not what happened after a session that never ended: there the program or the machine died.
    ///
    /// # Errors
    /// The session has not begun then.
    pub fn begin_telling(&mut self, session: &str) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            let dropped = transaction.execute("DELETE FROM telling", [])?;
            if dropped == 0 {
                transaction.execute(
                    "INSERT INTO told_runs (run, seq)
                     SELECT number, coalesce((SELECT max(seq) FROM entries WHERE run = number), 0)
                     FROM runs WHERE true
                     ON CONFLICT (run) DO UPDATE SET seq = excluded.seq",
                    [],
                )?;
            }
            transaction.execute("INSERT INTO telling (session) VALUES (?1)", [session])?;
            Ok(())
        })
    }

    /// Ends a session in good order.
    ///
    /// # Errors
    /// The session counts as not ended then.
    pub fn end_telling(&mut self, session: &str) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute("DELETE FROM telling WHERE session = ?1", [session])?;
            Ok(())
        })
    }

    /// Takes out the delivery that has been due longest for a target that is not in `busy`. Until
    /// `until` nobody else gets it, so that two programs do not tell it at the same time; should this
    /// one die meanwhile, it is due again then. One that is due after `farthest` is due now: the
    /// clock was set back.
    ///
    /// # Errors
    /// Nothing is taken out then.
    pub fn claim_delivery(
        &mut self,
        (now, farthest, until): (Wall, Wall, Wall),
        busy: &[String],
    ) -> Result<Option<Claimed>, WriteStoreError> {
        let busy = encode("busy targets", &busy)?;
        self.change(|transaction| {
            let mut due = transaction.prepare(
                "SELECT notice, target, since_ms, attempts, CAST(body AS BLOB) AS body, crc
                 FROM deliveries JOIN notices ON id = notice
                 WHERE state = 'waiting' AND (due_ms <= ?1 OR due_ms > ?2)
                   AND target NOT IN (SELECT value FROM json_each(?3))
                 ORDER BY due_ms, notice LIMIT 1",
            )?;
            let mut found = due.query_map(params![now.0, farthest.0, busy], parse_claimed)?;
            let Some(claimed) = found.next().transpose()? else {
                return Ok(None);
            };
            transaction.execute(
                "UPDATE deliveries SET attempts = ?3, due_ms = ?4, last_ms = ?5
                 WHERE notice = ?1 AND target = ?2",
                params![claimed.id, claimed.target, claimed.attempt, until.0, now.0],
            )?;
            Ok(Some(claimed))
        })
    }

    /// Writes down how an attempt ended.
    ///
    /// # Errors
    /// It will be tried again then.
    pub fn settle_delivery(
        &mut self,
        claimed: &Claimed,
        settlement: Settlement,
        answer: &str,
    ) -> Result<(), WriteStoreError> {
        let (state, due) = match settlement {
            Settlement::Delivered => (DeliveryState::Delivered, None),
            Settlement::Again(at) => (DeliveryState::Waiting, Some(at.0)),
            Settlement::Dead => (DeliveryState::Dead, None),
        };
        self.change(|transaction| {
            transaction.execute(
                "UPDATE deliveries SET state = ?3, due_ms = coalesce(?4, due_ms), answer = ?5
                 WHERE notice = ?1 AND target = ?2",
                params![
                    claimed.id,
                    claimed.target,
                    state.name(),
                    due,
                    shorten(answer)
                ],
            )?;
            Ok(())
        })
    }

    /// Gives up everything that waits for a target that is not in `known`. Gives the number.
    ///
    /// # Errors
    /// Nothing is given up then.
    pub fn drop_strangers(&mut self, known: &[String]) -> Result<usize, WriteStoreError> {
        let known = encode("known targets", &known)?;
        self.change(|transaction| {
            Ok(transaction.execute(
                "UPDATE deliveries SET state = 'dead', answer = 'the configuration has no such \
                 target any more'
                 WHERE state = 'waiting' AND target NOT IN (SELECT value FROM json_each(?1))",
                [known],
            )?)
        })
    }

    /// Marks a target whose endpoint wants nothing more, and gives up what waits for it. `mark` stands
    /// for its address: with another address it is asked again.
    ///
    /// # Errors
    /// It stays as it was then.
    pub fn close_target(&mut self, name: &str, mark: &str) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute(
                "INSERT OR REPLACE INTO closed_targets (name, mark) VALUES (?1, ?2)",
                [name, mark],
            )?;
            transaction.execute(
                "UPDATE deliveries SET state = 'dead', answer = 'the target has been closed by its \
                 endpoint (410)'
                 WHERE state = 'waiting' AND target = ?1",
                [name],
            )?;
            Ok(())
        })
    }

    /// Lets a closed target be asked again.
    ///
    /// # Errors
    /// It stays closed then.
    pub fn reopen_target(&mut self, name: &str) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute("DELETE FROM closed_targets WHERE name = ?1", [name])?;
            Ok(())
        })
    }

    /// Makes what was not delivered of the notice due now, with a whole new day of attempts. Gives the
    /// names of the targets.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn retry_notice(&mut self, id: &str, now: Wall) -> Result<Vec<String>, WriteStoreError> {
        self.change(|transaction| {
            let mut retried = transaction.prepare(
                "UPDATE deliveries SET state = 'waiting', attempts = 0, since_ms = ?2, due_ms = ?2
                 WHERE notice = ?1 AND state <> 'delivered' RETURNING target",
            )?;
            let targets = retried.query_map(params![id, now.0], |row| row.get(0))?;
            let targets: Vec<String> = targets.collect::<rusqlite::Result<_>>()?;
            for target in &targets {
                transaction.execute("DELETE FROM closed_targets WHERE name = ?1", [target])?;
            }
            Ok(targets)
        })
    }

    /// Forgets notices from before `before` that nobody waits for.
    ///
    /// # Errors
    /// Nothing is forgotten then.
    pub fn forget_notices(&mut self, before: Wall) -> Result<usize, WriteStoreError> {
        self.change(|transaction| {
            let old = "SELECT id FROM notices WHERE at_ms < ?1 AND NOT EXISTS
                (SELECT 1 FROM deliveries WHERE notice = id AND state = 'waiting')";
            transaction.execute(
                &format!("DELETE FROM deliveries WHERE notice IN ({old})"),
                [before.0],
            )?;
            Ok(transaction.execute(
                &format!("DELETE FROM notices WHERE id IN ({old})"),
                [before.0],
            )?)
        })
    }
}

fn put_all(
    transaction: &Transaction<'_>,
    announcements: &[Announcement],
    now: Wall,
) -> Result<(), Change> {
    for Announcement {
        key,
        notice,
        targets,
    } in announcements
    {
        if targets.is_empty() {
            continue;
        }
        let body = encode("notice", notice)?;
        // Standard Webhooks 1.0 asks for ids without a full stop.
        let id = format!("msg_{}", uuid::Uuid::now_v7().simple());
        let put = transaction.execute(
            "INSERT INTO notices (id, key, at_ms, body, crc) VALUES (?1, ?2, ?3, ?4, ?5)
             ON CONFLICT (key) DO NOTHING",
            params![id, key, now.0, body, crc32c(body.as_bytes())],
        )?;
        for target in targets.iter().filter(|_| put == 1) {
            put_delivery(transaction, (&id, target), now)?;
        }
    }
    Ok(())
}

fn put_delivery(
    transaction: &Transaction<'_>,
    (id, target): (&str, &str),
    now: Wall,
) -> rusqlite::Result<()> {
    let waiting: i64 = transaction.query_row(
        "SELECT count(*) FROM deliveries WHERE state = 'waiting' AND target = ?1",
        [target],
        |row| row.get(0),
    )?;
    let closed: bool = transaction.query_row(
        "SELECT EXISTS (SELECT 1 FROM closed_targets WHERE name = ?1)",
        [target],
        |row| row.get(0),
    )?;
    let (state, answer) = if closed {
        (
            DeliveryState::Dead,
            "the target has been closed by its endpoint (410)",
        )
    } else if waiting >= MOST_WAITING {
        (DeliveryState::Dead, "too many notices wait for this target")
    } else {
        (DeliveryState::Waiting, "")
    };
    transaction.execute(
        "INSERT INTO deliveries (notice, target, state, since_ms, due_ms, answer)
         VALUES (?1, ?2, ?3, ?4, ?4, ?5)",
        params![id, target, state.name(), now.0, answer],
    )?;
    Ok(())
}

fn parse_claimed(row: &Row<'_>) -> rusqlite::Result<Claimed> {
    let attempts: u32 = row.get("attempts")?;
    Ok(Claimed {
        id: row.get("notice")?,
        target: row.get("target")?,
        notice: read_notice(row)?,
        since: Wall(row.get("since_ms")?),
        attempt: attempts.saturating_add(1),
    })
}

/// The notice of a row with `body` and `crc`; none when it is not what was written.
pub(super) fn read_notice(row: &Row<'_>) -> rusqlite::Result<Option<Notice>> {
    let body = lossy(row.get("body")?);
    Ok(decode(&body, row.get("crc")?).ok())
}

fn shorten(answer: &str) -> String {
    answer.chars().take(MOST_ANSWER).collect()
}
