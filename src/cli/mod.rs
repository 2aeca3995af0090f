//! Arguments as typed, then resolved; one file a command; exit codes on one screen.

use std::process::ExitCode;

/// Runs the program.
pub fn main() -> ExitCode {
    ExitCode::SUCCESS
}
