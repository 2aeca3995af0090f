//! Which file holds the configuration, and reading it.

use std::path::{Path, PathBuf};

use super::check::parse_configuration;
use super::written::Configuration;
use crate::form::CheckFormError;
use crate::os::{self, Root};

/// There is no configuration to go by.
#[derive(Debug, thiserror::Error)]
pub enum ReadConfigurationError {
    /// The file cannot be read.
    #[error("cannot read the configuration `{}`", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// Not a text.
    #[error("the configuration `{}` is not UTF-8 text", .0.display())]
    NotText(PathBuf),
    /// It has mistakes.
    #[error(transparent)]
    Mistakes(#[from] CheckFormError),
}

/// The file that holds the configuration: the named one, else the usual one if it is there.
pub fn find_configuration(named: Option<&Path>) -> Option<PathBuf> {
    match named {
        // What is not there is complained about when it is read.
        Some(path) => Some(std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf())),
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
    let bytes =
        Root::real()
            .read_bytes(path)
            .map_err(|error| ReadConfigurationError::Unreadable {
                path: path.to_path_buf(),
                source: error.source,
            })?;
    let text = String::from_utf8(bytes)
        .map_err(|_| ReadConfigurationError::NotText(path.to_path_buf()))?;
    Ok(parse_configuration(&path.display().to_string(), &text)?)
}
