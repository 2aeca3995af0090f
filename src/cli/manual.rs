//! `manual`: man pages and shell completions, written where a package is built.

use std::fs;
use std::path::Path;

use anyhow::Context;
use clap::CommandFactory;
use clap_complete::Shell;

use super::arguments::{Arguments, ManualArguments};
use super::{Exit, Failure};

/// Runs the command.
pub(super) fn manual(wanted: &ManualArguments) -> Result<Exit, Failure> {
    write_pages(&wanted.folder.join("man"))?;
    write_completions(&wanted.folder.join("completions"))?;
    Ok(Exit::Fine)
}

/// One page for the program and one for each command, `soakproof-run(1)`; hidden commands have none.
fn write_pages(folder: &Path) -> anyhow::Result<()> {
    make(folder)?;
    clap_mangen::generate_to(Arguments::command(), folder)
        .with_context(|| format!("cannot write man pages to `{}`", folder.display()))
}

fn write_completions(folder: &Path) -> anyhow::Result<()> {
    make(folder)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut Arguments::command(), "soakproof", folder)
            .with_context(|| format!("cannot write completions to `{}`", folder.display()))?;
    }
    Ok(())
}

fn make(folder: &Path) -> anyhow::Result<()> {
    fs::create_dir_all(folder)
        .with_context(|| format!("cannot make the folder `{}`", folder.display()))
}
