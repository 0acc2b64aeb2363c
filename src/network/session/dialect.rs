//! The two protocols on the wire, by the library's codecs: packets to bytes and back, and nothing else.
//!
//! MQTT 3.1.1 is told in the terms of MQTT 5. Its acknowledgement has no reason: it reads as success,
//! also for what the broker threw away, which is why it is only spoken where somebody set it.

use super::fault::Fault;
use super::{OUT_EXPIRY_S, PACKET_MOST, WILL_DELAY_S, Will};
use crate::network::documents::STATE_TYPE;
use crate::network::{Identity, Link};
use bytes::BytesMut;
use rumqttc::mqttbytes as older;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, Connect, ConnectProperties, ConnectReturnCode as Code, Disconnect, DisconnectReasonCode, Filter,
    LastWill, LastWillProperties, Login, Packet, PingReq, PubAck, Publish, SubAck, Subscribe,
    SubscribeReasonCode, check,
};
use rumqttc::v5::mqttbytes::{Error, QoS};

/// The protocol of a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Dialect {
    /// MQTT 5.
    Five,
    /// MQTT 3.1.1.
    Older,
}

impl Dialect {
    /// The packet that opens a connection.
    pub(super) fn connect(
        self,
        link: &Link,
        identity: Identity,
        will: Option<&Will>,
        out: &mut BytesMut,
    ) -> Result<(), Fault> {
        let client_id = identity.client_id(&link.station);
        let password = link.password.as_ref().map(|secret| secret.0.clone()).unwrap_or_default();
        let login = link.user.as_ref().map(|user| (user.clone(), password));
        let keep_alive = super::keep_alive_s(link);
        let written = match self {
            Self::Five => {
                let properties = ConnectProperties {
                    session_expiry_interval: Some(if identity == Identity::Out { OUT_EXPIRY_S } else { 0 }),
                    receive_maximum: Some(32),
                    max_packet_size: Some(PACKET_MOST),
                    ..ConnectProperties::new()
                };
                let connect =
                    Connect { keep_alive, client_id, clean_start: true, properties: Some(properties) };
                let login = login.map(|(user, password)| Login::new(user, password));
                connect.write(&will.map(last_will), &login, out).map_err(|e| e.to_string())
            }
            Self::Older => {
                let mut connect = older::v4::Connect::new(client_id);
                connect.keep_alive = keep_alive;
                connect.last_will = will.map(|will| {
                    older::v4::LastWill::new(
                        &will.topic,
                        will.payload.as_str(),
                        older::QoS::AtLeastOnce,
                        true,
                    )
                });
                if let Some((user, password)) = login {
                    connect.set_login(user, password);
                }
                connect.write(out).map_err(|e| e.to_string())
            }
        };
        written.map(drop).map_err(Fault::Unwritable)
    }

    /// Writes a message under its packet id.
    pub(super) fn publish(self, publish: Publish, out: &mut BytesMut) -> Result<(), Fault> {
        let written = match self {
            Self::Five => publish.write(out).map_err(|e| e.to_string()),
            Self::Older => {
                let topic = String::from_utf8_lossy(&publish.topic).into_owned();
                let mut same = older::v4::Publish::from_bytes(topic, older_qos(publish.qos), publish.payload);
                (same.retain, same.pkid) = (publish.retain, publish.pkid);
                same.write(out).map_err(|e| e.to_string())
            }
        };
        written.map(drop).map_err(Fault::Unwritable)
    }

    /// Writes a subscription under its packet id.
    pub(super) fn subscribe(self, pkid: u16, filters: Vec<Filter>, out: &mut BytesMut) -> Result<(), Fault> {
        let written = match self {
            Self::Five => {
                let mut subscribe = Subscribe::new_many(filters, None);
                subscribe.pkid = pkid;
                subscribe.write(out).map_err(|e| e.to_string())
            }
            Self::Older => {
                let filters =
                    filters.into_iter().map(|f| older::v4::SubscribeFilter::new(f.path, older_qos(f.qos)));
                let mut subscribe = older::v4::Subscribe::new_many(filters);
                subscribe.pkid = pkid;
                subscribe.write(out).map_err(|e| e.to_string())
            }
        };
        written.map(drop).map_err(Fault::Unwritable)
    }

    /// Writes an acknowledgement. It is the same in both protocols.
    pub(super) fn ack(pkid: u16, out: &mut BytesMut) -> Result<(), Fault> {
        PubAck::new(pkid, None).write(out).map(drop).map_err(|e| Fault::Unwritable(e.to_string()))
    }

