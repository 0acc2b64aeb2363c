//! Whether a result stands, for the pages: the verdict on its limit, how far its specimens lie
//! apart, which count, and what waits for somebody's decision.

use super::ms;
use crate::domain::bench::{Bench, by_text};
use crate::domain::quality::acceptance::{self, Acceptance, Verdict};
use crate::domain::quality::{Compared, Counting, Why, counting, precision};
use crate::domain::shared::Shared;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::sample::Sample;
use rust_decimal::Decimal;
use serde_json::{Value, json};
use uuid::Uuid;

/// The verdict on a sample's limit in a line; `None`: it has no limit.
pub(super) fn verdict(bench: &Bench, sample: &Sample) -> Option<Value> {
    let counting = counting(sample);
    let judged = judged(bench, sample, &counting)?;
    // While its specimens are at work there is nothing to say yet.
    let open = sample.reported.is_none() && counting.held().next().is_none() && sample.result.is_none();
    (!open).then(|| line(&judged))
}

/// What a sample waits for beside its next specimen, in sentences.
pub(super) fn waits(sample: &Sample) -> Vec<String> {
    if sample.reported.is_some() {
        return Vec::new();
    }
    let counting = counting(sample);
    let held: Vec<&str> = counting.held().map(|c| c.label.as_str()).collect();
    let mut waits = Vec::new();
    if let Some(further) = &sample.quality.further {
        waits.push(format!("{}.", capital(&further.text())));
    }
    if !held.is_empty() {
        let it = if held.len() == 1 { "is held for its deviations" } else { "are held for their deviations" };
        waits.push(format!("{} {it}: admit or replace on the sample's page.", held.join(", ")));
    }
    waits
}

/// All of it, for the sample's own page.
pub(super) fn whole(bench: &Bench, sample: &Sample, specimens: &[Shared<Specimen>]) -> Value {
    let counting = counting(sample);
    json!({
        "acceptance": judged(bench, sample, &counting).map(|judged| {
            let mut value = line(&judged);
            value["rule"] = json!(judged.rule_text());
            value["uncertainty"] = json!(judged.uncertainty.as_ref().map(|u| {
                let dof = u.degrees_of_freedom.map(|d| d.trunc().to_string());
                format!(
                    "Unrounded {}; expanded uncertainty U = {} (k = {}, 95 %, {} degrees of freedom). U belongs to the \
                     unrounded value, not to the reported whole number.",
                    u.mean.round_dp(2), u.expanded, u.factor, dof.as_deref().unwrap_or("endless")
                )
            }));
            value
        }),
        "precision": precision_text(bench, sample, &counting),
        "waits": waits(sample),
        "decisions": sample.quality.admissions.iter().map(|a| json!({
            "label": label(specimens, a.specimen),
            "what": if a.admitted_with.is_some() { "admitted" } else { "held again" },
            "reason": a.reason,
            "by": by_text(&a.marked.by),
            "atMs": ms(a.marked.moment.wall_ns),
        })).collect::<Vec<_>>(),
    })
}

/// Where one specimen stands, and what can be decided of it.
pub(super) fn specimen(
    bench: &Bench,
    sample: &Sample,
    specimens: &[Shared<Specimen>],
    specimen: &Specimen,
) -> Value {
    let counting = counting(sample);
    let counted = sample.counted.iter().find(|c| c.specimen == specimen.id);
    let why = counting.why(specimen.id);
    let held = why == Some(Why::Held);
    let by_decision = counted.is_some_and(|c| sample.quality.admission(c).is_some());
    let (state, words) = match (&specimen.voided, why, counted) {
        (Some(_), _, _) => ("void", "does not count: given up".to_owned()),
        (None, Some(Why::Held), _) => ("held", "held: waits for a decision".to_owned()),
        (None, Some(why), _) => ("out", format!("does not count: {}", why.text())),
        (None, None, Some(_)) if by_decision => ("counts", "counts, admitted".to_owned()),
        (None, None, Some(_)) => ("counts", "counts".to_owned()),
        (None, None, None) => ("open", String::new()),
    };
    let open = bench.samples.contains_key(&sample.id) && sample.reported.is_none();
    let replaced = sample.quality.replaced_by(specimen.id);
    json!({
        "state": state,
        "words": words,
        "replaces": sample.quality.replaces(specimen.id).and_then(|id| label(specimens, id)),
        "replacedBy": replaced.and_then(|id| label(specimens, id)),
        "mayAdmit": held,
        "mayHoldAgain": by_decision && specimen.voided.is_none(),
        "mayReplace": open && replaced.is_none() && (held || specimen.voided.is_some()),
    })
}

fn label(specimens: &[Shared<Specimen>], id: Uuid) -> Option<&str> {
    specimens.iter().find(|s| s.id == id).map(|s| s.label.as_str())
}

fn judged<'a>(bench: &Bench, sample: &'a Sample, counting: &Counting<'_>) -> Option<Acceptance<'a>> {
    let method = bench.methods.get(&sample.method)?;
    let reported = sample.reported.as_ref().and_then(|text| text.parse().ok());
    acceptance::judge(sample, method, counting, reported)
}

fn line(judged: &Acceptance<'_>) -> Value {
    let symbol = match judged.verdict {
        Verdict::Pass => "✔",
        Verdict::Fail => "✘",
        Verdict::NotDecided(_) => "?",
    };
    json!({
        "verdict": judged.verdict.code(),
        "word": format!("{symbol} {}", judged.word()),
        "text": judged.text(),
    })
}

fn precision_text(bench: &Bench, sample: &Sample, counting: &Counting<'_>) -> Option<Value> {
    let method = bench.methods.get(&sample.method)?;
    if sample.quality.rules.precision == Compared::Off {
        return None;
    }
    let results: Vec<Decimal> = counting.counts.iter().map(|c| c.calculation.reported).collect();
    let found = precision::compare(&results, method)?;
    let class = found.class.map_or("no class of the method", |class| class.class.as_str());
    let text = |value: Decimal| value.normalize().to_string();
    let words = match (&found.operator, found.is_outside()) {
        (Some(allowed), Some(outside)) => format!(
            "{} The {} results lie {} apart; one operator's keep within {} in 95 of 100 cases ({class}).",
            if outside { "▲ Outside." } else { "● Within." },
            found.results,
            text(found.range),
            text(allowed.range)
        ),
        _ => format!(
            "○ No figure for {} results with a mean of {} ({class}).",
            found.results,
            found.mean.round_dp(1)
        ),
    };
    let between = found.laboratories.map(|allowed| {
        format!("Two laboratories' results keep within {}, for information.", text(allowed.range))
    });
    Some(json!({ "text": words, "laboratories": between, "outside": found.is_outside() }))
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
