//! Which stable masses become weighings.

use super::*;

/// `52.30` is a stable mass in grams, `~52.30` an unstable one, `~` one without a value, `!` an
/// overload, `?` nonsense, `kg 1.2` a stable mass in kilograms.
fn said(word: &str) -> Said {
    match word {
        "~" => Said::Unstable { quantity: None },
        "!" => Said::Overload,
        "?" => Said::Nonsense { why: "a line".to_owned() },
        _ => match word.strip_prefix('~') {
            Some(mass) => Said::Unstable { quantity: Some(quantity(mass, Unit::Gram)) },
            None => match word.strip_prefix("kg ") {
                Some(mass) => Said::Mass { quantity: quantity(mass, Unit::Kilogram) },
                None => Said::Mass { quantity: quantity(word, Unit::Gram) },
            },
        },
    }
}

fn weighed(stability: Stability, words: &[&str]) -> Vec<String> {
    let mut weighings = Weighings::new(stability, None);
    words.iter().filter_map(|word| weighings.take(&said(word))).map(|q| q.value.to_string()).collect()
}

#[test]
fn a_load_is_weighed_once_however_often_it_is_told() {
    let cases: [(&[&str], &[&str]); 11] = [
        (&["52.30", "52.30", "52.30"], &["52.30"]),
        // 5 divisions of 0.01 g are the same load, 6 are another.
        (&["52.30", "52.35", "52.25"], &["52.30"]),
        (&["52.30", "52.36"], &["52.30", "52.36"]),
        // Drift is measured from what was weighed, not from the line before.
        (&["52.30", "52.33", "52.36"], &["52.30", "52.36"]),
        // Taken off and put on again, in every way that a balance may tell it.
        (&["52.30", "0.00", "52.30"], &["52.30", "52.30"]),
        (&["52.30", "~31.10", "52.30"], &["52.30", "52.30"]),
        (&["52.30", "~", "52.30"], &["52.30", "52.30"]),
        (&["52.30", "!", "52.30"], &["52.30", "52.30"]),
        // A flickering mark beside a running shaker is no new load; neither is noise on the wire.
        (&["52.30", "~52.31", "52.30", "?", "52.30"], &["52.30"]),
        // An empty pan is no weighing, a drifting zero neither.
        (&["0.00", "-0.05", "0.05", "0.06"], &["0.06"]),
        // Another unit is another load: nothing is known of how the balance rounds it.
        (&["52.30", "kg 0.0523"], &["52.30", "0.0523"]),
    ];
    for (words, expected) in cases {
        assert_eq!(weighed(Stability::Marked, words), expected, "{words:?}");
    }
}

#[test]
fn with_a_print_key_each_stable_line_is_a_weighing() {
    let words = ["52.30", "52.30", "~52.30", "!", "?", "0.00"];
    assert_eq!(weighed(Stability::MarkedByKey, &words), ["52.30", "52.30", "0.00"]);
    assert_eq!(weighed(Stability::EveryLine, &["52.30", "52.30"]), ["52.30", "52.30"]);
}

proptest! {
    #[test]
    fn nothing_but_a_stable_mass_is_ever_weighed(
        words in proptest::collection::vec(prop_oneof![
            Just("52.30"), Just("0.00"), Just("~52.30"), Just("~10.00"), Just("~"), Just("!"), Just("?"),
        ], 0..40),
    ) {
        for stability in [Stability::Marked, Stability::MarkedByKey, Stability::EveryLine] {
            let mut weighings = Weighings::new(stability, None);
            for word in &words {
                let said = said(word);
                if let Some(mass) = weighings.take(&said) {
                    prop_assert_eq!(Said::Mass { quantity: mass }, said);
                }
            }
        }
    }
}
