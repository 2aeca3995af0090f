//! A way in over TCP, as it is wished for and as it stands open.

use std::net::SocketAddr;
use std::path::PathBuf;

use axum::Router;
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;

use super::door::listen_tcp;
use super::gate::{Gate, House};
use super::tls::{LoadTlsError, load_tls};
use super::token::{ReadTokenError, Token};
use crate::os::SecretPlace;

/// What is wished for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TcpOptions {
    /// Address and port.
    pub listen: SocketAddr,
    /// What every client must show.
    pub token: SecretPlace,
    /// Certificate chain and key, where connections are encrypted.
    pub tls: Option<TlsFiles>,
    /// A proxy in front of it encrypts.
    pub proxied: bool,
    /// Names of hosts, beside the address itself, that requests may be meant for.
    pub hosts: Vec<String>,
}

/// Files for TLS, both in PEM (RFC 7468).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsFiles {
    /// The certificate, then those that signed it.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// Nobody can come in over TCP.
#[derive(Debug, thiserror::Error)]
pub enum OpenTcpError {
    /// The token cannot be had.
    #[error(transparent)]
    Token(#[from] ReadTokenError),
    /// Certificate or key cannot be had.
    #[error(transparent)]
    Tls(#[from] LoadTlsError),
    /// The address is taken, or not one of this machine.
    #[error("cannot listen at `{address}`; give another `listen`")]
    Address {
        /// Where.
        address: SocketAddr,
        /// Why.
        #[source]
        source: std::io::Error,
    },
}

/// What stands open.
pub(crate) struct TcpDoor {
    listener: TcpListener,
    address: SocketAddr,
    tls: Option<TlsAcceptor>,
    gate: Gate,
}

impl TcpDoor {
    /// Opens it; nobody is served yet.
    pub(crate) async fn open(wanted: TcpOptions, house: House) -> Result<Self, OpenTcpError> {
        let token = Token::read(&wanted.token)?;
        let tls = wanted.tls.as_ref().map(load_tls).transpose()?;
        let failed = |source| OpenTcpError::Address {
            address: wanted.listen,
            source,
        };
        let listener = TcpListener::bind(wanted.listen).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        let encrypted = tls.is_some() || wanted.proxied;
        Ok(Self {
            listener,
            address,
            gate: Gate::of_tcp((address.ip(), wanted.hosts), (token, encrypted), house),
            tls,
        })
    }

    /// With the port that it really has.
    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    /// Serves whoever comes, until it is dropped.
    pub(crate) async fn serve(self, router: Router) {
        listen_tcp(self.listener, self.tls, (router, self.gate)).await;
    }
}
