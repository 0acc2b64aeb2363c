//! What goes otherwise than planned: notes, interrupted runs, tests run again, weighings to be given.

use super::ms;
use crate::domain::bench::Bench;
use crate::domain::quality;
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Specimen, Target, Weighing};
use serde_json::{Value, json};

/// Given weighings that are listed, newest first.
const GIVEN_SHOWN: usize = 8;

pub(super) fn specimen(bench: &Bench, specimen: &Specimen) -> Value {
    let repeat = bench.samples.get(&specimen.sample).and_then(|s| s.repeat.as_ref());
    json!({
        "notes": specimen.notes.iter().map(|note| json!({
            "kind": note.kind,
            "text": note.text,
            "atMs": ms(note.marked.moment.wall_ns),
            "by": note.marked.by.person,
        })).collect::<Vec<_>>(),
        "runs": 1 + specimen.further_runs.len(),
        "interruption": specimen.interruption.as_ref().map(|said| json!({ "counts": said.counts })),
        "late": repeat.is_some_and(|repeat| repeat.was_called_by(specimen.id)),
    })
}

/// A test that is run again, in words and in figures; `None`: it is not.
pub(super) fn repeat(sample: &Sample) -> Option<Value> {
    let repeat = sample.repeat.as_ref()?;
    let by = repeat.called_by.iter().map(|late| late.label.as_str()).collect::<Vec<_>>().join(", ");
    Some(json!({
        "calledForBy": repeat.called_by.iter().map(|late| &late.label).collect::<Vec<_>>(),
        "specimens": repeat.specimens,
        "begun": repeat.group.len(),
        "complete": sample.complete(),
        "text": format!(
            "No line in time: {by}. {} new specimens are called for; both readings of the one that settles soonest \
             are the result.",
            repeat.specimens
        ),
    }))
}

/// The results of a sample's complete specimens, and why one does not count.
pub(super) fn results(sample: &Sample) -> Vec<Value> {
    let counting = quality::counting(sample);
    let why =
        |specimen| counting.others.iter().find(|(c, _)| c.specimen == specimen).map(|(_, why)| why.text());
    sample
        .counted
        .iter()
        .map(|c| {
            json!({
                "label": c.label,
                "reported": c.calculation.reported.normalize().to_string(),
                "deviations": c.deviations,
                "doesNotCount": why(c.specimen),
            })
        })
        .collect()
}

/// Specimens that took a place: of a test that is run again, the new ones.
pub(super) fn begun(sample: &Sample) -> usize {
    let all = usize::try_from(sample.registered_specimens).unwrap_or(usize::MAX);
    sample.repeat.as_ref().map_or(all, |repeat| repeat.group.len())
}

/// Whether a sample registered by mistake can be withdrawn: nothing of it is at work or complete.
pub(super) fn may_withdraw(sample: &Sample) -> bool {
    sample.standing() == 0
}

/// Weighings that have a place and may be given to another, newest first.
pub(super) fn given(bench: &Bench) -> Vec<Value> {
    let mut given: Vec<&Weighing> = bench.given_weighings().collect();
    given.sort_by_key(|w| std::cmp::Reverse(w.moment.wall_ns));
    given
        .into_iter()
        .take(GIVEN_SHOWN)
        .map(|w| {
            json!({
                "id": w.id,
                "mass": w.mass.to_string(),
                "atMs": ms(w.moment.wall_ns),
                "of": w.target.as_ref().map(|target| bench.target_text(target)),
            })
        })
        .collect()
}

/// What a weighing can be given to, as the act names it, with words.
pub(super) fn targets(bench: &Bench) -> Vec<Value> {
    let samples = bench.samples.values().filter_map(|s| Some((s, bench.methods.get(&s.method)?)));
    let of_samples = samples.flat_map(|(sample, method)| {
        let target = |name: &str| Target::Sample { sample: sample.id, name: name.to_owned() };
        method.sample_weighings().map(move |w| (target(&w.name), format!("{}: {}", sample.label, w.title)))
    });
    let of_specimens = bench.specimens.values().map(|s| {
        (Target::Specimen { specimen: s.id }, format!("{} (place {}): its own mass", s.label, s.place))
    });
    of_samples
        .chain(of_specimens)
        .chain(super::solution::targets(bench))
        .filter(|(target, _)| bench.may_take_mass(target))
        .map(|(target, words)| json!({ "target": target, "words": words }))
        .collect()
}
