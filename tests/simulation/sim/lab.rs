//! The invented laboratory of a seed: which methods it uses, how its bench is set, its switches and
//! instruments.

use super::book::Book;
use super::chance::Chance;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::{Arc, OnceLock};
use stillstand::domain::bench::{
    Bench, BenchSettings, Does, NetworkFacts, ProbeStands, Started, TriggerSettings,
};
use stillstand::domain::calendar::Calendar;
use stillstand::domain::method::{self, Method};
use stillstand::domain::reading::InstrumentKind;
use stillstand::domain::review::{AskQualification, Reviews, SignOn};
use stillstand::settings;

/// The laboratory.
#[derive(Debug, Clone)]
pub struct Lab {
    pub started: Started,
    pub books: BTreeMap<String, Rc<Book>>,
    pub ids: Vec<String>,
    /// It keeps lists of equipment and solutions, and reviews.
    pub office: bool,
}

/// Every shipped method, as the station reads it, with its text.
fn shipped() -> &'static Vec<(Arc<Method>, String)> {
    static SHIPPED: OnceLock<Vec<(Arc<Method>, String)>> = OnceLock::new();
    SHIPPED.get_or_init(|| {
        let folder = config("methods");
        let mut paths: Vec<_> =
            std::fs::read_dir(folder).expect("methods").map(|entry| entry.expect("a file").path()).collect();
        paths.sort();
        let read = |path: &std::path::PathBuf| {
            let text = std::fs::read_to_string(path).expect("a method");
            let name = path.file_name().expect("a name").to_string_lossy().into_owned();
            (Arc::new(method::load(&name, &text).expect("a shipped method")), text)
        };
        paths.iter().map(read).collect()
    })
}

fn config(folder: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(folder)
}

/// Reviews, and a register of people. Whoever is written down does it: who must be signed on is no part
/// of the model.
fn keeps_lists(bench: &mut BenchSettings, chance: &mut Chance) {
    bench.review = Reviews::On;
    bench.sign_on = SignOn::Free;
    bench.qualification = *chance.pick(&[AskQualification::Off, AskQualification::Note]);
}

impl Lab {
    /// The laboratory of a seed. `late_ns`: a planted fault, by which the model holds each upper
    /// limit to be higher.
    pub fn of(chance: &mut Chance, late_ns: i64) -> Self {
        let all = shipped();
        let mut methods = Vec::new();
        while methods.len() < 3 {
            let (method, text) = chance.pick(all);
            if !methods.iter().any(|(known, _): &(Arc<Method>, String)| known.id == method.id) {
                methods.push((method.clone(), text.clone()));
            }
        }
        let mut bench = Bench::default().settings.into_inner();
        bench.places = *chance.pick(&[3, 8, 8, 12]);
        bench.shaker_holds = *chance.pick(&[1, 1, 2]);
        bench.approach_s = *chance.pick(&[30, 60]);
        bench.temperature_stale_s = *chance.pick(&[90, 150, 300]);
        bench.temperature_alarm_s = *chance.pick(&[30, 120]);
        bench.room_stale_s = 700;
        let office = chance.one_in(3);
        if office {
            keeps_lists(&mut bench, chance);
        }
        (*chance.pick(&["indicator", "indicator", "guide-cap"])).clone_into(&mut bench.foot);
        let trigger = |does, place| TriggerSettings { does, place, own_line: false };
        let mut triggers = BTreeMap::from([
            ("shaker".to_owned(), trigger(Does::ShakerContact, None)),
            ("foot".to_owned(), trigger(Does::Next, None)),
            ("start".to_owned(), trigger(Does::ShakerPress, None)),
        ]);
        for place in 1..=bench.places {
            triggers.insert(format!("place-{place}"), trigger(Does::Next, Some(place)));
        }
        let instruments = BTreeMap::from([
            ("balance".to_owned(), InstrumentKind::Balance),
            ("probe".to_owned(), InstrumentKind::SolutionProbe),
            ("room".to_owned(), InstrumentKind::RoomProbe),
        ]);
        bench.probe_stands_in = ProbeStands::Bottle;
        let books = methods.iter().map(|(_, text)| {
            let mut book = Book::read(text);
            for step in &mut book.steps {
                if let Some(max) = step.interval.as_mut().and_then(|interval| interval.max_ns.as_mut()) {
                    *max += late_ns;
                }
            }
            (book.id.clone(), Rc::new(book))
        });
        let books: BTreeMap<_, _> = books.collect();
        let started = Started {
            station: "bench-1".to_owned(),
            title: "Bench 1".to_owned(),
            version: "0".to_owned(),
            rehearsal: true,
            bench,
            triggers,
            instruments,
            methods: methods.into_iter().map(|(method, _)| method).collect(),
            network: NetworkFacts::default(),
            signing_key: None,
            equipment: lists(office, || settings::load_equipment(&config("equipment")).expect("kinds")),
            recipes: lists(office, || settings::load_solutions(&config("solutions")).expect("recipes")),
            calendar: Calendar::default(),
        };
        Self { ids: books.keys().cloned().collect(), started, books, office }
    }
}

/// What a laboratory keeps, if it keeps lists.
fn lists<T>(office: bool, all: impl FnOnce() -> Vec<T>) -> Vec<T> {
    if office { all() } else { Vec::new() }
}
