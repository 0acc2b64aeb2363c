//! What reaches the station, and what only the eye.

use super::*;
use crate::domain::moment::test::at;
use crate::domain::quantity::{Quantity, Unit};
use crate::instruments::protocol::LINE_MAX;
use proptest::prelude::*;
use std::path::Path;

fn listener(id: &str) -> Listener {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/instruments/{id}.toml"));
    let text = std::fs::read_to_string(&file).unwrap();
    let shape = AnyShape::load(&file.to_string_lossy(), &text).unwrap();
    Listener::new("tins", "/dev/ttyS9", shape)
}

fn wire(raw: &str) -> Wire {
    Wire::of("tins", "/dev/ttyS9", raw.to_owned())
}

fn grams(value: &str) -> Quantity {
    Quantity::new(value.parse().unwrap(), Unit::Gram)
}

/// Lines of nonsense that each report stands for, fed one at a time at these seconds.
fn noise(listener: &mut Listener, seconds: &[i64]) -> Vec<u32> {
    let mut told = Vec::new();
    for second in seconds {
        for (_, report) in listener.feed(b"#\r\n", at(second * SECOND)) {
            let InstrumentReport::Nonsense { lines, .. } = report else { panic!("{report:?}") };
            told.push(lines);
        }
    }
    told
}

#[test]
fn a_mass_carries_its_bytes_port_and_the_moment_of_its_last_byte() {
    let mut balance = listener("balance-status-words");
    assert_eq!(balance.feed(b"S S      52", at(0)), []);
    let reports = balance.feed(b".30 g\r\nS S      5", at(7));
    let mass = InstrumentReport::Mass { mass: grams("52.30"), wire: wire("S S      52.30 g\\r\\n") };
    assert_eq!(reports, [(at(7), mass)]);
}

