//! One connection of one client identity.
//!
//! The client library keeps state from one connection to the next and mixes the events of a dead
//! connection into the new one; so each connection gets an event loop of its own, which ends with
//! it. The task that owns the loop does nothing but poll it: a poll that is dropped half-way can
//! lose a packet.

mod client;
mod older;
mod tls;

pub use client::{Client, Full};
pub use tls::{CertificateFault, Encryption};

use super::{Identity, Link};
use rand::Rng;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectProperties, ConnectReturnCode, DisconnectReasonCode, LastWill};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, MqttOptions, StateError};
use rumqttc::{NetworkOptions, Transport};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_util::task::AbortOnDropHandle;

/// Largest packet that the station takes.
pub const PACKET_MOST: u32 = 256 * 1024;

/// Seconds that the broker waits before it tells of a lost station: a blink of the radio link is
/// no outage.
const WILL_DELAY_S: u32 = 5;
/// Seconds that the broker keeps the outgoing session, for the will's delay to run.
const OUT_EXPIRY_S: u32 = 60;

/// A running connection. Dropping it closes the connection without a word.
pub struct Wire {
    /// Takes requests; only its `try_` methods are used.
    pub client: Client,
    /// What happens on the connection, in order; `Ended` is the last.
    pub events: mpsc::Receiver<Signal>,
    _task: AbortOnDropHandle<()>,
}

/// Something that happened on a connection.
#[derive(Debug)]
pub enum Signal {
    /// A packet came or went.
    Event(Box<Event>),
    /// The connection is over. `left`: events that had happened before and were not told yet.
    Ended {
        /// Those events.
        left: Vec<Event>,
        /// Why it ended.
        why: Ending,
    },
}

/// Why a connection ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// Another client connected under the same id (MQTT 5 reason 0x8E).
    TakenOver,
    /// The broker closed it without a reason that could be read, in words. Some brokers tell a
    /// take-over in a short form (a reason and no properties) that the client library passes over.
    Closed(String),
    /// Anything else, in words.
    Lost(String),
}

/// Events that may wait for whoever drives the connection.
const SIGNALS: usize = 256;

/// Opens a connection; `capacity` requests may wait in the client library. `will`: topic and
/// payload of the last will.
pub fn open(link: &Link, identity: Identity, will: Option<(&str, String)>, capacity: usize) -> Wire {
    if link.how.older {
        return older::open(link, identity, will, capacity);
    }
    let options = match will {
        Some((topic, will)) => outgoing(link, topic, will),
        None => common(link, identity, 0),
    };
    let place = options.broker_address();
    let (client, mut event_loop) = AsyncClient::new(options, capacity);
    let (tell, events) = mpsc::channel(SIGNALS);
    let task = tokio::spawn(async move {
        loop {
            match event_loop.poll().await {
                Ok(event) => {
                    if tell.send(Signal::Event(Box::new(event))).await.is_err() {
                        return;
                    }
                }
                Err(error) => {
                    let left = std::mem::take(&mut event_loop.state.events).into();
                    let _ = tell.send(Signal::Ended { left, why: ending(&error, &place) }).await;
                    return;
                }
            }
        }
    });
    Wire { client: Client::Five(client), events, _task: AbortOnDropHandle::new(task) }
}

/// Connection options of the outgoing identity, with the will.
fn outgoing(link: &Link, topic: &str, will: String) -> MqttOptions {
    let mut options = common(link, Identity::Out, OUT_EXPIRY_S);
    let mut last = LastWill::new(topic, will, QoS::AtLeastOnce, true, None);
    last.properties = Some(rumqttc::v5::mqttbytes::v5::LastWillProperties {
        delay_interval: Some(WILL_DELAY_S),
        payload_format_indicator: Some(1),
        message_expiry_interval: None,
        content_type: Some(super::documents::STATE_TYPE.into()),
        response_topic: None,
        correlation_data: None,
        user_properties: Vec::new(),
    });
    options.set_last_will(last);
    options
}

