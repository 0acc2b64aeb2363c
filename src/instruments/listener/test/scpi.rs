//! What an instrument is asked beside its values.

use super::*;

fn errors(report: &InstrumentReport) -> (Vec<&str>, bool) {
    match report {
        InstrumentReport::Errors { errors, after_nonsense, .. } => {
            (errors.iter().map(String::as_str).collect(), *after_nonsense)
        }
        other => panic!("{other:?}"),
    }
}

/// What it is asked next, as text; none: a value is.
fn asks(probe: &mut Listener) -> Option<String> {
    probe.aside().map(|bytes| String::from_utf8(bytes).unwrap())
}

/// A probe whose opening is over.
fn opened() -> Listener {
    let mut probe = listener("probe-scpi-measure");
    assert_eq!(asks(&mut probe).as_deref(), Some("*IDN?\n"));
    let told = probe.feed(b"Maker,T-1,1042,A1\n", at(0));
    let [(_, InstrumentReport::Identified { identity, instrument, .. })] = told.as_slice() else {
        panic!("{told:?}")
    };
    assert_eq!((identity.as_str(), instrument.as_str()), ("Maker,T-1,1042,A1", "tins"));
    assert_eq!(asks(&mut probe).as_deref(), Some("SYST:ERR?\n"));
    assert_eq!(probe.feed(b"+0,\"No error\"\n", at(0)), []);
    assert_eq!(asks(&mut probe), None);
    probe
}

#[test]
fn at_the_opening_it_is_asked_who_it_is_and_what_its_error_queue_holds() {
    let mut probe = opened();
    probe.closed();
    // Put back: all is asked anew, and a queue that is not empty is read to its end.
    assert_eq!(asks(&mut probe).as_deref(), Some("*IDN?\n"));
    assert_eq!(probe.feed(b"Maker,T-1,1043,A1\n", at(0)).len(), 1);
    for error in ["-113,\"Undefined header\"", "-410,\"Query INTERRUPTED\""] {
        assert_eq!(asks(&mut probe).as_deref(), Some("SYST:ERR?\n"));
        assert_eq!(probe.feed(format!("{error}\n").as_bytes(), at(0)), []);
    }
    assert_eq!(asks(&mut probe).as_deref(), Some("SYST:ERR?\n"));
    let told = probe.feed(b"0,\"No error\"\n", at(0));
    let expected = vec!["-113,\"Undefined header\"", "-410,\"Query INTERRUPTED\""];
    assert_eq!(errors(&told[0].1), (expected, false));
    assert_eq!(asks(&mut probe), None);
}

#[test]
fn after_an_answer_that_cannot_be_read_the_error_queue_is() {
    let mut probe = opened();
    assert!(matches!(probe.feed(b"ERROR\n", at(0)).as_slice(), [(_, InstrumentReport::Nonsense { .. })]));
    assert_eq!(asks(&mut probe).as_deref(), Some("SYST:ERR?\n"));
    assert_eq!(probe.feed(b"-222,\"Data out of range\"\n", at(0)), []);
    assert_eq!(asks(&mut probe).as_deref(), Some("SYST:ERR?\n"));
    let told = probe.feed(b"0,\"No error\"\n", at(0));
    assert_eq!(errors(&told[0].1), (vec!["-222,\"Data out of range\""], true));
    // Answers beside the values are no nonsense, and a value is a value.
    let told = probe.feed(b"+2.24E+01\n", at(1));
    assert!(matches!(told.as_slice(), [(_, InstrumentReport::Temperature { .. })]), "{told:?}");
}

#[test]
fn an_instrument_that_knows_no_such_questions_is_asked_for_values_soon() {
    let mut probe = listener("probe-scpi-measure");
    for question in ["*IDN?\n", "*IDN?\n", "SYST:ERR?\n"] {
        assert_eq!(asks(&mut probe).as_deref(), Some(question));
        assert_eq!(probe.unanswered(at(0)), None, "no answer to these is no silence");
    }
    assert_eq!(asks(&mut probe), None);
    // Silence of values counts from its own first one.
    assert_eq!([(); 2].map(|()| probe.unanswered(at(0))), [None, None]);
    assert!(matches!(probe.unanswered(at(0)), Some((_, InstrumentReport::NoAnswer { .. }))));
    // Whoever answers after such a silence may be another one.
    probe.feed(b"+2.24E+01\n", at(0));
    assert_eq!(asks(&mut probe).as_deref(), Some("*IDN?\n"));
}

#[test]
fn a_queue_that_never_empties_and_a_stream_of_noise_do_not_take_the_place_of_values() {
    let mut probe = opened();
    probe.feed(b"ERROR\n", at(0));
    let mut asked = 0;
    let mut told = Vec::new();
    while asks(&mut probe).is_some() {
        asked += 1;
        told.extend(probe.feed(b"-350,\"Queue overflow\"\n", at(0)));
        assert!(asked <= 10, "it is asked for ever");
    }
    assert_eq!(errors(&told[0].1).0.len(), 10);
    let mut noisy = listener("probe-scpi-measure");
    let asked = (0..100)
        .take_while(|_| {
            noisy.feed(b"#\n", at(0));
            asks(&mut noisy).is_some()
        })
        .count();
    assert!(asked <= 12, "{asked} questions in a row");
}

#[test]
fn a_shape_without_these_questions_asks_none_of_them() {
    let mut probe = listener("probe-polled-number");
    assert_eq!(asks(&mut probe), None);
    let told = probe.feed(b"Maker,T-1,1042,A1\r", at(0));
    assert!(matches!(told.as_slice(), [(_, InstrumentReport::Nonsense { .. })]), "{told:?}");
}
