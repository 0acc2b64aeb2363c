//! A serial cable that is none: a pseudo-terminal under a stable name, to be pulled and put back.

use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use tokio::io::unix::AsyncFd;

/// The instrument's end of a serial line. The station opens the path of the link.
///
/// The station's end is kept open here too, in raw mode: what the instrument says before the
/// station opens the port waits for it (up to the kernel's buffers; then [`Pty::write`] waits),
/// and the instrument does not notice whether the station is there, as on a real line.
#[derive(Debug)]
pub struct Pty {
    link: PathBuf,
    plugged: Option<Ends>,
}

#[derive(Debug)]
struct Ends {
    instrument: AsyncFd<OwnedFd>,
    station: OwnedFd,
}

impl Pty {
    /// A plugged cable whose other end is found at `link`, a symbolic link like those under
    /// `/dev/serial/by-id`. One that was left at that path is replaced. Needs a tokio runtime.
    pub fn open(link: &Path) -> io::Result<Self> {
        let mut pty = Self { link: link.to_owned(), plugged: None };
        pty.replug()?;
        Ok(pty)
    }

    /// Where the station finds its end.
    pub fn link(&self) -> &Path {
        &self.link
    }

    /// Says `bytes` to the station; ends when the kernel has taken all of them. An unplugged cable
    /// is an error of kind `NotConnected`. If dropped, a part may have been said.
    pub async fn write(&self, bytes: &[u8]) -> io::Result<()> {
        let ends = self.ends()?;
        let mut rest = bytes;
        while !rest.is_empty() {
            let mut ready = ends.instrument.writable().await?;
            if let Ok(taken) = ready.try_io(|fd| Ok(rustix::io::write(fd, rest)?)) {
                rest = rest.get(taken?..).unwrap_or_default();
            }
        }
        Ok(())
    }

    /// What the station sends: at least one byte into `buffer`, unless that is empty. Errors as
    /// for [`Pty::write`]; nothing is lost if dropped.
    pub async fn read(&self, buffer: &mut [u8]) -> io::Result<usize> {
        let ends = self.ends()?;
        loop {
            let mut ready = ends.instrument.readable().await?;
            if let Ok(read) = ready.try_io(|fd| Ok(rustix::io::read(fd, &mut *buffer)?)) {
                return read;
            }
        }
    }

    /// Pulls the cable: the link goes, both ends are closed. What is under way is lost, as the
    /// kernel throws it away. Pulling twice is pulling once.
    pub fn unplug(&mut self) -> io::Result<()> {
        if self.plugged.take().is_some() {
            std::fs::remove_file(&self.link)?;
        }
        Ok(())
    }

    /// Puts the cable back: a new pseudo-terminal under the same link.
    pub fn replug(&mut self) -> io::Result<()> {
        self.unplug()?;
        let (ends, station) = Ends::open()?;
        // Made aside and moved over, so that no opener finds half a link.
        let mut aside = self.link.clone().into_os_string();
        aside.push(".new");
        if std::fs::symlink_metadata(&self.link).is_ok_and(|found| !found.is_symlink()) {
            let words = format!("{} is there and is no link of a rehearsal", self.link.display());
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, words));
        }
        match std::fs::remove_file(&aside) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
            _ => std::os::unix::fs::symlink(station, &aside)?,
        }
        std::fs::rename(&aside, &self.link)?;
        self.plugged = Some(ends);
        Ok(())
    }

    /// Gives back the exclusive use of a station that ended without doing so (it was killed). The
    /// kernel does this for a real port with its last close; here one end stays open.
    pub fn free(&self) -> io::Result<()> {
        Ok(rustix::termios::ioctl_tiocnxcl(&self.ends()?.station)?)
    }

    fn ends(&self) -> io::Result<&Ends> {
        let unplugged = || io::Error::new(io::ErrorKind::NotConnected, "the cable is unplugged");
        self.plugged.as_ref().ok_or_else(unplugged)
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        if let Err(e) = self.unplug() {
            tracing::debug!(link = %self.link.display(), "the link of a rehearsal stays: {e}");
        }
    }
}

impl Ends {
    /// Both ends, and the path of the station's.
    fn open() -> io::Result<(Self, PathBuf)> {
        use std::os::unix::ffi::OsStringExt;
        let instrument = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&instrument)?;
        unlockpt(&instrument)?;
        rustix::io::ioctl_fionbio(&instrument, true)?;
        let name = ptsname(&instrument, Vec::new())?;
        let station =
            rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
        let mut settings = tcgetattr(&station)?;
        settings.make_raw();
        tcsetattr(&station, OptionalActions::Now, &settings)?;
        let path = PathBuf::from(std::ffi::OsString::from_vec(name.into_bytes()));
        #[expect(
            deprecated,
            reason = "unsound only for a type whose descriptor can change under it; an OwnedFd keeps its own, \
                      and the call that replaces it is unsafe"
        )]
        let instrument = AsyncFd::new(instrument)?;
        Ok((Self { instrument, station }, path))
    }
}

#[cfg(test)]
mod test {
    use super::*;

    fn folder(test: &str) -> PathBuf {
        let folder = std::env::temp_dir().join(format!("stillstand-pty-{}-{test}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir(&folder).unwrap();
        folder
    }

    #[tokio::test]
    async fn the_link_is_there_exactly_while_the_cable_is_plugged() {
        let folder = folder("link");
        let link = folder.join("balance");
        let stale = || std::os::unix::fs::symlink("/nowhere", &link).unwrap();
        stale();
        let mut pty = Pty::open(&link).unwrap();
        assert!(std::fs::metadata(&link).is_ok(), "a link that was left is replaced");
        pty.unplug().unwrap();
        pty.unplug().unwrap();
        assert!(std::fs::symlink_metadata(&link).is_err());
        assert_eq!(pty.write(b"1").await.unwrap_err().kind(), io::ErrorKind::NotConnected);
        assert_eq!(pty.read(&mut [0]).await.unwrap_err().kind(), io::ErrorKind::NotConnected);
        pty.replug().unwrap();
        assert!(std::fs::metadata(&link).is_ok());
        drop(pty);
        assert!(std::fs::symlink_metadata(&link).is_err());
        std::fs::write(&link, "somebody's").unwrap();
        assert_eq!(Pty::open(&link).unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&link).unwrap(), b"somebody's", "a file is no link and stays");
        std::fs::remove_dir_all(folder).unwrap();
    }

    #[tokio::test]
    async fn after_a_killed_station_the_port_is_freed_for_the_next() {
        let folder = folder("killed");
        let pty = Pty::open(&folder.join("probe")).unwrap();
        let open = || serialport::new(pty.link().to_str().unwrap(), 9600).open_native();
        // Dropped without giving its exclusive use back, as a killed process would.
        drop(open().unwrap());
        pty.free().unwrap();
        assert!(open().is_ok());
        std::fs::remove_dir_all(folder).unwrap();
    }
}
