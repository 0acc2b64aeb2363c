//! Frames from STX to ETX and their checksum.

use super::*;

fn framed() -> Shape {
    shape("balance-framed-checksum")
}

fn said(shape: &Shape, bytes: &[u8]) -> Vec<Said> {
    pieces(shape.framing, bytes).iter().filter_map(|piece| read_piece(shape, piece)).collect()
}

fn values(shape: &Shape, bytes: &[u8]) -> Vec<String> {
    said(shape, bytes).iter().filter_map(value).map(|quantity| quantity.to_string()).collect()
}

/// The shipped shape with another checksum.
fn with(over: &str, written: &str) -> Shape {
    let (_, text) = shipped().into_iter().find(|(shape, _)| shape.id == "balance-framed-checksum").unwrap();
    let text = text.replace("\"text-etx\"", &format!("\"{over}\""));
    let text = text.replace("\"hex-digits\"", &format!("\"{written}\""));
    Shape::load("balance-framed-checksum.toml", &text).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

#[test]
fn the_checksum_stands_behind_etx_as_the_shape_says() {
    // By hand: four of the five spaces cancel each other, so what is left of `+    52.30 g` is
    // 2b ^ 20 ^ 35 ^ 32 ^ 2e ^ 33 ^ 30 ^ 67 = 46; with ETX (03) 45; with STX (02) too 47.
    for (over, written, behind) in [
        ("text", "hex-digits", &b"46"[..]),
        ("text-etx", "hex-digits", b"45"),
        ("stx-text-etx", "hex-digits", b"47"),
        ("text", "raw-byte", b"\x46"),
        ("text-etx", "raw-byte", b"\x45"),
    ] {
        let frame = [b"\x02+    52.30 g\x03", behind].concat();
        let shape = with(over, written);
        assert_eq!(values(&shape, &frame), ["52.30 g"], "{over} {written}");
        assert_eq!(encode(&shape, "52.30".parse().unwrap(), Unit::Gram, true), Some(frame));
    }
    assert_eq!(values(&framed(), b"\x02?   52.301 g\x03"), [] as [&str; 0], "the checksum is still to come");
}

#[test]
fn the_longest_frame_is_a_frame_and_one_byte_more_is_nonsense_that_costs_no_other() {
    let framing = framed().framing;
    let frame = |len: usize| framing.wrapped(&vec![b'x'; len - 4]);
    assert_eq!(pieces(framing, &frame(LINE_MAX)), [Piece::Line(frame(LINE_MAX))]);
    let over = frame(LINE_MAX + 1);
    assert!(
        matches!(pieces(framing, &over).as_slice(), [Piece::TooLong(_)]),
        "its last byte is still to come"
    );
    let told = said(&framed(), &[&over[..], b"\r\n\x02+    52.30 g\x0345"].concat());
    assert!(matches!(told.as_slice(), [Said::Nonsense { .. }, .., Said::Mass { .. }]), "{told:?}");
    assert_eq!(told.iter().filter(|said| matches!(said, Said::Mass { .. })).count(), 1);
}

#[test]
fn a_wrong_checksum_is_nonsense_that_says_both() {
    let told = said(&framed(), b"\x02+    52.30 g\x0344");
    let [Said::Nonsense { why }] = told.as_slice() else { panic!("{told:?}") };
    assert!(why.contains("the checksum `45`") && why.contains("in place of `44`"), "{why}");
}

#[test]
fn line_ends_between_frames_are_nothing_and_noise_there_is_told() {
    let frame = b"\x02+    52.30 g\x0345";
    let good = [&frame[..], b"\r\n", frame, b"\r\n"].concat();
    assert_eq!(said(&framed(), &good).len(), 2);
    let noisy = said(&framed(), &[&frame[..], b"\r\nxyz", frame].concat());
    assert!(
        matches!(noisy.as_slice(), [Said::Mass { .. }, Said::Nonsense { .. }, Said::Mass { .. }]),
        "{noisy:?}"
    );
}

#[test]
fn a_frame_that_lost_its_end_costs_no_other_frame() {
    let frame = b"\x02+    52.30 g\x0345";
    for cut in 1..13 {
        let wire = [&frame[..cut], frame].concat();
        assert_eq!(values(&framed(), &wire), ["52.30 g"], "{cut}");
    }
}

#[test]
fn keys_of_lines_and_of_frames_do_not_mix() {
    let (_, text) = shipped().into_iter().find(|(shape, _)| shape.id == "balance-framed-checksum").unwrap();
    let keys = |text: &str| -> Vec<String> {
        Shape::load("balance-framed-checksum.toml", text).unwrap_err().into_iter().map(|f| f.key).collect()
    };
    let both = text.replace("framed-by", "terminator = \"\\r\"\nframed-by");
    assert_eq!(keys(&both), ["terminator"]);
    let lines = text.replace("framed-by = \"stx-etx\"", "terminator = \"\\r\"");
    assert_eq!(keys(&lines), ["checksum", "checksum-over", "checksum-as"]);
    assert_eq!(keys(&text.replace("checksum = \"xor\"\n", "")), ["checksum-over", "checksum-as"]);
}

#[test]
fn a_pattern_that_fits_a_part_of_its_frame_is_refused() {
    let (_, text) = shipped().into_iter().find(|(shape, _)| shape.id == "balance-framed-checksum").unwrap();
    let text = text.replace("[ \\-0-9.]{9}", "[ \\-0-9.]+").replace("(?: g|kg|lb|oz)", "(?: g|kg|lb|oz)?");
    let text = text.replace("[units]", "[units]\n\"\" = \"g\"");
    assert!(Shape::load("balance-framed-checksum.toml", &text).is_err());
}

proptest! {
    #[test]
    fn one_changed_byte_never_gives_another_value(
        digits in -9_999_999_i64..=9_999_999,
        scale in 0_u32..=4,
        at in 0_usize..40,
        byte: u8,
        over in prop_oneof![Just("text"), Just("text-etx"), Just("stx-text-etx")],
        written in prop_oneof![Just("hex-digits"), Just("raw-byte")],
    ) {
        let shape = with(over, written);
        let Some(sent) = encode(&shape, Decimal::new(digits, scale), Unit::Gram, true) else { return Ok(()) };
        let expected = values(&shape, &sent);
        prop_assert_eq!(expected.len(), 1);
        // Twice, so that the next frame may take part in the mischief.
        let mut wire = sent.repeat(2);
        let at = at % wire.len();
        wire[at] = byte;
        let found = values(&shape, &wire);
        prop_assert!(found.len() <= 2 && found.iter().all(|value| *value == expected[0]), "{:?}", found);
        prop_assert!(!found.is_empty() || at >= sent.len() - 3 , "one changed byte costs at most its frame, or the next one's beginning: {}", at);
    }
}
