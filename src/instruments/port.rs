//! One serial port: opened for this program alone, with errors that say what to do.

use super::{Line, Parity};
use serialport::{DataBits, ErrorKind, SerialPort, StopBits, TTYPort};
use std::io;
use std::path::Path;
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_serial::SerialStream;

/// Why a port cannot be used, and what to do about it.
#[derive(Debug, Clone, thiserror::Error)]
pub enum PortError {
    /// Nothing is at the path: the cable is out, or the path is wrong.
    #[error("{path} is not there: put the cable back, or correct the port in the settings")]
    Missing {
        /// Path of the port.
        path: String,
    },
    /// Another program has opened it for itself.
    #[error("another program holds {path}: end it ({said})")]
    Busy {
        /// Path of the port.
        path: String,
        /// What the system said.
        said: String,
    },
    /// This program's user may not open it.
    #[error(
        "access to {path} is denied: add the station's user to the group dialout and restart the station"
    )]
    Denied {
        /// Path of the port.
        path: String,
    },
    /// It was open and the system took it away; without words at the end of the stream.
    #[error("{path} was lost: put the cable back ({said})")]
    Lost {
        /// Path of the port.
        path: String,
        /// What the system said.
        said: String,
    },
    /// Whatever else the system says: a file that is no serial port, a speed that it cannot do.
    #[error(
        "{path} cannot be used as a serial port: {said}; check the cable, and the port and the line in the settings"
    )]
    Unusable {
        /// Path of the port.
        path: String,
        /// What the system said.
        said: String,
    },
}

impl PortError {
    /// Whether a person has something else to do about the two: a cable that was lost and is not
    /// there since then is one outage.
    pub fn differs(&self, other: &Self) -> bool {
        let cable = |error: &Self| matches!(error, Self::Missing { .. } | Self::Lost { .. });
        std::mem::discriminant(self) != std::mem::discriminant(other) && !(cable(self) && cable(other))
    }

    /// An open port ended: `said` by the system, or nothing at the end of the stream.
    pub fn lost(path: &Path, said: Option<&io::Error>) -> Self {
        let said = said.map_or_else(|| "the system closed it".to_owned(), ToString::to_string);
        Self::Lost { path: path.display().to_string(), said }
    }

    fn opening(path: &Path, error: &serialport::Error) -> Self {
        let (path, said) = (path.display().to_string(), error.to_string());
        match error.kind() {
            ErrorKind::Io(io::ErrorKind::NotFound) => Self::Missing { path },
            ErrorKind::Io(io::ErrorKind::PermissionDenied) => Self::Denied { path },
            // The library's kind for EBUSY and for a lock that another opener holds.
            ErrorKind::NoDevice => Self::Busy { path, said },
            _ => Self::Unusable { path, said },
        }
    }
}

/// An open port, locked against every other opener until it is dropped.
#[derive(Debug)]
pub struct Port(SerialStream);

impl Port {
    /// Opens the port at `path`. Bytes that wait in it already are kept.
    pub async fn open(path: &Path, line: Line) -> Result<Self, PortError> {
        let unusable = |said: String| PortError::Unusable { path: path.display().to_string(), said };
        let name = path.to_str().ok_or_else(|| unusable("its path is no UTF-8 text".to_owned()))?;
        let builder = serialport::new(name, line.speed)
            .data_bits(data_bits(line.data_bits).map_err(unusable)?)
            .parity(parity(line.parity))
            .stop_bits(stop_bits(line.stop_bits).map_err(unusable)?);
        // The system may take its time: an adapter is asked over its own bus for each setting.
        let tty: TTYPort = tokio::task::spawn_blocking(move || builder.open_native())
            .await
            .map_err(|e| unusable(e.to_string()))?
            .map_err(|e| PortError::opening(path, &e))?;
        SerialStream::try_from(tty).map(Self).map_err(|e| PortError::opening(path, &e))
    }
}

