//! The way of the documents: the station's relay machine, a connection that breaks, a broker that
//! drops, refuses, repeats and delays, and a consumer that takes only the next number.

use super::chance::Chance;
use super::store::Store;
use rumqttc::v5::mqttbytes::v5::PubAckReason;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use stillstand::journal::OutboxRow;
use stillstand::network::relay::machine::{Effect, Machine};
use stillstand::network::{ConditionName, Pace, Resume};

/// Messages in flight at most.
const WINDOW: u16 = 20;

/// What the station is to be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    Connected,
    Away(String),
    Condition(ConditionName, String, bool),
}

/// What is on the way over a connection.
#[derive(Debug, Clone)]
struct OnWire {
    pkid: u16,
    row: Option<OutboxRow>,
    due: u64,
}

/// An acknowledgement on its way back.
#[derive(Debug, Clone, Copy)]
struct Ack {
    pkid: u16,
    reason: PubAckReason,
    due: u64,
}

#[derive(Debug, Default)]
struct Link {
    wire: VecDeque<OnWire>,
    acks: Vec<Ack>,
    pkid: u16,
    /// Acknowledged, and not with the consumer yet.
    lagging: VecDeque<(u64, u64)>,
}

/// Counts of what was tried.
#[derive(Debug, Clone, Copy, Default)]
pub struct Tried {
    pub sent: u64,
    pub again: u64,
    pub connections: u64,
    pub broken: u64,
    pub refused: u64,
    pub lost: u64,
    pub replays: u64,
    pub excused: u64,
}

/// Planted faults of the way of documents.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Planted {
    None,
    /// The relay passes over a row and takes it for acknowledged.
    Forgets,
    /// The relay takes an acknowledgement for the row after it, too.
    OneTooMany,
    /// What goes out again has another digit in it.
    Alters,
}

/// The way of the documents.
pub struct Post {
    machine: Machine,
    link: Option<Link>,
    chance: Chance,
    up_at: u64,
    /// The broker refuses until then, with a reason.
    refuses: (u64, PubAckReason),
    pub planted: Planted,
    /// The consumer has every document up to this number.
    pub taken: u64,
    /// Documents that the broker lost after its acknowledgement, once each.
    lost: BTreeSet<u64>,
    missing: BTreeSet<u64>,
    /// The newest document that was acknowledged before the wall clock was stepped.
    stepped_after: u64,
    /// What went out lately: SHA-256 of all that a document says of itself.
    known: BTreeMap<u64, [u8; 32]>,
    pub tried: Tried,
    /// Nothing goes wrong any more: the end of a run.
    pub calm: bool,
}

impl Post {
    /// A relay that begins where a store says.
    pub fn new(chance: Chance) -> Self {
        Self {
            machine: Machine::new(Pace::default(), WINDOW, Resume { acked: 0, send_after: 0 }),
            link: None,
            chance,
            up_at: 0,
            refuses: (0, PubAckReason::Success),
            planted: Planted::None,
            taken: 0,
            lost: BTreeSet::new(),
            missing: BTreeSet::new(),
            stepped_after: 0,
            known: BTreeMap::new(),
            tried: Tried::default(),
            calm: false,
        }
    }

    /// The program was started again: the old relay and its connection are gone.
    pub fn restarted(&mut self, now: u64, store: &dyn Store) -> Result<(), String> {
        self.break_off(now);
        let (acked, send_after) = store.resume(Pace::default().replay);
        // How far apart two acknowledgements are a start has from the wall clock alone. Across a step
        // of it, what the broker lost is the consumer's to ask for.
        let before = self.missing.len();
        self.missing.retain(|number| *number > send_after || *number > self.stepped_after);
        self.tried.excused += (before - self.missing.len()) as u64;
        self.move_on();
        if let Some(number) = (self.taken + 1..=acked).find(|number| !self.lost.contains(number)) {
            return Err(format!(
                "the outbox says that {acked} is acknowledged, and the consumer lacks {number}"
            ));
        }
        self.machine = Machine::new(Pace::default(), WINDOW, Resume { acked, send_after });
        Ok(())
    }

    /// A planted fault: a document goes out before it is stored.
    pub fn leak(&mut self, row: &OutboxRow, store: &dyn Store) -> Result<(), String> {
        self.published(row, store)
    }

    /// The station's wall clock was stepped.
    pub fn clock_stepped(&mut self) {
        self.stepped_after = self.machine.acked();
    }

    fn move_on(&mut self) {
        while self.lost.contains(&(self.taken + 1)) && !self.missing.contains(&(self.taken + 1)) {
            self.taken += 1;
        }
    }

