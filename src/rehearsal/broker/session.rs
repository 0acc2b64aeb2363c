//! One connection to the broker, from the CONNECT to its end.

use super::core::{Core, QUEUE_MOST};
use super::{Acknowledging, Behaviour, locked};
use bytes::BytesMut;
use rand::rngs::StdRng;
use rand::seq::SliceRandom;
use rand::{Rng, SeedableRng};
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, ConnAckProperties, Connect, ConnectReturnCode, Disconnect, DisconnectReasonCode, LastWill,
    Packet, PingResp, PubAck, PubAckReason, Publish, PublishProperties, SubAck, UnsubAck, UnsubAckReason,
    check,
};
use rumqttc::v5::mqttbytes::{Error, QoS};
use std::collections::BTreeSet;
use std::io;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, oneshot};
use tokio::time::{Instant, sleep, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// Largest packet taken, in bytes.
const PACKET_MOST: u32 = 256 * 1024;
/// Most messages in flight to a client.
const WINDOW_MOST: u16 = 100;
/// Time for a CONNECT after the connection stands, and for a client to read what is written.
const PATIENCE: Duration = Duration::from_secs(5);

/// Time for a dismissed client to close.
const LINGER: Duration = Duration::from_millis(250);

/// What all connections share.
#[derive(Clone)]
pub(super) struct Shared {
    pub(super) core: Arc<Mutex<Core>>,
    pub(super) behaviour: Arc<Behaviour>,
    pub(super) cancel: CancellationToken,
    pub(super) tasks: TaskTracker,
}

/// Why a connection ends.
enum End {
    /// The client said goodbye; its will is dropped.
    Goodbye,
    /// We say goodbye, with this reason.
    Dismissed(DisconnectReasonCode),
    /// The line is dead.
    Dead,
}

impl From<io::Error> for End {
    fn from(_: io::Error) -> Self {
        Self::Dead
    }
}

/// Accepts connections until the broker ends.
pub(super) async fn accept(listener: TcpListener, shared: Shared) {
    let mut number = 0_u64;
    loop {
        let accepted = tokio::select! {
            () = shared.cancel.cancelled() => return,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, _)) => {
                number += 1;
                let chance = StdRng::seed_from_u64(
                    shared.behaviour.seed.wrapping_mul(0x9e37_79b9).wrapping_add(number),
                );
                shared.tasks.spawn(serve(stream, shared.clone(), chance));
            }
            Err(error) => {
                // Out of file handles, most likely: the next accept may find one.
                tracing::warn!(%error, "the loopback broker cannot accept a connection");
                sleep(Duration::from_millis(100)).await;
            }
        }
    }
}

async fn serve(stream: TcpStream, shared: Shared, chance: StdRng) {
    let _ = stream.set_nodelay(true);
    let mut line = Line { stream, input: BytesMut::new(), output: BytesMut::new(), largest: None };
    let packet_max = shared.behaviour.packet_max.unwrap_or(PACKET_MOST);
    let first = tokio::select! {
        () = shared.cancel.cancelled() => return,
        first = timeout(PATIENCE, line.read(packet_max)) => first,
    };
    let Ok(Ok(Packet::Connect(connect, will, _))) = first else { return };
    let Some(mut session) = Session::open(shared, line, connect, chance).await else { return };
    let end = session.run().await.err().unwrap_or(End::Dead);
    session.close(end, will).await;
}

/// Packets over a stream.
struct Line {
    stream: TcpStream,
    input: BytesMut,
    output: BytesMut,
    /// Largest packet that the client takes.
    largest: Option<u32>,
}

impl Line {
    /// The next packet that is already here.
    fn next(&mut self, packet_max: u32) -> Result<Option<Packet>, End> {
        let malformed = End::Dismissed(DisconnectReasonCode::MalformedPacket);
        let header = match check(self.input.iter(), Some(packet_max)) {
            Ok(header) => header,
            Err(Error::InsufficientBytes(_)) => return Ok(None),
            Err(Error::PayloadSizeLimitExceeded { .. }) => {
                return Err(End::Dismissed(DisconnectReasonCode::PacketTooLarge));
            }
            Err(_) => return Err(malformed),
        };
        // The codec stumbles over the two short forms of DISCONNECT (section 3.14.2.1): without a
        // reason, and with a reason but without properties.
        if self.input.first() == Some(&0xe0) && header.frame_length() <= 3 {
            let frame = self.input.split_to(header.frame_length());
            let will = frame.get(2) == Some(&4);
            let reason = if will {
                DisconnectReasonCode::DisconnectWithWillMessage
            } else {
                DisconnectReasonCode::NormalDisconnection
            };
            return Ok(Some(Packet::Disconnect(Disconnect::new(reason))));
        }
        // The frame is complete: whatever the codec finds missing now is a fault of the packet.
        Packet::read(&mut self.input, None).map(Some).map_err(|_| malformed)
    }