impl Port {
    /// Sets speed and framing anew, and forgets the bytes that wait.
    pub fn set(&mut self, path: &Path, line: Line) -> Result<(), PortError> {
        let unusable = |said: String| PortError::Unusable { path: path.display().to_string(), said };
        let (data, stop) =
            (data_bits(line.data_bits).map_err(unusable)?, stop_bits(line.stop_bits).map_err(unusable)?);
        self.0
            .set_baud_rate(line.speed)
            .and_then(|()| self.0.set_data_bits(data))
            .and_then(|()| self.0.set_parity(parity(line.parity)))
            .and_then(|()| self.0.set_stop_bits(stop))
            .and_then(|()| self.0.clear(serialport::ClearBuffer::Input))
            .map_err(|error| unusable(format!("{} baud: {error}", line.speed)))
    }
}

impl Drop for Port {
    /// The kernel forgets exclusive use with the last close of a port; of a pseudo-terminal only
    /// with the last close of both ends, so it is given back by hand. A lost port may refuse.
    fn drop(&mut self) {
        if let Err(said) = self.0.set_exclusive(false) {
            tracing::trace!(%said, "exclusive use is not given back: the port is gone");
        }
    }
}

impl AsyncRead for Port {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_read(context, buffer)
    }
}

impl AsyncWrite for Port {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.0).poll_write(context, bytes)
    }

    /// Nothing is kept back here. (The stream's own flush would block until the last bit is out.)
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

fn data_bits(bits: u8) -> Result<DataBits, String> {
    match bits {
        7 => Ok(DataBits::Seven),
        8 => Ok(DataBits::Eight),
        _ => Err(format!("{bits} data bits, where there are 7 or 8")),
    }
}

fn stop_bits(bits: u8) -> Result<StopBits, String> {
    match bits {
        1 => Ok(StopBits::One),
        2 => Ok(StopBits::Two),
        _ => Err(format!("{bits} stop bits, where there are 1 or 2")),
    }
}

fn parity(parity: Parity) -> serialport::Parity {
    match parity {
        Parity::None => serialport::Parity::None,
        Parity::Even => serialport::Parity::Even,
        Parity::Odd => serialport::Parity::Odd,
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn each_trouble_says_what_to_do() {
        let path = Path::new("/dev/serial/by-id/balance");
        let words = |kind| PortError::opening(path, &serialport::Error::new(kind, "it said so")).to_string();
        for (kind, advice) in [
            (ErrorKind::Io(io::ErrorKind::NotFound), "put the cable back"),
            (ErrorKind::Io(io::ErrorKind::PermissionDenied), "group dialout"),
            (ErrorKind::NoDevice, "another program holds"),
            (ErrorKind::Unknown, "it said so; check the cable"),
        ] {
            let words = words(kind);
            assert!(words.contains(advice) && words.contains("/dev/serial/by-id/balance"), "{words}");
        }
    }

    #[tokio::test]
    async fn a_line_set_anew_has_the_new_speed_and_nothing_of_the_old_one() {
        let folder = std::env::temp_dir().join(format!("stillstand-port-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("balance");
        let pty = crate::rehearsal::pty::Pty::open(&path).unwrap();
        let line = Line { speed: 9600, data_bits: 8, parity: Parity::None, stop_bits: 1 };
        let mut port = Port::open(&path, line).await.unwrap();
        pty.write(b"o").await.unwrap();
        port.0.readable().await.unwrap();
        assert!(port.0.bytes_to_read().unwrap() > 0);
        port.set(&path, Line { speed: 2400, data_bits: 7, parity: Parity::Odd, stop_bits: 1 }).unwrap();
        assert_eq!(port.0.baud_rate().unwrap(), 2400);
        assert_eq!(port.0.bytes_to_read().unwrap(), 0);
        let wrong = port.set(&path, Line { data_bits: 9, ..line }).unwrap_err().to_string();
        assert!(wrong.contains("9 data bits"), "{wrong}");
        drop((port, pty));
        std::fs::remove_dir_all(folder).unwrap();
    }

    #[tokio::test]
    async fn a_framing_that_no_line_has_is_refused_before_the_port_is_touched() {
        let path = Path::new("/nonexistent");
        for (data_bits, stop_bits, word) in [(9, 1, "9 data bits"), (8, 3, "3 stop bits")] {
            let line = Line { speed: 9600, data_bits, parity: Parity::Odd, stop_bits };
            let words = Port::open(path, line).await.unwrap_err().to_string();
            assert!(words.contains(word), "{words}");
        }
    }
}
