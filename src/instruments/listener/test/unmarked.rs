//! Balances whose lines bear no mark of stability, and absurd lines of all of them.

use super::*;
use crate::domain::reading::{Readability, StableBy};

const MS: i64 = 1_000_000;

fn masses(reports: &[(Moment, InstrumentReport)]) -> Vec<String> {
    let mass = |(_, report): &(Moment, InstrumentReport)| match report {
        InstrumentReport::Mass { mass, .. } => Some(mass.to_string()),
        _ => None,
    };
    reports.iter().filter_map(mass).collect()
}

/// The same line each 250 ms for `seconds`, from `from_s` on.
fn hold(balance: &mut Listener, from_s: i64, seconds: i64, line: &str) -> Vec<(Moment, InstrumentReport)> {
    (0..seconds * 4)
        .flat_map(|n| balance.feed(format!("{line}\r\n").as_bytes(), at(from_s * SECOND + n * 250 * MS)))
        .collect()
}

#[test]
fn a_mass_by_our_own_rule_says_so_and_names_its_lines() {
    let mut balance = listener("balance-unmarked-stream");
    assert_eq!(balance.feed(b"+   48.11 g \r\n", at(0)), []);
    let reports = hold(&mut balance, 1, 5, "+   52.30 g ");
    let [(moment, InstrumentReport::Mass { mass, wire })] = reports.as_slice() else { panic!("{reports:?}") };
    assert_eq!((*moment, mass.to_string()), (at(3 * SECOND), "52.30 g".to_owned()));
    assert_eq!(wire.stable_by, Some(StableBy::OwnRule));
    assert_eq!(wire.raw, "+   52.30 g \\r\\n");
    // Each 250 ms from 1 s to 3 s.
    assert_eq!(wire.lines, vec!["+   52.30 g \\r\\n"; 9]);
    assert!(balance.live().stable);
}

#[test]
fn two_identical_lines_are_two_weighings_only_if_the_load_changed_between_them() {
    for id in ["balance-status-words", "balance-comma-header", "balance-framed-checksum"] {
        let mut balance = listener(id);
        let AnyShape::Lines(shape) = balance.shape.clone() else { panic!() };
        let say = |value: &str| {
            crate::instruments::protocol::encode(&shape, value.parse().unwrap(), Unit::Gram, true).unwrap()
        };
        let mut told = Vec::new();
        for value in ["130.2", "130.2", "0.0", "130.2", "130.2"] {
            told.extend(masses(&balance.feed(&say(value), at(0))));
        }
        assert_eq!(told.len(), 2, "{id}: {told:?}");
    }
    let mut balance = listener("balance-unmarked-stream");
    assert_eq!(masses(&hold(&mut balance, 0, 20, "+   52.30 g ")), ["52.30 g"]);
    assert_eq!(masses(&hold(&mut balance, 20, 1, "+    0.00 g ")), [] as [&str; 0]);
    assert_eq!(masses(&hold(&mut balance, 21, 20, "+   52.30 g ")), ["52.30 g"]);
}

#[test]
fn a_load_that_does_not_settle_is_told_once_and_again_when_it_is_gone() {
    let mut balance = listener("balance-bare-asked");
    let mut told = Vec::new();
    for n in 0..100_i64 {
        let line = ["52.30\r\n", "52.33\r\n"][usize::from(n % 2 == 1)];
        told.extend(balance.feed(line.as_bytes(), at(n * 250 * MS)));
    }
    told.extend(balance.feed(b"0.00\r\n", at(60 * SECOND)));
    let [(at_15, InstrumentReport::NotStable { mass, .. }), (_, InstrumentReport::Released { .. })] =
        told.as_slice()
    else {
        panic!("{told:?}")
    };
    assert_eq!((*at_15, mass.to_string()), (at(15 * SECOND), "52.30 g".to_owned()));
}

