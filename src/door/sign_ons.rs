//! Who is signed on: in memory alone, so that a start signs everybody off.

use super::Key;
use super::accounts::{Account, Accounts, Role};
use rand::TryRngCore;
use rand::rngs::OsRng;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::net::IpAddr;
use tokio_util::sync::CancellationToken;

const SECOND_NS: i64 = 1_000_000_000;
/// Bytes of a key: 256 bits.
const KEY: usize = 32;
/// Sign-ons of one account and of all; the one unused for longest makes room.
const OF_ONE: usize = 16;
const OF_ALL: usize = 512;
/// Acts that may come at once, and how many come back in a second.
const ACTS_AT_ONCE: i64 = 60;
const ACTS_EACH_S: i64 = 5;

type Sealed = [u8; 32];

/// How long sign-ons last, nanoseconds.
#[derive(Debug, Clone, Copy)]
pub struct Lasts {
    /// A person's without an act or an opened page.
    pub idle_ns: i64,
    /// A person's in any case.
    pub person_ns: i64,
    /// A bench screen's in any case.
    pub screen_ns: i64,
}

/// Somebody who is signed on.
#[derive(Debug, Clone)]
pub struct Guest {
    /// Name of the account.
    pub account: String,
    /// Whose it is; `None`: a bench screen's.
    pub person: Option<String>,
    /// What it may do.
    pub role: Role,
    /// Cancelled when the sign-on ends.
    pub ended: CancellationToken,
    id: Sealed,
}

#[derive(Debug)]
struct SignOn {
    account: Account,
    from: IpAddr,
    since_ns: i64,
    used_ns: i64,
    /// Thousandths of acts that may come now.
    acts: i64,
    acted_ns: i64,
    ended: CancellationToken,
}

#[derive(Debug)]
pub(super) struct SignOns {
    lasts: Lasts,
    /// By the SHA-256 of the key: what is in memory opens nothing.
    on: BTreeMap<Sealed, SignOn>,
}

impl SignOns {
    pub(super) const fn new(lasts: Lasts) -> Self {
        Self { lasts, on: BTreeMap::new() }
    }

    /// A new sign-on, and the key to it.
    pub(super) fn begin(
        &mut self,
        account: &Account,
        from: IpAddr,
        now_ns: i64,
    ) -> Result<(Key, Guest), rand::rand_core::OsError> {
        let mut bytes = [0; KEY];
        OsRng.try_fill_bytes(&mut bytes)?;
        let key = bytes.iter().fold(String::with_capacity(2 * KEY), |mut key, byte| {
            let _ = write!(key, "{byte:02x}");
            key
        });
        self.make_room(&account.name);
        let id = sealed(&key);
        let on = SignOn {
            account: account.clone(),
            from,
            since_ns: now_ns,
            used_ns: now_ns,
            acts: ACTS_AT_ONCE * 1000,
            acted_ns: now_ns,
            ended: CancellationToken::new(),
        };
        let guest = on.guest(id);
        self.on.insert(id, on);
        Ok((Key(key), guest))
    }

    fn make_room(&mut self, name: &str) {
        let longest_unused = |on: &BTreeMap<Sealed, SignOn>, of: Option<&str>| {
            let some = on.iter().filter(|(_, on)| of.is_none_or(|name| on.account.name == name));
            some.min_by_key(|(_, on)| on.used_ns).map(|(id, _)| *id)
        };
        let of_one = self.on.values().filter(|on| on.account.name == name).count();
        let of = if of_one >= OF_ONE {
            Some(name)
        } else if self.on.len() >= OF_ALL {
            None
        } else {
            return;
        };
        if let Some(id) = longest_unused(&self.on, of) {
            self.remove(&id);
        }
    }

    pub(super) fn guest(&mut self, key: &str, accounts: &Accounts, now_ns: i64, acts: bool) -> Option<Guest> {
        let id = sealed(key);
        if !self.on.get(&id)?.lasts(self.lasts, accounts, now_ns) {
            self.remove(&id);
            return None;
        }
        let on = self.on.get_mut(&id)?;
        if acts {
            on.used_ns = now_ns;
        }
        Some(on.guest(id))
    }

    /// A bucket of acts that fills again: a person is never held up, a script is.
    pub(super) fn may_act(&mut self, guest: &Guest, now_ns: i64) -> Result<(), u64> {
        let Some(on) = self.on.get_mut(&guest.id) else { return Err(1) };
        let back = (now_ns - on.acted_ns).max(0) / (SECOND_NS / 1000) * ACTS_EACH_S;
        on.acts = on.acts.saturating_add(back).min(ACTS_AT_ONCE * 1000);
        on.acted_ns = now_ns;
        if on.acts < 1000 {
            return Err(1);
        }
        on.acts -= 1000;
        Ok(())
    }

    pub(super) fn end(&mut self, guest: &Guest) {
        self.remove(&guest.id);
    }

    pub(super) fn is_known(&self, from: IpAddr) -> bool {
        self.on.values().any(|on| on.from == from)
    }

    pub(super) fn look(&mut self, accounts: &Accounts, now_ns: i64, belongs: impl Fn(&Guest) -> bool) {
        let lasts = self.lasts;
        self.on.retain(|id, on| {
            let goes_on = on.lasts(lasts, accounts, now_ns) && belongs(&on.guest(*id));
            if !goes_on {
                on.ended.cancel();
            }
            goes_on
        });
    }

    fn remove(&mut self, id: &Sealed) {
        if let Some(on) = self.on.remove(id) {
            on.ended.cancel();
        }
    }
}

impl SignOn {
    /// Password, role and person are those with which it began, and its time is not over.
    fn lasts(&self, lasts: Lasts, accounts: &Accounts, now_ns: i64) -> bool {
        let same = accounts.find(&self.account.name).is_some_and(|now| {
            now.password.text() == self.account.password.text()
                && now.role == self.account.role
                && now.person == self.account.person
        });
        let (age, idle) = (now_ns - self.since_ns, now_ns - self.used_ns);
        let in_time = match self.account.person {
            Some(_) => age < lasts.person_ns && idle < lasts.idle_ns,
            None => age < lasts.screen_ns,
        };
        same && in_time
    }

    fn guest(&self, id: Sealed) -> Guest {
        Guest {
            account: self.account.name.clone(),
            person: self.account.person.clone(),
            role: self.account.role,
            ended: self.ended.clone(),
            id,
        }
    }
}

fn sealed(key: &str) -> Sealed {
    Sha256::digest(key.as_bytes()).into()
}
