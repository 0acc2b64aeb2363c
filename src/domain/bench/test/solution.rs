use super::*;
use crate::domain::quantity::Unit;
use crate::domain::report::DocumentKind;
use crate::domain::solution::{Act as On, Kind, Recipe, State};
use crate::domain::specimen::judge::Code;
use serde_json::{Value, json};

const DAY: f64 = 86_400.0;

pub(super) fn recipes() -> Vec<Recipe> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/config/solutions");
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|extension| extension == "toml"));
    files.sort();
    let read = |path: &std::path::PathBuf| {
        let text = std::fs::read_to_string(path).unwrap();
        crate::domain::solution::load(&path.display().to_string(), &text).unwrap()
    };
    files.iter().map(read).collect()
}

fn story() -> Story {
    story_by(t176())
}

fn story_by(method: Arc<Method>) -> Story {
    Story::with(|started| {
        started.methods = vec![method];
        started.recipes = recipes();
        started.instruments =
            [("balance".to_owned(), crate::domain::reading::InstrumentKind::Balance)].into();
    })
}

fn on(act: Value) -> Do {
    let mut act = act;
    act["act"] = "solution".into();
    serde_json::from_value(act).unwrap()
}

fn begin(batch: &str, recipe: &str, litres: &str, more: Value) -> Do {
    let mut act = json!({ "what": "begin", "batch": batch, "recipe": recipe, "volume": litres, "unit": "L", "water": "distilled" });
    act.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    on(act)
}

fn state_it(batch: &str, component: &str, value: &str, unit: &str) -> Do {
    let with = "measuring cylinder 100 mL";
    on(
        json!({ "what": "state-component", "batch": batch, "component": component, "value": value, "unit": unit, "with": with }),
    )
}

fn weigh(story: &mut Story, batch: &str, component: &str, grams: &str) {
    story.ok(on(json!({ "what": "await-component", "batch": batch, "component": component })));
    story.weigh(grams);
}

fn finish(batch: &str) -> Do {
    on(json!({ "what": "finish", "batch": batch }))
}

fn use_it(batch: &str) -> Do {
    on(json!({ "what": "put-in-use", "batch": batch }))
}

/// Stock of one litre that EN 933-8 keeps for a year, made as its recipe says.
fn stock(story: &mut Story, id: &str) {
    story.ok(begin(id, "en-933-8-stock", "1", json!({})));
    for (component, grams) in [("calcium chloride", "219.4"), ("glycerine", "480"), ("formaldehyde", "12.5")]
    {
        weigh(story, id, component, grams);
        let lot = json!({ "what": "note-lot", "batch": id, "component": component, "lot": "L-7", "expires": "2027-12-31" });
        story.ok(on(lot));
    }
    for step in ["dissolve", "cool", "mix"] {
        story.ok(on(json!({ "what": "step-done", "batch": id, "step": step })));
    }
    story.ok(state_it(id, "make up", "1", "L"));
    story.ok(finish(id));
}

/// Stock that came ready-made, of the American recipe.
fn bought(story: &mut Story, id: &str) {
    let act = json!({ "what": "receive", "batch": id, "recipe": "t176-stock-formaldehyde", "volume": "3.78",
        "unit": "L", "maker": "Central laboratory, Fernhollow", "lot": "77-3" });
    story.ok(on(act));
}

/// A gallon of working solution, in order.
fn working(story: &mut Story, id: &str, stock: &str) {
    story.ok(begin(id, "t176-working", "3.8", json!({ "stock": stock })));
    story.ok(state_it(id, "stock", "86", "mL"));
    story.ok(state_it(id, "make up", "3.8", "L"));
    story.ok(on(json!({ "what": "step-done", "batch": id, "step": "mix" })));
    story.ok(finish(id));
}

/// Everything between the first fill and irrigation, from `start` seconds on.
fn shaken(story: &mut Story, specimen: Uuid, start: f64) {
    story.to(start).mark(specimen, "soak", Edge::Begin);
    story.to(start + 600.0).mark(specimen, "loosen", Edge::Begin);
    story.to(start + 610.0).mark(specimen, "shake", Edge::Begin);
    story.to(start + 655.0).mark(specimen, "shake", Edge::End);
}

