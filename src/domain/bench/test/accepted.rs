//! What a limit says of a result, and what its chart does.

use super::amended::{documents, reading, void};
use super::quality::{
    GIVES_42, GIVES_52, METHOD, admit, calm, limit, limited, quality, registered, reported, results,
    set_limit,
};
use super::*;
use crate::domain::intake::{Limit, Particulars};
use crate::domain::quality::charts::{Chart, Charts, Of};
use crate::domain::quality::{Act, Deviations};
use crate::domain::report::DocumentKind;
use rust_decimal::Decimal;

#[test]
fn a_result_is_compared_with_its_limit() {
    for (at_least, verdict, compared) in
        [("42", "pass", "42"), ("42.0", "pass", "42"), ("43", "fail", "42"), ("41.5", "pass", "42")]
    {
        let mut story = Story::with(|s| s.methods = vec![calm(|_| {})]);
        let sample = limited(&mut story, "L", 1, at_least);
        registered(&mut story, sample, 1, GIVES_42, false);
        let acceptance = &results(&story)[0]["acceptance"];
        assert_eq!(acceptance["verdict"], verdict, "{at_least}");
        assert_eq!(acceptance["limit"]["atLeast"], at_least);
        assert_eq!((&acceptance["compared"], &acceptance["rule"]), (&compared.into(), &"simple".into()));
    }
}

#[test]
fn a_limit_that_is_set_later_makes_new_versions_and_keeps_what_stood_there() {
    let mut story = Story::with(|s| s.methods = vec![calm(|_| {})]);
    let sample = limited(&mut story, "L", 1, "40");
    registered(&mut story, sample, 1, GIVES_42, false);
    assert!(story.refused(set_limit(sample, Some(limit("40")))).contains("is so already"));
    story.ok(set_limit(sample, Some(limit("45"))));
    let versions = results(&story);
    let verdicts: Vec<_> = versions.iter().map(|v| &v["acceptance"]["verdict"]).collect();
    assert_eq!(verdicts, ["pass", "fail"]);
    let change = &versions[1]["changes"][0];
    assert_eq!(
        (&change["from"]["limit"]["atLeast"], &change["to"]["limit"]["atLeast"]),
        (&"40".into(), &"45".into())
    );
    assert_eq!(change["reason"], "the contract was amended");
    assert_eq!(documents(&story, DocumentKind::Record).len(), 2, "the record tells its limit too");
    story.ok(set_limit(sample, None));
    assert_eq!(results(&story)[2]["acceptance"], serde_json::Value::Null);
    let odd = Limit { at_least: "101".parse().unwrap(), specification: "Section 3".to_owned() };
    assert!(story.refused(set_limit(sample, Some(odd))).contains("0 to 100"));
    story.check_replay();
}

/// One specimen in a solution of 18 degrees, where 19 to 25 are allowed, and a limit.
fn cold(at_least: &str, deviations: Deviations) -> (Story, Uuid) {
    let mut story = Story::with(|s| {
        s.bench.deviations = deviations;
        // One reading holds for the whole test.
        s.bench.temperature_stale_s = 9000;
        s.instruments.insert("probe".to_owned(), crate::domain::reading::InstrumentKind::SolutionProbe);
    });
    story.warmth("18.0");
    let sample = limited(&mut story, "K", 1, at_least);
    registered(&mut story, sample, 1, GIVES_42, false);
    (story, sample)
}

#[test]
fn a_pass_in_the_cold_stands_where_the_method_says_so() {
    // AASHTO T 176, from memory: what meets its minimum below the window needs no reference test.
    for deviations in [Deviations::Count, Deviations::Hold] {
        let (story, sample) = cold("40", deviations);
        assert_eq!(reported(&story, sample), Some("42"), "{deviations:?}");
        let acceptance = &results(&story)[0]["acceptance"];
        assert_eq!((&acceptance["verdict"], &acceptance["standsThoughCold"]), (&"pass".into(), &true.into()));
        story.check_replay();
    }
}

