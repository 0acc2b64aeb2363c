//! Life stories of the bench, told with moments and checked by what a person would see.

mod accepted;
mod alarms;
mod amended;
mod anything;
mod consumers;
mod contacts;
mod corrections;
mod documents;
mod equipment;
mod frozen;
mod incidents;
mod instruments;
mod intake;
mod keeping;
mod late;
mod life;
mod notes;
mod odd;
mod people;
mod kit;
mod placed;
mod plans;
mod quiet;
mod running;
mod signals;
mod solution;
mod quality;
mod preparation;
mod preparation_odd;
mod reviewed;
mod switches;
mod temperature;
mod unset;
mod variants;
mod waits;

use super::*;
use crate::domain::method::{Edge, Level, Method};
use crate::domain::moment::test::at;
use crate::domain::reading::InstrumentReport;
use std::sync::Arc;

/// A bench with the T 176 method, and a clock that the story moves.
pub(crate) struct Story {
    pub(crate) bench: Bench,
    pub(super) now_ns: i64,
    pub(super) events: Vec<(Event, Moment)>,
    next_id: u128,
}

pub(super) fn t176() -> Arc<Method> {
    let text = include_str!("../../../../config/methods/aashto-t176-mechanical.toml");
    Arc::new(crate::domain::method::load("aashto-t176-mechanical.toml", text).expect("a shipped method"))
}

impl Story {
    pub(crate) fn new() -> Self {
        Self::with(|_| {})
    }

    pub(super) fn with(change: impl FnOnce(&mut Started)) -> Self {
        let mut started = Started {
            station: "bench-a".to_owned(),
            title: "Bench A".to_owned(),
            version: "0".to_owned(),
            rehearsal: false,
            bench: (*Bench::default().settings).clone(),
            triggers: [
                ("shaker", Does::ShakerContact, None),
                ("foot", Does::Next, None),
                ("place-3", Does::Next, Some(3)),
            ]
            .into_iter()
            .map(|(name, does, place)| (name.to_owned(), TriggerSettings { does, place, own_line: false }))
            .collect(),
            instruments: BTreeMap::new(),
            methods: vec![t176()],
            network: NetworkFacts::default(),
            signing_key: None,
            equipment: Vec::new(),
            recipes: Vec::new(),
            calendar: crate::domain::calendar::Calendar::default(),
        };
        change(&mut started);
        let mut story = Self { bench: Bench::default(), now_ns: 0, events: Vec::new(), next_id: 1 };
        story.input(What::Started(Box::new(started)));
        story
    }

    pub(super) fn id(&mut self) -> Uuid {
        self.next_id += 1000;
        Uuid::from_u128(0x019f_0000_0000_7000_8000_0000_0000_0000 + self.next_id)
    }

    pub(super) fn input(&mut self, what: What) -> Outcome {
        let moment = at(self.now_ns);
        self.input_at(what, moment)
    }

    pub(super) fn input_at(&mut self, what: What, moment: Moment) -> Outcome {
        let input = Input { id: self.id(), moment, what };
        let decision = self.bench.decide(&input);
        self.events.extend(decision.events.into_iter().map(|e| (e, moment)));
        decision.outcome
    }

    /// Moves to `s` seconds after the start, waking at each deadline on the way.
    pub(super) fn to(&mut self, s: f64) -> &mut Self {
        #[expect(clippy::cast_possible_truncation, reason = "whole microseconds in a test")]
        let target = (s * 1e6).round() as i64 * 1000;
        while let Some(deadline) = self.bench.next_deadline(&at(self.now_ns)) {
            let deadline = deadline - at(0).boot_ns;
            if deadline > target {
                break;
            }
            self.now_ns = self.now_ns.max(deadline);
            let before = self.events.len();
            self.input(What::Deadline);
            assert!(self.events.len() > before, "a deadline that has nothing to say would spin");
        }
        self.now_ns = target;
        self
    }

    pub(super) fn act(&mut self, what: Do) -> Outcome {
        self.act_at(what, None)
    }

    pub(super) fn act_at(&mut self, what: Do, stated_s: Option<i64>) -> Outcome {
        let id = self.id();
        self.input(What::Act(Act {
            id,
            who: Some("Ada Brook".to_owned()),
            via: "page".to_owned(),
            seen: None,
            stated_wall_ns: stated_s.map(|s| at(s * SECOND).wall_ns),
            balance: None,
            take_over: false,
            what,
        }))
    }

