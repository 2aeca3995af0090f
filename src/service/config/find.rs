//! Which file holds the configuration, and reading it.

use std::path::{Path, PathBuf};

use super::check::parse_configuration;
use super::written::Configuration;
use crate::form::CheckFormError;
use crate::model::ScheduleEntry;
use crate::os::{self, Root};

/// There is no configuration to go by.
#[derive(Debug, thiserror::Error)]
pub enum ReadConfigurationError {
    /// The file cannot be read.
    #[error("cannot read `{}`", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// Not a text.
    #[error("`{}` is not UTF-8 text", .0.display())]
    NotText(PathBuf),
    /// It has mistakes.
    #[error(transparent)]
    Mistakes(#[from] CheckFormError),
}

/// The file that holds the configuration: the named one (here, else by `SOAKPROOF_CONFIG`), else the
/// usual one if it is there.
pub fn find_configuration(named: Option<&Path>) -> Option<PathBuf> {
    // What is named and not there is complained about when it is read.
    match named
        .map(Path::to_path_buf)
        .or_else(os::named_configuration)
    {
        Some(path) => Some(std::path::absolute(&path).unwrap_or(path)),
        None => os::configuration_file().filter(|path| Root::real().exists(path)),
    }
}

/// Reads the configuration at `path`; without a file everything is as usual.
///
/// # Errors
/// It cannot be read, or has mistakes: all of them.
pub fn read_configuration(path: Option<&Path>) -> Result<Configuration, ReadConfigurationError> {
    let Some(path) = path else {
        return Ok(Configuration::default());
    };
    let text = read_text(path)?;
    let mut configuration = parse_configuration(&path.display().to_string(), &text)?;
    for entry in &mut configuration.schedule {
        read_suite(entry)?;
    }
    Ok(configuration)
}

/// A suite of the person's is read now: a run in the night must not depend on a file that has gone.
fn read_suite(entry: &mut ScheduleEntry) -> Result<(), ReadConfigurationError> {
    let suite = Path::new(&entry.wish.suite);
    if suite.is_absolute() {
        entry.wish.text = Some(read_text(suite)?);
    }
    Ok(())
}

fn read_text(path: &Path) -> Result<String, ReadConfigurationError> {
    let bytes =
        Root::real()
            .read_bytes(path)
            .map_err(|error| ReadConfigurationError::Unreadable {
                path: path.to_path_buf(),
                source: error.source,
            })?;
    String::from_utf8(bytes).map_err(|_| ReadConfigurationError::NotText(path.to_path_buf()))
}
