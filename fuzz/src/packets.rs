//! What a broker may send, over either protocol: the client library's decoders, and what stands around
//! them, must not end the station.

use bytes::BytesMut;
use stillstand::network::session::packets_in_words;

/// First byte: the protocol, and into how small pieces the line cuts; the rest: what comes.
///
/// However it is cut, the same packets come out, and a fault stays one.
pub fn run(data: &[u8]) {
    let [how, came @ ..] = data else { return };
    let (older, size) = (how & 1 != 0, usize::from(how >> 1) % 19 + 1);
    let whole = packets_in_words(older, &mut BytesMut::from(came));
    let (mut half, mut read) = (BytesMut::new(), Vec::new());
    for piece in came.chunks(size) {
        half.extend_from_slice(piece);
        match packets_in_words(older, &mut half) {
            Ok(packets) => read.extend(packets),
            Err(packets) => {
                read.extend(packets);
                assert_eq!(whole, Err(read), "cut into {size} bytes each");
                return;
            }
        }
    }
    assert_eq!(whole, Ok(read), "cut into {size} bytes each");
}

/// Packets of each kind, by hand from the standard.
pub fn seeds() -> Vec<Vec<u8>> {
    let packets = vec![
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
    ];
    (0..4_u8).flat_map(|how| packets.iter().map(move |packet| [&[how], packet.as_slice()].concat())).collect()
}
