//! A bench that lives through whatever a script says, with a clock that the script moves, and what
//! must hold at each step of its life.

use std::collections::BTreeMap;
use std::sync::{Arc, LazyLock};
use stillstand::domain::bench::{
    Act, Bench, Does, Event, Input, NetworkFacts, Outcome, Started, Trigger, TriggerSettings, What,
};
use stillstand::domain::equipment::Kind;
use stillstand::domain::method::{self, Method};
use stillstand::domain::moment::{Moment, SECOND, Stamp, WallState};
use stillstand::domain::quantity::{Quantity, Unit};
use stillstand::domain::reading::{InstrumentReport, Wire};
use stillstand::domain::report::{self, Head};
use stillstand::domain::solution::Recipe;
use stillstand::network::message::retained;
use stillstand::triggers::meaning::trigger_meaning;
use stillstand::web::view::{Seen, view};
use uuid::Uuid;

/// Wake-ups on the way through one wait: a script may wait for years.
const WAKES_MOST: u32 = 60;
/// Lines of a script that are lived through.
const LINES_MOST: usize = 80;

static T176: LazyLock<Arc<Method>> = LazyLock::new(|| {
    let file = crate::project("config/methods/aashto-t176-mechanical.toml");
    let text = std::fs::read_to_string(file).expect("a shipped method");
    Arc::new(method::load("aashto-t176-mechanical.toml", &text).expect("a shipped method"))
});

static BEGUN: LazyLock<Story> = LazyLock::new(|| Story::begin(vec![T176.clone()]));

/// A moment so many nanoseconds after an arbitrary start.
pub fn moment(ns: i64) -> Moment {
    Moment {
        boot: Uuid::from_u128(1),
        boot_ns: (50 * SECOND).saturating_add(ns),
        wall_ns: (1_790_000_000 * SECOND).saturating_add(ns),
        wall: WallState::Synchronised,
        stamp: Stamp::Arrival,
        doubt_ns: 0,
    }
}

/// One life.
#[derive(Clone)]
pub struct Story {
    /// The bench as it is now.
    pub bench: Bench,
    /// This instant.
    pub now: Moment,
    /// All events since `begun`.
    pub events: Vec<(Event, Moment)>,
    /// The bench as the story found it.
    begun: Bench,
    next_id: u128,
}

impl Story {
    /// A started bench that knows these methods.
    pub fn begin(methods: Vec<Arc<Method>>) -> Self {
        Self::begin_with(methods, Vec::new(), Vec::new())
    }

    /// One by T 176 that keeps lists of equipment and solutions of these kinds and recipes.
    pub fn with_lists(equipment: Vec<Kind>, recipes: Vec<Recipe>) -> Self {
        Self::begin_with(vec![T176.clone()], equipment, recipes)
    }

    fn begin_with(methods: Vec<Arc<Method>>, equipment: Vec<Kind>, recipes: Vec<Recipe>) -> Self {
        let trigger = |does, place| TriggerSettings { does, place, own_line: false };
        let triggers = [
            ("shaker", trigger(Does::ShakerContact, None)),
            ("foot", trigger(Does::Next, None)),
            ("place-3", trigger(Does::Next, Some(3))),
            ("start", trigger(Does::ShakerPress, None)),
        ];
        let started = Started {
            station: "bench-1".to_owned(),
            title: "Bench 1".to_owned(),
            version: "0".to_owned(),
            rehearsal: false,
            bench: Bench::default().settings.into_inner(),
            triggers: triggers.map(|(name, settings)| (name.to_owned(), settings)).into_iter().collect(),
            instruments: BTreeMap::new(),
            methods,
            network: NetworkFacts::default(),
            signing_key: None,
            equipment,
            recipes,
            calendar: stillstand::domain::calendar::Calendar::default(),
        };
        let bench = Bench::default();
        let mut story = Self { begun: bench.clone(), bench, now: moment(0), events: Vec::new(), next_id: 1 };
        story.input(What::Started(Box::new(started)));
        story.replayed();
        story.begun = story.bench.clone();
        story.events.clear();
        story
    }

    /// A started bench with the shipped method.
    pub fn of_t176() -> Self {
        BEGUN.clone()
    }

    /// Lives through a script; each line is a step, and a line that is none is passed over.
    pub fn live(&mut self, script: &str) {
        for line in script.lines().take(LINES_MOST) {
            self.step(line);
        }
    }

    fn step(&mut self, line: &str) {
        if line.starts_with('{') {
            self.act(line);
            return;
        }
        let words: Vec<_> = line.split(' ').collect();
        match words.as_slice() {
            ["wait", seconds] => self.wait(seconds.parse().unwrap_or(0)),
            ["clock", seconds] => {
                let step = seconds.parse::<i64>().unwrap_or(0).saturating_mul(SECOND);
                self.now.wall_ns = self.now.wall_ns.saturating_add(step);
            }
            ["boot"] => {
                self.now.boot = Uuid::from_u128(self.now.boot.as_u128() + 1);
                self.now.boot_ns = 5 * SECOND;
            }
            ["mass", digits, unit] => {
                self.measured(digits, unit, "tins", |mass, wire| InstrumentReport::Mass { mass, wire })
            }
            ["temp", digits, unit] => self.measured(digits, unit, "solution", |temperature, wire| {
                InstrumentReport::Temperature { temperature, wire }
            }),
            ["trigger", name, word] => self.trigger(name, word, false),
            ["again", name, word] => self.trigger(name, word, true),
            _ => {}
        }
    }