fn codes(story: &Story, specimen: Uuid) -> Vec<Code> {
    story.deviations(specimen).into_iter().map(|d| d.code).collect()
}

fn used(story: &Story, specimen: Uuid) -> Vec<(String, Option<String>)> {
    let uses = &story.bench.specimens[&specimen].solutions;
    uses.iter().map(|u| (u.step.clone(), u.batch.as_ref().map(|b| b.id.clone()))).collect()
}

fn at_steps(first: Option<&str>, second: Option<&str>) -> Vec<(String, Option<String>)> {
    let own = |id: Option<&str>| id.map(str::to_owned);
    vec![("first fill".to_owned(), own(first)), ("irrigate".to_owned(), own(second))]
}

fn batch_state(story: &Story, id: &str) -> State {
    story.bench.solutions.batches[id].state(&at(story.now_ns))
}

/// A story in which everything happens that can happen to solutions, with two records.
pub(in crate::domain::bench::test) fn everything(method: Arc<Method>) -> Story {
    let mut story = story_by(method);
    stock(&mut story, "EN-1");
    bought(&mut story, "ST-1");
    story.ok(begin("ST-2", "t176-stock-glutaraldehyde", "1", json!({})));
    story.ok(on(json!({ "what": "discard", "batch": "ST-2", "reason": "the flask broke" })));
    story.ok(begin("W-1", "t176-working", "3.8", json!({ "stock": "ST-1" })));
    story.ok(state_it("W-1", "stock", "120", "mL"));
    story.ok(state_it("W-1", "make up", "3.8", "L"));
    story.ok(on(json!({ "what": "step-done", "batch": "W-1", "step": "mix" })));
    story.ok(on(json!({ "what": "finish", "batch": "W-1", "reason": "no other bottle today" })));
    story.ok(on(json!({ "what": "put-in-use", "batch": "W-1", "confirmed": true })));
    let sample = story.sample("S-1", 2);
    let (one, other) = (story.specimen(sample, 1), story.specimen(sample, 2));
    story.run_to_line(one, 10.0);
    story.ok(on(json!({ "what": "discard", "batch": "W-1", "reason": "slime in the hose" })));
    for (of, value) in [(Level::Clay, "8.0"), (Level::Sand, "13.3")] {
        story.read(one, of, value);
    }
    story.to(2100.0).mark(other, "first fill", Edge::Done);
    shaken(&mut story, other, 2110.0);
    story.ok(on(json!({ "what": "take-away", "kind": "working" })));
    story.to(2800.0).mark(other, "irrigate", Edge::Begin);
    story.to(2900.0).mark(other, "irrigate", Edge::End);
    story.to(4100.0).mark(other, "sedimentation", Edge::End);
    for (of, value) in [(Level::Clay, "8.0"), (Level::Sand, "13.3")] {
        story.read(other, of, value);
    }
    story
}

#[test]
fn without_a_batch_nothing_is_asked_noted_or_marked() {
    let mut story = story();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10.0);
    assert_eq!(codes(&story, specimen), []);
    assert!(story.bench.specimens[&specimen].solutions.is_empty());
    story.check_replay();
}

