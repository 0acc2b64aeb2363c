//! Certificates and keys in PEM files, read with words for whoever put them there.

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// A certificate or key that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{}: {why}", path.display())]
pub struct CertificateFault {
    /// The file.
    pub path: PathBuf,
    /// What is wrong with it, and what to do.
    pub why: String,
}

/// All certificates of a file; at least one.
///
/// # Errors
/// The file cannot be read or holds something else.
pub fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, CertificateFault> {
    let read = || CertificateDer::pem_file_iter(path)?.collect::<Result<Vec<_>, _>>();
    match read() {
        Ok(found) if found.is_empty() => Err(fault(path, "it holds no certificate in PEM form")),
        Ok(found) => Ok(found),
        Err(e) => Err(fault(path, format!("no certificate can be read from it: {e}"))),
    }
}

/// The private key of a file.
///
/// # Errors
/// The file cannot be read, holds something else, or a key that is itself encrypted.
pub fn private_key(path: &Path) -> Result<PrivateKeyDer<'static>, CertificateFault> {
    PrivateKeyDer::from_pem_file(path).map_err(|e| {
        fault(
            path,
            format!("no private key can be read from it ({e}); it must be PEM and without a pass phrase"),
        )
    })
}

/// A fault of a file.
pub fn fault(path: &Path, why: impl Into<String>) -> CertificateFault {
    CertificateFault { path: path.to_path_buf(), why: why.into() }
}

/// Why a certificate cannot be used with its key.
pub fn unusable(error: &rustls::Error, key: &Path) -> String {
    let said = error.to_string();
    if said.contains("UnsupportedCertVersion") {
        "it is a certificate of version 1; make one of version 3 (with `openssl x509 -req`: give `-extfile`)"
            .to_owned()
    } else {
        format!("it does not go with the key {}: {said}", key.display())
    }
}
