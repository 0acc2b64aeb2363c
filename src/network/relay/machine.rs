//! Which document may go out next, and which one the broker has. PURE: no I/O, no clock; times
//! are milliseconds of the caller's clock.
//!
//! Three rules carry the promise "at least once, in order, nothing lost":
//!
//! 1. A document is acknowledged by its own PUBACK with success and by nothing else, and only
//!    when every earlier one is. Packet ids are matched in the order in which the connection
//!    reports them, within one connection; nothing survives from one connection to the next.
//! 2. At any other reason nothing new goes out. What is in flight is waited for, and sending
//!    begins again *from the refused document*, so that a consumer who takes only the next number
//!    gets all of them. "No matching subscribers" is such a reason: nobody has the document.
//! 3. After a broken connection what was acknowledged last goes out again (same id, same
//!    number), for a broker may acknowledge and then lose: as far back from the newest
//!    acknowledgement as the broker may take to store what it has, however long it was away since,
//!    and at most [`REPLAYS_MOST`] times each, so that a line which breaks all the time still gets
//!    forward.
//!
//! The connection stays open while a document is held, so that presence and retained state keep
//! telling the truth.

use super::replay::Replay;
use crate::network::{ConditionName, Pace, Resume};
use rumqttc::v5::mqttbytes::v5::PubAckReason;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;
use thiserror::Error;

/// How often an acknowledged document is sent again after broken connections.
pub const REPLAYS_MOST: u8 = 2;

/// Acknowledged documents that are remembered for sending again.
const TAIL_MOST: usize = 4096;

/// What the caller is to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Effect {
    /// Every document up to this number is with the broker.
    Acked(u64),
    /// A condition began, or its text changed.
    Raised(ConditionName, String),
    /// A condition ended.
    Cleared(ConditionName),
}

/// Why the connection must be given up.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Fault {
    /// An acknowledgement for a packet id that is not in flight.
    #[error("the broker acknowledged packet {0}, which is not in flight")]
    Unknown(u16),
    /// The connection reported a publish that was not given to it, or in another order.
    #[error("packet {0} was reported out of step with what was sent")]
    OutOfStep(u16),
    /// No acknowledgement came in time.
    #[error("no acknowledgement for {0} ms")]
    NoProgress(u64),
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Item {
    Row(u64),
    Replay(u64),
    State { topic: String, confirmed: bool },
}