    fn break_off(&mut self, now: u64) {
        if let Some(link) = self.link.take() {
            self.tried.broken += 1;
            // What was under way may have arrived all the same, up to a point.
            let arrived = self.chance.below(link.wire.len() as u64 + 1);
            for sent in link.wire.into_iter().take(usize::try_from(arrived).unwrap_or(0)) {
                if let Some(row) = sent.row {
                    self.consume(row.number);
                }
            }
            self.lose(link.lagging);
        }
        self.machine.disconnected();
        self.up_at = now + 1 + if self.calm { 0 } else { self.chance.below(120_000) };
    }

    /// The broker had acknowledged these and loses some of them.
    fn lose(&mut self, lagging: VecDeque<(u64, u64)>) {
        for (number, _) in lagging {
            if number > self.taken && self.lost.insert(number) {
                self.missing.insert(number);
                self.tried.lost += 1;
            } else {
                self.consume(number);
            }
        }
    }

    /// A consumer asks for documents again.
    pub fn replay_from(&mut self, number: u64) {
        self.tried.replays += 1;
        self.machine.replay_from(number);
    }

    /// Everything that can happen now.
    ///
    /// # Errors
    /// A broken promise.
    pub fn run(&mut self, now: u64, store: &dyn Store) -> Result<(Vec<Said>, Option<u64>), String> {
        let (mut said, mut acked) = (Vec::new(), None);
        if self.link.is_none() {
            if now < self.up_at {
                return Ok((said, acked));
            }
            self.tried.connections += 1;
            let most = *self.chance.pick(&[None, None, Some(1), Some(2), Some(7)]);
            self.machine.connected(now, most);
            self.link = Some(Link::default());
            said.push(Said::Connected);
        }
        self.give(now, store)?;
        self.carry(now, store)?;
        self.answer(now, &mut said, &mut acked)?;
        if self.link.is_some() {
            let dies = !self.calm && self.chance.one_in(150);
            if self.machine.overdue(now).is_err() || dies {
                self.break_off(now);
                said.push(Said::Away("the connection broke".to_owned()));
            }
        }
        Ok((said, acked))
    }

    /// Rows that the machine wants, and state beside them, go onto the wire.
    fn give(&mut self, now: u64, store: &dyn Store) -> Result<(), String> {
        for _ in 0..4 {
            let Some((after, most)) = self.machine.rows_to_read(now, store.newest()) else { break };
            for row in store.after(after, most) {
                let number = row.number;
                if self.planted == Planted::Forgets
                    && number.is_multiple_of(40)
                    && number > self.machine.acked()
                {
                    self.machine.queued_row(now, number);
                    self.put(now, None)?;
                    continue;
                }
                if number > store.newest() {
                    return Err(format!("document {number} is read before it is there"));
                }
                self.machine.queued_row(now, number);
                self.put(now, Some(row))?;
            }
        }
        if let Some((after, most)) = self.machine.wants_replay(now) {
            for row in store.after(after, most) {
                self.machine.queued_replay(now, row.number);
                self.put(now, Some(row))?;
            }
        }
        if self.machine.room_for_state() > 0 && self.chance.one_in(12) {
            let confirmed = self.chance.one_in(2);
            self.machine.queued_state(now, "stillstand/bench/status".to_owned(), confirmed);
            if confirmed {
                self.put(now, None)?;
            } else {
                self.machine.sent(0).map_err(|fault| fault.to_string())?;
            }
        }
        Ok(())
    }

    fn put(&mut self, now: u64, row: Option<OutboxRow>) -> Result<(), String> {
        let Some(link) = &mut self.link else { return Ok(()) };
        link.pkid = if link.pkid == u16::MAX { 1 } else { link.pkid + 1 };
        let (pkid, due) = (link.pkid, now + self.chance.below(if self.calm { 2 } else { 3000 }));
        link.wire.push_back(OnWire { pkid, row, due });
        self.machine.sent(pkid).map_err(|fault| fault.to_string())
    }

