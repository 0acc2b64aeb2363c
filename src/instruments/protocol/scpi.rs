//! Answers of SCPI that are no values: who the instrument is, and what its error queue holds.

/// Longest answer that is kept, bytes: an identity has at most 72 (IEEE 488.2, 10.14, from memory), an
/// error at most 255 (SCPI-99 volume 2, 21.8, from memory).
const ANSWER_MAX: usize = 300;

/// An answer beside the values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Four fields with commas between: maker, model, serial number, version (IEEE 488.2, 10.14).
    Identity(String),
    /// The oldest error of the queue, with its number.
    Error(String),
    /// The queue is empty.
    NoError,
}

impl Answer {
    /// An answer by its form alone, so that a late or unasked one is known as well. `None`: none of
    /// these, or bytes that are no printable ASCII.
    pub fn read(line: &[u8]) -> Option<Self> {
        let text = std::str::from_utf8(line).ok()?.trim();
        if text.len() > ANSWER_MAX || !text.bytes().all(|byte| (b' '..=b'~').contains(&byte)) {
            return None;
        }
        if let Some((number, rest)) = text.split_once(',')
            && let Some(number) = whole(number)
            && rest.trim_start().starts_with('"')
        {
            return Some(if number == 0 { Self::NoError } else { Self::Error(text.to_owned()) });
        }
        let fields: Vec<_> = text.split(',').collect();
        let named = fields.iter().take(2).all(|field| field.bytes().any(|byte| byte.is_ascii_alphabetic()));
        (fields.len() == 4 && named).then(|| Self::Identity(text.to_owned()))
    }
}

fn whole(text: &str) -> Option<i32> {
    let digits = text.trim().strip_prefix('+').unwrap_or(text.trim());
    digits.parse().ok()
}

#[cfg(test)]
mod test {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn whatever_comes_only_short_printable_text_is_kept(
            line in proptest::collection::vec(prop_oneof![any::<u8>(), Just(b','), Just(b'"'), b'0'..=b'9'], 0..400),
        ) {
            if let Some(Answer::Identity(text) | Answer::Error(text)) = Answer::read(&line) {
                prop_assert!(text.len() <= ANSWER_MAX && text.chars().all(|c| (' '..='~').contains(&c)));
                prop_assert!(String::from_utf8(line).unwrap().contains(&text));
            }
        }

        #[test]
        fn no_number_of_scpi_is_taken_for_an_answer_beside_the_values(value: f64) {
            prop_assert_eq!(Answer::read(format!("{value:e}").as_bytes()), None);
        }
    }

    #[test]
    fn each_answer_is_known_by_its_form() {
        let identity = |text: &str| Some(Answer::Identity(text.to_owned()));
        let error = |text: &str| Some(Answer::Error(text.to_owned()));
        for (line, answer) in [
            ("Maker,Model 7,0,1.2\r", identity("Maker,Model 7,0,1.2")),
            ("Maker, T-1 , 10442, A1-B2", identity("Maker, T-1 , 10442, A1-B2")),
            ("0,\"No error\"", Some(Answer::NoError)),
            ("+0,\"No error\"", Some(Answer::NoError)),
            ("-113,\"Undefined header\"", error("-113,\"Undefined header\"")),
            ("-113, \"Undefined header;a, b\"", error("-113, \"Undefined header;a, b\"")),
            ("+2.24E+01", None),
            ("22.4", None),
            ("1,2,3,4", None),
            ("Maker,Model,0", None),
            ("Maker,Model,0,1,2", None),
            ("-113", None),
            ("\u{7}Maker,Model,0,1", None),
            ("", None),
        ] {
            assert_eq!(Answer::read(line.as_bytes()), answer, "{line}");
        }
        assert_eq!(Answer::read(&[b"Maker,Model,0,".to_vec(), vec![b'x'; 400]].concat()), None);
        assert_eq!(Answer::read(b"Maker,\xff,0,1"), None);
    }
}
