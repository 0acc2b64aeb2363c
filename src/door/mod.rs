//! Who gets in at the pages: accounts in a file of their own, passwords that are kept as argon2id
//! hashes, sign-ons in memory, and how often anybody may try. Nothing here knows a page or a rule of
//! the trade. Instants are nanoseconds of the boot clock, handed in.

pub mod accounts;
pub mod encryption;
pub mod house;
pub mod password;
mod sign_ons;
mod tries;

#[cfg(test)]
mod test;

pub use accounts::{Account, AccountFault, Role};
pub use encryption::{Encryption, Ends};
pub use sign_ons::{Guest, Lasts};

use accounts::{Accounts, Kept};
use password::{Hash, Password};
use sign_ons::SignOns;
use std::fmt;
use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tries::{Counted, Tries};

/// Tries that may wait for their turn: more than people who come at once, and few enough that the
/// last one is answered within seconds.
const WAITING_MOST: usize = 8;
/// Questions of strangers to the journal that are worked on at once, each on a thread of its own.
const LOOKS_MOST: usize = 2;

/// What is kept of everybody who signed on, and the way in.
pub struct Door {
    kept: Mutex<Kept>,
    on: Mutex<SignOns>,
    tries: Mutex<Tries>,
    /// Whoever reaches the station may look at the room page.
    room_open: bool,
    /// One password is worked on at a time: each takes 19 MiB and a good part of a core.
    turn: Semaphore,
    /// Tries that are worked on or wait.
    queue: Semaphore,
    /// Questions of strangers to the journal.
    looks: Arc<Semaphore>,
    /// Worked on where nobody has the name, so that it takes as long as any other.
    nobody: Hash,
}

impl fmt::Debug for Door {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Door").field("room_open", &self.room_open).finish_non_exhaustive()
    }
}

/// Why somebody is not signed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotOn {
    /// Name and password do not belong together; seconds until the next try from there.
    Wrong(u64),
    /// Not looked at: it is too early after wrong ones. Seconds.
    TooEarly(u64),
    /// Not looked at: others are being worked on.
    Busy,
    /// This machine gives no chance numbers.
    NoChance,
}

/// What opens the door: the value of a cookie. It shows nothing.
pub struct Key(String);

impl Key {
    /// For the browser alone.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(withheld)")
    }
}

impl Door {
    /// Reads the accounts.
    ///
    /// # Errors
    /// The file is not there, cannot be read, or is open to others.
    pub fn open(file: PathBuf, lasts: Lasts, room_open: bool) -> Result<Self, AccountFault> {
        let nobody = Hash::of(&Password::of_nobody())
            .map_err(|why| AccountFault { path: file.clone(), why: why.to_string() })?;
        Ok(Self {
            kept: Mutex::new(Kept::open(file)?),
            on: Mutex::new(SignOns::new(lasts)),
            tries: Mutex::default(),
            room_open,
            turn: Semaphore::new(1),
            queue: Semaphore::new(WAITING_MOST),
            looks: Arc::new(Semaphore::new(LOOKS_MOST)),
            nobody,
        })
    }

    /// Whoever reaches the station may look at the room page.
    pub const fn room_open(&self) -> bool {
        self.room_open
    }

    /// A place for a stranger's question to the journal. Whoever works on it holds this until the work is
    /// done, whether the stranger still waits or not; `None`: the station ends.
    pub async fn look_turn(&self) -> Option<OwnedSemaphorePermit> {
        self.looks.clone().acquire_owned().await.ok()
    }

    /// Places for strangers' questions that are free.
    #[cfg(test)]
    pub fn looks_free(&self) -> usize {
        self.looks.available_permits()
    }

    /// Signs somebody on who comes from an address. What was begun is brought to its end although nobody
    /// waits for it any more: who breaks off has tried like any other, and nobody begins before.
    ///
    /// # Errors
    /// See [`NotOn`]. An unknown name and a wrong password are one and the same answer, after the
    /// same work.
    pub async fn sign_on(
        self: &Arc<Self>,
        from: IpAddr,
        name: &str,
        password: Password,
        now_ns: impl Fn() -> i64 + Send + Sync + 'static,
    ) -> Result<(Key, Guest), NotOn> {
        let (door, name) = (self.clone(), name.to_owned());
        let tried = tokio::spawn(async move {
            let account = door.tried(from, &name, password, &now_ns).await?;
            Ok::<_, NotOn>((account, now_ns()))
        });
        // A try that ended otherwise is none that was right.
        let (account, now_ns) = tried.await.unwrap_or(Err(NotOn::Busy))?;
        // Only for whoever still waits for it.
        held(&self.on).begin(&account, from, now_ns).map_err(|_| NotOn::NoChance)
    }

    /// The account, if name and password belong together; else one more wrong try is counted.
    async fn tried(
        &self,
        from: IpAddr,
        name: &str,
        password: Password,
        now_ns: &(impl Fn() -> i64 + Sync),
    ) -> Result<Account, NotOn> {
        let account = self.accounts().find(name).cloned();
        // Counted by what was typed, whether anybody has that name or not: waiting tells nobody who has.
        let counted = Counted::of(name);
        if let Some(s) = held(&self.tries).wait_s(from, counted, now_ns()) {
            return Err(NotOn::TooEarly(s));
        }
        let _queued = self.queue.try_acquire().map_err(|_| NotOn::Busy)?;
        let _turn = self.turn.acquire().await.map_err(|_| NotOn::Busy)?;
        // While this one waited, others from there may have been wrong. The turn ends after this one is
        // counted, so that there is never a second password at work, nor one that is not counted yet.
        if let Some(s) = held(&self.tries).wait_s(from, counted, now_ns()) {
            return Err(NotOn::TooEarly(s));
        }
        let hash = account.as_ref().map_or_else(|| self.nobody.clone(), |account| account.password.clone());
        let fits = tokio::task::spawn_blocking(move || hash.fits(&password)).await.unwrap_or(false);
        let now_ns = now_ns();
        // What was changed meanwhile counts.
        let account = account.filter(|account| fits && self.accounts().find(name) == Some(account));
        let Some(account) = account else {
            return Err(NotOn::Wrong(held(&self.tries).wrong(from, counted, now_ns)));
        };
        held(&self.tries).right(from, counted, now_ns);
        Ok(account)
    }

    /// Whose key it is, while the sign-on lasts. `acts`: the person did something just now.
    pub fn guest(&self, key: &str, now_ns: i64, acts: bool) -> Option<Guest> {
        let accounts = self.accounts();
        held(&self.on).guest(key, &accounts, now_ns, acts)
    }

    /// Whether this one may act once more now; else seconds to wait.
    ///
    /// # Errors
    /// Seconds to wait.
    pub fn may_act(&self, guest: &Guest, now_ns: i64) -> Result<(), u64> {
        held(&self.on).may_act(guest, now_ns)
    }

    /// Ends a sign-on; open streams end with it.
    pub fn sign_off(&self, guest: &Guest) {
        held(&self.on).end(guest);
    }

    /// Somebody is signed on from this address.
    pub fn is_known(&self, from: IpAddr) -> bool {
        held(&self.on).is_known(from)
    }

    /// Ends what has run out, whose account was changed, or who does not belong any more; to be called
    /// every second or so.
    pub fn look(&self, now_ns: i64, belongs: impl Fn(&Guest) -> bool) {
        let accounts = self.accounts();
        held(&self.on).look(&accounts, now_ns, belongs);
    }

    fn accounts(&self) -> Arc<Accounts> {
        held(&self.kept).current()
    }
}

fn held<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}