#[test]
fn a_temperature_is_reported_with_each_line() {
    let mut probe = listener("probe-text-unit");
    let reports = probe.feed(b"TEMP   22.4 C\r\nTEMP   72.3 F\r\n", at(0));
    let read: Vec<_> = reports
        .into_iter()
        .map(|(_, report)| match report {
            InstrumentReport::Temperature { temperature, .. } => temperature.to_string(),
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(read, ["22.4 °C", "72.3 °F"]);
}

#[test]
fn a_half_line_is_dropped_when_the_port_closes_and_never_completed_by_another() {
    let mut balance = listener("balance-bare-number");
    assert_eq!(balance.feed(b"15", at(0)), []);
    balance.closed();
    let reports = balance.feed(b"2.30\r\n", at(SECOND));
    let mass = InstrumentReport::Mass { mass: grams("2.30"), wire: wire("2.30\\r\\n") };
    assert_eq!(reports, [(at(SECOND), mass)]);
}

#[test]
fn a_cable_that_comes_back_does_not_weigh_the_same_load_again() {
    let mut balance = listener("balance-status-words");
    assert_eq!(balance.feed(b"S S      52.30 g\r\n", at(0)).len(), 1);
    balance.closed();
    assert_eq!(balance.live().value, None, "what is on the display is not known");
    assert_eq!(balance.feed(b"S S      52.30 g\r\n", at(SECOND)), []);
    assert_eq!(balance.live().value, Some(grams("52.30")));
}

#[test]
fn nonsense_is_told_at_once_and_then_once_in_ten_seconds_with_its_count() {
    let mut balance = listener("balance-status-words");
    assert_eq!(noise(&mut balance, &[0, 1, 2, 9]), [1]);
    assert_eq!(noise(&mut balance, &[10, 11]), [4]);
    assert_eq!(noise(&mut balance, &[19, 20]), [3]);
    assert_eq!(noise(&mut balance, &[3600]), [1]);
    assert_eq!(balance.live().lines, 9);
}

#[test]
fn nonsense_keeps_the_last_bytes_and_says_what_was_expected() {
    let mut balance = listener("balance-status-words");
    let line = [vec![0xff; 400], b"\r\n".to_vec()].concat();
    let reports = balance.feed(&line, at(0));
    let [(_, InstrumentReport::Nonsense { wire, why, lines: 1 })] = reports.as_slice() else {
        panic!("{reports:?}")
    };
    assert_eq!(wire.raw, "\\xff".repeat(118) + "\\r\\n");
    assert!(why.contains("S S      52.30 g"), "{why}");
}

#[test]
fn a_wire_that_never_ends_its_line_is_told_as_well() {
    let mut balance = listener("balance-status-words");
    assert_eq!(balance.feed(&vec![0xf8; LINE_MAX - 1], at(0)), []);
    let reports = balance.feed(&[0xf8], at(SECOND));
    assert!(matches!(reports.as_slice(), [(_, InstrumentReport::Nonsense { .. })]), "{reports:?}");
}

#[test]
fn silence_is_told_after_three_requests_once_until_a_line_comes() {
    let mut balance = listener("balance-status-words");
    assert!(balance.request().is_some());
    let mut ask = |times: usize| (0..times).filter_map(|_| balance.unanswered(at(0))).count();
    assert_eq!(ask(2), 0);
    assert_eq!(ask(1), 1);
    assert_eq!(ask(50), 0);
    balance.feed(b"half a line", at(0));
    assert_eq!(balance.unanswered(at(0)), None);
    balance.feed(b" and its end\r\n", at(0));
    assert_eq!([(); 2].map(|()| balance.unanswered(at(0))), [None, None]);
    let told = InstrumentReport::NoAnswer {
        instrument: "tins".to_owned(),
        port: "/dev/ttyS9".to_owned(),
        requests: 3,
    };
    assert_eq!(balance.unanswered(at(5)), Some((at(5), told)));
}

#[test]
fn the_display_follows_every_line() {
    let mut balance = listener("balance-status-words");
    let shown = |lines, value, stable, overload| Live { lines, value: Some(grams(value)), stable, overload };
    for (line, expected) in [
        ("S S      52.30 g\r\n", shown(1, "52.30", true, false)),
        ("S D      60.00 g\r\n", shown(2, "60.00", false, false)),
        ("S +\r\n", shown(3, "60.00", false, true)),
        ("#\r\n", shown(4, "60.00", false, true)),
        ("S S       0.00 g\r\n", shown(5, "0.00", true, false)),
    ] {
        balance.feed(line.as_bytes(), at(0));
        assert_eq!(balance.live(), expected, "{line}");
    }
}

proptest! {
    #[test]
    fn no_bytes_in_no_chunks_are_fatal_and_only_whole_good_lines_are_values(
        chunks in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..200), 0..20),
    ) {
        for id in [
            "balance-status-words",
            "balance-comma-header",
            "balance-fixed-columns",
            "balance-trailing-mark",
            "balance-unmarked-stream",
            "balance-framed-checksum",
            "probe-text-unit",
        ] {
            let mut listener = listener(id);
            for chunk in &chunks {
                for (_, report) in listener.feed(chunk, at(0)) {
                    let nonsense = matches!(report, InstrumentReport::Nonsense { .. });
                    // Random bytes do not make these lines in the age of the universe.
                    prop_assert!(nonsense, "{:?}", report);
                }
            }
            listener.closed();
        }
    }
}

#[test]
fn a_polled_balance_that_answers_again_with_an_empty_pan_says_so_once() {
    let mut balance = listener("balance-status-words");
    for _ in 0..3 {
        balance.unanswered(at(0));
    }
    let again = InstrumentReport::Readable { instrument: "tins".to_owned() };
    assert_eq!(balance.feed(b"S S       0.00 g\r\n", at(1)), [(at(1), again)]);
    assert_eq!(balance.feed(b"S S       0.00 g\r\n", at(2)), []);
}

mod certified;
mod scpi;
mod unmarked;
