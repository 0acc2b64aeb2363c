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

/// The last instant at which a certificate holds (`notAfter`; RFC 5280, section 4.1.2.5), seconds since
/// 1970. `None`: this is no certificate as it is written there.
pub fn ends_s(certificate: &CertificateDer<'_>) -> Option<i64> {
    let (_, whole, _) = element(certificate.as_ref())?;
    let (_, mut rest, _) = element(whole)?;
    // What was signed: version (only it has this tag), number, algorithm, issuer, validity.
    if element(rest)?.0 == VERSION {
        rest = element(rest)?.2;
    }
    for _ in 0..3 {
        rest = element(rest)?.2;
    }
    let (_, validity, _) = element(rest)?;
    let (_, _, after) = element(validity)?;
    let (tag, text, _) = element(after)?;
    let text = std::str::from_utf8(text).ok()?;
    let (years, text) = match tag {
        // Two digits of the year, which is none after 2049.
        UTC_TIME => (if text < "50" { "20" } else { "19" }, text),
        GENERALIZED_TIME => ("", text),
        _ => return None,
    };
    instant_s(&format!("{years}{text}"))
}

const VERSION: u8 = 0xa0;
const UTC_TIME: u8 = 0x17;
const GENERALIZED_TIME: u8 = 0x18;

/// The first element of DER (X.690): its tag, what is in it, and what comes after it.
fn element(bytes: &[u8]) -> Option<(u8, &[u8], &[u8])> {
    let (tag, rest) = bytes.split_first()?;
    let (first, rest) = rest.split_first()?;
    let (length, rest) = if *first < 0x80 {
        (usize::from(*first), rest)
    } else {
        let (length, rest) = rest.split_at_checked(usize::from(*first - 0x80))?;
        // More than four bytes of length are no certificate.
        let length = (length.len() <= 4).then_some(length)?;
        let length = length.iter().fold(0_u32, |length, byte| (length << 8) | u32::from(*byte));
        (usize::try_from(length).ok()?, rest)
    };
    let (content, after) = rest.split_at_checked(length)?;
    Some((*tag, content, after))
}

/// `YYYYMMDDHHMMSSZ`, as RFC 5280 has it.
fn instant_s(text: &str) -> Option<i64> {
    let digits = text.strip_suffix('Z').filter(|t| t.len() == 14 && t.bytes().all(|b| b.is_ascii_digit()))?;
    let two = |at: usize| digits.get(at..at + 2)?.parse::<i8>().ok();
    let year = digits.get(..4)?.parse().ok()?;
    let at = jiff::civil::DateTime::new(year, two(4)?, two(6)?, two(8)?, two(10)?, two(12)?, 0).ok()?;
    Some(jiff::tz::TimeZone::UTC.to_timestamp(at).ok()?.as_second())
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

#[cfg(test)]
mod test {
    use super::*;

    /// Made with `openssl req -x509`; the ends are those that `openssl x509 -enddate` says. What ends after
    /// 2049 has the longer form of a time.
    const NEAR: (&str, &str) = (
        "-----BEGIN CERTIFICATE-----\n\
         MIIBkjCCATegAwIBAgIUfM4Q93AgsxnzVJl9odUyJgZNMRcwCgYIKoZIzj0EAwIw\n\
         HjEcMBoGA1UEAwwTYmVuY2gtMS5sYWIuZXhhbXBsZTAeFw0yNjExMjgyMDM2Mzda\n\
         Fw0yNzAzMTUyMDM2MzdaMB4xHDAaBgNVBAMME2JlbmNoLTEubGFiLmV4YW1wbGUw\n\
         WTATBgcqhkjOPQIBBggqhkjOPQMBBwNCAASPVXOSWEU0iqEHVUc2x0F4eK5jsEHn\n\
         TmrIT+YZw032z61UrGR3foA/epZolDHmlfQeffTrAq2nPSupLshYCFLOo1MwUTAd\n\
         BgNVHQ4EFgQUm0IZ655ZFLSxyqXeZyOCsnN4fFUwHwYDVR0jBBgwFoAUm0IZ655Z\n\
         FLSxyqXeZyOCsnN4fFUwDwYDVR0TAQH/BAUwAwEB/zAKBggqhkjOPQQDAgNJADBG\n\
         AiEApDR9IprtXe3aos4jqnj/nxkm3jx+YFCuvm4x8Jbr9t0CIQD68Jgnr+NJhAnD\n\
         kNOzUAMB/PMMORky5mmS/XqGv78MEw==\n\
         -----END CERTIFICATE-----",
        "2027-03-15T20:36:37Z",
    );
    const FAR: (&str, &str) = (
        "-----BEGIN CERTIFICATE-----\n\
         MIIBkjCCATmgAwIBAgIUDol4djda8+y4hKy6SoqAcF/UH7QwCgYIKoZIzj0EAwIw\n\
         HjEcMBoGA1UEAwwTYmVuY2gtMS5sYWIuZXhhbXBsZTAgFw0yNjExMjgyMDM2Mzda\n\
         GA8yMDU1MDgyODIwMzYzN1owHjEcMBoGA1UEAwwTYmVuY2gtMS5sYWIuZXhhbXBs\n\
         ZTBZMBMGByqGSM49AgEGCCqGSM49AwEHA0IABIKBXK0x+irFtHLeatD1tPs827vP\n\
         C5v0rzAI+BeJFt+9hPx2nWKu7/Ugeaps6KPWjUlaXXzyfju+2xX8/JHmxVSjUzBR\n\
         MB0GA1UdDgQWBBROoKVCyDau1P2wdVrFx0JlelGFQjAfBgNVHSMEGDAWgBROoKVC\n\
         yDau1P2wdVrFx0JlelGFQjAPBgNVHRMBAf8EBTADAQH/MAoGCCqGSM49BAMCA0cA\n\
         MEQCIH6GzFzaEHRNLT4WUhQZicfRA53OzunEgbCJ6hDh54OLAiBMuA0Qzkszuvpt\n\
         aKmH0cBDBvMgF9K63JGAyRvZq5xRvg==\n\
         -----END CERTIFICATE-----",
        "2055-08-28T20:36:37Z",
    );

    #[test]
    fn a_certificate_says_when_it_ends_and_a_torn_one_says_nothing() {
        for (pem, ends) in [NEAR, FAR] {
            let certificate = CertificateDer::from_pem_slice(pem.as_bytes()).unwrap();
            let expected: jiff::Timestamp = ends.parse().unwrap();
            assert_eq!(ends_s(&certificate), Some(expected.as_second()), "{ends}");
            for end in 0..certificate.len() {
                let torn = CertificateDer::from(certificate[..end].to_vec());
                assert_eq!(ends_s(&torn), None, "cut off at {end}");
            }
        }
        assert_eq!(ends_s(&CertificateDer::from(vec![0x30, 0xff, 1, 2, 3])), None);
    }
}
