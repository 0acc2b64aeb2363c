//! Readings that are corrected by a certificate.

use super::*;
use crate::domain::reading::{Certificate, Correction, Rule};

fn correction(unit: Unit, points: &[(&str, &str)]) -> Correction {
    let certificate = Certificate { number: "K 17".to_owned(), date: "2026-03-01".to_owned() };
    let points = points.iter().map(|(at, by)| (at.parse().unwrap(), by.parse().unwrap())).collect();
    Correction::new(certificate, unit, Rule::Points(points)).unwrap()
}

#[test]
fn the_corrected_temperature_is_reported_and_what_was_read_stands_beside_it() {
    let points = [("20", "-0.10"), ("30", "-0.20")];
    let mut probe = listener("probe-text-unit").with(None, Some(correction(Unit::Celsius, &points)));
    let told = probe.feed(b"TEMP   22.5 C\r\n", at(0));
    let [(_, InstrumentReport::Temperature { temperature, wire })] = told.as_slice() else {
        panic!("{told:?}")
    };
    // A quarter of the way: -0.125, exactly.
    assert_eq!(temperature.to_string(), "22.375 °C");
    assert_eq!(wire.raw, "TEMP   22.5 C\\r\\n");
    let corrected = wire.corrected.as_ref().unwrap();
    assert_eq!(corrected.applied.reading.to_string(), "22.5");
    assert_eq!(corrected.applied.correction.to_string(), "-0.125");
    assert_eq!(corrected.certificate.number, "K 17");
    assert_eq!(probe.live().value.unwrap().to_string(), "22.5 °C", "the display is the instrument's own");
}

#[test]
fn outside_of_the_certificate_a_reading_does_not_count_and_is_told_at_most_once_in_ten_seconds() {
    let points = [("20", "-0.10"), ("30", "-0.20")];
    let mut probe = listener("probe-text-unit").with(None, Some(correction(Unit::Celsius, &points)));
    let mut told = Vec::new();
    for second in 0..25 {
        told.extend(probe.feed(b"TEMP   31.0 C\r\n", at(second * SECOND)));
    }
    let seconds: Vec<_> = told.iter().map(|(moment, _)| moment.since(&at(0)).ns / SECOND).collect();
    assert_eq!(seconds, [0, 10, 20]);
    for (_, report) in &told {
        let InstrumentReport::Uncorrected { reading, why, .. } = report else { panic!("{report:?}") };
        assert_eq!(
            (reading.to_string().as_str(), why.as_str()),
            ("31.0 °C", "certificate K 17 covers 20 to 30 °C")
        );
    }
    // In another unit than the certificate's: no correction either.
    let told = probe.feed(b"TEMP   72.3 F\r\n", at(60 * SECOND));
    assert!(matches!(told.as_slice(), [(_, InstrumentReport::Uncorrected { .. })]), "{told:?}");
}

#[test]
fn a_balance_is_corrected_as_well_and_weighs_a_load_once_by_what_it_shows() {
    let points = [("0", "0"), ("200", "0.10")];
    let mut balance = listener("balance-status-words").with(None, Some(correction(Unit::Gram, &points)));
    let told = balance.feed(b"S S     100.00 g\r\nS S     100.04 g\r\n", at(0));
    let [(_, InstrumentReport::Mass { mass, wire })] = told.as_slice() else { panic!("{told:?}") };
    assert_eq!(mass.to_string(), "100.05 g");
    assert_eq!(wire.corrected.as_ref().unwrap().applied.reading.to_string(), "100.00");
}