    /// Writes the question whether the broker is there.
    pub(super) fn ping(out: &mut BytesMut) -> Result<(), Fault> {
        PingReq::write(out).map(drop).map_err(|e| Fault::Unwritable(e.to_string()))
    }

    /// Writes goodbye.
    pub(super) fn disconnect(self, out: &mut BytesMut) -> Result<(), Fault> {
        let written = match self {
            Self::Five => Disconnect::new(DisconnectReasonCode::NormalDisconnection)
                .write(out)
                .map_err(|e| e.to_string()),
            Self::Older => older::v4::Disconnect.write(out).map_err(|e| e.to_string()),
        };
        written.map(drop).map_err(Fault::Unwritable)
    }

    /// Takes the next whole packet out of what came; `None` while there is none.
    pub(super) fn read(self, came: &mut BytesMut) -> Result<Option<Packet>, Fault> {
        let before = came.len();
        let read = match self {
            Self::Five => five(came),
            Self::Older => match older::v4::Packet::read(came, PACKET_MOST as usize) {
                Ok(packet) => newer(packet).map(Some),
                Err(older::Error::InsufficientBytes(_)) => Ok(None),
                Err(error) => Err(Fault::Malformed(error.to_string())),
            },
        };
        match read {
            // It was whole and has been taken out: more will not come of it.
            Ok(None) if came.len() != before => {
                Err(Fault::Malformed("a packet is shorter than what it begins to tell".to_owned()))
            }
            read => read,
        }
    }
}

/// The whole packets at the begin of what a broker sent, in words, up to what is none; `older`: over
/// MQTT 3.1.1. What is left is half of a packet. For whoever tries any bytes at all.
#[doc(hidden)]
pub fn packets_in_words(older: bool, came: &mut BytesMut) -> Result<Vec<String>, Vec<String>> {
    let (dialect, mut read) = (if older { Dialect::Older } else { Dialect::Five }, Vec::new());
    loop {
        match dialect.read(came) {
            Ok(Some(packet)) => read.push(format!("{packet:?}")),
            Ok(None) => return Ok(read),
            Err(_) => return Err(read),
        }
    }
}

/// The codec stumbles over the two short forms of DISCONNECT (MQTT 5, section 3.14.2.1): without a
/// reason, and with a reason but without properties.
fn five(came: &mut BytesMut) -> Result<Option<Packet>, Fault> {
    if came.first() == Some(&0xe0)
        && let Ok(header) = check(came.iter(), Some(PACKET_MOST))
        && header.frame_length() <= 3
    {
        let frame = came.split_to(header.frame_length());
        let reason = frame.get(2).copied().unwrap_or_default();
        let reason = DisconnectReasonCode::try_from(reason).map_err(|_| {
            Fault::Malformed(format!("it ends the connection for the unknown reason {reason}"))
        })?;
        return Ok(Some(Packet::Disconnect(Disconnect::new(reason))));
    }
    match Packet::read(came, Some(PACKET_MOST)) {
        Ok(packet) => Ok(Some(packet)),
        Err(Error::InsufficientBytes(_)) => Ok(None),
        Err(error) => Err(Fault::Malformed(error.to_string())),
    }
}

fn last_will(will: &Will) -> LastWill {
    let mut last = LastWill::new(will.topic.as_str(), will.payload.as_str(), QoS::AtLeastOnce, true, None);
    last.properties = Some(LastWillProperties {
        delay_interval: Some(WILL_DELAY_S),
        payload_format_indicator: Some(1),
        message_expiry_interval: None,
        content_type: Some(STATE_TYPE.into()),
        response_topic: None,
        correlation_data: None,
        user_properties: Vec::new(),
    });
    last
}

