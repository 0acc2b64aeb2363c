//! One connection of the relay, from the connect to its end.

use super::Run;
use super::machine::{Effect, Fault};
use crate::network::documents::{self, Presence};
use crate::network::session::{self, Ending, Signal, Wire};
use crate::network::topics::Topics;
use crate::network::{
    ConditionName, Identity, NetworkReport, Outbox, OutboxRow, RetainedMessage, RetainedState,
};
use rumqttc::Outgoing;
use rumqttc::v5::Event;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnAck, Packet, Publish};
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::watch;
use tokio::time::{Instant, sleep_until, timeout_at};

/// How a connection ended.
pub(super) enum Ended {
    /// The relay was asked to stop.
    Stopped,
    /// The connection is over.
    Connection(Ending),
}

impl From<Fault> for Ended {
    fn from(fault: Fault) -> Self {
        Self::Connection(Ending::Lost(format!("the connection was given up: {fault}")))
    }
}

/// Nothing more is taken: the connection has ended, and why is still on its way to us.
const WHILE_SENDING: &str = "the connection ended while sending";

/// What the broker grants.
#[derive(Debug, Clone, Copy)]
struct Terms {
    /// It keeps retained messages.
    retains: bool,
    /// Largest packet that it takes, in bytes.
    packet_most: u64,
}

/// What belongs to this connection.
struct Epoch<'a, O> {
    run: &'a mut Run<O>,
    wire: Wire,
    newest: watch::Receiver<u64>,
    connected_at: String,
    /// What the broker told in its CONNACK; none before it.
    terms: Option<Terms>,
    shown: BTreeMap<Arc<str>, RetainedMessage>,
    /// All retained state is as it should be.
    state_settled: bool,
    rows_first: bool,
    /// When this connection proves that nobody else uses our id.
    settles: Option<Instant>,
    /// The outbox could not be read; it is asked again then.
    read_again: Option<Instant>,
    /// What a replay wants could not be read.
    replay_fails: bool,
}

enum Wake {
    Signal(Option<Signal>),
    State,
    Rows,
    Replay,
    Time,
    Stop,
}

impl<O: Outbox> Run<O> {
    /// Makes one connection and drives it to its end.
    pub(super) async fn one_connection(&mut self) -> Ended {
        let link = &self.relay.link;
        let connected_at = documents::rfc3339(self.relay.clock.now().wall_ns);
        let will = documents::presence(Presence::Lost, link.session, &connected_at, None);
        let topic = Topics::of(&link.station).status();
        // Room for a full window, the presence and the farewell.
        let room = usize::from(link.window.max(1)) + 8;
        let wire = session::open(link, Identity::Out, Some((&topic, will)), room);
        self.relay.retained.mark_changed();
        let newest = self.relay.outbox.changed();
        let mut epoch = Epoch {
            run: self,
            wire,
            newest,
            connected_at,
            terms: None,
            shown: BTreeMap::new(),
            state_settled: false,
            rows_first: false,
            settles: None,
            read_again: None,
            replay_fails: false,
        };
        match epoch.drive().await {
            Ok(()) => Ended::Stopped,
            Err(ended) => epoch.reason(ended).await,
        }
    }
}

