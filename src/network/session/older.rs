//! MQTT 3.1.1 told in the terms of MQTT 5. Its acknowledgement has no reason: it reads as success,
//! also for what the broker threw away, which is why this is only spoken where somebody set it.

use super::client::{Client, older};
use super::{Ending, PACKET_MOST, Signal, Wire, unreachable};
use crate::network::{Identity, Link};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, ConnectReturnCode as Code, Packet, PubAck, Publish, SubAck, SubscribeReasonCode,
};
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, MqttOptions, NetworkOptions, StateError,
};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_util::task::AbortOnDropHandle;

/// The largest packet of the protocol (MQTT 3.1.1, section 2.2.3): the broker says nothing of a
/// limit of its own.
const OUTGOING_MOST: usize = 268_435_455;

/// Opens a connection; `will`: topic and payload of the last will.
pub(super) fn open(link: &Link, identity: Identity, will: Option<(&str, String)>, capacity: usize) -> Wire {
    let mut options = MqttOptions::new(identity.client_id(&link.station), &link.host, link.port);
    options.set_keep_alive(Duration::from_secs(u64::from(link.keep_alive_s.max(5))));
    options.set_clean_session(true);
    options.set_inflight(link.window.max(1).saturating_add(1));
    options.set_max_packet_size(PACKET_MOST as usize, OUTGOING_MOST);
    options.set_manual_acks(identity == Identity::In);
    if let Some((topic, payload)) = will {
        options.set_last_will(rumqttc::LastWill::new(topic, payload, older(QoS::AtLeastOnce), true));
    }
    if let Some(user) = &link.user {
        options.set_credentials(user, super::password(link));
    }
    if let Some(transport) = super::transport(link) {
        options.set_transport(transport);
    }
    let place = options.broker_address();
    let (client, mut event_loop) = AsyncClient::new(options, capacity);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(5);
    event_loop.set_network_options(network);
    let (tell, events) = mpsc::channel(super::SIGNALS);
    let task = tokio::spawn(async move {
        loop {
            match event_loop.poll().await {
                Ok(event) => {
                    if let Some(event) = newer(event)
                        && tell.send(Signal::Event(Box::new(event))).await.is_err()
                    {
                        return;
                    }
                }
                Err(error) => {
                    let left = std::mem::take(&mut event_loop.state.events);
                    let left = left.into_iter().filter_map(newer).collect();
                    let _ = tell.send(Signal::Ended { left, why: ending(&error, &place) }).await;
                    return;
                }
            }
        }
    });
    Wire { client: Client::Older(client), events, _task: AbortOnDropHandle::new(task) }
}

/// The same event as MQTT 5 has it; none for what nobody waits for.
fn newer(event: Event) -> Option<rumqttc::v5::Event> {
    let packet = match event {
        Event::Outgoing(outgoing) => return Some(rumqttc::v5::Event::Outgoing(outgoing)),
        Event::Incoming(packet) => packet,
    };
    let packet = match packet {
        rumqttc::Packet::ConnAck(ack) => {
            let session_present = ack.session_present;
            Packet::ConnAck(ConnAck { session_present, code: Code::Success, properties: None })
        }
        rumqttc::Packet::PubAck(ack) => Packet::PubAck(PubAck::new(ack.pkid, None)),
        rumqttc::Packet::SubAck(ack) => {
            let return_codes = ack.return_codes.iter().map(|code| match code {
                rumqttc::SubscribeReasonCode::Success(_) => SubscribeReasonCode::Success(QoS::AtLeastOnce),
                rumqttc::SubscribeReasonCode::Failure => SubscribeReasonCode::NotAuthorized,
            });
            Packet::SubAck(SubAck { pkid: ack.pkid, return_codes: return_codes.collect(), properties: None })
        }
        rumqttc::Packet::Publish(publish) => {
            let qos = match publish.qos {
                rumqttc::QoS::AtMostOnce => QoS::AtMostOnce,
                rumqttc::QoS::AtLeastOnce => QoS::AtLeastOnce,
                rumqttc::QoS::ExactlyOnce => QoS::ExactlyOnce,
            };
            let mut same = Publish::new(publish.topic, qos, publish.payload, None);
            (same.dup, same.retain, same.pkid) = (publish.dup, publish.retain, publish.pkid);
            Packet::Publish(same)
        }
        _ => return None,
    };
    Some(rumqttc::v5::Event::Incoming(packet))
}

fn ending(error: &ConnectionError, place: &(String, u16)) -> Ending {
    let (host, port) = place;
    let text = match error {
        ConnectionError::MqttState(StateError::ConnectionAborted) => {
            return Ending::Closed(format!(
                "the broker {host}:{port} closed the connection without a reason"
            ));
        }
        ConnectionError::MqttState(StateError::AwaitPingResp) => {
            format!("the broker {host}:{port} did not answer within the keepalive")
        }
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => {
            format!("the broker {host}:{port} did not answer in time")
        }
        ConnectionError::ConnectionRefused(ConnectReturnCode::BadUserNamePassword) => {
            format!(
                "the broker {host}:{port} refuses the connection: user or password is wrong; check the settings"
            )
        }
        ConnectionError::ConnectionRefused(ConnectReturnCode::NotAuthorized) => {
            format!(
                "the broker {host}:{port} refuses the connection: this station is not allowed; check user and access list"
            )
        }
        ConnectionError::ConnectionRefused(code) => {
            format!("the broker {host}:{port} refuses the connection: {code:?}")
        }
        ConnectionError::Tls(error) => super::tls::in_words(error, place),
        ConnectionError::Io(error) => unreachable(error, place),
        other => format!("the connection to the broker {host}:{port} failed: {other}"),
    };
    Ending::Lost(text)
}
