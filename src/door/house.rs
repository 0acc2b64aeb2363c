//! How many are in the house: connections in all and from one address, and event streams counted
//! apart, so that a flood of the one never takes the place of the other. Strangers are counted by IPv4
//! address or /64 of IPv6; where somebody is signed on, that one address is counted by itself.

use super::tries::{Where, counted};
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

/// Most that may be open. All of it fits into the 1024 files that a service may have open.
#[derive(Debug, Clone, Copy)]
pub struct Most {
    /// Connections of addresses at which nobody is signed on.
    pub strangers: usize,
    /// Connections of addresses at which somebody is, and of this machine itself.
    pub known: usize,
    /// Connections of one address; of strangers of one /64.
    pub of_one: usize,
    /// Event streams of whoever is signed on.
    pub streams: usize,
    /// Event streams of the open room page.
    pub onlookers: usize,
    /// Event streams of one address.
    pub streams_of_one: usize,
}

impl Default for Most {
    fn default() -> Self {
        Self { strangers: 128, known: 192, of_one: 48, streams: 448, streams_of_one: 32, onlookers: 64 }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Room {
    Strangers,
    Known,
    Streams,
    Onlookers,
}

impl Room {
    const fn is_stream(self) -> bool {
        matches!(self, Self::Streams | Self::Onlookers)
    }

    /// By what somebody is counted there.
    fn counts(self, from: IpAddr) -> Where {
        match self {
            Self::Strangers | Self::Onlookers => counted(from),
            Self::Known | Self::Streams => from.to_canonical(),
        }
    }
}

#[derive(Debug, Default)]
struct Counts {
    strangers: usize,
    known: usize,
    streams: usize,
    onlookers: usize,
    /// Connections and streams of each address.
    by: BTreeMap<Where, (usize, usize)>,
}

impl Counts {
    fn of(&mut self, room: Room) -> &mut usize {
        match room {
            Room::Strangers => &mut self.strangers,
            Room::Known => &mut self.known,
            Room::Streams => &mut self.streams,
            Room::Onlookers => &mut self.onlookers,
        }
    }

    fn of_one(&mut self, at: Where, room: Room) -> &mut usize {
        let (connections, streams) = self.by.entry(at).or_default();
        if room.is_stream() { streams } else { connections }
    }

    fn leave(&mut self, from: IpAddr, room: Room) {
        let at = room.counts(from);
        let all = self.of(room);
        *all = all.saturating_sub(1);
        let one = self.of_one(at, room);
        *one = one.saturating_sub(1);
        if self.by.get(&at) == Some(&(0, 0)) {
            self.by.remove(&at);
        }
    }
}

/// Counts who is in; cheap to clone.
#[derive(Debug, Clone)]
pub struct House {
    most: Most,
    counts: Arc<Mutex<Counts>>,
}

impl House {
    /// An empty one.
    pub fn new(most: Most) -> Self {
        Self { most, counts: Arc::default() }
    }

    /// A place for a connection, if there is one. This machine's own are not counted by address.
    pub fn enter(&self, from: IpAddr, known: bool) -> Option<Place> {
        let from = from.to_canonical();
        let room = if known || from.is_loopback() { Room::Known } else { Room::Strangers };
        self.take(from, room).then(|| Place { house: self.clone(), from, room: Mutex::new(room) })
    }

    fn take(&self, from: IpAddr, room: Room) -> bool {
        let at = room.counts(from);
        let (all, one) = match room {
            Room::Strangers => (self.most.strangers, self.most.of_one),
            Room::Known => (self.most.known, self.most.of_one),
            Room::Streams => (self.most.streams, self.most.streams_of_one),
            Room::Onlookers => (self.most.onlookers, self.most.streams_of_one),
        };
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        let here = counts.by.get(&at).map_or(
            0,
            |(connections, streams)| {
                if room.is_stream() { *streams } else { *connections }
            },
        );
        if *counts.of(room) >= all || (!at.is_loopback() && here >= one) {
            return false;
        }
        *counts.of(room) += 1;
        *counts.of_one(at, room) += 1;
        true
    }
}

/// The place of one connection; it is free again when this is dropped.
#[derive(Debug)]
pub struct Place {
    house: House,
    from: IpAddr,
    room: Mutex<Room>,
}

impl Place {
    /// The connection becomes an event stream: it gives its place back and takes one of those.
    /// `onlooker`: nobody is signed on, and the room page is open.
    pub fn become_stream(&self, onlooker: bool) -> bool {
        let mut room = self.room.lock().unwrap_or_else(PoisonError::into_inner);
        let wanted = if onlooker { Room::Onlookers } else { Room::Streams };
        if *room == wanted {
            return true;
        }
        if !self.house.take(self.from, wanted) {
            return false;
        }
        self.house.counts.lock().unwrap_or_else(PoisonError::into_inner).leave(self.from, *room);
        *room = wanted;
        true
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let room = *self.room.lock().unwrap_or_else(PoisonError::into_inner);
        self.house.counts.lock().unwrap_or_else(PoisonError::into_inner).leave(self.from, room);
    }
}
