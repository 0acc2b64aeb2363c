//! Codes, badges and qualifications by themselves.

use super::*;
use crate::domain::moment::{MINUTE, SECOND, test::at};
use crate::domain::specimen::By;

fn marked(ns: i64) -> Marked {
    Marked { moment: at(ns), by: By { person: None, via: "page".to_owned() } }
}

#[test]
fn what_was_entered_is_written_nowhere() {
    let act: Act = serde_json::from_str(r#"{"what":"sign-on","code":"4711"}"#).unwrap();
    for text in [format!("{act:?}"), serde_json::to_string(&act).unwrap()] {
        assert!(!text.contains("4711") && text.contains("withheld"), "{text}");
    }
    let Act::SignOn { code: Some(code), .. } = act else { panic!() };
    assert!(!code.sealed(How::Code, Uuid::nil()).contains("4711"));
}

/// Python: `hashlib.sha256(b"person signs on\0code\0" + uuid.UUID(int=9).bytes + b"AB12").hexdigest()`
const PYTHON: &str = "fe272290133b5e4870590fb853be62660f5797eab3672e20c7830bb37d28d9f7";

#[test]
fn a_code_is_hashed_with_its_kind_and_the_salt_and_capitals_do_not_matter() {
    let salt = Uuid::from_u128(9);
    assert_eq!(Secret::new(" ab12 ").sealed(How::Code, salt), PYTHON);
    assert_eq!(Secret::new("AB12").sealed(How::Code, salt), PYTHON);
    assert_ne!(Secret::new("AB12").sealed(How::Badge, salt), PYTHON);
    assert_ne!(Secret::new("AB12").sealed(How::Code, Uuid::from_u128(8)), PYTHON);
    assert_ne!(
        Secret::new("ab1200").sealed(How::Badge, salt),
        Secret::new("AB1200").sealed(How::Badge, salt)
    );
}

#[test]
fn a_code_or_a_badge_has_a_form() {
    for (text, how, good) in [
        ("123", How::Code, true),
        ("12", How::Code, false),
        ("1234567890abc", How::Code, false),
        ("12 4", How::Code, false),
        ("übel", How::Code, false),
        ("123456", How::Badge, true),
        ("12345", How::Badge, false),
        ("a\u{7}bcdefg", How::Badge, false),
    ] {
        assert_eq!(Secret::new(text).check(how).is_ok(), good, "{text:?}");
    }
    assert!(Secret::new("9".repeat(81)).check(How::Badge).is_err());
}

#[test]
fn five_wrong_codes_in_a_minute_close_that_way_in_for_a_minute() {
    let mut people = People::default();
    let wrong = |people: &mut People, s: i64| {
        people.apply(&Happened::EntryWrong { how: How::Code, marked: marked(s * SECOND) });
    };
    for s in [0, 70, 80, 90, 100] {
        wrong(&mut people, s);
    }
    let pause = |people: &People, how, via, ns| people.pause_s(how, via, &at(ns));
    assert_eq!(pause(&people, How::Code, "page", 101 * SECOND), None, "the first lies further back");
    wrong(&mut people, 110);
    assert_eq!(pause(&people, How::Code, "page", 110 * SECOND), Some(60));
    assert_eq!(pause(&people, How::Code, "page", 110 * SECOND + MINUTE - 1), Some(1));
    assert_eq!(pause(&people, How::Code, "page", 110 * SECOND + MINUTE), None);
    assert_eq!(pause(&people, How::Code, "ask", 111 * SECOND), None, "another way in stays open");
    assert_eq!(pause(&people, How::Badge, "page", 111 * SECOND), None);
    assert_eq!(people.wrong["code page"].len(), 5, "no more are kept");
}

#[test]
fn a_decision_stands_for_the_next_version_only() {
    use crate::domain::specimen::Issued;
    let review = |decision, version| Reviewed {
        id: Uuid::from_u128(1),
        decision,
        document: Uuid::from_u128(2),
        number: 3,
        version,
        person: None,
        marked: marked(0),
        reason: String::new(),
    };
    let issued = |version| Issued { id: Uuid::from_u128(4), number: 5, version, replaces: None };
    let stands = |reviews: &[Reviewed], version| state_of(reviews, Some(&issued(version)));
    assert_eq!(stands(&[], 1), State::Preliminary);
    let approved = [review(Decision::Approved, 1)];
    assert_eq!(stands(&approved, 2), State::Approved);
    assert_eq!(stands(&approved, 3), State::Preliminary, "corrected since");
    let [one, two] = [review(Decision::Returned, 1), review(Decision::Answered, 2)];
    assert_eq!(stands(std::slice::from_ref(&one), 2), State::Returned);
    assert_eq!(stands(&[one, two], 3), State::Preliminary);
}