#[test]
fn noise_does_not_release_a_load_that_did_not_settle_and_a_pulled_cable_begins_it_anew() {
    let mut balance = listener("balance-bare-asked");
    let sway = |balance: &mut Listener, from: i64, count: i64| -> Vec<InstrumentReport> {
        let line = |n| ["52.30\r\n", "52.33\r\n"][usize::from(n % 2 == 1)];
        let at = |n| at((from + n * 250) * MS);
        (0..count).flat_map(|n| balance.feed(line(n).as_bytes(), at(n))).map(|(_, report)| report).collect()
    };
    assert!(matches!(sway(&mut balance, 0, 61).as_slice(), [InstrumentReport::NotStable { .. }]));
    assert_eq!(balance.feed(b"#\r\n", at(20 * SECOND)).len(), 1);
    let told = sway(&mut balance, 21_000, 40);
    assert!(matches!(told.as_slice(), [InstrumentReport::Readable { .. }]), "{told:?}");
    balance.closed();
    let told = sway(&mut balance, 40_000, 61);
    assert!(matches!(told.as_slice(), [InstrumentReport::NotStable { .. }]), "asked again: {told:?}");
    // More than it can weigh, then nothing: gone.
    let mut stream = listener("balance-unmarked-stream");
    let mut told = Vec::new();
    for n in 0..61 {
        let line = ["+   52.30 g \r\n", "+   52.33 g \r\n"][usize::from(n % 2 == 1)];
        told.extend(stream.feed(line.as_bytes(), at(n * 250 * MS)));
    }
    told.extend(stream.feed(b"+  ------   \r\n+    0.00 g \r\n", at(20 * SECOND)));
    let told: Vec<_> = told.into_iter().map(|(_, report)| report).collect();
    assert!(
        matches!(told.as_slice(), [InstrumentReport::NotStable { .. }, InstrumentReport::Released { .. }]),
        "{told:?}"
    );
}

#[test]
fn another_unit_or_no_multiple_of_the_readability_is_nonsense() {
    let coarse = Readability::new(Quantity::from_text("0.1 g").unwrap());
    for (line, expected) in [
        ("+   52.35 g ", "a multiple of the readability 0.1 g, in place of 52.35 g"),
        ("+  0.1153 lb", "a mass in g, as the readability 0.1 g is, in place of 0.1153 lb"),
    ] {
        let mut balance = listener("balance-unmarked-stream").with(coarse, None);
        let told = balance.feed(format!("{line}\r\n").as_bytes(), at(0));
        let [(_, InstrumentReport::Nonsense { why, .. })] = told.as_slice() else { panic!("{told:?}") };
        assert_eq!(why, expected);
        assert_eq!(balance.live().value, None, "nonsense is not shown as a value");
    }
    // The settings may say it of a balance that marks its lines, too.
    let mut marked = listener("balance-status-words").with(coarse, None);
    let told = marked.feed(b"S S      52.35 g\r\n", at(0));
    assert!(matches!(told.as_slice(), [(_, InstrumentReport::Nonsense { .. })]), "{told:?}");
    // Five divisions are half a gram now.
    assert_eq!(
        masses(&marked.feed(b"S S      52.30 g\r\nS S      52.80 g\r\nS S      52.90 g\r\n", at(1))),
        ["52.30 g", "52.90 g"]
    );
}

#[test]
fn a_lifted_vessel_that_was_tared_away_is_no_weighing_where_nobody_pressed_a_key() {
    let mut balance = listener("balance-status-words");
    let told = balance.feed(b"S S      52.30 g\r\nS S     -85.10 g\r\nS S      52.30 g\r\n", at(0));
    assert_eq!(masses(&told), ["52.30 g", "52.30 g"]);
}

#[test]
fn a_wrong_speed_not_a_number_and_a_megabyte_are_told_once_and_cost_no_memory() {
    // Nine bits of one speed seen at another: bytes that look random, most of them not ASCII.
    let wrong_speed: Vec<u8> =
        (0..20_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 13).to_le_bytes()[0]).collect();
    let megabyte = vec![b'5'; 1 << 20];
    let words: Vec<u8> =
        ["NaN", "nan g", "inf", "S S       NaN g", "ST,GS,+      NaN g", "+     NaN g ", "1e9"]
            .iter()
            .flat_map(|word| format!("{word}\r\n\n\r").into_bytes())
            .collect();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/instruments");
    for entry in std::fs::read_dir(folder).unwrap() {
        let id = entry.unwrap().path().file_stem().unwrap().to_str().unwrap().to_owned();
        for bytes in [&wrong_speed, &megabyte, &words] {
            let mut listener = listener(&id);
            let told: Vec<_> = bytes.chunks(997).flat_map(|chunk| listener.feed(chunk, at(0))).collect();
            let nonsense = |(_, report): &(Moment, InstrumentReport)| {
                matches!(report, InstrumentReport::Nonsense { .. })
            };
            assert!(told.iter().filter(|r| nonsense(r)).count() <= 1, "{id}: more than one report at once");
            // A registers' answer is whole or none, whatever it holds; lines of these make no value.
            if !id.contains("modbus") && !id.contains("bare") && id != "probe-polled-number" {
                assert!(told.iter().all(nonsense), "{id}: {told:?}");
            }
            assert!(listener.decoder.half().len() < LINE_MAX, "{id}");
        }
    }
}