#[test]
fn a_fail_in_the_cold_is_not_decided() {
    let (story, _) = cold("45", Deviations::Count);
    let acceptance = &results(&story)[0]["acceptance"];
    assert_eq!((&acceptance["verdict"], &acceptance["why"]), (&"not-decided".into(), &"cold".into()));
    let (mut held, sample) = cold("45", Deviations::Hold);
    assert_eq!(reported(&held, sample), None);
    // With another limit it passes, and then it stands.
    held.ok(set_limit(sample, Some(limit("40"))));
    assert_eq!(reported(&held, sample), Some("42"));
    held.check_replay();
}

#[test]
fn a_guard_band_decides_only_where_the_whole_interval_lies_on_one_side() {
    for (at_least, verdict) in [("34", "pass"), ("42", "not-decided"), ("50", "fail")] {
        let stated = r#"{"decision": "guarded", "repeatability": "2.9"}"#;
        let mut story = Story::with(|s| {
            s.methods = vec![calm(|_| {})];
            s.bench.uncertainty = serde_json::from_str(stated).ok();
        });
        let sample = limited(&mut story, "G", 1, at_least);
        registered(&mut story, sample, 1, ["6.9", "12.9"], false);
        let acceptance = &results(&story)[0]["acceptance"];
        assert_eq!(acceptance["verdict"], verdict, "{at_least}");
        // 2.9/6.9: 42.03 unrounded; 2 x 2.957, raised at the second digit.
        assert_eq!(acceptance["compared"], "42.03");
        assert_eq!(acceptance["uncertainty"]["expanded"], "6.0");
    }
}

#[test]
fn a_verdict_over_deviations_says_so_whichever_way_they_count() {
    // Spilled: a deviation that has nothing to do with the cold.
    let told = |story: &Story| {
        let acceptance = results(story).pop().unwrap()["acceptance"].clone();
        (acceptance["verdict"].as_str().unwrap().to_owned(), acceptance["text"].as_str().unwrap().to_owned())
    };
    for (at_least, verdict) in [("40", "pass"), ("45", "fail")] {
        let mut story = Story::with(|s| s.methods = vec![calm(|_| {})]);
        let sample = limited(&mut story, "D", 1, at_least);
        let specimen = registered(&mut story, sample, 1, GIVES_42, true);
        assert!(!story.deviations(specimen).is_empty());
        let (code, text) = told(&story);
        assert_eq!(code, verdict, "its behaviour is that of the setting");
        let said = format!("{verdict}: 42, at least {at_least} (Section 3 contract); with ");
        assert!(text.starts_with(&said), "{text}");
        assert!(
            text.contains("deviation") && text.ends_with("which the laboratory's setting lets count"),
            "{text}"
        );
    }
    let mut held = Story::with(|s| {
        s.methods = vec![calm(|_| {})];
        s.bench.deviations = Deviations::Hold;
    });
    let sample = limited(&mut held, "H", 1, "40");
    let specimen = registered(&mut held, sample, 1, GIVES_42, true);
    held.ok(admit(specimen));
    let (code, text) = told(&held);
    assert!(code == "pass" && text.ends_with(", admitted by a named person"), "{text}");
    let mut story = Story::with(|s| s.methods = vec![calm(|_| {})]);
    let sample = limited(&mut story, "C", 1, "40");
    registered(&mut story, sample, 1, GIVES_42, false);
    assert_eq!(
        told(&story).1,
        "pass: 42, at least 40 (Section 3 contract)",
        "nothing is said where nothing is"
    );
}

fn chart() -> Of {
    Of { method: METHOD.to_owned(), material: "crushed sand 0/4".to_owned(), source: "Upper pit".to_owned() }
}

