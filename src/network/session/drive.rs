//! The task of one connection: packets to the wire and from it, until its end.
//!
//! All requests that wait are written at once, and all packets that came are told at once: under load
//! one write stands for dozens of messages, and a lone one is not held back for company.

use super::client::Request;
use super::dialect::Dialect;
use super::fault::Fault;
use super::{Signal, Will};
use crate::network::{Identity, Link};
use bytes::BytesMut;
use rumqttc::Outgoing;
use rumqttc::v5::Event;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, Packet, Publish};
use std::collections::VecDeque;
use std::io;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::time::{Instant, MissedTickBehavior, interval_at, timeout};

/// Time for the connection to stand and to be answered.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);
/// Time for what a broker said before it closed: it is here already, or does not come.
const LAST_WORDS_WITHIN: Duration = Duration::from_millis(100);
/// Bytes taken from the wire at once.
const CHUNK: usize = 8 * 1024;
/// Requests taken at once.
const MANY: usize = 256;
/// Events that whoever listens has no room for, from which on nothing is read: the broker waits.
const UNTOLD: usize = 256;

/// Plain or encrypted.
trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

/// One connection.
pub(super) struct Drive {
    dialect: Dialect,
    stream: Box<dyn Stream>,
    came: BytesMut,
    out: BytesMut,
    requests: mpsc::Receiver<Request>,
    signals: mpsc::Sender<Signal>,
    /// What happened and was not told yet.
    happened: Vec<Event>,
    /// The last packet id that was given.
    last_id: u16,
    /// Messages that the broker takes without having acknowledged one, and how many are on their way.
    quota: u16,
    in_flight: u16,
    /// Messages for which there is no room, in order.
    held: VecDeque<Publish>,
    keep_alive: Duration,
    /// The broker was asked whether it is there, and nothing came since.
    pinged: bool,
}

/// Connects and serves the connection to its end; what is told last is the end.
pub(super) async fn run(
    link: Link,
    identity: Identity,
    will: Option<Will>,
    requests: mpsc::Receiver<Request>,
    signals: mpsc::Sender<Signal>,
) {
    let (fault, left) = match connect(&link, identity, will.as_ref(), requests, signals.clone()).await {
        Err(fault) => (fault, Vec::new()),
        Ok(mut drive) => match drive.serve().await {
            // Nobody listens any more.
            Ok(()) => return,
            Err(fault) => (fault, std::mem::take(&mut drive.happened)),
        },
    };
    let _ = signals.send(Signal::Ended { left, why: fault.ending(&link.host, link.port) }).await;
}

async fn connect(
    link: &Link,
    identity: Identity,
    will: Option<&Will>,
    requests: mpsc::Receiver<Request>,
    signals: mpsc::Sender<Signal>,
) -> Result<Drive, Fault> {
    let dialect = if link.how.older { Dialect::Older } else { Dialect::Five };
    let mut out = BytesMut::with_capacity(512);
    dialect.connect(link, identity, will, &mut out)?;
    let opened = async {
        let tcp = TcpStream::connect((link.host.as_str(), link.port)).await.map_err(Fault::Unreachable)?;
        tcp.set_nodelay(true).map_err(Fault::Unreachable)?;
        let mut stream: Box<dyn Stream> = match &link.how.tls {
            None => Box::new(tcp),
            Some(tls) => Box::new(tls.over(&link.host, tcp).await.map_err(Fault::Untrusted)?),
        };
        stream.write_all_buf(&mut out).await.map_err(Fault::Broken)?;
        stream.flush().await.map_err(Fault::Broken)?;
        let mut came = BytesMut::with_capacity(CHUNK);
        loop {
            if let Some(packet) = dialect.read(&mut came)? {
                return Ok((stream, came, packet));
            }
            if stream.read_buf(&mut came).await.map_err(Fault::Broken)? == 0 {
                return Err(Fault::Closed);
            }
        }
    };
    let (stream, came, packet) = timeout(CONNECT_WITHIN, opened).await.map_err(|_| Fault::NoAnswer)??;
    let answer = match packet {
        Packet::ConnAck(answer) if answer.code == ConnectReturnCode::Success => answer,
        Packet::ConnAck(answer) => return Err(Fault::Refused(answer.code)),
        other => return Err(Fault::Malformed(format!("{other:?} in answer to the connect"))),
    };
    let told = answer.properties.as_ref();
    let keep_alive = told.and_then(|told| told.server_keep_alive).unwrap_or(super::keep_alive_s(link));
    Ok(Drive {
        dialect,
        stream,
        came,
        out,
        requests,
        signals,
        quota: told.and_then(|told| told.receive_max).unwrap_or(u16::MAX).max(1),
        happened: vec![Event::Incoming(Packet::ConnAck(answer))],
        last_id: 0,
        in_flight: 0,
        held: VecDeque::new(),
        // Zero: the broker wants none (MQTT 5, section 3.2.2.3.14).
        keep_alive: Duration::from_secs(if keep_alive == 0 { 3600 } else { keep_alive.into() }),
        pinged: false,
    })
}

