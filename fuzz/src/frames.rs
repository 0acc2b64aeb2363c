//! Frames with a checksum: what was damaged is never taken for another text.

use std::sync::{Arc, LazyLock};
use stillstand::instruments::protocol::{
    AnyShape, Checksum, Decoder, Framing, LINE_MAX, Over, Piece, Said, Shape, Written, read_piece,
};

const STX: u8 = 2;
const ETX: u8 = 3;

/// A shape whose number is the text of the frame: what it says shows what was taken.
fn shape(over: &str, written: &str) -> Arc<Shape> {
    let text = format!(
        "id = \"fuzzed\"\ntitle = \"Any number\"\nkind = \"balance\"\nspeed = 9600\nframing = \"8N1\"\n\
         framed-by = \"stx-etx\"\nchecksum = \"xor\"\nchecksum-over = \"{over}\"\nchecksum-as = \"{written}\"\n\
         stability = \"every-line\"\npattern = '=(?<mass>.*);'\nunit = \"g\"\nformat-stable = \"={{value}};\"\n\
         [[example]]\nline = \"=57.3;\"\nsays = \"stable\"\nvalue = \"57.3\"\nunit = \"g\"\n"
    );
    match AnyShape::load("fuzzed.toml", &text).unwrap_or_else(|faults| panic!("{faults:#?}")) {
        AnyShape::Lines(shape) => shape,
        AnyShape::Registers(_) => unreachable!("the text says balance"),
    }
}

static KINDS: LazyLock<Vec<Arc<Shape>>> = LazyLock::new(|| {
    ["text", "text-etx", "stx-text-etx"]
        .iter()
        .flat_map(|over| ["hex-digits", "raw-byte"].map(|written| shape(over, written)))
        .collect()
});

/// First byte: the kind of frame; second: where to damage it; third: how; the rest: its text.
pub fn run(data: &[u8]) {
    let [kind, place, change, text @ ..] = data else { return };
    let shape = &KINDS[usize::from(*kind) % KINDS.len()];
    let Framing::Frames(Some(checksum)) = shape.framing else { unreachable!("all have a checksum") };
    // Any bytes at all: frames that come out have the checksum that is due.
    for piece in Decoder::new(shape.framing).feed(text) {
        if let (Some(Said::Mass { .. }), Piece::Line(bytes)) = (read_piece(shape, &piece), &piece) {
            assert!(sum_is_right(checksum, bytes), "{}", bytes.escape_ascii());
        }
    }
    if text.contains(&STX) || text.contains(&ETX) {
        return;
    }
    let frame = shape.framing.wrapped(&[b"=", text, b";"].concat());
    assert!(sum_is_right(checksum, &frame), "{}", frame.escape_ascii());
    let good = Decoder::new(shape.framing).feed(&frame);
    if frame.len() > LINE_MAX {
        // No instrument says so much: none of it is a frame, and none of it gets lost.
        assert!(!good.iter().any(|piece| matches!(piece, Piece::Line(_))), "{good:?}");
        let mut decoder = Decoder::new(shape.framing);
        let mut came: Vec<u8> = decoder.feed(&frame).iter().flat_map(Piece::bytes).copied().collect();
        came.extend(decoder.half());
        assert_eq!(came, frame);
        return;
    }
    assert_eq!(good, [Piece::Line(frame.clone())]);
    let damaged_at = usize::from(*place) % frame.len();
    let byte = frame[damaged_at] ^ change;
    if *change == 0 || byte == STX || byte == ETX {
        return;
    }
    let mut damaged = frame.clone();
    damaged[damaged_at] = byte;
    let said = read_piece(shape, &good[0]);
    for piece in Decoder::new(shape.framing).feed(&damaged) {
        if let Some(Said::Mass { quantity }) = read_piece(shape, &piece) {
            // Only the other case of a hexadecimal digit of the checksum is no damage.
            let same_digit = *change == 0x20 && damaged_at + 2 >= frame.len();
            assert!(same_digit && checksum.written == Written::HexDigits, "{}", damaged.escape_ascii());
            assert_eq!(said, Some(Said::Mass { quantity }));
        }
    }
}

/// The exclusive or, in our own words.
fn sum_is_right(checksum: Checksum, frame: &[u8]) -> bool {
    let behind = if checksum.written == Written::HexDigits { 2 } else { 1 };
    let (body, came) = frame.split_at(frame.len() - behind);
    let summed = match checksum.over {
        Over::Text => &body[1..body.len() - 1],
        Over::TextEtx => &body[1..],
        Over::StxTextEtx => body,
    };
    let mut sum = 0;
    for byte in summed {
        sum ^= byte;
    }
    match checksum.written {
        Written::RawByte => came == [sum],
        Written::HexDigits => {
            std::str::from_utf8(came).is_ok_and(|came| u8::from_str_radix(came, 16) == Ok(sum))
        }
    }
}

/// A mass in each kind of frame, and the frame inside of another.
pub fn seeds() -> Vec<Vec<u8>> {
    (0..6_u8)
        .flat_map(|kind| {
            let shape = &KINDS[usize::from(kind)];
            let frame = shape.framing.wrapped(b"=     52.30;");
            let plain = [&[kind, 4, 1], &b"     52.30"[..]].concat();
            [plain, [&[kind, 0, 0], frame.as_slice(), b"\r\n", frame.as_slice()].concat()]
        })
        .collect()
}
