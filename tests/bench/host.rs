//! Programs of the host, and its clock.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use anyhow::{Context, Result, ensure};

/// Runs a program to its end; what it says is part of the error.
pub(crate) fn run_in(folder: &Path, program: &str, arguments: &[&str]) -> Result<String> {
    let ended = Command::new(program)
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .output()
        .with_context(|| format!("cannot start `{program}`"))?;
    let said = String::from_utf8_lossy(&ended.stdout).into_owned();
    ensure!(
        ended.status.success(),
        "`{program} {}` failed: {said}{}",
        arguments.join(" "),
        String::from_utf8_lossy(&ended.stderr)
    );
    Ok(said)
}

/// The same, wherever.
pub(crate) fn output(program: &str, arguments: &[&str]) -> Result<String> {
    run_in(Path::new("."), program, arguments)
}

/// True when the program is there to be started.
pub(crate) fn has(program: &str) -> bool {
    output("sh", &["-c", &format!("command -v {program}")]).is_ok()
}

/// Names in a folder, sorted.
pub(crate) fn names_in(folder: &Path) -> Result<Vec<String>> {
    let entries =
        std::fs::read_dir(folder).with_context(|| format!("cannot list `{}`", folder.display()))?;
    let mut names = Vec::new();
    for entry in entries {
        names.push(entry?.file_name().to_string_lossy().into_owned());
    }
    names.sort();
    Ok(names)
}

/// Lets the guest go on for a while.
pub(crate) fn pause(time: Duration) {
    std::thread::sleep(time);
}