    async fn read(&mut self, packet_max: u32) -> Result<Packet, End> {
        loop {
            if let Some(packet) = self.next(packet_max)? {
                return Ok(packet);
            }
            self.fill().await?;
        }
    }

    async fn fill(&mut self) -> Result<(), End> {
        if self.stream.read_buf(&mut self.input).await? == 0 { Err(End::Dead) } else { Ok(()) }
    }

    /// Puts a packet into the output. One that is too large for the client is left out.
    fn put(&mut self, packet: &Packet) {
        let before = self.output.len();
        if packet.write(&mut self.output, self.largest).is_err() {
            self.output.truncate(before);
        }
    }

    /// A DISCONNECT with a reason and no properties. By hand: the codec counts it one byte short.
    fn say_goodbye(&mut self, reason: DisconnectReasonCode) {
        self.output.extend_from_slice(&[0xe0, 2, reason as u8, 0]);
    }

    /// Reads until the client has closed: a close with unread bytes would reset the connection, and
    /// the client might never see why.
    async fn drain(&mut self) {
        if self.stream.shutdown().await.is_ok() {
            while self.fill().await.is_ok() {
                self.input.clear();
            }
        }
    }

    async fn flush(&mut self) -> Result<(), End> {
        if self.output.is_empty() {
            return Ok(());
        }
        let written = timeout(PATIENCE, self.stream.write_all(&self.output)).await;
        self.output.clear();
        match written {
            Ok(Ok(())) => Ok(()),
            _ => Err(End::Dead),
        }
    }
}

struct Session {
    shared: Shared,
    line: Line,
    id: String,
    serial: u64,
    silence: Option<Duration>,
    queue: mpsc::Receiver<Publish>,
    kick: oneshot::Receiver<DisconnectReasonCode>,
    window: u16,
    last_pkid: u16,
    in_flight: BTreeSet<u16>,
    chance: StdRng,
    /// Publishes until the connection is dropped.
    left: Option<u32>,
    /// Acknowledgements not sent yet.
    owed: Vec<(u16, PubAckReason)>,
}

impl Session {
    async fn open(shared: Shared, mut line: Line, connect: Connect, mut chance: StdRng) -> Option<Self> {
        let assigned = connect.client_id.is_empty().then(|| format!("guest-{:016x}", chance.random::<u64>()));
        let id = assigned.clone().unwrap_or(connect.client_id);
        let (offer, queue) = mpsc::channel(QUEUE_MOST);
        let (kicker, kick) = oneshot::channel();
        let joined = locked(&shared.core).join(&id, offer, kicker);
        let code = if joined.is_some() { ConnectReturnCode::Success } else { ConnectReturnCode::ServerBusy };
        let behaviour = &shared.behaviour;
        line.put(&Packet::ConnAck(ConnAck {
            session_present: behaviour.lies_of_session && !connect.clean_start,
            code,
            properties: Some(terms(behaviour, assigned)),
        }));
        let told = connect.properties;
        line.largest = told.as_ref().and_then(|told| told.max_packet_size);
        let granted = told.and_then(|told| told.receive_maximum).unwrap_or(WINDOW_MOST).clamp(1, WINDOW_MOST);
        // As many as there are packet ids.
        let window = if behaviour.ignores_receive_max { u16::MAX } else { granted };
        let left = behaviour.drop_after.map(|most| chance.random_range(1..=most.max(1)));
        let flushed = line.flush().await.is_ok();
        let serial = joined?;
        let silence =
            (connect.keep_alive > 0).then(|| Duration::from_millis(1500 * u64::from(connect.keep_alive)));
        let session = Self {
            line,
            id,
            serial,
            silence,
            queue,
            kick,
            window,
            last_pkid: 0,
            in_flight: BTreeSet::new(),
            chance,
            left,
            owed: Vec::new(),
            shared,
        };
        if !flushed {
            locked(&session.shared.core).leave(&session.id, serial);
            return None;
        }
        Some(session)
    }

