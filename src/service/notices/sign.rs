//! Signatures by Standard Webhooks 1.0.0: HMAC-SHA256 over `id.timestamp.body`, the key being what
//! stands in base64 behind `whsec_`.

use std::fmt;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

use crate::os::Secret;

/// What a secret for signatures begins with.
const PREFIX: &str = "whsec_";
/// Shortest and longest key in bytes, by the standard.
const KEY_BYTES: std::ops::RangeInclusive<usize> = 24..=64;

/// A text is not a secret for signatures. It never repeats the text.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ParseKeyError {
    /// Something else.
    #[error("a secret for signatures begins with `{PREFIX}`; this one does not")]
    NoPrefix,
    /// Not base64.
    #[error("behind `{PREFIX}` must stand base64 (`openssl rand -base64 32` makes some)")]
    NotBase64,
    /// Too short or too long.
    #[error("the key has {0} bytes; it must have 24 to 64")]
    Length(usize),
}

/// A key that notices are signed with.
#[derive(Clone)]
pub struct SigningKey(Hmac<Sha256>);

impl fmt::Debug for SigningKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SigningKey(..)")
    }
}

impl SigningKey {
    /// Reads a key from its written form.
    ///
    /// # Errors
    /// Anything but `whsec_` and 24 to 64 bytes in base64.
    pub fn parse(secret: &Secret) -> Result<Self, ParseKeyError> {
        let encoded = secret.reveal().strip_prefix(PREFIX);
        let encoded = encoded.ok_or(ParseKeyError::NoPrefix)?;
        let key = STANDARD
            .decode(encoded)
            .map_err(|_| ParseKeyError::NotBase64)?;
        if !KEY_BYTES.contains(&key.len()) {
            return Err(ParseKeyError::Length(key.len()));
        }
        let state = Hmac::new_from_slice(&key).map_err(|_| ParseKeyError::Length(key.len()))?;
        Ok(Self(state))
    }

    /// The value of `webhook-signature`.
    pub fn sign(&self, id: &str, timestamp_s: i64, body: &[u8]) -> String {
        let mut state = self.0.clone();
        state.update(format!("{id}.{timestamp_s}.").as_bytes());
        state.update(body);
        let signature = STANDARD.encode(state.finalize().into_bytes());
        format!("v1,{signature}")
    }
}