pub(super) fn freeze(chart: Of) -> Do {
    quality(Act::FreezeLimits { chart, reason: "eight quiet weeks".to_owned() })
}

/// One specimen of the same material after the other, each with a clay level of 8.0 in.
pub(super) fn charted(story: &mut Story, sands: &[&str]) -> Of {
    for (n, sand) in sands.iter().enumerate() {
        let Of { material, source, .. } = chart();
        let particulars =
            Particulars { material: Some(material), source: Some(source), ..Particulars::default() };
        let sample = story.ok(Do::RegisterSample {
            label: format!("W-{n}-{sand}"),
            method: METHOD.to_owned(),
            specimens: Some(1),
            particulars: Some(Box::new(particulars)),
        });
        let specimen = registered(story, sample, 8, ["8.0", sand], false);
        story.mark(specimen, "clean", Edge::Done);
    }
    chart()
}

fn keeping_charts() -> Story {
    Story::with(|s| {
        s.methods = vec![calm(|_| {})];
        s.bench.charts = Charts::On;
    })
}

#[test]
fn results_of_one_material_stand_on_one_chart_before_any_rounding() {
    let mut story = keeping_charts();
    let of = charted(&mut story, &["13.2", "13.3", "13.4"]);
    let unsaid = story.sample("U", 1);
    registered(&mut story, unsaid, 1, GIVES_52, false);
    // 100 x 3.2 / 8.0 and so on; the bag without a material is on none.
    let values = story.bench.charts.get(&of).unwrap().values();
    assert_eq!(values, ["40", "41.25", "42.5"].map(|v| v.parse::<Decimal>().unwrap()));
    assert_eq!(story.bench.charts.charts.len(), 1);
    assert!(story.refused(freeze(of)).contains("3 results: wait for 8"));
    story.check_replay();
}

#[test]
fn a_result_outside_of_frozen_limits_is_told_to_whoever_enters_it() {
    let mut story = keeping_charts();
    let of = charted(&mut story, &["13.2", "13.3", "13.4", "13.3", "13.2", "13.3", "13.4", "13.3"]);
    story.ok(freeze(of));
    // Mean 41.25, ranges of 1.25: three deviations are 3.32, so 37.5 lies beyond.
    let Of { material, source, .. } = chart();
    let particulars =
        Particulars { material: Some(material), source: Some(source), ..Particulars::default() };
    let sample = story.ok(Do::RegisterSample {
        label: "far".to_owned(),
        method: METHOD.to_owned(),
        specimens: Some(1),
        particulars: Some(Box::new(particulars)),
    });
    let specimen = story.specimen(sample, 8);
    story.run_to_line(specimen, 100_000.0);
    story.read(specimen, Level::Clay, "8.0");
    let sand = Do::EnterReading { specimen, of: Level::Sand, value: "13.0".to_owned(), confirmed: false };
    let Outcome::Done { note, .. } = story.act(sand) else { panic!() };
    assert!(note.contains("beyond three standard deviations"), "{note}");
    story.check_replay();
}

#[test]
fn a_corrected_or_void_result_is_corrected_on_its_chart() {
    let mut story = keeping_charts();
    let of = charted(&mut story, &["13.2", "13.3"]);
    let (first, second) = {
        let points = &story.bench.charts.get(&of).unwrap().points;
        let specimen = |at: usize| story.bench.specimens_of(points[at].sample)[0].id;
        (specimen(0), specimen(1))
    };
    story.ok(reading(first, Level::Sand, "13.4", Some("misread")));
    let values = |story: &Story| story.bench.charts.get(&of).map(Chart::values);
    assert_eq!(values(&story).unwrap(), ["42.5", "41.25"].map(|v| v.parse::<Decimal>().unwrap()));
    story.ok(void(second, "the cylinder was cracked"));
    assert_eq!(values(&story).unwrap(), ["42.5"].map(|v| v.parse::<Decimal>().unwrap()));
    story.check_replay();
}