    /// An act as JSON; `$0` is a new id, `$1`, `$2`… are what there is.
    pub fn act(&mut self, json: &str) -> Option<Outcome> {
        let id = self.id();
        let mut json = json.replace("$0", &id.to_string());
        for (number, known) in self.known().into_iter().enumerate().take(9) {
            json = json.replace(&format!("${}", number + 1), &known.to_string());
        }
        // As the ask from the network reads it.
        let mut act: Act = serde_json::from_slice(json.as_bytes()).ok()?;
        "ask".clone_into(&mut act.via);
        self.input(What::Deadline);
        let (before, told) = (self.bench.clone(), self.events.len());
        let outcome = self.input(What::Act(act));
        if let Outcome::Refused { text, .. } = &outcome {
            assert!(!text.is_empty(), "refused without a reason");
            // A wrong code is kept, so that nobody tries on for ever; nothing else is.
            let mut now = self.bench.clone();
            if now.people.wrong != before.people.wrong {
                now.people.wrong = before.people.wrong.clone();
            } else {
                assert_eq!(self.events.len(), told, "a refused act left events: {text}");
            }
            assert_eq!(now, before, "a refused act changed the bench: {text}");
        }
        Some(outcome)
    }

    fn known(&self) -> Vec<Uuid> {
        let bench = &self.bench;
        let alarms = bench.alarms.values().map(|alarm| alarm.occurrence);
        let presses = bench.presses.iter().map(|press| press.id);
        bench.samples.keys().chain(bench.specimens.keys()).copied().chain(presses).chain(alarms).collect()
    }

    fn trigger(&mut self, name: &str, word: &str, dup: bool) {
        let contact = trigger_meaning(word.as_bytes(), false, dup).map_err(|why| why.to_string());
        let acts = contact.is_ok();
        self.input(What::Deadline);
        let (specimens, presses) = (self.bench.specimens.clone(), self.bench.presses.len());
        self.input(What::Trigger(Trigger { name: name.to_owned(), contact, via: "mqtt".to_owned() }));
        if !acts {
            assert_eq!(self.bench.specimens, specimens, "a refused trigger moved a specimen");
            assert_eq!(self.bench.presses.len(), presses, "a refused trigger is a press");
        }
    }

    fn measured(
        &mut self,
        digits: &str,
        unit: &str,
        instrument: &str,
        report: impl FnOnce(Quantity, Wire) -> InstrumentReport,
    ) {
        let (Ok(value), Some(unit)) = (digits.parse(), Unit::from_code(unit)) else { return };
        let wire = Wire::of(instrument, "/dev/null", digits.escape_default().to_string());
        self.input(What::Instrument(report(Quantity::new(value, unit), wire)));
    }

    /// Time passes, and the bench wakes when it wants to.
    pub fn wait(&mut self, seconds: i64) {
        let target = self.now.plus(seconds.clamp(0, 4_000_000_000).saturating_mul(SECOND));
        for _ in 0..WAKES_MOST {
            let Some(deadline) = self.bench.next_deadline(&self.now) else { break };
            if deadline > target.boot_ns {
                break;
            }
            self.now = self.now.plus(deadline.saturating_sub(self.now.boot_ns).max(0));
            self.input(What::Deadline);
            let next = self.bench.next_deadline(&self.now);
            assert!(next.is_none_or(|next| next > self.now.boot_ns), "a deadline that says nothing spins");
        }
        self.now = target;
    }

    /// Decides one input as the station does: documents are made of its events and anchored.
    pub fn input(&mut self, what: What) -> Outcome {
        let input = Input { id: self.id(), moment: self.now, what };
        let decision = self.bench.decide(&input);
        for event in decision.events {
            let head =
                Head { journal: Uuid::from_u128(7), sequence: self.events.len() as u64, link: "00".into() };
            let document = report::document(&self.bench, &event, &input, &head);
            self.events.push((event, input.moment));
            if let Some(document) = document {
                let number = self.bench.next_number;
                let kind = document.kind.as_str().to_owned();
                let issued =
                    Event::DocumentIssued { number, document: document.id, kind, sha256: "00".repeat(32) };
                self.bench.apply(&issued, &input.moment);
                self.events.push((issued, input.moment));
            }
        }
        decision.outcome
    }

    fn id(&mut self) -> Uuid {
        self.next_id += 1000;
        Uuid::from_u128(0x019f_0000_0000_7000_8000_0000_0000_0000 + self.next_id)
    }

    /// The events alone give the same bench, the bench comes back from its stored form, and
    /// everybody can be shown it.
    pub fn end(&self) {
        self.replayed();
        // Methods are most of a bench, and the target `methods` stores and reads them.
        let mut bench = self.bench.clone();
        bench.methods = BTreeMap::new().into();
        let whole = serde_json::to_string(&bench).expect("a bench is plain data");
        assert_eq!(serde_json::from_str::<Bench>(&whole).expect("what was stored can be read"), bench);
        show(&self.bench, &self.now);
    }

    fn replayed(&self) {
        let mut again = self.begun.clone();
        for (event, moment) in &self.events {
            let stored = serde_json::to_string(event).expect("an event is plain data");
            again.apply(&serde_json::from_str(&stored).expect("what was stored can be read"), moment);
        }
        assert_eq!(again, self.bench, "replay gives another bench");
    }
}

/// The page and the retained state of a bench.
pub fn show(bench: &Bench, now: &Moment) {
    let seen = Seen {
        bench,
        sequence: 1,
        fault: None,
        now: *now,
        running_clock: true,
        zone: "UTC",
        units: Default::default(),
        waiting: 0,
        outputs: BTreeMap::new(),
        live: BTreeMap::new(),
    };
    assert!(view(&seen).is_object());
    let _ = retained(bench, Uuid::from_u128(7), now, 1);
}
