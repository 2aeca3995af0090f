//! A person's own program as part of a stage.

use std::time::Duration;

use serde::{Deserialize, Serialize};

/// One program of a stage, run alone or beside the kernels.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedProgram {
    /// Name for people, unique within the stage.
    pub name: String,
    /// Full path and arguments.
    pub command: Vec<String>,
    /// Unprivileged user; none means whoever runs this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub user: Option<String>,
    /// Folder to start it in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub folder: Option<String>,
    /// How often it is run; none means again and again while the stage lasts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub times: Option<u32>,
    /// Longest time that one run of it may take.
    pub limit: Duration,
    /// File that it writes, whose content must come out the same each time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub output: Option<String>,
    /// SHA-256 of that content in hexadecimal; none means that of the first run in this suite.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
}

/// What was wrong with one run of a program.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case", tag = "fault")]
pub enum ProgramFault {
    /// It ended with another status than 0.
    Status {
        /// Exit status.
        status: i32,
    },
    /// It died of a signal.
    Signal {
        /// Signal number.
        signal: i32,
    },
    /// It was over its time limit and was killed.
    Late {
        /// Limit in seconds.
        limit_s: f64,
    },
    /// Its output was another one.
    OtherOutput {
        /// SHA-256 that should have come out.
        expected: String,
        /// SHA-256 that came out.
        got: String,
    },
    /// It said that all is well and wrote no output.
    NoOutput {
        /// Why the file could not be taken.
        reason: String,
    },
}

/// One run of a program that went well.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProgramRun {
    /// Name of the program.
    pub program: String,
    /// Number of the run within the stage, from 1.
    pub number: u32,
    /// Seconds that it took.
    pub length_s: f64,
    /// SHA-256 of its output, where one is named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
}