impl Drive {
    /// `Ok`: nobody listens any more.
    async fn serve(&mut self) -> Result<(), Fault> {
        let mut pings = interval_at(Instant::now() + self.keep_alive, self.keep_alive);
        pings.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut asked = Vec::new();
        let signals = self.signals.clone();
        loop {
            // What came right behind the answer to the connect is looked at first.
            self.take()?;
            if let Err(error) = self.write().await {
                return Err(self.last_words().await.unwrap_or(Fault::Broken(error)));
            }
            self.came.reserve(CHUNK);
            // Whoever listens may be behind: meanwhile all that is asked goes out, and answers do not wait
            // for what came after them.
            let (tells, hears) = (!self.happened.is_empty(), self.happened.len() < UNTOLD);
            tokio::select! {
                room = signals.reserve(), if tells => match room {
                    Ok(room) => room.send(Signal::Events(std::mem::take(&mut self.happened))),
                    Err(_) => return Ok(()),
                },
                read = self.stream.read_buf(&mut self.came), if hears => match read {
                    Ok(0) => return Err(Fault::Closed),
                    // Whatever it says, it is there.
                    Ok(_) => self.pinged = false,
                    Err(error) => return Err(Fault::Broken(error)),
                },
                count = self.requests.recv_many(&mut asked, MANY), if self.held.is_empty() => {
                    if count == 0 {
                        return Ok(());
                    }
                    for request in asked.drain(..) {
                        self.give(request)?;
                    }
                }
                _ = pings.tick() => {
                    // An answer that is not read is no silence. What is asked shows the broker that we are here.
                    if std::mem::replace(&mut self.pinged, hears) {
                        return Err(Fault::Silent);
                    }
                    Dialect::ping(&mut self.out)?;
                }
            }
        }
    }

    async fn write(&mut self) -> io::Result<()> {
        if self.out.is_empty() {
            return Ok(());
        }
        self.stream.write_all_buf(&mut self.out).await?;
        self.stream.flush().await
    }

    /// Nothing can be written any more: what the broker said before it closed tells why.
    async fn last_words(&mut self) -> Option<Fault> {
        let said = async { while self.stream.read_buf(&mut self.came).await.is_ok_and(|bytes| bytes > 0) {} };
        let _ = timeout(LAST_WORDS_WITHIN, said).await;
        self.take().err()
    }

    /// Takes every packet that has come whole.
    fn take(&mut self) -> Result<(), Fault> {
        while let Some(packet) = self.dialect.read(&mut self.came)? {
            match packet {
                Packet::PingResp(_) => {}
                Packet::Disconnect(goodbye) => {
                    let words = goodbye.properties.and_then(|told| told.reason_string);
                    return Err(Fault::Goodbye(goodbye.reason_code, words));
                }
                Packet::PubAck(_) => {
                    self.in_flight = self.in_flight.saturating_sub(1);
                    self.happened.push(Event::Incoming(packet));
                    while self.in_flight < self.quota
                        && let Some(publish) = self.held.pop_front()
                    {
                        self.publish(publish)?;
                    }
                }
                Packet::Publish(_) | Packet::SubAck(_) => self.happened.push(Event::Incoming(packet)),
                other => return Err(Fault::Malformed(format!("no station is sent {other:?}"))),
            }
        }
        Ok(())
    }

    fn give(&mut self, request: Request) -> Result<(), Fault> {
        match request {
            Request::Publish(publish) if self.in_flight >= self.quota || !self.held.is_empty() => {
                self.held.push_back(publish);
                Ok(())
            }
            Request::Publish(publish) => self.publish(publish),
            Request::Ack(id) => Dialect::ack(id, &mut self.out),
            Request::Subscribe(filters) => {
                let id = self.next_id();
                self.dialect.subscribe(id, filters, &mut self.out)
            }
            Request::Disconnect => {
                self.happened.push(Event::Outgoing(Outgoing::Disconnect));
                self.dialect.disconnect(&mut self.out)
            }
        }
    }

    fn publish(&mut self, mut publish: Publish) -> Result<(), Fault> {
        if publish.qos != QoS::AtMostOnce {
            publish.pkid = self.next_id();
            self.in_flight = self.in_flight.saturating_add(1);
        }
        self.happened.push(Event::Outgoing(Outgoing::Publish(publish.pkid)));
        self.dialect.publish(publish, &mut self.out)
    }

    /// Packet ids run through the whole of their range: no message is on its way for so long that
    /// its id comes again.
    fn next_id(&mut self) -> u16 {
        self.last_id = self.last_id.checked_add(1).unwrap_or(1);
        self.last_id
    }
}