#[test]
fn a_stock_solution_is_weighed_out_step_by_step_and_its_amounts_are_held_to_limits() {
    let mut story = story();
    story.ok(begin("EN-1", "en-933-8-stock", "0.5", json!({})));
    let kept = story.bench.kept_weighings.len();
    // 219 ± 2 g for a litre are 109.5 ± 1 g for half of it.
    weigh(&mut story, "EN-1", "calcium chloride", "108.4");
    assert_eq!(story.bench.kept_weighings.len(), kept, "it was waited for");
    let text = story.refused(finish("EN-1"));
    assert!(text.contains("`calcium chloride`: 108.4 g is too little, required 108.5 to 110.5 g"), "{text}");
    assert!(text.contains("`glycerine` is missing") && text.contains("`cool` was not done"), "{text}");
    // A further portion is added; 108.4 + 0.6 is within.
    story.ok(on(json!({ "what": "await-component", "batch": "EN-1", "component": "calcium chloride", "further": true })));
    story.weigh("0.6");
    let part = story.bench.solutions.batches["EN-1"].part("calcium chloride").unwrap().clone();
    assert_eq!(part.sum().unwrap().to_string(), "109.0 g");
    weigh(&mut story, "EN-1", "glycerine", "240.9");
    weigh(&mut story, "EN-1", "glycerine", "240.0");
    let part = story.bench.solutions.batches["EN-1"].part("glycerine").unwrap().clone();
    assert_eq!(
        (part.sum().unwrap().to_string(), part.replaced.len()),
        ("240.0 g".to_owned(), 1),
        "weighed anew"
    );
    weigh(&mut story, "EN-1", "formaldehyde", "6.2");
    for step in ["dissolve", "cool", "mix"] {
        story.ok(on(json!({ "what": "step-done", "batch": "EN-1", "step": step })));
    }
    story.ok(state_it("EN-1", "make up", "500", "mL"));
    let Outcome::Done { note, .. } = story.act(finish("EN-1")) else { panic!("it is made") };
    assert!(note.contains("without a lot number: calcium chloride, glycerine, formaldehyde"), "{note}");
    assert_eq!(batch_state(&story, "EN-1"), State::Good);
    // One year, by the teaching sheet on NF EN 933-8.
    story.to(364.0 * DAY);
    assert_eq!(batch_state(&story, "EN-1"), State::DueSoon);
    story.to(365.0 * DAY + 1.0);
    assert_eq!(batch_state(&story, "EN-1"), State::PastDate);
    story.check_replay();
}

#[test]
fn a_weighing_that_nothing_waited_for_finds_its_component_and_may_be_given_to_another() {
    let mut story = story();
    story.ok(begin("EN-1", "en-933-8-stock", "1", json!({})));
    story.weigh("219.3");
    let weighing = story.bench.kept_weighings[0].id;
    let target = |component: &str| {
        serde_json::from_value(json!({ "for": "component", "batch": "EN-1", "component": component }))
            .unwrap()
    };
    story.ok(Do::PlaceWeighing { weighing, target: target("glycerine") });
    let part = |story: &Story, name: &str| story.bench.solutions.batches["EN-1"].part(name).unwrap().sum();
    assert_eq!(part(&story, "glycerine").unwrap().to_string(), "219.3 g");
    story.ok(Do::ReassignWeighing { weighing, target: target("calcium chloride") });
    assert_eq!(part(&story, "glycerine"), None);
    assert_eq!(part(&story, "calcium chloride").unwrap().to_string(), "219.3 g");
    let text = story.refused(Do::ReassignWeighing { weighing, target: target("make up") });
    assert!(text.contains("is taken by volume"), "{text}");
    story.check_replay();
}

#[test]
fn a_specimen_knows_its_bottle_at_the_first_fill_and_at_irrigation() {
    let mut story = story();
    bought(&mut story, "ST-1");
    working(&mut story, "W-1", "ST-1");
    working(&mut story, "W-2", "ST-1");
    story.ok(use_it("W-1"));
    let sample = story.sample("S", 2);
    let (one, other) = (story.specimen(sample, 1), story.specimen(sample, 2));
    story.to(10.0).mark(one, "first fill", Edge::Done);
    story.to(20.0).mark(other, "first fill", Edge::Done);
    shaken(&mut story, one, 30.0);
    shaken(&mut story, other, 700.0);
    story.to(1400.0).mark(one, "irrigate", Edge::Begin);
    story.to(1450.0).ok(use_it("W-2"));
    // The end of a step that began with the bottle before it changes nothing.
    story.to(1500.0).mark(one, "irrigate", Edge::End);
    story.to(1530.0).mark(other, "irrigate", Edge::Begin);
    assert_eq!(used(&story, one), at_steps(Some("W-1"), Some("W-1")));
    assert_eq!(used(&story, other), at_steps(Some("W-1"), Some("W-2")));
    let of_solution = |specimen| -> Vec<Code> {
        codes(&story, specimen).into_iter().filter(|code| *code != Code::IntervalOver).collect()
    };
    assert_eq!((of_solution(one), of_solution(other)), (vec![], vec![]));
    let batches = &story.bench.solutions.batches;
    // By the recipe: 80 mL at the first fill, 221 mL at irrigation.
    assert_eq!(batches["W-1"].drawn_ml.normalize().to_string(), "381");
    assert_eq!(batches["W-2"].drawn_ml.normalize().to_string(), "221");
    assert_eq!((batches["W-1"].fillings, batches["W-2"].fillings), (2, 0));
    assert_eq!(batches["ST-1"].drawn_ml.normalize().to_string(), "172", "86 mL for each");
    assert_eq!(batches["W-2"].left().unwrap().to_string(), "3.6 L");
    assert_eq!(batches["W-2"].cylinders_left(), Some(11), "(3800 - 221) / 301");
    story.check_replay();
}