/// An item and its place in the order of this connection.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Flight {
    order: u64,
    item: Item,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Pass {
    number: u64,
    acked: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Tail {
    number: u64,
    at: u64,
    replays: u8,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Held {
    number: u64,
    until: u64,
    tries: u32,
}

/// What belongs to one connection and ends with it.
#[derive(Debug, Clone)]
struct Connection {
    limit: u64,
    cursor: u64,
    /// Order of the oldest message that is not done, and which from there on are not.
    oldest: u64,
    undone: VecDeque<bool>,
    /// Retained messages among them.
    states: u64,
    fifo: VecDeque<Flight>,
    in_flight: BTreeMap<u16, Flight>,
    pass: VecDeque<Pass>,
    failed: Option<u64>,
    progress_at: u64,
}

/// The relay's state.
#[derive(Debug, Clone)]
pub struct Machine {
    pub(super) pace: Pace,
    window: u16,
    acked: u64,
    floor: u64,
    tail: VecDeque<Tail>,
    held: Option<Held>,
    raised: BTreeSet<ConditionName>,
    refused_state: BTreeSet<String>,
    connection: Option<Connection>,
    pub(super) replay: Option<Replay>,
}

impl Machine {
    /// A relay that goes on at `resume`.
    pub fn new(pace: Pace, window: u16, resume: Resume) -> Self {
        Self {
            pace,
            window: window.max(1),
            acked: resume.acked,
            floor: resume.send_after.min(resume.acked),
            tail: VecDeque::new(),
            held: None,
            raised: BTreeSet::new(),
            refused_state: BTreeSet::new(),
            connection: None,
            replay: None,
        }
    }

    /// A connection stands; the broker takes `receive_max` messages in flight.
    pub fn connected(&mut self, now: u64, receive_max: Option<u16>) {
        let replay = self.tail.iter().find(|tail| tail.replays < REPLAYS_MOST);
        let cursor = replay.map_or(self.floor, |tail| self.floor.min(tail.number.saturating_sub(1)));
        let limit = receive_max.map_or(self.window, |most| self.window.min(most.max(1)));
        self.connection = Some(Connection {
            limit: u64::from(limit),
            cursor,
            oldest: 0,
            undone: VecDeque::new(),
            states: 0,
            fifo: VecDeque::new(),
            in_flight: BTreeMap::new(),
            pass: VecDeque::new(),
            failed: None,
            progress_at: now,
        });
        self.replay_anew();
    }

    /// The connection is gone, and with it all that was in flight.
    pub fn disconnected(&mut self) {
        self.connection = None;
    }

    /// The rows wanted now: those after a number, and how many. `None`: no connection, no room,
    /// or a document is held.
    pub fn wants_rows(&self, now: u64) -> Option<(u64, usize)> {
        let connection = self.connection.as_ref()?;
        if connection.failed.is_some() {
            return None;
        }
        let room = match self.held {
            // One document alone finds out whether the reason is gone.
            Some(held) if now < held.until || !connection.pass.is_empty() => 0,
            Some(_) => connection.room().min(1),
            None => connection.room(),
        };
        (room > 0).then(|| (connection.cursor, usize::try_from(room).unwrap_or(usize::MAX)))
    }

    /// The rows to be read now, where the outbox holds rows up to `newest`: those after a number, and
    /// how many. `None`: nothing new is wanted, or too little to be worth a look.
    pub fn rows_to_read(&self, now: u64, newest: u64) -> Option<(u64, usize)> {
        let (after, limit) = self.wants_rows(now)?;
        let waiting = newest.checked_sub(after).filter(|waiting| *waiting > 0)?;
        // Behind a full window more waits than there is room for: half of it goes out at once when it
        // is free, and not each document by itself for each acknowledgement.
        let room = u64::try_from(limit).unwrap_or(u64::MAX);
        let too_little = waiting > room && room < self.limit() / 2 && !self.is_held();
        (!too_little).then_some((after, limit))
    }

    /// Retained messages that may go out now: at most half of the window is theirs.
    pub fn room_for_state(&self) -> u64 {
        self.connection.as_ref().map_or(0, |connection| {
            let share = (connection.limit / 2).max(1);
            connection.room().min(share.saturating_sub(connection.states))
        })
    }

    /// A row was given to the connection.
    pub fn queued_row(&mut self, now: u64, number: u64) {
        if let Some(connection) = &mut self.connection {
            connection.cursor = number;
            connection.pass.push_back(Pass { number, acked: false });
            connection.push(now, Item::Row(number));
        }
    }

    /// A retained message was given to the connection; `confirmed`: at `QoS` 1.
    pub fn queued_state(&mut self, now: u64, topic: String, confirmed: bool) {
        if let Some(connection) = &mut self.connection {
            connection.push(now, Item::State { topic, confirmed });
        }
    }

    /// The connection put the next publish on the wire, with this packet id (0 at `QoS` 0).
    pub fn sent(&mut self, pkid: u16) -> Result<(), Fault> {
        let Some(connection) = &mut self.connection else { return Err(Fault::OutOfStep(pkid)) };
        let flight = connection.fifo.pop_front().ok_or(Fault::OutOfStep(pkid))?;
        let unconfirmed = matches!(flight.item, Item::State { confirmed: false, .. });
        if unconfirmed != (pkid == 0) {
            return Err(Fault::OutOfStep(pkid));
        }
        if unconfirmed {
            connection.done(&flight);
        } else if connection.in_flight.insert(pkid, flight).is_some() {
            return Err(Fault::OutOfStep(pkid));
        }
        Ok(())
    }

    /// The broker acknowledged a packet.
    pub fn acknowledged(&mut self, now: u64, pkid: u16, reason: PubAckReason) -> Result<Vec<Effect>, Fault> {
        let connection = self.connection.as_mut().ok_or(Fault::Unknown(pkid))?;
        let flight = connection.in_flight.remove(&pkid).ok_or(Fault::Unknown(pkid))?;
        connection.done(&flight);
        connection.progress_at = now;
        let mut effects = Vec::new();
        match (flight.item, reason) {
            (Item::Row(number), PubAckReason::Success) => self.row_taken(now, number, &mut effects),
            (Item::Replay(number), PubAckReason::Success) => self.replay_taken(number),
            (Item::Replay(number), _) => self.refuse_replay(now, number),
            (Item::Row(number), reason) => self.row_refused(now, number, reason, &mut effects),
            (Item::State { topic, .. }, reason) => self.state_told(topic, reason, &mut effects),
        }
        self.turn_back();
        Ok(effects)
    }

    /// A row cannot be sent at all, not even as a notice: it is held.
    pub fn refuse(&mut self, now: u64, number: u64, why: &str) -> Vec<Effect> {
        self.hold(now, number);
        let text = format!("Document {number} is held: {why}");
        let mut effects = Vec::new();
        self.raise(ConditionName::Denied, text, &mut effects);
        effects
    }

    /// When to call [`Self::overdue`] or ask for rows again at the latest.
    pub fn deadline(&self, now: u64) -> Option<u64> {
        let connection = self.connection.as_ref()?;
        let acks = connection.busy().then(|| connection.progress_at.saturating_add(ms(self.pace.ack_limit)));
        let held = self.held.map(|held| held.until).filter(|until| *until > now);
        let replay = self.replay_until().filter(|until| *until > now);
        [acks, held, replay].into_iter().flatten().min()
    }

    /// A fault if the broker has not acknowledged anything for too long.
    pub fn overdue(&self, now: u64) -> Result<(), Fault> {
        let Some(connection) = &self.connection else { return Ok(()) };
        let silent = now.saturating_sub(connection.progress_at);
        if connection.busy() && silent >= ms(self.pace.ack_limit) {
            return Err(Fault::NoProgress(silent));
        }
        Ok(())
    }

    /// Nothing is queued or in flight.
    pub fn idle(&self) -> bool {
        self.connection.as_ref().is_none_or(|connection| !connection.busy())
    }

    /// Every document up to this number is with the broker.
    pub fn acked(&self) -> u64 {
        self.acked
    }

    /// The last row that was sent for the first time on this connection.
    pub(super) fn cursor(&self) -> Option<u64> {
        self.connection.as_ref().map(|connection| connection.cursor)
    }

    /// Messages that may go out now.
    pub(super) fn room(&self) -> u64 {
        self.connection.as_ref().map_or(0, Connection::room)
    }

    /// A document is held, and sent alone.
    pub(super) fn is_held(&self) -> bool {
        self.held.is_some()
    }

    /// Messages that may be in flight.
    pub(super) fn limit(&self) -> u64 {
        self.connection.as_ref().map_or(0, |connection| connection.limit)
    }

    pub(super) fn push_replay(&mut self, now: u64, number: u64) {
        if let Some(connection) = &mut self.connection {
            connection.push(now, Item::Replay(number));
        }
    }

    fn row_taken(&mut self, now: u64, number: u64, effects: &mut Vec<Effect>) {
        let Some(connection) = &mut self.connection else { return };
        if let Some(pass) = connection.pass.iter_mut().find(|pass| pass.number == number) {
            pass.acked = true;
        }
        let mut taken = Vec::new();
        while let Some(pass) = connection.pass.pop_front_if(|pass| pass.acked) {
            taken.push(pass.number);
        }
        for number in taken {
            self.floor = self.floor.max(number);
            self.remember(now, number);
            if number > self.acked {
                self.acked = number;
                effects.push(Effect::Acked(number));
            }
            if self.held.is_some_and(|held| number >= held.number) {
                self.held = None;
                self.clear(ConditionName::NoSubscriber, effects);
                self.clear(ConditionName::Denied, effects);
            }
        }
    }

    fn row_refused(&mut self, now: u64, number: u64, reason: PubAckReason, effects: &mut Vec<Effect>) {
        let Some(connection) = &mut self.connection else { return };
        if connection.failed.is_some_and(|failed| failed <= number) {
            return; // It goes out again after the earlier one.
        }
        connection.failed = Some(number);
        self.hold(now, number);
        if reason == PubAckReason::NoMatchingSubscribers {
            let text = format!(
                "Document {number} is held: nobody subscribes to its topic. Start the consumer, or check its subscription"
            );
            self.clear(ConditionName::Denied, effects);
            self.raise(ConditionName::NoSubscriber, text, effects);
        } else {
            let text = format!("Document {number} is held: {}", in_words(reason));
            self.clear(ConditionName::NoSubscriber, effects);
            self.raise(ConditionName::Denied, text, effects);
        }
    }

    fn state_told(&mut self, topic: String, reason: PubAckReason, effects: &mut Vec<Effect>) {
        // A retained message needs no subscriber: whoever comes later finds it.
        if matches!(reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers) {
            if self.refused_state.remove(&topic) && self.refused_state.is_empty() {
                self.clear(ConditionName::StateDenied, effects);
            }
        } else {
            let text = format!("The state on {topic} is not shown on the network: {}", in_words(reason));
            self.refused_state.insert(topic);
            self.raise(ConditionName::StateDenied, text, effects);
        }
    }

    /// Once nothing of the refused pass is in flight, sending begins again from that row.
    fn turn_back(&mut self) {
        let Some(connection) = &mut self.connection else { return };
        if let Some(failed) = connection.failed
            && !connection.rows_in_flight()
        {
            connection.cursor = failed.saturating_sub(1);
            connection.pass.clear();
            connection.failed = None;
        }
    }

    fn hold(&mut self, now: u64, number: u64) {
        let tries = match self.held {
            Some(held) if held.number == number => held.tries.saturating_add(1),
            _ => 0,
        };
        let pause = self.pace.hold_first.saturating_mul(1 << tries.min(16)).min(self.pace.hold_most);
        self.held = Some(Held { number, until: now.saturating_add(ms(pause)), tries });
    }

    fn raise(&mut self, name: ConditionName, text: String, effects: &mut Vec<Effect>) {
        self.raised.insert(name);
        effects.push(Effect::Raised(name, text));
    }

    fn clear(&mut self, name: ConditionName, effects: &mut Vec<Effect>) {
        if self.raised.remove(&name) {
            effects.push(Effect::Cleared(name));
        }
    }

    fn remember(&mut self, now: u64, number: u64) {
        // Nearly always it is one that was never acknowledged before: then nobody needs to look.
        if number <= self.acked
            && let Some(known) = self.tail.iter_mut().find(|tail| tail.number == number)
        {
            known.replays = known.replays.saturating_add(1);
            known.at = now;
            return;
        }
        // What a start sent again is not there for the first time either.
        self.tail.push_back(Tail { number, at: now, replays: u8::from(number <= self.acked) });
        // Only here does anything grow old: the broker lived a moment ago, and has had whatever is
        // older than this once more since the connection stands. However long it was away before.
        let replay = ms(self.pace.replay);
        let old = |tail: &mut Tail| now.saturating_sub(tail.at) >= replay || tail.replays >= REPLAYS_MOST;
        while self.tail.pop_front_if(old).is_some() {}
        while self.tail.len() > TAIL_MOST {
            self.tail.pop_front();
        }
    }
}

impl Connection {
    fn push(&mut self, now: u64, item: Item) {
        if !self.busy() {
            self.progress_at = now;
        }
        let order = self.oldest.saturating_add(u64::try_from(self.undone.len()).unwrap_or(u64::MAX));
        self.undone.push_back(true);
        self.states += u64::from(matches!(item, Item::State { .. }));
        self.fifo.push_back(Flight { order, item });
    }

    /// A message is acknowledged, or on the wire where it needs no acknowledgement.
    fn done(&mut self, flight: &Flight) {
        let index = usize::try_from(flight.order.saturating_sub(self.oldest)).unwrap_or(usize::MAX);
        if let Some(undone) = self.undone.get_mut(index) {
            *undone = false;
        }
        while self.undone.pop_front_if(|undone| !*undone).is_some() {
            self.oldest += 1;
        }
        self.states -= u64::from(matches!(flight.item, Item::State { .. }));
    }

    fn busy(&self) -> bool {
        !self.undone.is_empty()
    }

    /// Room counts from the oldest that is not acknowledged, so that a broker which passes one over
    /// is not sent more and more behind it.
    fn room(&self) -> u64 {
        self.limit.saturating_sub(u64::try_from(self.undone.len()).unwrap_or(u64::MAX))
    }

    fn rows_in_flight(&self) -> bool {
        let mut flights = self.fifo.iter().chain(self.in_flight.values());
        flights.any(|flight| matches!(flight.item, Item::Row(_)))
    }
}

pub(super) fn ms(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

/// A reason code of MQTT 5 (section 3.4.2.1) in words, with what to do.
pub fn in_words(reason: PubAckReason) -> &'static str {
    match reason {
        PubAckReason::Success => "the broker has it",
        PubAckReason::NoMatchingSubscribers => "nobody subscribes to its topic",
        PubAckReason::UnspecifiedError => "the broker refuses it and gives no reason; see the broker's log",
        PubAckReason::ImplementationSpecificError => {
            "the broker refuses it for a reason of its own; see the broker's log"
        }
        PubAckReason::NotAuthorized => {
            "the broker does not allow this station to publish there (not authorized); check its access list"
        }
        PubAckReason::TopicNameInvalid => {
            "the broker does not accept the topic's name; check the station's id"
        }
        PubAckReason::PacketIdentifierInUse => {
            "the broker says that the packet id is in use; it is sent again"
        }
        PubAckReason::QuotaExceeded => "the broker's quota is exceeded; free space or raise the quota there",
        PubAckReason::PayloadFormatInvalid => "the broker does not accept the payload's format; see its log",
    }
}

#[cfg(test)]
#[path = "machine_test.rs"]
mod test;
