//! What a broker may send: the client library's decoder must not end the station.

use bytes::BytesMut;
use rumqttc::v5::mqttbytes::v5::Packet;

/// The whole input is what comes from the broker.
pub fn run(data: &[u8]) {
    let mut stream = BytesMut::from(data);
    while let Ok(packet) = Packet::read(&mut stream, Some(256 * 1024)) {
        std::hint::black_box(packet);
    }
}

/// Packets of each kind, by hand from the standard.
pub fn seeds() -> Vec<Vec<u8>> {
    vec![
        // CONNACK, with a receive maximum and a reason.
        vec![0x20, 0x03, 0x00, 0x00, 0x00],
        vec![0x20, 0x0B, 0x00, 0x87, 0x08, 0x21, 0x00, 0x10, 0x1F, 0x00, 0x02, b'n', b'o'],
        // PUBLISH at QoS 1 with a response topic and correlation data.
        [
            &[0x32, 0x1A, 0x00, 0x03, b'a', b'/', b'b', 0x00, 0x07, 0x0C][..],
            &[0x08, 0x00, 0x01, b'r', 0x09, 0x00, 0x02, b'i', b'd', 0x02, 0x00, 0x00],
            b"press",
        ]
        .concat(),
        // PUBACK short and with a reason, SUBACK, UNSUBACK, PINGRESP, DISCONNECT.
        vec![0x40, 0x02, 0x00, 0x07],
        vec![0x40, 0x04, 0x00, 0x07, 0x10, 0x00],
        vec![0x90, 0x05, 0x00, 0x01, 0x00, 0x01, 0x87],
        vec![0xB0, 0x04, 0x00, 0x01, 0x00, 0x00],
        vec![0xD0, 0x00],
        vec![0xE0, 0x02, 0x8E, 0x00],
        vec![0xE0, 0x00],
    ]
}
