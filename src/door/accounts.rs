//! The file of the accounts: read with suspicion, written whole or not at all.

use super::password::Hash;
use serde::{Deserialize, Serialize};
use std::fs::{File, OpenOptions, Permissions};
use std::io::{self, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Accounts of one station: more than a laboratory has.
const MOST: usize = 200;
/// Largest file that is read, bytes.
const LARGEST: u64 = 256 * 1024;
/// Characters of an account's name.
const NAME_MAX: usize = 32;
/// Characters of a person's name, as in the register.
const PERSON_MAX: usize = 40;
const HEAD: &str = "# Accounts of the pages. Change them with `stillstand account`; each change ends the sign-ons of\n\
                    # the account. Keep this file readable by the station's user alone.\n\n";

/// What an account may do; each may also what those before it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Look at pages, reports and files.
    Look,
    /// Work at the bench.
    Operate,
    /// Approve, return and void; admit what is held.
    Review,
    /// Keep the register of people; see the settings.
    Administer,
}

impl Role {
    /// All, in order.
    pub const ALL: [Self; 4] = [Self::Look, Self::Operate, Self::Review, Self::Administer];

    /// Its word, as in the file and on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Look => "look",
            Self::Operate => "operate",
            Self::Review => "review",
            Self::Administer => "administer",
        }
    }
}

/// An account.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Account {
    /// What is typed to sign on.
    pub name: String,
    /// Whose it is, by the name in the register of people; absent: it is a bench screen's, at which
    /// people sign on by code or badge.
    pub person: Option<String>,
    /// What it may do.
    pub role: Role,
    /// What is kept of its password.
    pub password: Hash,
}

/// Something is wrong with the accounts or their file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}: {why}", path.display())]
pub struct AccountFault {
    /// The file.
    pub path: PathBuf,
    /// What, and what to do.
    pub why: String,
}

/// All accounts.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Accounts {
    /// In the order in which they were added.
    #[serde(default, rename = "account")]
    pub all: Vec<Account>,
}

impl Accounts {
    /// By its name; small and capital letters are the same.
    pub fn find(&self, name: &str) -> Option<&Account> {
        let name = name.trim();
        self.all.iter().find(|account| account.name.eq_ignore_ascii_case(name))
    }

    /// Reads the file.
    ///
    /// # Errors
    /// It is not there, cannot be read, is open to others, or holds something else.
    pub fn read(path: &Path) -> Result<Self, AccountFault> {
        let fault = |why: String| AccountFault { path: path.to_owned(), why };
        let file = File::open(path).map_err(|e| match e.kind() {
            io::ErrorKind::NotFound => {
                fault("is not there; `stillstand account add` makes it with the first account".to_owned())
            }
            _ => fault(format!("cannot be read: {e}; the service's own user must be able to")),
        })?;
        let about = file.metadata().map_err(|e| fault(format!("cannot be read: {e}")))?;
        if about.mode() & 0o077 != 0 {
            return Err(fault(format!(
                "others may read or change it (mode {:03o}): chmod 600",
                about.mode() & 0o777
            )));
        }
        if about.len() > LARGEST {
            return Err(fault(format!("is larger than {LARGEST} bytes: that is no file of accounts")));
        }
        let text = io::read_to_string(file).map_err(|e| fault(format!("cannot be read: {e}")))?;
        let read: Self = toml::from_str(&text).map_err(|e| fault(plain(&e, &text)))?;
        read.check().map_err(fault)?;
        Ok(read)
    }

    /// What is wrong with the accounts as a whole.
    fn check(&self) -> Result<(), String> {
        if self.all.len() > MOST {
            return Err(format!("holds {} accounts; at most {MOST}", self.all.len()));
        }
        for (place, account) in self.all.iter().enumerate() {
            is_name(&account.name)?;
            account.person.as_deref().map_or(Ok(()), is_person)?;
            may_have(account.person.as_deref(), account.role).map_err(|why| {
                format!("the account `{}` may {}: {why}", account.name, account.role.word())
            })?;
            if self.all.iter().take(place).any(|other| other.name == account.name) {
                return Err(format!("holds the account `{}` twice", account.name));
            }
        }
        Ok(())
    }

    /// Writes the file whole: a new one beside it, then in its place. It keeps the owner of the file
    /// before, or gets its folder's, so that root may keep the accounts of a service.
    ///
    /// # Errors
    /// It cannot be written; then the old one stands.
    pub fn write(&self, path: &Path) -> Result<(), AccountFault> {
        let fault = |why: String| AccountFault { path: path.to_owned(), why };
        self.check().map_err(fault)?;
        let text = toml::to_string(self).map_err(|e| fault(e.to_string()))?;
        let fresh = beside(path);
        let written = write_new(&fresh, path, &format!("{HEAD}{text}"));
        written.map_err(|e| {
            // What is half written is of no use to anybody.
            let _ = std::fs::remove_file(&fresh);
            fault(format!("cannot be written: {e}"))
        })
    }
}

