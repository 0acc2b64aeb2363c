//! Encryption of the connection to the broker: the laboratory's own authority, and a certificate
//! of the station's own where the broker asks for one.

pub use crate::certificates::CertificateFault;
use crate::certificates::{certificates, fault, private_key, unusable};
use rumqttc::tokio_rustls::TlsConnector;
use rumqttc::tokio_rustls::client::TlsStream;
use rustls::pki_types::ServerName;
use rustls::{ClientConfig, RootCertStore};
use std::io;
use std::path::Path;
use std::sync::Arc;
use tokio::net::TcpStream;

/// How a connection is encrypted. Cheap to clone; shows no key.
#[derive(Clone)]
pub struct Encryption(Arc<ClientConfig>);

impl std::fmt::Debug for Encryption {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Encryption")
    }
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
            Some((certificate, key)) => builder
                .with_client_auth_cert(certificates(certificate)?, private_key(key)?)
                .map_err(|e| fault(certificate, unusable(&e, key)))?,
        };
        Ok(Self(Arc::new(config)))
    }

    /// Encrypts a connection to a host that is known by this name.
    pub(super) async fn over(&self, host: &str, stream: TcpStream) -> io::Result<TlsStream<TcpStream>> {
        let name = ServerName::try_from(host.to_owned()).map_err(io::Error::other)?;
        TlsConnector::from(self.0.clone()).connect(name, stream).await
    }
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