#[test]
fn a_change_of_the_bottle_that_is_stated_afterwards_belongs_to_what_was_filled_since() {
    let mut story = story();
    bought(&mut story, "ST-1");
    working(&mut story, "W-1", "ST-1");
    working(&mut story, "W-2", "ST-1");
    story.to(5.0).ok(use_it("W-1"));
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10.0);
    assert_eq!(used(&story, specimen), at_steps(Some("W-1"), Some("W-1")));
    assert!(matches!(story.act_at(use_it("W-2"), Some(100)), Outcome::Done { .. }));
    assert_eq!(used(&story, specimen), at_steps(Some("W-1"), Some("W-2")));
    let batches = &story.bench.solutions.batches;
    assert_eq!(batches["W-1"].drawn_ml.normalize().to_string(), "80", "the rest was given back");
    assert_eq!(batches["W-2"].drawn_ml.normalize().to_string(), "221");
    // The first fill, too, was later than was marked.
    let time = Do::CorrectTime {
        specimen,
        step: "first fill".to_owned(),
        edge: Edge::Done,
        reason: Some("pressed early".to_owned()),
    };
    let text = story.refused(use_it("W-2"));
    assert!(text.contains("in use already"), "{text}");
    assert!(matches!(story.act_at(time, Some(30)), Outcome::Done { .. }));
    assert_eq!(used(&story, specimen), at_steps(Some("W-1"), Some("W-2")));
    story.check_replay();
}

#[test]
fn too_old_unknown_discarded_not_in_order_and_of_another_method_are_deviations() {
    let mut story = story();
    bought(&mut story, "ST-1");
    let sample = story.sample("S", 5);
    let fill = |story: &mut Story, place: u32| {
        let specimen = story.specimen(sample, place);
        story.mark(specimen, "first fill", Edge::Done);
        specimen
    };
    let unknown = fill(&mut story, 1);
    assert_eq!(codes(&story, unknown), [Code::SolutionUnknown]);
    working(&mut story, "W-1", "ST-1");
    story.ok(use_it("W-1"));
    // 30 days is not too old; the method says so, and the limit is inclusive.
    story.to(30.0 * DAY);
    let last = fill(&mut story, 2);
    assert_eq!(codes(&story, last), []);
    story.to(30.0 * DAY + 1.0);
    let old = fill(&mut story, 3);
    assert_eq!(codes(&story, old), [Code::SolutionTooOld]);
    story.ok(on(json!({ "what": "discard", "batch": "W-1", "reason": "30 days are over" })));
    let discarded = fill(&mut story, 4);
    assert_eq!(codes(&story, discarded), [Code::SolutionDiscarded, Code::SolutionTooOld]);
    stock(&mut story, "EN-1");
    story.ok(begin("W-EN", "en-933-8-working", "5", json!({ "stock": "EN-1" })));
    story.ok(state_it("W-EN", "stock", "130", "mL"));
    story.ok(state_it("W-EN", "make up", "5", "L"));
    story.ok(on(json!({ "what": "step-done", "batch": "W-EN", "step": "mix" })));
    let text = story.refused(finish("W-EN"));
    assert!(text.contains("`stock`: 130 mL is too much, required 124 to 126 mL"), "{text}");
    story.ok(on(json!({ "what": "finish", "batch": "W-EN", "reason": "training" })));
    let text = story.refused(use_it("W-EN"));
    assert!(text.contains("not in order") && text.contains("all the same?"), "{text}");
    story.ok(on(json!({ "what": "put-in-use", "batch": "W-EN", "confirmed": true })));
    let other = fill(&mut story, 5);
    assert_eq!(codes(&story, other), [Code::SolutionNotInOrder, Code::SolutionOfOtherMethod]);
    story.check_replay();
}