/// The same packet as MQTT 5 has it.
fn newer(packet: older::v4::Packet) -> Result<Packet, Fault> {
    Ok(match packet {
        older::v4::Packet::ConnAck(ack) => {
            if ack.code != older::v4::ConnectReturnCode::Success {
                return Err(Fault::RefusedByOlder(ack.code));
            }
            let session_present = ack.session_present;
            Packet::ConnAck(ConnAck { session_present, code: Code::Success, properties: None })
        }
        older::v4::Packet::PubAck(ack) => Packet::PubAck(PubAck::new(ack.pkid, None)),
        older::v4::Packet::SubAck(ack) => {
            let return_codes = ack.return_codes.iter().map(|code| match code {
                older::v4::SubscribeReasonCode::Success(_) => SubscribeReasonCode::Success(QoS::AtLeastOnce),
                older::v4::SubscribeReasonCode::Failure => SubscribeReasonCode::NotAuthorized,
            });
            Packet::SubAck(SubAck { pkid: ack.pkid, return_codes: return_codes.collect(), properties: None })
        }
        older::v4::Packet::Publish(publish) => {
            let qos = match publish.qos {
                older::QoS::AtMostOnce => QoS::AtMostOnce,
                older::QoS::AtLeastOnce => QoS::AtLeastOnce,
                older::QoS::ExactlyOnce => QoS::ExactlyOnce,
            };
            let mut same = Publish::new(publish.topic, qos, publish.payload, None);
            (same.dup, same.retain, same.pkid) = (publish.dup, publish.retain, publish.pkid);
            Packet::Publish(same)
        }
        older::v4::Packet::PingResp => Packet::PingResp(rumqttc::v5::mqttbytes::v5::PingResp),
        other => return Err(Fault::Malformed(format!("no broker sends {other:?}"))),
    })
}

/// The same quality of service in the other protocol's type.
const fn older_qos(qos: QoS) -> older::QoS {
    match qos {
        QoS::AtMostOnce => older::QoS::AtMostOnce,
        QoS::AtLeastOnce => older::QoS::AtLeastOnce,
        QoS::ExactlyOnce => older::QoS::ExactlyOnce,
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use rumqttc::v5::mqttbytes::v5::PubAckReason;

    fn bytes(of: &[u8]) -> BytesMut {
        BytesMut::from(of)
    }

    #[test]
    fn a_whole_packet_that_tells_too_little_is_a_fault_and_not_passed_over() {
        // CONNACK without its properties (MQTT 5, section 3.2.2.3), PUBLISH and SUBACK without an end.
        let behind: &[u8] = &[0xd0, 0x00];
        for (older, frame) in [
            (false, &[0x20, 0x02, 0x00, 0x00][..]),
            (false, &[0x32, 0x04, 0x00, 0x07, b'a', b'b']),
            (true, &[0x32, 0x03, 0x00, 0x01, b'a']),
            (true, &[0x90, 0x01, 0x00]),
        ] {
            let read = packets_in_words(older, &mut bytes(&[frame, behind].concat()));
            assert_eq!(read, Err(Vec::new()), "{older} {frame:02x?}");
        }
        let half: &[u8] = &[0x20, 0x03, 0x00, 0x00];
        assert_eq!(packets_in_words(false, &mut bytes(half)), Ok(Vec::new()), "its end is still to come");
    }

    #[test]
    fn every_form_of_a_brokers_goodbye_is_read() {
        // MQTT 5, section 3.14.2.1: the reason and the properties may be left out.
        for (frame, reason) in [
            (&[0xe0, 0][..], DisconnectReasonCode::NormalDisconnection),
            (&[0xe0, 1, 0x8e], DisconnectReasonCode::SessionTakenOver),
            (&[0xe0, 2, 0x8b, 0], DisconnectReasonCode::ServerShuttingDown),
        ] {
            let mut came = bytes(frame);
            let Ok(Some(Packet::Disconnect(said))) = Dialect::Five.read(&mut came) else {
                panic!("{frame:?}");
            };
            assert_eq!(said.reason_code, reason);
            assert!(came.is_empty());
        }
        assert!(Dialect::Five.read(&mut bytes(&[0xe0, 1, 0x77])).is_err(), "no such reason");
    }

    #[test]
    fn a_part_of_a_packet_is_waited_for_and_two_are_read_one_by_one() {
        // PUBACK of packet 7 with 'not authorized', and of packet 8 in its short form (section 3.4.2.1).
        let mut came = bytes(&[0x40, 3, 0]);
        assert!(matches!(Dialect::Five.read(&mut came), Ok(None)));
        came.extend_from_slice(&[7, 0x87, 0x40, 2, 0, 8]);
        let mut acks = Vec::new();
        while let Ok(Some(Packet::PubAck(ack))) = Dialect::Five.read(&mut came) {
            acks.push((ack.pkid, ack.reason));
        }
        assert_eq!(acks, [(7, PubAckReason::NotAuthorized), (8, PubAckReason::Success)]);
    }

    #[test]
    fn a_packet_over_what_we_take_is_refused_before_it_came() {
        // Remaining length 1 MiB, section 1.5.5.
        let header = [0x30, 0x80, 0x80, 0x40];
        for dialect in [Dialect::Five, Dialect::Older] {
            assert!(matches!(dialect.read(&mut bytes(&header)), Err(Fault::Malformed(_))), "{dialect:?}");
        }
    }
}