    /// Ends only with a reason to end.
    async fn run(&mut self) -> Result<(), End> {
        let packet_max = self.shared.behaviour.packet_max.unwrap_or(PACKET_MOST);
        let mut heard = Instant::now();
        loop {
            while let Some(packet) = self.line.next(packet_max)? {
                heard = Instant::now();
                self.packet(packet)?;
            }
            self.acknowledge()?;
            self.line.flush().await?;
            let lapses = self.silence.map(|silence| heard + silence);
            let open = self.in_flight.len() < usize::from(self.window);
            let owing = !self.owed.is_empty() && self.shared.behaviour.acknowledging != Acknowledging::Never;
            tokio::select! {
                filled = self.line.fill() => filled?,
                Some(publish) = self.queue.recv(), if open => self.deliver(publish),
                reason = &mut self.kick => {
                    return Err(End::Dismissed(reason.unwrap_or(DisconnectReasonCode::UnspecifiedError)));
                }
                () = self.shared.cancel.cancelled() => {
                    return Err(End::Dismissed(DisconnectReasonCode::ServerShuttingDown));
                }
                () = tokio::time::sleep_until(lapses.unwrap_or(heard)), if lapses.is_some() => {
                    return Err(End::Dismissed(DisconnectReasonCode::KeepAliveTimeout));
                }
                () = sleep(Duration::from_millis(1)), if owing => {}
            }
        }
    }

    fn packet(&mut self, packet: Packet) -> Result<(), End> {
        match packet {
            Packet::Publish(publish) => self.published(&publish)?,
            Packet::PubAck(ack) => {
                self.in_flight.remove(&ack.pkid);
                locked(&self.shared.core).acknowledged(&self.id, ack.pkid);
            }
            Packet::Subscribe(subscribe) => {
                let now = Instant::now();
                let mut core = locked(&self.shared.core);
                let return_codes = subscribe
                    .filters
                    .into_iter()
                    .map(|filter| core.subscribe(&self.id, filter, now))
                    .collect();
                drop(core);
                self.line.put(&Packet::SubAck(SubAck {
                    pkid: subscribe.pkid,
                    return_codes,
                    properties: None,
                }));
            }
            Packet::Unsubscribe(unsubscribe) => {
                let mut core = locked(&self.shared.core);
                let told =
                    |was| if was { UnsubAckReason::Success } else { UnsubAckReason::NoSubscriptionExisted };
                let reasons =
                    unsubscribe.filters.iter().map(|path| told(core.unsubscribe(&self.id, path))).collect();
                drop(core);
                self.line.put(&Packet::UnsubAck(UnsubAck {
                    pkid: unsubscribe.pkid,
                    reasons,
                    properties: None,
                }));
            }
            Packet::PingReq(_) => self.line.put(&Packet::PingResp(PingResp)),
            Packet::Disconnect(last) => {
                let with_will = last.reason_code != DisconnectReasonCode::NormalDisconnection;
                return Err(if with_will { End::Dead } else { End::Goodbye });
            }
            _ => return Err(End::Dismissed(DisconnectReasonCode::ProtocolError)),
        }
        Ok(())
    }

    fn published(&mut self, publish: &Publish) -> Result<(), End> {
        if publish.qos == QoS::ExactlyOnce {
            return Err(End::Dismissed(DisconnectReasonCode::QoSNotSupported));
        }
        if publish.topic.is_empty() {
            return Err(End::Dismissed(DisconnectReasonCode::TopicAliasInvalid));
        }
        match &mut self.left {
            Some(0) => return Err(End::Dead),
            Some(left) => *left -= 1,
            None => {}
        }
        let refused = self
            .shared
            .behaviour
            .refuse
            .filter(|_| publish.qos == QoS::AtLeastOnce)
            .filter(|(_, thousandths)| self.chance.random_range(0..1000) < *thousandths);
        let reason = match refused {
            Some((reason, _)) => reason,
            None if self.forgets(publish) => PubAckReason::Success,
            None => locked(&self.shared.core).publish(&self.id, publish, Instant::now()),
        };
        if publish.qos == QoS::AtLeastOnce {
            self.owed.push((publish.pkid, reason));
            let most = self.shared.behaviour.receive_max.unwrap_or(u16::MAX);
            if self.owed.len() > usize::from(most) {
                locked(&self.shared.core).observed.over_receive_max += 1;
            }
        }
        Ok(())
    }