/// A bought stock solution, a working one made of it, another stock solution under way.
fn shelf() -> Story {
    let mut story = story();
    bought(&mut story, "ST-1");
    working(&mut story, "W-1", "ST-1");
    story.ok(begin("EN-1", "en-933-8-stock", "1", json!({})));
    story
}

fn refused_all(story: &mut Story, acts: impl IntoIterator<Item = (Do, &'static str)>) {
    for (act, said) in acts {
        let text = story.refused(act.clone());
        assert!(text.contains(said), "{act:?}: {text}");
    }
}

fn lot(expires: &str, more: Value) -> Do {
    let mut act = json!({ "what": "note-lot", "batch": "EN-1", "component": "glycerine", "lot": "G-9", "expires": expires });
    act.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    on(act)
}

fn receive(more: Value) -> Do {
    let mut act = json!({ "what": "receive", "batch": "ST-9", "recipe": "en-933-8-stock", "volume": "1",
        "unit": "L", "maker": "Hollis & Reed", "lot": "4" });
    act.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    on(act)
}

#[test]
fn a_batch_that_cannot_be_is_not_begun_and_says_what_to_do() {
    let mut story = shelf();
    let acts = [
        (begin("X", "t176", "3.8", json!({})), "there is no recipe `t176`"),
        (begin("W-1", "t176-working", "3.8", json!({ "stock": "ST-1" })), "no mark is given twice"),
        (begin("a b", "t176-working", "3.8", json!({})), "letters, digits"),
        (begin("X", "t176-working", "-3.8", json!({ "stock": "ST-1" })), "is no batch of a bench"),
        (begin("X", "t176-working", "3800", json!({ "stock": "ST-1" })), "is no batch of a bench"),
        (begin("X", "t176-working", "3.8", json!({ "unit": "kg" })), "is no unit of a volume"),
        (begin("X", "t176-working", "much", json!({})), "is no number"),
        (begin("X", "t176-working", "3.8", json!({})), "say from which stock solution it is made: ST-1"),
        (begin("X", "t176-working", "3.8", json!({ "stock": "W-1" })), "W-1 is a working solution"),
        (begin("X", "t176-working", "3.8", json!({ "stock": "EN-1" })), "EN-1 is being made"),
        (
            begin("X", "t176-working", "3.8", json!({ "stock": "ST-1", "water": "tap" })),
            "tap water has a condition",
        ),
        (begin("X", "en-933-8-stock", "1", json!({ "water": "tap" })), "tap water is not allowed here"),
    ];
    refused_all(&mut story, acts);
}

#[test]
fn amounts_lots_and_bottles_that_cannot_be_are_refused() {
    let mut story = shelf();
    // The stories begin in September 2026.
    let acts = [
        (state_it("EN-1", "make up", "1", "g"), "`make up` is not taken in g: give it in L"),
        (state_it("EN-1", "glycerine", "480", "kg"), "is the unit right?"),
        (state_it("EN-1", "glycerine", "0", "g"), "is nothing"),
        (state_it("EN-1", "glycerine", "-2", "g"), "is nothing"),
        (state_it("EN-1", "sugar", "1", "g"), "there is no component of the batch `sugar`"),
        (state_it("EN-2", "glycerine", "1", "g"), "there is no batch of solution `EN-2`"),
        (state_it("W-1", "stock", "85", "mL"), "W-1 is made already"),
        (
            on(json!({ "what": "await-component", "batch": "EN-1", "component": "make up" })),
            "is taken by volume",
        ),
        (
            on(json!({ "what": "step-done", "batch": "EN-1", "step": "boil" })),
            "there is no step of the batch `boil`",
        ),
        (lot("2026-09-20", json!({})), "lot G-9 is past its date, 2026-09-20"),
        (use_it("EN-1"), "is still being made"),
        (on(json!({ "what": "take-away", "kind": "working" })), "no bottle of working solution is in use"),
        (on(json!({ "what": "discard", "batch": "W-1", "reason": " " })), "reason"),
        (receive(json!({ "expires": "2026-09-20" })), "lot 4 is past its date"),
        (receive(json!({ "made": "2026-09-25" })), "lies in the future"),
        (
            receive(json!({ "made": "2026-09-01", "expires": "2027-09-20" })),
            "state that day or an earlier one",
        ),
    ];
    refused_all(&mut story, acts);
    let nobody = Act {
        id: story.id(),
        who: None,
        via: "page".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: Do::Solution(Box::new(On::TakeAway { kind: Kind::Working })),
    };
    let Outcome::Refused { text, .. } = story.input(What::Act(nobody)) else { panic!("a name is needed") };
    assert!(text.contains("write your name"), "{text}");
    // With a reason a lot that is past its date is taken, and the batch says so.
    story.ok(lot("2026-09-20", json!({ "reason": "training" })));
    let doubts = story.bench.solutions.batches["EN-1"].all_doubts();
    assert!(doubts[0].what.contains("G-9") && doubts[0].reason == "training", "{doubts:?}");
    // Tap water with a word of where its condition is met is no doubt.
    story.ok(begin(
        "W-3",
        "t176-working",
        "3.8",
        json!({ "stock": "ST-1", "water": "tap", "reason": "file 12" }),
    ));
    let made = &story.bench.solutions.batches["W-3"];
    assert_eq!((made.water_note.as_deref(), made.all_doubts().len()), (Some("file 12"), 0));
    story.check_replay();
}

#[test]
fn working_solution_from_stock_past_its_date_needs_a_reason_and_is_not_in_order() {
    let mut story = story();
    stock(&mut story, "EN-1");
    story.to(366.0 * DAY);
    let from = |more: Value| begin("W-1", "en-933-8-working", "5", more);
    let text = story.refused(from(json!({ "stock": "EN-1" })));
    assert!(text.contains("the stock solution EN-1 was past its date"), "{text}");
    story.ok(from(json!({ "stock": "EN-1", "reason": "the new one comes tomorrow" })));
    let doubts = story.bench.solutions.batches["W-1"].all_doubts();
    assert_eq!(doubts[0].reason, "the new one comes tomorrow");
    story.check_replay();
}

/// A bench whose laboratory keeps the time of a zone, in the notation of POSIX.
pub(super) fn in_zone(zone: &str) -> Story {
    let zone = jiff::tz::TimeZone::posix(zone).unwrap();
    Story::with(|started| {
        started.recipes = recipes();
        started.calendar = crate::domain::calendar::Calendar::around(&zone, at(0).wall_ns);
    })
}

#[test]
fn a_last_day_ends_at_midnight_of_the_laboratory() {
    // The stories begin at 14:12 UTC on 21 September 2026. Then it is 04:12 of the 22nd fourteen hours
    // ahead, and still the 21st everywhere behind.
    let ahead = in_zone("<+14>-14").refused(receive(json!({ "expires": "2026-09-21" })));
    assert!(ahead.contains("lot 4 is past its date"), "{ahead}");
    // Behind by six hours in summer: the 21st ends at 06:00 UTC of the 22nd.
    let mut story = in_zone("MST7MDT,M3.2.0,M11.1.0");
    let act = json!({ "what": "receive", "batch": "ST-9", "recipe": "en-933-8-stock", "volume": "1", "unit": "L",
        "maker": "Hollis & Reed", "lot": "4", "made": "2026-09-21", "expires": "2026-09-21" });
    story.ok(on(act));
    let made = &story.bench.solutions.batches["ST-9"];
    let ns = |text: &str| i64::try_from(text.parse::<jiff::Timestamp>().unwrap().as_nanosecond()).unwrap();
    assert_eq!(made.made_wall_ns(), Some(ns("2026-09-21T06:00:00Z")));
    assert_eq!(made.expires_wall_ns(), Some(ns("2026-09-22T06:00:00Z") - 1));
    story.check_replay();
    // Where the recipe knows how long it keeps, the day in which that ends may be stated.
    let mut story = in_zone("<+14>-14");
    story.ok(begin("EN-1", "en-933-8-stock", "1", json!({})));
    let last = lot("2026-09-22", json!({}));
    story.ok(last);
    assert!(story.refused(lot("2026-09-21", json!({}))).contains("is past its date"));
    // Without a calendar, as every journal was before: days of UTC.
    assert!(Story::with(|s| s.recipes = recipes()).bench.calendar.is_utc());
}

#[test]
fn recipes_come_into_use_once_and_anew_when_one_changes() {
    let mut story = story();
    let adopted = |story: &Story| {
        let of = |event: &&(Event, Moment)| event.0.kind() == "solution-recipes-adopted";
        story.events.iter().filter(of).count()
    };
    assert_eq!(adopted(&story), 1);
    let mut again = Started {
        recipes: recipes(),
        ..Started {
            station: "bench-a".to_owned(),
            title: "Bench A".to_owned(),
            version: "0".to_owned(),
            rehearsal: false,
            bench: (*Bench::default().settings).clone(),
            triggers: BTreeMap::new(),
            instruments: BTreeMap::new(),
            methods: vec![t176()],
            network: NetworkFacts::default(),
            signing_key: None,
            equipment: Vec::new(),
            recipes: Vec::new(),
            calendar: crate::domain::calendar::Calendar::default(),
        }
    };
    story.input(What::Started(Box::new(again.clone())));
    assert_eq!(adopted(&story), 1, "nothing changed");
    bought(&mut story, "ST-1");
    again.recipes.retain(|recipe| recipe.id != "t176-stock-formaldehyde");
    story.input(What::Started(Box::new(again)));
    assert_eq!(adopted(&story), 2);
    assert_eq!(batch_state(&story, "ST-1"), State::Good, "a batch keeps what it was made by");
    story.check_replay();
}

#[test]
fn a_record_with_solutions_is_as_its_schema_says() {
    use super::documents::{faults, of, published_before, schema};
    let story = everything(t176());
    let documents = published_before(&story);
    let records = of(&documents, DocumentKind::Record);
    assert_eq!(records.len(), 2);
    for record in &records {
        assert_eq!(record["dataschema"], "https://stillstand.example/schema/specimen-record/1.2.0");
        let found = faults(&schema("specimen-record-1.2"), record);
        assert!(found.is_empty(), "{found:#?}");
    }
    let solution = &records[0]["data"]["solution"];
    assert_eq!(solution["uses"][0]["batch"], "W-1");
    assert_eq!(solution["uses"][1]["step"], "irrigate");
    assert_eq!(solution["batches"][0]["stock"]["id"], "ST-1");
    assert_eq!(solution["batches"][0]["recipe"]["id"], "t176-working");
    assert_eq!(solution["batches"][0]["madeBy"], "Ada Brook");
    let codes = |record: &Value| -> Vec<String> {
        let all = record["data"]["deviations"].as_array().unwrap().iter();
        let own = all.filter_map(|d| d["code"].as_str()).filter(|code| code.starts_with("solution"));
        own.map(str::to_owned).collect()
    };
    assert_eq!(codes(records[0]), ["solution-not-in-order"]);
    assert_eq!(
        codes(records[1]),
        ["solution-discarded", "solution-not-in-order", "solution-unknown"],
        "the bottle was discarded, then taken away"
    );
    for weighing in of(&documents, DocumentKind::Weighing) {
        assert_eq!(weighing["dataschema"], "https://stillstand.example/schema/weighing/1.2.0");
        let found = faults(&schema("weighing-1.2"), weighing);
        assert!(found.is_empty(), "{found:#?}");
        assert_eq!(weighing["data"]["for"]["batch"], "EN-1");
    }
    story.check_replay();
}

#[test]
fn a_mass_in_pounds_is_held_to_limits_in_grams() {
    let mut story = story();
    story.ok(begin("ST-2", "t176-stock-formaldehyde", "3.78", json!({})));
    story.ok(on(json!({ "what": "await-component", "batch": "ST-2", "component": "calcium chloride" })));
    story.input(What::Instrument(InstrumentReport::Mass {
        mass: Quantity::new("1.000".parse().unwrap(), Unit::Pound),
        wire: wire("balance", "1.000"),
    }));
    let part = story.bench.solutions.batches["ST-2"].part("calcium chloride").unwrap().clone();
    // The pound is 453.59237 g by definition.
    assert_eq!(part.sum().unwrap().value.normalize().to_string(), "453.59237");
    assert_eq!(part.side(), Some(Side::Within), "449.46 to 458.54 g");
}
