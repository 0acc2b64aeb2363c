//! Encryption of the pages: TLS 1.3 alone, and HTTP/1.1 over it.

use crate::certificates::{CertificateFault, certificates, fault, private_key, unusable};
use rustls::ServerConfig;
use std::path::Path;
use std::sync::Arc;
use tokio::net::TcpStream;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

/// How connections of browsers are encrypted. Cheap to clone; shows no key.
#[derive(Clone)]
pub struct Encryption(Arc<ServerConfig>);

impl std::fmt::Debug for Encryption {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Encryption")
    }
}

impl Encryption {
    /// Reads the station's certificate and its key, PEM files. What is changed in them later is taken
    /// at the next start.
    ///
    /// # Errors
    /// A file that cannot be read or holds something else, or a key of another certificate.
    pub fn read(certificate: &Path, key: &Path) -> Result<Self, CertificateFault> {
        // Named here, not taken from the process: another library's choice must not change it.
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let mut config = ServerConfig::builder_with_provider(provider)
            .with_protocol_versions(&[&rustls::version::TLS13])
            .map_err(|e| fault(certificate, e.to_string()))?
            .with_no_client_auth()
            .with_single_cert(certificates(certificate)?, private_key(key)?)
            .map_err(|e| fault(certificate, unusable(&e, key)))?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        // Nothing is sent before a handshake is over: early data could be played back.
        config.max_early_data_size = 0;
        Ok(Self(Arc::new(config)))
    }

    /// The handshake of one connection.
    ///
    /// # Errors
    /// The other side speaks something else, or went.
    pub async fn over(&self, stream: TcpStream) -> std::io::Result<TlsStream<TcpStream>> {
        TlsAcceptor::from(self.0.clone()).accept(stream).await
    }
}
