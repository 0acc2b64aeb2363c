//! Encryption of the connection to the broker: the laboratory's own authority, and a certificate
//! of the station's own where the broker asks for one.

use rumqttc::tokio_rustls::TlsConnector;
use rumqttc::tokio_rustls::client::TlsStream;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use thiserror::Error;
use tokio::net::TcpStream;

/// How a connection is encrypted. Cheap to clone; shows no key.
#[derive(Clone)]
pub struct Encryption(Arc<ClientConfig>);

impl std::fmt::Debug for Encryption {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Encryption")
    }
}

/// A certificate or key that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{}: {why}", path.display())]
pub struct CertificateFault {
    /// The file.
    pub path: PathBuf,
    /// What is wrong with it, and what to do.
    pub why: String,
}

impl Encryption {
    /// Reads the authority's certificates, and where given the station's own certificate and key;
    /// all are PEM files.
    ///
    /// # Errors
    /// A file that cannot be read or holds something else.
    pub fn read(authority: &Path, own: Option<(&Path, &Path)>) -> Result<Self, CertificateFault> {
        let mut roots = RootCertStore::empty();
        for certificate in certificates(authority)? {
            roots
                .add(certificate)
                .map_err(|e| fault(authority, format!("a certificate in it cannot be used: {e}")))?;
        }
        // Named here, not taken from the process: another library's choice must not change it.
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let builder = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|e| fault(authority, e.to_string()))?
            .with_root_certificates(roots);
        let config = match own {
            None => builder.with_no_client_auth(),
            Some((certificate, key)) => {
                let secret = PrivateKeyDer::from_pem_file(key).map_err(|e| {
                    fault(key, format!("no private key can be read from it ({e}); it must be PEM and without a pass phrase"))
                })?;
                builder
                    .with_client_auth_cert(certificates(certificate)?, secret)
                    .map_err(|e| fault(certificate, unusable(&e, key)))?
            }
        };
        Ok(Self(Arc::new(config)))
    }

    /// Encrypts a connection to a host that is known by this name.
    pub(super) async fn over(&self, host: &str, stream: TcpStream) -> io::Result<TlsStream<TcpStream>> {
        let name = ServerName::try_from(host.to_owned()).map_err(io::Error::other)?;
        TlsConnector::from(self.0.clone()).connect(name, stream).await
    }
}

fn unusable(error: &rustls::Error, key: &Path) -> String {
    let said = error.to_string();
    if said.contains("UnsupportedCertVersion") {
        "it is a certificate of version 1; make one of version 3 (with `openssl x509 -req`: give `-extfile`)"
            .to_owned()
    } else {
        format!("it does not go with the key {}: {said}", key.display())
    }
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, CertificateFault> {
    let read = || CertificateDer::pem_file_iter(path)?.collect::<Result<Vec<_>, _>>();
    match read() {
        Ok(found) if found.is_empty() => Err(fault(path, "it holds no certificate in PEM form".to_owned())),
        Ok(found) => Ok(found),
        Err(e) => Err(fault(path, format!("no certificate can be read from it: {e}"))),
    }
}

fn fault(path: &Path, why: String) -> CertificateFault {
    CertificateFault { path: path.to_path_buf(), why }
}

/// Why no encrypted connection came to be, with what to do.
pub(super) fn in_words(error: &io::Error, broker: &str) -> String {
    let said = error.to_string();
    let hint = if said.contains("UnknownIssuer") {
        "another authority signed the broker's certificate: check `network.tls.ca-file`"
    } else if said.contains("not valid for name") || said.contains("NotValidForName") {
        "the broker's certificate is for another name: `network.host` must be a name in it"
    } else if said.contains("Expired") || said.contains("expired") || said.contains("NotValidYet") {
        "the broker's certificate is not valid now: check its dates and this machine's clock"
    } else {
        "check the port, and that the broker speaks TLS there"
    };
    format!("{broker} cannot be trusted or spoken to in encrypted form: {said}; {hint}")
}
