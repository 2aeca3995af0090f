//! All exit codes. Only commands that run or wait for a run use 3 to 5.

use std::process::ExitCode;

use crate::model::{Grade, Verdict};

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// 0: done; for a run: it ran to its end and nothing was found.
    Fine,
    /// 1: something else went wrong.
    Other,
    /// 2: wrong usage, suite or configuration; nothing was started.
    Usage,
    /// 3: marginal.
    Marginal,
    /// 4: failed.
    Failed,
    /// 5: inconclusive, ended early, or less than `--require` asked for.
    Inconclusive,
}

impl Exit {
    /// The exit of a run with this verdict.
    pub fn of(verdict: &Verdict, required: Option<Grade>) -> Self {
        match verdict.grade {
            Grade::Failed => Self::Failed,
            Grade::Marginal => Self::Marginal,
            Grade::Inconclusive => Self::Inconclusive,
            Grade::Provisional | Grade::Proven => {
                let enough = required.is_none_or(|required| verdict.grade >= required);
                if verdict.complete && enough {
                    Self::Fine
                } else {
                    Self::Inconclusive
                }
            }
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Fine => 0,
            Exit::Other => 1,
            Exit::Usage => 2,
            Exit::Marginal => 3,
            Exit::Failed => 4,
            Exit::Inconclusive => 5,
        })
    }
}
