//! Triggers twice, late and in any order, and masses that nobody would believe.

use super::*;
use proptest::prelude::*;

/// What a switch may do to a bench: the same press up to three times, up to three hours old.
#[derive(Debug, Clone)]
struct Odd {
    name: &'static str,
    contact: Result<Contact, String>,
    times: usize,
    wait_s: u32,
    late_s: i64,
}

fn odd() -> impl Strategy<Value = Odd> {
    let name = prop_oneof![Just("shaker"), Just("foot"), Just("place-3"), Just("nobody-knows")];
    let contact = prop_oneof![
        4 => prop_oneof![Just(Contact::On), Just(Contact::Off), Just(Contact::Press)].prop_map(Ok),
        1 => Just(Err("it is marked as sent again".to_owned())),
    ];
    let late = prop_oneof![3 => Just(0_i64), 1 => 0_i64..10, 1 => 0_i64..10_800];
    (name, contact, 1_usize..=3, 0_u32..700, late).prop_map(|(name, contact, times, wait_s, late_s)| Odd {
        name,
        contact,
        times,
        wait_s,
        late_s,
    })
}

/// Points of a specimen that are marked, in the order of the method.
fn marks(bench: &Bench) -> Vec<Vec<Moment>> {
    let of = |s: &crate::domain::shared::Shared<crate::domain::specimen::Specimen>| {
        s.points.iter().flatten().map(|m| m.moment).collect()
    };
    bench.specimens.values().map(of).collect()
}

fn press(story: &mut Story, odd: &Odd) -> Result<(), TestCaseError> {
    let moment = at(story.now_ns - odd.late_s * SECOND);
    story.input(What::Deadline);
    let (before, refusals) = (story.bench.clone(), story.bench.refused.len());
    let trigger = Trigger { name: odd.name.to_owned(), contact: odd.contact.clone(), via: "mqtt".to_owned() };
    let outcome = story.input_at(What::Trigger(trigger), moment);
    let acted = marks(&story.bench) != marks(&before) || story.bench.presses != before.presses;
    match (&odd.contact, &outcome) {
        (Err(_), _) => {
            prop_assert!(!acted, "a press that may not act did: {:?}", outcome);
            prop_assert!(story.bench.refused.len() > refusals || refusals == KEPT, "and nobody is told");
            prop_assert_eq!(&story.bench.refused.back().unwrap().trigger, odd.name);
        }
        (Ok(_), Outcome::Refused { text, .. }) => {
            prop_assert!(!acted && !text.is_empty(), "refused, and something happened: {}", text);
        }
        (Ok(_), Outcome::Done { note, .. } | Outcome::DoneBefore { note, .. }) => {
            prop_assert!(!note.is_empty(), "a press without a trace: {:?}", odd);
        }
        (Ok(_), Outcome::AsBefore { .. }) => prop_assert!(false, "a press is no ask: {:?}", odd),
    }
    // Whatever came in whatever order: no step ends before it began. Two stamps that overtook each
    // other by a second at most are kept as they are, and count as simultaneous.
    for specimen in marks(&story.bench) {
        let in_order = |pair: &[Moment]| pair[1].boot_ns - pair[0].boot_ns >= -SECOND;
        prop_assert!(specimen.windows(2).all(in_order), "{:?}", specimen);
    }
    for specimen in story.bench.specimens.values() {
        let (method, points) = story.bench.rule(specimen).expect("its method is known");
        for step in 0..method.steps.len() {
            let span = specimen.span(method, &points, step);
            prop_assert!(
                span.is_none_or(|span| span.elapsed(&moment).ns >= 0 || span.end.is_none()),
                "{:?}",
                specimen.points
            );
        }
    }
    Ok(())
}

/// Two cylinders: one soaks since 0 s, the other was filled at 30 s.
fn two_begun() -> Story {
    let mut story = Story::new();
    let sample = story.sample("S", 2);
    let (a, b) = (story.specimen(sample, 1), story.specimen(sample, 3));
    story.mark(a, "first fill", Edge::Done);
    story.mark(a, "soak", Edge::Begin);
    story.to(30.0).mark(b, "first fill", Edge::Done);
    story
}

#[test]
fn a_press_that_another_act_overtook_by_a_second_is_kept_with_its_own_stamp() {
    let mut story = two_begun();
    story.to(38.0);
    let foot = Odd { name: "foot", contact: Ok(Contact::Press), times: 1, wait_s: 8, late_s: 9 };
    press(&mut story, &foot).unwrap();
    let began = marks(&story.bench).into_iter().map(|of_one| of_one.last().unwrap().boot_ns);
    assert!(began.clone().any(|ns| ns == at(29 * SECOND).boot_ns), "{:?}", marks(&story.bench));
    let before = marks(&story.bench);
    press(&mut story, &Odd { late_s: 10, ..foot }).unwrap();
    assert_eq!(marks(&story.bench), before, "two seconds are no overtaking");
    story.check_replay();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn triggers_twice_late_and_in_any_order_start_nothing_unseen(odds in proptest::collection::vec(odd(), 1..25)) {
        let mut story = two_begun();
        let mut now = 30.0;
        for odd in &odds {
            now += f64::from(odd.wait_s);
            story.to(now);
            for _ in 0..odd.times {
                press(&mut story, odd)?;
            }
        }
        story.check_replay();
    }

    #[test]
    fn a_mass_is_kept_as_it_was_read_or_said_to_be_none_however_absurd(mantissa: i64, scale in 0_u32..=18, awaited: bool) {
        let mut story = Story::new();
        let sample = story.sample("S", 1);
        let specimen = story.specimen(sample, 1);
        if awaited {
            story.ok(Do::AwaitSpecimenMass { specimen });
        }
        let mass = rust_decimal::Decimal::new(mantissa, scale).to_string();
        let done = matches!(story.weigh(&mass), Outcome::Done { .. });
        prop_assert!(done);
        let read = |w: &Weighing| w.mass.value.to_string();
        let taken: Vec<_> = story.bench.specimens[&specimen].mass.iter().map(&read).collect();
        let kept: Vec<_> = story.bench.kept_weighings.iter().map(|w| read(w)).collect();
        // Kept once, with its digits: taken by who waited for it, else without a place. What is no
        // mass at a bench (negative, or more than 100 kg) is said and not taken.
        let grams: rust_decimal::Decimal = mass.parse().unwrap();
        let is_mass = (rust_decimal::Decimal::ZERO..=100_000.into()).contains(&grams);
        let expected = if is_mass { vec![mass] } else { Vec::new() };
        prop_assert_eq!([taken.as_slice(), kept.as_slice()].concat(), expected);
        prop_assert_eq!(story.bench.weighings, u64::from(is_mass));
        prop_assert_eq!(story.bench.alarms.contains_key("balance-nonsense-balance"), !is_mass);
        story.check_replay();
    }
}