/// Line and message without the line's text: a hash stands in it.
fn plain(error: &toml::de::Error, text: &str) -> String {
    let at = error.span().map_or(0, |span| span.start).min(text.len());
    let line = text.as_bytes().iter().take(at).filter(|byte| **byte == b'\n').count() + 1;
    format!("line {line} is wrong: {}", error.message())
}

fn beside(path: &Path) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".new");
    path.with_file_name(name)
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn write_new(fresh: &Path, path: &Path, text: &str) -> io::Result<()> {
    // Left over from a write that was cut off; the lock on the folder says that nobody is at it.
    match std::fs::remove_file(fresh) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(fresh)?;
    file.set_permissions(Permissions::from_mode(0o600))?;
    let owner = std::fs::metadata(path).or_else(|_| std::fs::metadata(folder_of(path)))?;
    let ours = file.metadata()?;
    if (ours.uid(), ours.gid()) != (owner.uid(), owner.gid()) && rustix::process::geteuid().is_root() {
        std::os::unix::fs::fchown(&file, Some(owner.uid()), Some(owner.gid()))?;
    }
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    std::fs::rename(fresh, path)?;
    File::open(folder_of(path))?.sync_all()
}

/// Keeps two commands from changing the accounts at once, until it is dropped.
///
/// # Errors
/// The folder is not there, or another command is at it.
pub fn lock(path: &Path) -> Result<File, AccountFault> {
    let fault = |why: String| AccountFault { path: path.to_owned(), why };
    let folder =
        File::open(folder_of(path)).map_err(|e| fault(format!("its folder cannot be opened: {e}")))?;
    rustix::fs::flock(&folder, rustix::fs::FlockOperation::NonBlockingLockExclusive)
        .map_err(|_| fault("another command is changing the accounts: try again".to_owned()))?;
    Ok(folder)
}

/// What may name an account.
///
/// # Errors
/// A sentence for whoever chose it.
pub fn is_name(name: &str) -> Result<(), String> {
    let plain = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || b"-.".contains(&byte);
    if (1..=NAME_MAX).contains(&name.len()) && name.bytes().all(plain) {
        return Ok(());
    }
    let rule = "lower-case letters, digits, hyphens and full stops";
    Err(format!("`{}` cannot name an account; use 1 to {NAME_MAX} {rule}", name.escape_debug()))
}

/// What may be a person's name.
///
/// # Errors
/// A sentence for whoever chose it.
pub fn is_person(name: &str) -> Result<(), String> {
    let length = name.trim().chars().count();
    if (1..=PERSON_MAX).contains(&length) && !name.chars().any(char::is_control) {
        return Ok(());
    }
    Err(format!("a person has a name of 1 to {PERSON_MAX} characters"))
}

/// What a bench screen's account may: several people act there, so it stands for none of them.
///
/// # Errors
/// A sentence for whoever chose it.
pub fn may_have(person: Option<&str>, role: Role) -> Result<(), &'static str> {
    if person.is_some() || role <= Role::Operate {
        return Ok(());
    }
    Err("a bench screen may look or operate; whoever reviews or administers has an account with a person")
}

/// What tells one state of the file from another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stamp {
    inode: u64,
    size: u64,
    changed: (i64, i64),
    mode: u32,
}

impl Stamp {
    fn of(path: &Path) -> Option<Self> {
        let about = std::fs::metadata(path).ok()?;
        let changed = (about.ctime(), about.ctime_nsec());
        Some(Self { inode: about.ino(), size: about.size(), changed, mode: about.mode() })
    }
}

/// The accounts as the file says them now.
#[derive(Debug)]
pub(super) struct Kept {
    path: PathBuf,
    stamp: Option<Stamp>,
    accounts: Arc<Accounts>,
}

impl Kept {
    pub(super) fn open(path: PathBuf) -> Result<Self, AccountFault> {
        let stamp = Stamp::of(&path);
        let accounts = Arc::new(Accounts::read(&path)?);
        Ok(Self { path, stamp, accounts })
    }

    /// One look at the file's entry for each question; it is read only where that has changed. A file
    /// that cannot be read lets nobody in.
    pub(super) fn current(&mut self) -> Arc<Accounts> {
        let stamp = Stamp::of(&self.path);
        if stamp != self.stamp {
            self.stamp = stamp;
            self.accounts = match Accounts::read(&self.path) {
                Ok(accounts) => {
                    tracing::info!(accounts = accounts.all.len(), "the accounts of the pages have changed");
                    Arc::new(accounts)
                }
                Err(fault) => {
                    tracing::error!("nobody can sign on, and nobody is signed on any more: {fault}");
                    Arc::default()
                }
            };
        }
        self.accounts.clone()
    }
}
