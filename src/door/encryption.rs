//! Encryption of the pages: TLS 1.3 alone, and HTTP/1.1 over it.

use crate::certificates::{CertificateFault, certificates, ends_s, fault, private_key, unusable};
use rustls::ServerConfig;
use std::path::Path;
use std::sync::Arc;
use tokio::net::TcpStream;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

/// From how many days before its end a certificate asks to be renewed.
const RENEWED_WITHIN_DAYS: i64 = 30;
const DAY_S: i64 = 86_400;

/// How connections of browsers are encrypted. Cheap to clone; shows no key.
#[derive(Clone)]
pub struct Encryption {
    config: Arc<ServerConfig>,
    ends: Ends,
}

/// When the first of the certificates ends that browsers are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ends(Option<i64>);

impl Ends {
    /// Of certificates of which the first to end does so at an instant, seconds since 1970.
    pub const fn at(ends_s: Option<i64>) -> Self {
        Self(ends_s)
    }

    /// What somebody has to do about it, at an instant of wall time in nanoseconds. `None`: nothing yet.
    pub fn soon(self, wall_ns: i64) -> Option<String> {
        let ends_s = self.0?;
        let left_s = ends_s.saturating_sub(wall_ns.div_euclid(1_000_000_000));
        let what = if left_s < 0 {
            "has ended: browsers warn of these pages or refuse them".to_owned()
        } else if left_s < RENEWED_WITHIN_DAYS * DAY_S {
            format!("ends in {} days", left_s / DAY_S)
        } else {
            return None;
        };
        let day = self.day().unwrap_or_default();
        Some(format!("the certificate of the pages {what} ({day}); renew it and start the station anew"))
    }

    /// The day of its end, in UTC.
    pub fn day(self) -> Option<String> {
        let ends = jiff::Timestamp::from_second(self.0?).ok()?;
        Some(jiff::tz::TimeZone::UTC.to_datetime(ends).date().to_string())
    }
}

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
        let shown = certificates(certificate)?;
        let ends = Ends(shown.iter().filter_map(ends_s).min());
        // Named here, not taken from the process: another library's choice must not change it.
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let mut config = ServerConfig::builder_with_provider(provider)
            .with_protocol_versions(&[&rustls::version::TLS13])
            .map_err(|e| fault(certificate, e.to_string()))?
            .with_no_client_auth()
            .with_single_cert(shown, private_key(key)?)
            .map_err(|e| fault(certificate, unusable(&e, key)))?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        // Nothing is sent before a handshake is over: early data could be played back.
        config.max_early_data_size = 0;
        Ok(Self { config: Arc::new(config), ends })
    }

    /// When it has to be renewed.
    pub const fn ends(&self) -> Ends {
        self.ends
    }

    /// The handshake of one connection.
    ///
    /// # Errors
    /// The other side speaks something else, or went.
    pub async fn over(&self, stream: TcpStream) -> std::io::Result<TlsStream<TcpStream>> {
        TlsAcceptor::from(self.config.clone()).accept(stream).await
    }
}
