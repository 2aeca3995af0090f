//! Secrets: read from a file or a systemd credential when they are needed, never printed, never
//! stored.

use std::fmt;
use std::path::PathBuf;

use super::credentials_folder;
use super::private_file::{ReadPrivateError, read_private};

/// Longest secret in bytes.
const MOST_BYTES: u64 = 4096;

/// Something that must not be seen.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Hides a text.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// The text, for those who must know it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(..)")
    }
}

/// Where a secret is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SecretPlace {
    /// In a file.
    File(PathBuf),
    /// In a systemd credential of this name (systemd.exec(5), `LoadCredential=`).
    Credential(String),
}

/// A secret cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum ReadSecretError {
    /// The program was not given any credentials.
    #[error(
        "credential `{0}` cannot be read: `CREDENTIALS_DIRECTORY` is not set; credentials exist in \
         a unit with `LoadCredential={0}:...`"
    )]
    NoCredentials(String),
    /// The file cannot be read.
    #[error(transparent)]
    File(#[from] ReadPrivateError),
    /// There is nothing in it.
    #[error("`{}` is empty", .0.display())]
    Empty(PathBuf),
}

impl SecretPlace {
    /// Reads the secret, without white space at its ends.
    ///
    /// # Errors
    /// Names the place, never the content.
    pub fn read(&self) -> Result<Secret, ReadSecretError> {
        let path = match self {
            Self::File(path) => path.clone(),
            Self::Credential(name) => credentials_folder()
                .ok_or_else(|| ReadSecretError::NoCredentials(name.clone()))?
                .join(name),
        };
        let text = read_private(&path, MOST_BYTES)?;
        let text = text.trim();
        if text.is_empty() {
            return Err(ReadSecretError::Empty(path));
        }
        Ok(Secret::new(text))
    }
}