    fn forgets(&mut self, publish: &Publish) -> bool {
        let thousandths = self.shared.behaviour.forgets;
        thousandths > 0
            && publish.qos == QoS::AtLeastOnce
            && !publish.retain
            && self.chance.random_range(0..1000) < thousandths
    }

    fn acknowledge(&mut self) -> Result<(), End> {
        let due = match self.shared.behaviour.acknowledging {
            Acknowledging::Promptly => self.owed.len(),
            Acknowledging::Never => 0,
            Acknowledging::Late => self.chance.random_range(0..=self.owed.len()),
            Acknowledging::OutOfOrder => {
                self.owed.shuffle(&mut self.chance);
                self.chance.random_range(0..=self.owed.len())
            }
        };
        for (pkid, reason) in self.owed.drain(..due) {
            self.line.put(&Packet::PubAck(PubAck { pkid, reason, properties: None }));
        }
        if self.left == Some(0) && self.chance.random_bool(0.5) {
            return Err(End::Dead);
        }
        Ok(())
    }

    fn deliver(&mut self, mut publish: Publish) {
        if publish.qos != QoS::AtMostOnce {
            publish.pkid = self.free_pkid();
            self.in_flight.insert(publish.pkid);
            locked(&self.shared.core).sent(self.in_flight.len());
        }
        self.line.put(&Packet::Publish(publish));
    }

    /// The window is smaller than the range of ids: one is free.
    fn free_pkid(&mut self) -> u16 {
        loop {
            self.last_pkid = self.last_pkid.checked_add(1).unwrap_or(1);
            if !self.in_flight.contains(&self.last_pkid) {
                return self.last_pkid;
            }
        }
    }

    async fn close(mut self, end: End, will: Option<LastWill>) {
        let ours = locked(&self.shared.core).leave(&self.id, self.serial);
        if let End::Dismissed(reason) = end {
            self.line.say_goodbye(reason);
            if self.line.flush().await.is_ok() {
                let _ = timeout(LINGER, self.line.drain()).await;
            }
        }
        let stays_silent = matches!(end, End::Goodbye) || !ours || self.shared.cancel.is_cancelled();
        if let (Some(will), false) = (will, stays_silent) {
            self.schedule(will);
        }
    }

    fn schedule(&self, will: LastWill) {
        let token = locked(&self.shared.core).will_waits(&self.id);
        let (core, cancel, id) = (Arc::clone(&self.shared.core), self.shared.cancel.clone(), self.id.clone());
        self.shared.tasks.spawn(async move {
            let delay = will.properties.as_ref().and_then(|told| told.delay_interval).unwrap_or(0);
            tokio::select! {
                () = token.cancelled() => {}
                () = cancel.cancelled() => {}
                () = sleep(Duration::from_secs(u64::from(delay))) => {
                    locked(&core).publish(&id, &as_publish(will), Instant::now());
                }
            }
        });
    }
}

fn as_publish(will: LastWill) -> Publish {
    let properties = will.properties.map(|told| PublishProperties {
        payload_format_indicator: told.payload_format_indicator,
        message_expiry_interval: told.message_expiry_interval,
        response_topic: told.response_topic,
        correlation_data: told.correlation_data,
        user_properties: told.user_properties,
        content_type: told.content_type,
        ..PublishProperties::default()
    });
    let qos = if will.qos == QoS::AtMostOnce { QoS::AtMostOnce } else { QoS::AtLeastOnce };
    Publish {
        qos,
        retain: will.retain,
        topic: will.topic,
        payload: will.message,
        properties,
        ..Publish::default()
    }
}

/// What the broker offers, as its CONNACK tells it.
fn terms(behaviour: &Behaviour, assigned: Option<String>) -> ConnAckProperties {
    ConnAckProperties {
        session_expiry_interval: Some(0),
        receive_max: behaviour.receive_max,
        max_qos: Some(1),
        retain_available: None,
        max_packet_size: Some(behaviour.packet_max.unwrap_or(PACKET_MOST)),
        assigned_client_identifier: assigned,
        topic_alias_max: None,
        reason_string: None,
        user_properties: Vec::new(),
        wildcard_subscription_available: None,
        subscription_identifiers_available: Some(0),
        shared_subscription_available: Some(0),
        server_keep_alive: None,
        response_information: None,
        server_reference: None,
        authentication_method: None,
        authentication_data: None,
    }
}