    pub(super) fn ok(&mut self, what: Do) -> Uuid {
        match self.act(what.clone()) {
            Outcome::Done { made, .. } => made.unwrap_or_default(),
            other => panic!("{what:?} gave {other:?}"),
        }
    }

    pub(super) fn refused(&mut self, what: Do) -> String {
        let before = self.bench.clone();
        match self.act(what.clone()) {
            Outcome::Refused { text, .. } => {
                assert_eq!(self.bench, before, "a refused act changed the bench");
                text
            }
            other => panic!("{what:?} gave {other:?}"),
        }
    }

    pub(crate) fn sample(&mut self, label: &str, specimens: u32) -> Uuid {
        self.ok(Do::RegisterSample {
            label: label.to_owned(),
            method: "aashto-t176-mechanical".to_owned(),
            specimens: Some(specimens),
            particulars: None,
        })
    }

    pub(crate) fn specimen(&mut self, sample: Uuid, place: u32) -> Uuid {
        self.ok(Do::RegisterSpecimen { sample, place })
    }

    pub(crate) fn mark(&mut self, specimen: Uuid, step: &str, edge: Edge) {
        self.ok(Do::Mark { specimen, step: step.to_owned(), edge });
    }

    pub(super) fn read(&mut self, specimen: Uuid, of: Level, value: &str) {
        self.ok(Do::EnterReading { specimen, of, value: value.to_owned(), confirmed: false });
    }

    pub(super) fn trigger(&mut self, name: &str, contact: Contact) -> Outcome {
        self.input(What::Trigger(Trigger {
            name: name.to_owned(),
            contact: Ok(contact),
            via: "mqtt".to_owned(),
        }))
    }

    pub(super) fn warmth(&mut self, text: &str) {
        self.input(What::Instrument(InstrumentReport::Temperature {
            temperature: Quantity::new(text.parse().unwrap(), crate::domain::quantity::Unit::Celsius),
            wire: wire("probe", text),
        }));
    }

    pub(super) fn weigh(&mut self, grams: &str) -> Outcome {
        self.input(What::Instrument(InstrumentReport::Mass {
            mass: Quantity::new(grams.parse().unwrap(), crate::domain::quantity::Unit::Gram),
            wire: wire("balance", grams),
        }))
    }

    /// From the first fill at `start` seconds to the line read, everything kept, by the page.
    pub(super) fn run_to_line(&mut self, specimen: Uuid, start: f64) {
        self.to(start).mark(specimen, "first fill", Edge::Done);
        self.to(start + 30.0).mark(specimen, "soak", Edge::Begin);
        self.to(start + 630.0).mark(specimen, "loosen", Edge::Begin);
        self.to(start + 640.0).mark(specimen, "shake", Edge::Begin);
        self.to(start + 685.0).mark(specimen, "shake", Edge::End);
        self.to(start + 700.0).mark(specimen, "irrigate", Edge::Begin);
        self.to(start + 800.0).mark(specimen, "irrigate", Edge::End);
        self.to(start + 2000.0).mark(specimen, "sedimentation", Edge::End);
    }

    pub(super) fn deviations(&self, specimen: Uuid) -> Vec<crate::domain::specimen::judge::Deviation> {
        let specimen = &self.bench.specimens[&specimen];
        let (method, points) = self.bench.rule(specimen).unwrap();
        crate::domain::specimen::judge::deviations(specimen, method, &points)
            .into_iter()
            .filter(|d| d.code != crate::domain::specimen::judge::Code::TemperatureNotShown)
            .collect()
    }

    /// Folding the events again gives the same state, bit for bit.
    pub(super) fn check_replay(&self) {
        let mut again = Bench::default();
        for (event, moment) in &self.events {
            let stored = serde_json::to_string(event).unwrap();
            again.apply(&serde_json::from_str(&stored).unwrap(), moment);
        }
        assert_eq!(again, self.bench);
        let whole: Bench = serde_json::from_str(&serde_json::to_string(&self.bench).unwrap()).unwrap();
        assert_eq!(whole, self.bench);
    }
}

fn wire(instrument: &str, raw: &str) -> Wire {
    Wire::of(instrument, "/dev/null", format!("{raw}\\r\\n"))
}