    /// What has arrived is published, in the order in which it was sent, and acknowledged.
    fn carry(&mut self, now: u64, store: &dyn Store) -> Result<(), String> {
        if !self.calm && self.refuses.0 < now && self.chance.one_in(300) {
            let reasons = [
                PubAckReason::NoMatchingSubscribers,
                PubAckReason::NotAuthorized,
                PubAckReason::QuotaExceeded,
                PubAckReason::UnspecifiedError,
            ];
            self.refuses = (now + self.chance.below(600_000), *self.chance.pick(&reasons));
        }
        let refusing = !self.calm && now < self.refuses.0;
        while let Some(arrived) =
            self.link.as_mut().and_then(|link| link.wire.pop_front_if(|sent| sent.due <= now))
        {
            let mut reason = PubAckReason::Success;
            if let Some(row) = &arrived.row {
                self.published(row, store)?;
                if refusing && self.chance.one_in(2) {
                    reason = self.refuses.1;
                    self.tried.refused += 1;
                }
            }
            let most = if self.chance.one_in(60) { 15_000 } else { 400 };
            let late = if self.calm { 0 } else { self.chance.below(most) };
            let lags = !self.calm && self.chance.one_in(25);
            if let (Some(row), PubAckReason::Success) = (&arrived.row, reason) {
                let behind = self.link.as_ref().is_some_and(|link| !link.lagging.is_empty());
                if lags || behind {
                    let due = now + self.chance.below(30_000);
                    self.link.as_mut().expect("a link").lagging.push_back((row.number, due));
                } else {
                    self.consume(row.number);
                    if !self.calm && self.chance.one_in(30) {
                        self.consume(row.number);
                    }
                }
            }
            let ack = Ack { pkid: arrived.pkid, reason, due: now + late };
            self.link.as_mut().expect("a link").acks.push(ack);
        }
        while let Some((number, _)) =
            self.link.as_mut().and_then(|link| link.lagging.pop_front_if(|(_, due)| *due <= now))
        {
            self.consume(number);
        }
        Ok(())
    }

    /// The broker has a document: it was committed before, and is the same each time.
    fn published(&mut self, row: &OutboxRow, store: &dyn Store) -> Result<(), String> {
        self.tried.sent += 1;
        if self.planted == Planted::Alters && self.known.contains_key(&row.number) {
            let payload = row.payload.replace('1', "2");
            return self.same(&OutboxRow { payload, ..row.clone() });
        }
        if row.number > store.newest() {
            return Err(format!("document {} went out before it was committed", row.number));
        }
        self.same(row)
    }

    /// A document is the same each time.
    fn same(&mut self, row: &OutboxRow) -> Result<(), String> {
        let is = digest(row);
        match self.known.get(&row.number) {
            Some(was) if *was != is => return Err(format!("document {} went out as two", row.number)),
            Some(_) => self.tried.again += 1,
            None => drop(self.known.insert(row.number, is)),
        }
        while self.known.len() > 3000 {
            self.known.pop_first();
        }
        Ok(())
    }

    /// The consumer takes only the next number.
    fn consume(&mut self, number: u64) {
        self.missing.remove(&number);
        if number == self.taken + 1 {
            self.taken = number;
        }
        self.move_on();
    }

    fn answer(&mut self, now: u64, said: &mut Vec<Said>, acked: &mut Option<u64>) -> Result<(), String> {
        let Some(link) = &mut self.link else { return Ok(()) };
        let (due, waits): (Vec<Ack>, Vec<Ack>) = link.acks.drain(..).partition(|ack| ack.due <= now);
        let lagging: BTreeSet<u64> = link.lagging.iter().map(|(number, _)| *number).collect();
        link.acks = waits;
        for ack in due {
            let effects =
                self.machine.acknowledged(now, ack.pkid, ack.reason).map_err(|fault| fault.to_string())?;
            for effect in effects {
                match effect {
                    Effect::Acked(number) => {
                        let number = number
                            + u64::from(self.planted == Planted::OneTooMany && number.is_multiple_of(50));
                        let there =
                            number <= self.taken || lagging.contains(&number) || self.lost.contains(&number);
                        let waits =
                            (self.taken + 1..=number).all(|n| lagging.contains(&n) || self.lost.contains(&n));
                        if !there || !waits {
                            return Err(format!(
                                "document {number} counts as acknowledged, and the consumer has {} and nothing after it",
                                self.taken
                            ));
                        }
                        *acked = Some(number);
                    }
                    Effect::Raised(name, text) => said.push(Said::Condition(name, text, true)),
                    Effect::Cleared(name) => said.push(Said::Condition(name, String::new(), false)),
                }
            }
        }
        Ok(())
    }

    /// Documents that the consumer still lacks.
    pub fn lacks(&self, store: &dyn Store) -> u64 {
        store.newest().saturating_sub(self.taken)
    }
}

/// SHA-256 over identity, kind, topic, subject and payload.
fn digest(row: &OutboxRow) -> [u8; 32] {
    let mut sha = Sha256::new();
    for part in [&row.id, &row.kind, &row.topic, &row.subject, &row.payload] {
        sha.update((part.len() as u64).to_be_bytes());
        sha.update(part);
    }
    sha.finalize().into()
}
