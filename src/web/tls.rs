//! Encrypted connections: certificate and key as the configuration names them, read when the service
//! starts.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, pem};
use tokio_rustls::TlsAcceptor;

use super::tcp::TlsFiles;
use crate::os::{self, ReadFileError, Root};

/// Largest key file in bytes.
const MOST_KEY: u64 = 64 * 1024;

/// Connections cannot be encrypted.
#[derive(Debug, thiserror::Error)]
pub enum LoadTlsError {
    /// The certificate cannot be read.
    #[error("the certificate for TCP cannot be read")]
    Certificate(#[source] ReadFileError),
    /// The key cannot be read.
    #[error("the key for TCP cannot be read")]
    Key(#[from] os::ReadPrivateError),
    /// Not PEM, or without what is needed.
    #[error("`{}` holds no {what} in PEM (RFC 7468)", path.display())]
    Form {
        /// The file.
        path: PathBuf,
        /// What should be in it.
        what: &'static str,
        /// Why not.
        #[source]
        source: pem::Error,
    },
    /// They do not go together, or nobody can use them.
    #[error("`{}` and its key cannot be used", path.display())]
    Unusable {
        /// The certificate.
        path: PathBuf,
        /// Why.
        #[source]
        source: rustls::Error,
    },
}

/// Reads certificate and key.
pub(crate) fn load_tls(files: &TlsFiles) -> Result<TlsAcceptor, LoadTlsError> {
    let form = |path: &Path, what, source| LoadTlsError::Form {
        path: path.to_path_buf(),
        what,
        source,
    };
    let bytes = Root::real()
        .read_bytes(&files.certificate)
        .map_err(LoadTlsError::Certificate)?;
    let chain: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&bytes).collect();
    let chain = chain.map_err(|source| form(&files.certificate, "certificate", source))?;
    let text = os::read_private(&files.key, MOST_KEY)?;
    let key = PrivateKeyDer::from_pem_slice(text.as_bytes());
    let key = key.map_err(|source| form(&files.key, "private key", source))?;
    let unusable = |source| LoadTlsError::Unusable {
        path: files.certificate.clone(),
        source,
    };
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(unusable)?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .map_err(unusable)?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}
