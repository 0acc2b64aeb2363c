//! What a balance or a probe says, cut anywhere.

use crate::toml_files;
use std::sync::{Arc, LazyLock};
use stillstand::domain::moment::Moment;
use stillstand::domain::reading::InstrumentReport;
use stillstand::instruments::Listen;
use stillstand::instruments::listener::Listener;
use stillstand::instruments::protocol::{
    AnyShape, Decoder, LINE_MAX, Said, Shape, encode, encode_overload, read_piece,
};

static SHAPES: LazyLock<Vec<Arc<Shape>>> = LazyLock::new(|| {
    let load = |(name, text): (String, String)| match AnyShape::load(&name, &text).expect("a shipped shape") {
        AnyShape::Lines(shape) => Some(shape),
        AnyShape::Registers(_) => None,
    };
    toml_files("config/instruments").into_iter().filter_map(load).collect()
});

/// First byte: the shape; second: where to cut; the rest: the wire.
///
/// Chunks change nothing, no byte is lost, memory is bounded, and a number is made of digits that
/// stand in the line.
pub fn run(data: &[u8]) {
    let [shape, cut, wire @ ..] = data else { return };
    let shape = &SHAPES[usize::from(*shape) % SHAPES.len()];
    let at = crate::story::moment(0);
    let mut decoder = Decoder::new(shape.framing);
    let pieces = decoder.feed(wire);
    assert!(decoder.half().len() < LINE_MAX, "a half line grows without bound");
    let mut back: Vec<u8> = pieces.iter().flat_map(|piece| piece.bytes().to_vec()).collect();
    back.extend(decoder.half());
    assert_eq!(back, wire, "bytes were lost or made");
    for piece in &pieces {
        assert!(piece.bytes().len() <= LINE_MAX);
        if let Some(Said::Mass { quantity } | Said::Temperature { quantity }) = read_piece(shape, piece) {
            digits_stand_in(shape, piece.bytes(), quantity.value);
            // What can be spoken again says the same.
            if let Some(line) = encode(shape, quantity.value, quantity.unit, true) {
                let mut decoder = Decoder::new(shape.framing);
                let pieces = decoder.feed(&line);
                assert_eq!(pieces.len(), 1);
                let said = read_piece(shape, &pieces[0]);
                assert!(
                    matches!(said, Some(Said::Mass { quantity: again } | Said::Temperature { quantity: again })
                    if again == quantity)
                );
            }
        }
    }
    let whole = heard(shape, at, std::iter::once(wire));
    let size = usize::from(*cut) % 17 + 1;
    assert_eq!(heard(shape, at, wire.chunks(size)), whole, "cut into {size} bytes each");
    assert_eq!(heard(shape, at, wire.chunks(1)), whole, "cut into single bytes");
    let values = |r: &&(Moment, InstrumentReport)| {
        matches!(r.1, InstrumentReport::Mass { .. } | InstrumentReport::Temperature { .. })
    };
    assert!(whole.iter().filter(values).count() <= pieces.len());
}

fn heard<'a>(
    shape: &Arc<Shape>,
    at: Moment,
    chunks: impl Iterator<Item = &'a [u8]>,
) -> Vec<(Moment, InstrumentReport)> {
    let mut listener = Listener::new("tins", "/dev/null", AnyShape::Lines(shape.clone()));
    chunks.flat_map(|chunk| listener.feed(chunk, at)).collect()
}

/// SCPI numbers have exponents: their target is `numbers`.
fn digits_stand_in(shape: &Shape, line: &[u8], value: rust_decimal::Decimal) {
    if shape.id.contains("scpi") {
        return;
    }
    let digits: String = line.iter().filter(|b| b.is_ascii_digit()).map(|b| char::from(*b)).collect();
    let said = value.mantissa().unsigned_abs().to_string();
    assert!(digits.contains(&said), "{}: {value} out of {}", shape.id, line.escape_ascii());
}

/// The examples of each shape on its wire, whole, torn, and behind one another.
pub fn seeds() -> Vec<Vec<u8>> {
    let mut seeds = Vec::new();
    for (number, shape) in SHAPES.iter().enumerate() {
        let number = u8::try_from(number).expect("few shapes");
        let lines: Vec<_> =
            shape.examples.iter().map(|example| shape.framing.wrapped(example.line.as_bytes())).collect();
        for (cut, line) in lines.iter().enumerate() {
            seeds.push([&[number, u8::try_from(cut).unwrap_or(0)], line.as_slice()].concat());
        }
        let torn = &lines[0][..lines[0].len() / 2];
        seeds.push([&[number, 2], lines.concat().as_slice()].concat());
        seeds.push([&[number, 3], torn, lines[0].as_slice(), lines[0].as_slice()].concat());
        seeds.push([&[number, 4], vec![b'7'; LINE_MAX + 10].as_slice(), lines[0].as_slice()].concat());
        if let Some(overload) = encode_overload(shape) {
            seeds.push([&[number, 5], overload.as_slice()].concat());
        }
    }
    seeds
}
