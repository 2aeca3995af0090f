//! `config`: is the configuration right?

use std::path::{Path, PathBuf};

use super::arguments::{ConfigArguments, ConfigCommand};
use super::{Exit, Failure, put};
use crate::os;
use crate::service::config::{
    Configuration, EXAMPLE, ReadConfigurationError, find_configuration, read_configuration,
};

/// Runs the command.
pub(super) fn config(wanted: &ConfigCommand) -> Result<Exit, Failure> {
    match wanted {
        ConfigCommand::Check { file } => {
            let path = find_configuration(file.as_deref());
            let configuration = read_configuration(path.as_deref()).map_err(Failure::usage)?;
            let Some(path) = path else {
                put("No configuration file is there; everything is as usual.\n");
                return Ok(Exit::Fine);
            };
            put(&format!("{}: all right\n", path.display()));
            for target in &configuration.notices {
                put(&format!(
                    "notices to `{}`: {}\n",
                    target.name,
                    words(target)
                ));
            }
        }
        ConfigCommand::Example => put(EXAMPLE),
    }
    Ok(Exit::Fine)
}

fn words(target: &crate::service::notices::Target) -> String {
    let events = target.events.iter().map(|event| event.name());
    events.collect::<Vec<_>>().join(", ")
}

/// The configuration for commands that cannot name one.
pub(super) fn usual_configuration() -> Result<Configuration, Failure> {
    read_configuration(find_configuration(None).as_deref()).map_err(Failure::usage)
}

/// Folder of the record: the one that was named, else the configured one, else the person's state folder.
pub(super) fn record_folder(
    named: Option<&Path>,
    configuration: &Configuration,
) -> Result<PathBuf, Failure> {
    match named.or(configuration.service.store.as_deref()) {
        Some(folder) => Ok(folder.to_path_buf()),
        None => os::state_folder().map_err(Failure::usage),
    }
}

/// The same for commands that cannot name a configuration; where a folder is named, none is read.
pub(super) fn usual_record_folder(named: Option<&Path>) -> Result<PathBuf, Failure> {
    match named {
        Some(folder) => Ok(folder.to_path_buf()),
        None => record_folder(None, &usual_configuration()?),
    }
}

/// The configuration that a command goes by.
pub(super) fn configuration(
    wanted: &ConfigArguments,
) -> Result<Configuration, ReadConfigurationError> {
    read_configuration(find_configuration(wanted.config.as_deref()).as_deref())
}
