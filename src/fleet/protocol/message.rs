//! Messages in their JSON form. `format` versions them; a reader refuses a newer one by name.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::model::{Conditions, Grade, MachineName, RunWish, Wall};

/// Version of the messages' form.
const FORMAT: u32 = 1;
/// Largest message but for chunks of parcels, in bytes.
pub const MOST_MESSAGE: usize = 128 << 10;

/// A message is not what it should be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ParseMessageError {
    /// Too much.
    #[error("a message of {0} bytes, more than {MOST_MESSAGE}")]
    Long(usize),
    /// Of a newer program.
    #[error("a message of format {0}, this program knows {FORMAT}; use the newer program")]
    Newer(u32),
    /// Not of the form.
    #[error("no message of this kind ({0})")]
    Form(String),
}

#[derive(Serialize)]
struct Written<'m, M> {
    format: u32,
    body: &'m M,
}

#[derive(Deserialize)]
struct Head {
    format: u32,
}

#[derive(Deserialize)]
struct Read<M> {
    body: M,
}

/// The message as it travels.
pub fn write_message(message: &impl Serialize) -> Vec<u8> {
    let written = Written {
        format: FORMAT,
        body: message,
    };
    // Plain data of ours always has a JSON form.
    serde_json::to_vec(&written).unwrap_or_default()
}

/// Reads a message.
///
/// # Errors
/// It is too long, of a newer form, or of none.
pub fn parse_message<M: DeserializeOwned>(bytes: &[u8]) -> Result<M, ParseMessageError> {
    if bytes.len() > MOST_MESSAGE {
        return Err(ParseMessageError::Long(bytes.len()));
    }
    let form = |error: serde_json::Error| ParseMessageError::Form(error.to_string());
    let head: Head = serde_json::from_slice(bytes).map_err(form)?;
    if head.format != FORMAT {
        return Err(ParseMessageError::Newer(head.format));
    }
    let read: Read<M> = serde_json::from_slice(bytes).map_err(form)?;
    Ok(read.body)
}

/// A job in a machine's mailbox.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct JobMessage {
    /// The hub's id of it; whoever knows it already does not run it again.
    pub id: String,
    /// For whom.
    pub machine: MachineName,
    /// What to run.
    pub wish: RunWish,
    /// When it may start.
    pub conditions: Conditions,
    /// Higher ones go first.
    pub priority: i8,
    /// Who ordered it.
    pub asked_by: String,
}

/// How far a run is.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Progress {
    /// Name of the suite.
    pub suite: String,
    /// Name of the stage.
    pub stage: String,
    /// Its number, from 1.
    pub stage_number: u32,
    /// Stages in all.
    pub stages: u32,
    /// Planned seconds that are left.
    pub left_s: u64,
    /// Hottest thermometer of the processor, in degrees Celsius.
    pub hottest_c: Option<f64>,
    /// Findings so far.
    pub findings: u32,
}

/// What a machine is at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "is")]
pub enum Doing {
    /// Nothing.
    Idle,
    /// A job of the hub's is in its queue.
    Waiting {
        /// What it waits for, as phrases.
        waits: Vec<String>,
    },
    /// A run is under way, the hub's or somebody else's.
    Running(Progress),
}

impl std::fmt::Display for Doing {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Idle => f.write_str("idle"),
            Self::Waiting { .. } => f.write_str("waiting"),
            Self::Running(progress) => {
                let Progress {
                    suite,
                    stage,
                    stage_number,
                    stages,
                    hottest_c,
                    ..
                } = progress;
                write!(f, "{suite}, stage {stage_number}/{stages} ({stage})")?;
                match hottest_c {
                    Some(celsius) => write!(f, ", {celsius:.0} C"),
                    None => Ok(()),
                }
            }
        }
    }
}

/// A sign of life.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Beat {
    /// Whose.
    pub machine: MachineName,
    /// By its own clock.
    pub at: Wall,
    /// Its boot; another one means that it was started again.
    pub boot_id: String,
    /// Version of the program there.
    pub program: String,
    /// Serial number of the machine, as far as it can be read or was given.
    pub serial: Option<String>,
    /// What it is at.
    pub doing: Doing,
    /// The hub's job that it has and has not ended.
    pub job: Option<String>,
    /// Outcomes that wait for a receipt.
    pub owed: Vec<String>,
}

/// What became of a job of the hub's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "is")]
pub enum JobEnd {
    /// Its run was judged.
    Judged {
        /// The grade.
        grade: Grade,
    },
    /// It was cut short before its run had begun.
    CutShort,
    /// It was not run.
    NotRun {
        /// Why.
        why: String,
    },
    /// A person at the machine refused it.
    Refused,
}

/// A record as it was packed up: gzip of the export, in chunks of
/// [`MOST_CHUNK`](super::MOST_CHUNK) bytes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Packed {
    /// SHA-256 of the packed bytes, 64 hexadecimal digits; it names the parcel.
    pub sha256: String,
    /// Packed bytes.
    pub bytes: u64,
    /// Chunks.
    pub chunks: u32,
}

/// A run as the machine tells it; what the record says counts for more.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunTold {
    /// Its id.
    pub id: String,
    /// Name of the suite.
    pub suite: String,
    /// When it began.
    pub started: Wall,
    /// Its grade there.
    pub grade: Grade,
    /// Rows of the record, the header's included.
    pub rows: i64,
    /// The record; none where it is too large to travel.
    pub record: Option<Packed>,
}

/// What came of a job, or of a run that somebody started at the machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Names it: of several with the same id one counts.
    pub id: String,
    /// Whose.
    pub machine: MachineName,
    /// Serial number of the machine.
    pub serial: Option<String>,
    /// By the machine's clock.
    pub at: Wall,
    /// The hub's job, and what became of it; none where nobody had ordered the run.
    pub job: Option<(String, JobEnd)>,
    /// The run, where there was one.
    pub run: Option<RunTold>,
}

/// From the hub to one machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "word")]
pub enum Word {
    /// The outcome of this id is kept.
    Receipt {
        /// Which.
        id: String,
    },
    /// The outcome of this id cannot be kept, and sending it again will not help.
    Refusal {
        /// Which.
        id: String,
        /// Why.
        why: String,
    },
    /// Parts of this outcome are missing; send it whole again.
    Again {
        /// Which.
        id: String,
    },
    /// End this job of the hub's.
    Cancel {
        /// Which.
        job: String,
    },
}
