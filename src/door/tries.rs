//! How soon somebody may try again. What is wrong counts where it came from: nobody can lock a
//! laboratory out from another address, and whoever tries through many addresses finds that an
//! account under attack takes longer wherever its owner never was.
//!
//! A machine chooses freely in the /64 of its IPv6 network, but so do all others of the room. So a
//! stranger is counted with the whole /64, and where an account was signed on before, its owner is
//! counted by that address alone.

use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};

const SECOND_NS: i64 = 1_000_000_000;
/// Wrong tries from one address that cost no time: fingers slip.
const FREE: u32 = 3;
/// Longest wait after wrong tries from one address, seconds.
const LONGEST_S: u64 = 300;
/// Wrong tries of one account from anywhere after which it is under attack.
const ATTACKED: u32 = 10;
/// What an account under attack costs at least after a wrong try, seconds.
const ATTACKED_S: u64 = 30;
/// Wrong tries are forgotten after this long without another.
const FORGOTTEN_NS: i64 = 3600 * SECOND_NS;
/// Pairs of address and account that are remembered; the oldest makes room.
const MOST: usize = 4096;

/// Where a stranger comes from: an IPv4 address, or the /64 of an IPv6 one, which is one machine's to
/// choose from.
pub(super) type Where = IpAddr;

/// The name by which somebody is counted: one of 4096, so that what strangers invent takes no room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Counted(u16);

impl Counted {
    pub(super) fn of(name: &str) -> Self {
        let digest: [u8; 32] = Sha256::digest(name.trim().to_ascii_lowercase()).into();
        Self(u16::from_be_bytes([digest[0] & 0x0f, digest[1]]))
    }
}

/// The address by which a stranger is counted.
pub(super) fn counted(from: IpAddr) -> Where {
    match from.to_canonical() {
        IpAddr::V6(address) if !address.is_loopback() => {
            let [a, b, c, d, ..] = address.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        other => other,
    }
}

#[derive(Debug, Clone, Copy)]
struct Wrong {
    times: u32,
    last_ns: i64,
}

/// All that was wrong lately.
#[derive(Debug, Default)]
pub(super) struct Tries {
    /// By the whole address.
    wrong: BTreeMap<(IpAddr, Counted), Wrong>,
    /// At which address an account was signed on before, and when.
    right: BTreeMap<(Counted, IpAddr), i64>,
}

impl Tries {
    /// Seconds until this one may try; `None`: now.
    pub(super) fn wait_s(&mut self, from: IpAddr, account: Counted, now_ns: i64) -> Option<u64> {
        self.wrong.retain(|_, wrong| now_ns - wrong.last_ns < FORGOTTEN_NS);
        let from = from.to_canonical();
        let owner = self.right.contains_key(&(account, from));
        let here =
            self.wrong.iter().filter(|((at, _), _)| *at == from || (!owner && counted(*at) == counted(from)));
        let (times, last_ns) = here.fold((0_u32, i64::MIN), |(times, last), (_, wrong)| {
            (times.saturating_add(wrong.times), last.max(wrong.last_ns))
        });
        if times == 0 {
            return None;
        }
        let of_account: u32 =
            self.wrong.iter().filter(|((_, name), _)| *name == account).map(|(_, w)| w.times).sum();
        let attacked = of_account >= ATTACKED && !owner;
        let least = if attacked { ATTACKED_S } else { 0 };
        let over_ns = last_ns.saturating_add(seconds_ns(growing_s(times).max(least)));
        let left_ns = over_ns.saturating_sub(now_ns);
        (left_ns > 0).then(|| u64::try_from(left_ns.div_euclid(SECOND_NS) + 1).unwrap_or(LONGEST_S))
    }

    /// One more was wrong; seconds until the next may come from there.
    pub(super) fn wrong(&mut self, from: IpAddr, account: Counted, now_ns: i64) -> u64 {
        let at = (from.to_canonical(), account);
        if self.wrong.len() >= MOST && !self.wrong.contains_key(&at) {
            let oldest = self.wrong.iter().min_by_key(|(_, wrong)| wrong.last_ns).map(|(at, _)| *at);
            oldest.and_then(|at| self.wrong.remove(&at));
        }
        let wrong = self.wrong.entry(at).or_insert(Wrong { times: 0, last_ns: now_ns });
        wrong.times = wrong.times.saturating_add(1);
        wrong.last_ns = now_ns;
        self.wait_s(from, account, now_ns).unwrap_or(0)
    }

    /// The account was signed on: what was wrong with it from there is forgiven, and nothing else.
    pub(super) fn right(&mut self, from: IpAddr, account: Counted, now_ns: i64) {
        let from = from.to_canonical();
        self.wrong.remove(&(from, account));
        if self.right.len() >= MOST && !self.right.contains_key(&(account, from)) {
            let oldest = self.right.iter().min_by_key(|(_, at_ns)| **at_ns).map(|(at, _)| *at);
            oldest.and_then(|at| self.right.remove(&at));
        }
        self.right.insert((account, from), now_ns);
    }
}

/// Nothing at first, then one second, doubled with each further try.
fn growing_s(times: u32) -> u64 {
    match times.checked_sub(FREE) {
        None | Some(0) => 0,
        Some(more) => 1_u64.checked_shl(more - 1).unwrap_or(LONGEST_S).min(LONGEST_S),
    }
}

fn seconds_ns(seconds: u64) -> i64 {
    i64::try_from(seconds).unwrap_or(i64::MAX).saturating_mul(SECOND_NS)
}