fn common(link: &Link, identity: Identity, expiry_s: u32) -> MqttOptions {
    let mut options = MqttOptions::new(identity.client_id(&link.station), &link.host, link.port);
    // The library panics under 5 s.
    options.set_keep_alive(Duration::from_secs(u64::from(link.keep_alive_s.max(5))));
    options.set_clean_start(true);
    options.set_connection_timeout(5);
    // One more than ever in flight, so that the library's own brake stays out of play.
    options.set_outgoing_inflight_upper_limit(link.window.max(1).saturating_add(1));
    let mut connect = ConnectProperties::new();
    connect.session_expiry_interval = Some(expiry_s);
    connect.max_packet_size = Some(PACKET_MOST);
    connect.receive_maximum = Some(32);
    options.set_connect_properties(connect);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    options.set_network_options(network);
    options.set_manual_acks(identity == Identity::In);
    if let Some(user) = &link.user {
        options.set_credentials(user, password(link));
    }
    if let Some(transport) = transport(link) {
        options.set_transport(transport);
    }
    options
}

fn password(link: &Link) -> String {
    link.password.as_ref().map(|secret| secret.0.clone()).unwrap_or_default()
}

fn transport(link: &Link) -> Option<Transport> {
    link.how.tls.as_ref().map(|tls| Transport::tls_with_config(tls.configuration()))
}

/// Pauses between connections: doubling, jittered, started afresh by a connection that lasted.
#[derive(Debug)]
pub struct Pauses {
    first: Duration,
    most: Duration,
    next: Duration,
}

impl Pauses {
    /// Pauses from `first` to `most`.
    pub fn new(first: Duration, most: Duration) -> Self {
        Self { first, most, next: first }
    }

    /// The next pause lasts `first` again.
    pub fn reset(&mut self) {
        self.next = self.first;
    }

    /// The next pause: between half and all of its nominal length, so that many stations do not
    /// come back to a restarted broker in step.
    pub fn take(&mut self) -> Duration {
        let nominal = self.next.min(self.most);
        self.next = nominal.saturating_mul(2).min(self.most);
        nominal.mul_f64(rand::rng().random_range(0.5..=1.0))
    }
}

fn ending(error: &ConnectionError, (host, port): &(String, u16)) -> Ending {
    let text = match error {
        ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, reason_string }) => {
            if *reason_code == DisconnectReasonCode::SessionTakenOver {
                return Ending::TakenOver;
            }
            let said = reason_string.as_ref().map(|said| format!(": {said}")).unwrap_or_default();
            format!("the broker {host}:{port} ended the connection ({reason_code:?}{said})")
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => {
            return Ending::Closed(format!(
                "the broker {host}:{port} closed the connection without a reason"
            ));
        }
        ConnectionError::MqttState(StateError::AwaitPingResp) => {
            format!("the broker {host}:{port} did not answer within the keepalive")
        }
        ConnectionError::MqttState(error) => {
            format!("the connection to the broker {host}:{port} failed: {error}")
        }
        ConnectionError::Timeout(_) => format!("the broker {host}:{port} did not answer the connect"),
        ConnectionError::ConnectionRefused(code) => {
            format!("the broker {host}:{port} refuses the connection: {}", refusal(*code))
        }
        ConnectionError::Tls(error) => tls::in_words(error, &(host.clone(), *port)),
        ConnectionError::Io(error) => unreachable(error, &(host.clone(), *port)),
        other => format!("the connection to the broker {host}:{port} failed: {other}"),
    };
    Ending::Lost(text)
}

fn unreachable(error: &std::io::Error, (host, port): &(String, u16)) -> String {
    format!("the broker {host}:{port} cannot be reached: {error}. Check the host, the port and the cable")
}

fn refusal(code: ConnectReturnCode) -> String {
    match code {
        ConnectReturnCode::BadUserNamePassword => "user or password is wrong; check the settings".into(),
        ConnectReturnCode::NotAuthorized => "this station is not allowed; check user and access list".into(),
        ConnectReturnCode::UnsupportedProtocolVersion | ConnectReturnCode::RefusedProtocolVersion => {
            "it does not speak MQTT 5, which the station needs to know that a document arrived; where there is no \
             other broker, `network.protocol = \"3.1.1\"` does without"
                .into()
        }
        ConnectReturnCode::ServerBusy | ConnectReturnCode::ServerUnavailable => "it is busy".into(),
        other => format!("{other:?}"),
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn pauses_grow_to_their_limit_and_start_afresh() {
        let mut pauses = Pauses::new(Duration::from_millis(100), Duration::from_millis(350));
        for nominal in [100, 200, 350, 350] {
            let pause = pauses.take();
            assert!(pause <= Duration::from_millis(nominal), "{pause:?} over {nominal} ms");
            assert!(pause >= Duration::from_millis(nominal / 2), "{pause:?} under half of {nominal} ms");
        }
        pauses.reset();
        assert!(pauses.take() <= Duration::from_millis(100));
    }
}
