//! TLS of the service itself, by rustls: certificate chain and key come from files.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::{self, PemObject};
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use thiserror::Error;

/// Where certificate and key are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsFiles {
    /// The certificate and those that lead to a root, PEM.
    pub certificate: PathBuf,
    /// Its private key, PEM: PKCS 8, SEC 1 or PKCS 1.
    pub key: PathBuf,
}

/// Certificate and key cannot be used.
#[derive(Debug, Error)]
pub enum TlsError {
    /// A file cannot be read, or has nothing of the kind in it.
    #[error("{}: {cause}; it must hold {expected} as PEM", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What it should hold.
        expected: &'static str,
        /// What is wrong.
        cause: pem::Error,
    },
    /// The two do not belong together, or are of a kind that is not supported.
    #[error("certificate and key cannot be used together: {0}")]
    Unusable(#[from] rustls::Error),
}

impl TlsFiles {
    /// What the server listens with: TLS 1.2 and 1.3 with the suites that rustls holds for safe; no client certificates.
    ///
    /// # Errors
    /// When a file is missing or holds something else, or the two do not belong together.
    pub fn server_config(&self) -> Result<ServerConfig, TlsError> {
        let chain = certificates(&self.certificate)?;
        let key = PrivateKeyDer::from_pem_file(&self.key).map_err(|cause| TlsError::File {
            path: self.key.clone(),
            expected: "a private key",
            cause,
        })?;
        let provider = Arc::new(ring::default_provider());
        let config = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()?
            .with_no_client_auth()
            .with_single_cert(chain, key)?;
        Ok(config)
    }
}

/// The certificates in a file, at least one.
///
/// # Errors
/// When there is none.
pub fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let file = |cause| TlsError::File { path: path.to_owned(), expected: "a certificate", cause };
    let all: Vec<_> =
        CertificateDer::pem_file_iter(path).map_err(file)?.collect::<Result<_, _>>().map_err(file)?;
    if all.is_empty() { Err(file(pem::Error::NoItemsFound)) } else { Ok(all) }
}