impl<O: Outbox> Epoch<'_, O> {
    /// Ends with `Ok` when the relay was asked to stop.
    async fn drive(&mut self) -> Result<(), Ended> {
        loop {
            // What goes out and how long to wait are asked of one moment: between two, the end of a hold
            // could pass, seen by neither, and with nothing in flight nothing would ever wake us again.
            let now = self.run.now();
            if self.terms.is_some() {
                // In turn: with a window of one, neither may keep the other out.
                self.rows_first = !self.rows_first;
                if self.rows_first {
                    self.pump_rows(now).await?;
                    self.pump_replay(now).await?;
                    self.pump_state()?;
                } else {
                    self.pump_state()?;
                    self.pump_replay(now).await?;
                    self.pump_rows(now).await?;
                }
            }
            match self.wait(now).await {
                Wake::Signal(signal) => {
                    self.signal(signal).await?;
                    // What else has come is taken before anything goes out: one look for all of it.
                    while let Ok(signal) = self.wire.events.try_recv() {
                        self.signal(Some(signal)).await?;
                    }
                }
                Wake::State => self.state_settled = false,
                Wake::Rows => {}
                Wake::Replay => {
                    let wish = *self.run.relay.replays.borrow_and_update();
                    if wish.count > self.run.replays_begun {
                        self.run.replays_begun = wish.count;
                        self.run.machine.replay_from(wish.number);
                    }
                }
                Wake::Time => {
                    let now = self.run.now();
                    self.run.machine.overdue(now)?;
                    self.read_again = self.read_again.filter(|at| *at > Instant::now());
                    if self.settles.is_some_and(|at| at <= Instant::now()) {
                        self.settles = None;
                        self.run.rival.gone();
                        self.run.clear(ConditionName::TakenOver).await;
                    }
                }
                Wake::Stop => {
                    self.farewell().await;
                    return Ok(());
                }
            }
        }
    }

    /// The reason that the connection itself gives, if sending was the first to notice its end.
    async fn reason(&mut self, ended: Ended) -> Ended {
        if !matches!(&ended, Ended::Connection(Ending::Lost(why)) if why == WHILE_SENDING) {
            return ended;
        }
        let until = Instant::now() + self.run.relay.link.pace.farewell;
        while let Ok(Some(signal)) = timeout_at(until, self.wire.events.recv()).await {
            let over = matches!(signal, Signal::Ended { .. });
            if let Err(last) = self.signal(Some(signal)).await
                && over
            {
                return last;
            }
        }
        ended
    }

    async fn wait(&mut self, now: u64) -> Wake {
        let machine = self.run.machine.deadline(now).map(|ms| self.run.instant(ms));
        let deadline = [machine, self.read_again, self.settles].into_iter().flatten().min();
        let up = self.terms.is_some();
        tokio::select! {
            signal = self.wire.events.recv() => Wake::Signal(signal),
            () = self.run.relay.cancel.cancelled() => Wake::Stop,
            Ok(()) = self.run.relay.retained.changed(), if up => Wake::State,
            Ok(()) = self.newest.changed(), if up => Wake::Rows,
            Ok(()) = self.run.relay.replays.changed(), if up => Wake::Replay,
            () = sleep_until(deadline.unwrap_or_else(Instant::now)), if deadline.is_some() => Wake::Time,
        }
    }

    async fn signal(&mut self, signal: Option<Signal>) -> Result<(), Ended> {
        match signal {
            Some(Signal::Events(events)) => {
                for event in events {
                    self.event(event).await?;
                }
                Ok(())
            }
            Some(Signal::Ended { left, why }) => {
                // They happened before the end: an acknowledgement among them counts.
                for event in left {
                    self.event(event).await?;
                }
                Err(Ended::Connection(why))
            }
            None => Err(Ended::Connection(Ending::Lost("the connection's task ended".into()))),
        }
    }

    async fn event(&mut self, event: Event) -> Result<(), Ended> {
        match event {
            Event::Incoming(Packet::ConnAck(answer)) => self.connected(&answer).await,
            Event::Incoming(Packet::PubAck(ack)) => {
                let now = self.run.now();
                let effects = self.run.machine.acknowledged(now, ack.pkid, ack.reason)?;
                self.perform(effects).await;
                Ok(())
            }
            Event::Outgoing(Outgoing::Publish(pkid)) => Ok(self.run.machine.sent(pkid)?),
            _ => Ok(()),
        }
    }

    async fn connected(&mut self, answer: &ConnAck) -> Result<(), Ended> {
        let told = answer.properties.as_ref();
        if told.is_some_and(|told| told.max_qos == Some(0)) {
            let text =
                "The broker takes no message with an acknowledgement (QoS 1), so nothing can be known to \
                        have arrived: documents are held. Use another broker, or allow QoS 1"
                    .to_owned();
            self.run.raise(ConditionName::Unsuitable, text.clone()).await;
            return Err(Ended::Connection(Ending::Lost(text)));
        }
        let retains = told.is_none_or(|told| told.retain_available != Some(0));
        if retains {
            self.run.clear(ConditionName::Unsuitable).await;
        } else {
            let text = "The broker keeps no messages (retain is off there): presence, readings and alarms are not \
                        shown on the network. Documents go out all the same";
            self.run.raise(ConditionName::Unsuitable, text.into()).await;
        }
        let packet_most = told.and_then(|told| told.max_packet_size).map_or(u64::MAX, u64::from);
        self.terms = Some(Terms { retains, packet_most });
        let now = self.run.now();
        self.run.machine.connected(now, told.and_then(|told| told.receive_max));
        self.run.last_why = None;
        if self.run.conditions.contains_key(&ConditionName::TakenOver) {
            self.settles = Some(Instant::now() + self.run.rival.quiet());
        }
        self.run.report(NetworkReport::Connected { identity: Identity::Out }).await;
        let at = self.connected_at.clone();
        self.tell_presence(Presence::Online, &at)
    }

    fn tell_presence(&mut self, state: Presence, since: &str) -> Result<(), Ended> {
        let link = &self.run.relay.link;
        let payload = documents::presence(state, link.session, &self.connected_at, Some(since));
        let message = RetainedMessage { payload: payload.into(), expiry_s: None, qos: 1 };
        let topic = Topics::of(&link.station).status();
        if self.retains() { self.give_state(topic, Some(&message)).map(drop) } else { Ok(()) }
    }

    /// Sends what differs from what this connection has shown, as far as there is room.
    fn pump_state(&mut self) -> Result<(), Ended> {
        if self.state_settled || !self.retains() {
            return Ok(());
        }
        let wanted: Arc<RetainedState> = Arc::clone(&self.run.relay.retained.borrow_and_update());
        if !std::mem::replace(&mut self.run.cleared_earlier, true) {
            self.run.published.extend(wanted.absent.iter().map(|topic| Arc::from(topic.as_str())));
        }
        let gone: Vec<Arc<str>> =
            self.run.published.iter().filter(|topic| !wanted.topics.contains_key(*topic)).cloned().collect();
        for topic in gone {
            if self.run.machine.room_for_state() == 0 {
                return Ok(());
            }
            self.give_state(topic.to_string(), None)?;
            self.shown.remove(&topic);
            self.run.published.remove(&topic);
        }
        for (topic, message) in &wanted.topics {
            if self.shown.get(topic) == Some(message) {
                continue;
            }
            if self.run.machine.room_for_state() == 0 {
                return Ok(());
            }
            if self.give_state(topic.to_string(), Some(message))? {
                self.run.published.insert(topic.clone());
            }
            self.shown.insert(topic.clone(), message.clone());
        }
        self.state_settled = true;
        Ok(())
    }

    /// False: the message is over the broker's packet limit and was left out.
    fn give_state(&mut self, topic: String, message: Option<&RetainedMessage>) -> Result<bool, Ended> {
        let publish = documents::retained(&topic, message);
        if documents::packet_bytes(&publish) > self.packet_most() {
            tracing::warn!(%topic, limit = self.packet_most(), "retained state is over the broker's packet limit");
            return Ok(false);
        }
        let confirmed = publish.qos != QoS::AtMostOnce;
        self.give(publish)?;
        let now = self.run.now();
        self.run.machine.queued_state(now, topic, confirmed);
        Ok(true)
    }

    fn retains(&self) -> bool {
        self.terms.is_some_and(|terms| terms.retains)
    }

    fn packet_most(&self) -> u64 {
        self.terms.map_or(u64::MAX, |terms| terms.packet_most)
    }

    fn give(&self, publish: Publish) -> Result<(), Ended> {
        let gone = |_| Ended::Connection(Ending::Lost(WHILE_SENDING.into()));
        self.wire.client.try_publish(publish).map_err(gone)
    }

    async fn pump_rows(&mut self, now: u64) -> Result<(), Ended> {
        let newest = *self.newest.borrow_and_update();
        if self.read_again.is_some() {
            return Ok(());
        }
        let Some((after, limit)) = self.run.machine.rows_to_read(now, newest) else { return Ok(()) };
        match self.run.relay.outbox.after(after, limit).await {
            Ok(rows) => {
                if !self.replay_fails {
                    self.run.clear(ConditionName::OutboxUnreadable).await;
                }
                for row in rows {
                    if !self.send_row(now, &row).await? {
                        break;
                    }
                }
            }
            Err(error) => {
                self.read_again = Some(Instant::now() + self.run.relay.link.pace.hold_first);
                self.run.raise(ConditionName::OutboxUnreadable, error.to_string()).await;
            }
        }
        Ok(())
    }

    /// Sends again what a consumer asked for.
    async fn pump_replay(&mut self, now: u64) -> Result<(), Ended> {
        if self.read_again.is_some() {
            return Ok(());
        }
        let wanted = self.run.machine.wants_replay(now);
        self.replay_fails &= self.run.machine.replay_until().is_some();
        let Some((after, limit)) = wanted else { return Ok(()) };
        match self.run.relay.outbox.after(after, limit).await {
            Ok(rows) => {
                self.replay_fails = false;
                for row in rows {
                    let Ok((publish, _)) = self.fitting(&row) else {
                        self.run.machine.hold_replay(now);
                        break;
                    };
                    self.give(publish)?;
                    self.run.machine.queued_replay(now, row.number);
                }
            }
            // New documents lie elsewhere in the journal, and do not wait for it.
            Err(error) => {
                self.replay_fails = true;
                self.run.machine.hold_replay(now);
                self.run.raise(ConditionName::OutboxUnreadable, error.to_string()).await;
            }
        }
        Ok(())
    }

    /// The document, or the notice for it with the size that was too large. `Err`: not even that
    /// fits.
    fn fitting(&self, row: &OutboxRow) -> Result<(Publish, Option<u64>), String> {
        let publish = documents::document(row);
        let (bytes, limit) = (documents::packet_bytes(&publish), self.packet_most());
        if bytes <= limit {
            return Ok((publish, None));
        }
        let notice = documents::too_large(row, bytes, limit);
        if documents::packet_bytes(&notice) > limit {
            return Err(format!(
                "the broker takes no packet over {limit} bytes, not even a notice fits; raise its limit"
            ));
        }
        Ok((notice, Some(bytes)))
    }

    /// False: the row is held.
    async fn send_row(&mut self, now: u64, row: &OutboxRow) -> Result<bool, Ended> {
        let (publish, replaced) = match self.fitting(row) {
            Ok(fitting) => fitting,
            Err(why) => {
                let effects = self.run.machine.refuse(now, row.number, &why);
                self.perform(effects).await;
                return Ok(false);
            }
        };
        if let Some(bytes) = replaced {
            let limit = self.packet_most();
            self.run.report(NetworkReport::Replaced { number: row.number, bytes, limit }).await;
        }
        self.give(publish)?;
        self.run.machine.queued_row(now, row.number);
        Ok(true)
    }

    async fn perform(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Acked(number) => self.run.relay.outbox.acked(number),
                Effect::Raised(name, text) => self.run.raise(name, text).await,
                Effect::Cleared(name) => self.run.clear(name).await,
            }
        }
    }

    /// The last words: `offline`, what is in flight, and a proper end, which drops the will.
    async fn farewell(&mut self) {
        if self.terms.is_none() {
            return;
        }
        let until = Instant::now() + self.run.relay.link.pace.farewell;
        let since = documents::rfc3339(self.run.relay.clock.now().wall_ns);
        if self.tell_presence(Presence::Offline, &since).is_err() {
            return;
        }
        while !self.run.machine.idle() {
            let Ok(signal) = timeout_at(until, self.wire.events.recv()).await else { return };
            if self.signal(signal).await.is_err() {
                return;
            }
        }
        if self.wire.client.try_disconnect().is_err() {
            return;
        }
        while let Ok(Some(Signal::Events(events))) = timeout_at(until, self.wire.events.recv()).await {
            if events.contains(&Event::Outgoing(Outgoing::Disconnect)) {
                return;
            }
        }
    }
}
