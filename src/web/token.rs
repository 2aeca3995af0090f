//! The token that clients over TCP must show. Only its digest is kept, and comparing takes the same time
//! whatever is shown.

use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

use crate::os::{self, ReadSecretError, SecretPlace};

/// Shortest token: 24 characters of base64 are 144 bits.
const LEAST: usize = 24;

/// A token cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum ReadTokenError {
    /// It cannot be read.
    #[error("the token for TCP cannot be read")]
    Secret(#[from] ReadSecretError),
    /// Others may read it.
    #[error("the token for TCP is no secret")]
    Open(#[from] os::ReadPrivateError),
    /// It could be guessed, or not be sent.
    #[error(
        "the token for TCP must be at least {LEAST} letters, digits and `-._~+/=` (RFC 6750 section \
         2.1); `head -c 32 /dev/urandom | base64` makes one"
    )]
    Form,
}

/// A token, by its digest.
#[derive(Debug, Clone)]
pub(crate) struct Token([u8; 32]);

impl Token {
    /// Reads it. A file must be its owner's alone; of a credential the system takes care.
    pub(crate) fn read(place: &SecretPlace) -> Result<Self, ReadTokenError> {
        if let SecretPlace::File(path) = place {
            os::check_owned(path)?;
        }
        let secret = place.read()?;
        let text = secret.reveal();
        let fits = |c: char| c.is_ascii_alphanumeric() || "-._~+/=".contains(c);
        if text.len() < LEAST || !text.chars().all(fits) {
            return Err(ReadTokenError::Form);
        }
        Ok(Self::of(text.as_bytes()))
    }

    fn of(text: &[u8]) -> Self {
        Self(Sha256::digest(text).into())
    }

    /// True for the token itself.
    pub(crate) fn is(&self, shown: &[u8]) -> bool {
        self.0.ct_eq(&Self::of(shown).0).into()
    }
}
