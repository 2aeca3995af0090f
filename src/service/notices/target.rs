//! Whom to tell what, and how: as configured.

use std::time::Duration;

use sha2::{Digest, Sha256};

use super::body::Body;
use crate::model::NoticeEvent;
use crate::os::{ReadSecretError, Secret, SecretPlace};

/// Someone who is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Target {
    /// Unique name.
    pub name: String,
    /// What it is told.
    pub events: Vec<NoticeEvent>,
    /// How.
    pub way: Way,
    /// Longest time for one attempt.
    pub time_limit: Duration,
}

/// A way to tell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Way {
    /// HTTP.
    Webhook(Box<Webhook>),
    /// A program of the machine, which gets the event as JSON on its standard input.
    Command {
        /// Absolute path.
        program: String,
        /// Arguments.
        arguments: Vec<String>,
    },
}

/// A request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Webhook {
    /// Where to.
    pub address: Address,
    /// How.
    pub method: Method,
    /// What.
    pub body: Body,
    /// Media type of the body.
    pub content_type: String,
    /// Where the secret for signatures is kept.
    pub signing: Option<SecretPlace>,
    /// Where the value of the `Authorization` header is kept.
    pub authorization: Option<SecretPlace>,
}

/// An address. Those of chat systems hold a token, so it is treated like a secret.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// Written in the configuration.
    Written(Secret),
    /// Kept elsewhere.
    Kept(SecretPlace),
}

/// Method of the request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// POST.
    Post,
    /// PUT.
    Put,
}

impl Address {
    /// The address itself.
    ///
    /// # Errors
    /// The place where it is kept cannot be read.
    pub fn read(&self) -> Result<Secret, ReadSecretError> {
        match self {
            Self::Written(address) => Ok(address.clone()),
            Self::Kept(place) => place.read(),
        }
    }
}

impl Target {
    /// Stands for where the target is, without telling it: it changes with the address.
    ///
    /// # Errors
    /// The address cannot be read.
    pub fn mark(&self) -> Result<String, ReadSecretError> {
        let text = match &self.way {
            Way::Webhook(webhook) => webhook.address.read()?,
            Way::Command { program, arguments } => {
                Secret::new(format!("{program}\n{}", arguments.join("\n")))
            }
        };
        let digest = Sha256::digest(text.reveal().as_bytes());
        Ok(digest.iter().map(|byte| format!("{byte:02x}")).collect())
    }
}
