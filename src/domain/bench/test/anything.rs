//! Whatever people do, in whatever order: the fold of the events is the state, no two cylinders
//! stand at one place, and no weighing is lost or doubled.

use super::*;
use crate::domain::specimen::Target;
use crate::domain::specimen::note::NoteKind;
use proptest::prelude::*;
use std::collections::BTreeSet;

/// One thing that somebody does: which, on what, and how long after the last.
type Step = (u8, u8, u8, u16);

fn pick<T: Copy>(list: &[T], n: u8) -> Option<T> {
    list.get(usize::from(n) % list.len().max(1)).copied()
}

fn target(story: &Story, n: u8) -> Option<Target> {
    let samples: Vec<Uuid> = story.bench.samples.keys().copied().collect();
    let specimens: Vec<Uuid> = story.bench.specimens.keys().copied().collect();
    if n.is_multiple_of(2) {
        let name = if n.is_multiple_of(4) { "passing" } else { "tin" }.to_owned();
        return Some(Target::Sample { sample: pick(&samples, n / 4)?, name });
    }
    Some(Target::Specimen { specimen: pick(&specimens, n / 2)? })
}

fn weighing(story: &Story, n: u8) -> Option<Uuid> {
    let kept = story.bench.kept_weighings.iter().map(|w| w.id);
    let all: Vec<Uuid> = kept.chain(story.bench.given_weighings().map(|w| w.id)).collect();
    pick(&all, n)
}

fn chosen(story: &mut Story, (what, on, more, _): Step) -> Option<Do> {
    let samples: Vec<Uuid> = story.bench.samples.keys().copied().collect();
    let specimens: Vec<Uuid> = story.bench.specimens.keys().copied().collect();
    let (sample, specimen) = (pick(&samples, on), pick(&specimens, on));
    let place = 1 + u32::from(more % 9);
    let reason = "a story".to_owned();
    Some(match what % 16 {
        0 => Do::RegisterSample {
            label: format!("R{on}{more}"),
            method: "aashto-t176-mechanical".to_owned(),
            specimens: Some(1 + u32::from(more % 3)),
        },
        1 => Do::RegisterSpecimen { sample: sample?, place },
        2..=5 => Do::MarkNext { specimen: specimen? },
        6 => Do::NoLineYet { specimen: specimen? },
        7 => {
            let of = if more.is_multiple_of(2) { Level::Clay } else { Level::Sand };
            let value = if of == Level::Clay { "8.0" } else { "13.3" }.to_owned();
            Do::EnterReading { specimen: specimen?, of, value, confirmed: true }
        }
        8 => Do::NoteSpecimen { specimen: specimen?, note: NoteKind::Bumped, text: None },
        9 => Do::InterruptedRun { specimen: specimen?, counts: more.is_multiple_of(2), reason: None },
        10 => Do::CorrectPlace { specimen: specimen?, place, swap: more.is_multiple_of(2) },
        11 => Do::MoveCylinder { specimen: specimen?, place },
        12 => Do::PlaceWeighing { weighing: weighing(story, on)?, target: target(story, more)? },
        13 => Do::ReassignWeighing { weighing: weighing(story, on)?, target: target(story, more)? },
        14 => Do::PlanSpecimens { sample: sample?, specimens: u32::from(more % 5) },
        _ if more.is_multiple_of(2) => Do::VoidSpecimen { specimen: specimen?, reason },
        _ => Do::WithdrawSample { sample: sample?, reason },
    })
}

/// Every weighing that the state holds, wherever.
fn weighings(bench: &Bench) -> Vec<Uuid> {
    let samples = bench
        .samples
        .values()
        .flat_map(|s| s.masses.values().chain(s.earlier_masses.iter().map(|(_, weighing)| weighing)));
    let specimens = bench.specimens.values().flat_map(|s| s.mass.iter().chain(&s.earlier_masses));
    bench.kept_weighings.iter().map(|w| &**w).chain(samples).chain(specimens).map(|w| w.id).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_order_of_acts_keeps_the_state_whole(steps in prop::collection::vec(any::<Step>(), 1..250)) {
        let mut story = Story::new();
        for step in steps {
            let seconds = [0.0, 1.0, 45.0, 600.0, 1200.0, 1900.0][usize::from(step.3 % 6)];
            #[expect(clippy::cast_precision_loss, reason = "hours in a test")]
            let now = story.now_ns as f64 / 1e9;
            story.to(now + seconds);
            if step.0 > 230 {
                story.trigger("shaker", if step.1.is_multiple_of(2) { Contact::On } else { Contact::Off });
            } else if step.0 > 205 {
                story.weigh("950.0");
            }
            // What that made due at once.
            story.to(now + seconds);
            let Some(what) = chosen(&mut story, step) else { continue };
            let (before, held) = (story.bench.clone(), weighings(&story.bench).len());
            let leaves = matches!(what, Do::MarkNext { .. });
            if let Outcome::Refused { text, .. } = story.act(what) {
                prop_assert!(!text.is_empty());
                // What the clock made due stands; nothing of the act does.
                prop_assert_eq!(&story.bench.specimens, &before.specimens);
            }
            let bench = &story.bench;
            let places: BTreeSet<u32> = bench.specimens.values().map(|s| s.place).collect();
            prop_assert_eq!(places.len(), bench.specimens.len(), "two cylinders at one place");
            let all = weighings(bench);
            let distinct: BTreeSet<&Uuid> = all.iter().collect();
            prop_assert_eq!(distinct.len(), all.len(), "a weighing is there twice");
            prop_assert!(leaves || all.len() >= held, "a weighing was lost");
            for sample in bench.samples.values() {
                prop_assert!(sample.reported.is_some() || sample.planned >= 1);
            }
        }
        story.check_replay();
    }
}
