//! Why a station does not run.

use super::station::FoldError;
use crate::door::AccountFault;
use crate::journal::JournalError;
use crate::network::session::CertificateFault;
use crate::signing::KeyFault;
use std::net::SocketAddr;

/// Why a station did not start, or did not end well.
#[derive(Debug, thiserror::Error)]
pub enum StationError {
    /// The journal.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// What the journal holds.
    #[error("the journal {path} holds what this program cannot read: {source}")]
    Fold {
        /// Its file.
        path: String,
        /// What.
        source: FoldError,
    },
    /// The address of the pages.
    #[error("the pages cannot be served on {address}: {source}")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
    /// The password file.
    #[error("the password file {path} cannot be read: {source}")]
    Password {
        /// Its path.
        path: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// A certificate or key.
    #[error("network.tls: {0}")]
    Certificate(#[from] CertificateFault),
    /// The certificate or key of the pages. `check` finds this first.
    #[error("web.tls: {0}")]
    PagesCertificate(CertificateFault),
    /// The accounts of the pages. `check` finds this first.
    #[error("web.sign-on.accounts-file: {0}")]
    Accounts(#[from] AccountFault),
    /// The key that records are signed with.
    #[error(transparent)]
    Key(#[from] KeyFault),
    /// A setting names a shape that is not there. `check` finds this first.
    #[error("instruments.{instrument}.shape: there is no shape `{shape}`")]
    Shape {
        /// The instrument.
        instrument: String,
        /// The shape.
        shape: String,
    },
    /// A setting of an instrument makes no sense. `check` finds this first.
    #[error("{key}: {what}")]
    Instrument {
        /// The setting.
        key: String,
        /// What is wrong with it.
        what: String,
    },
    /// The loop ended by itself.
    #[error("the station's loop ended unexpectedly")]
    Ended,
}
