//! Horn, lamps and the shaker's relay of a whole station, on a board that exists only here and a
//! clock that is stepped.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use stillstand::clock::{Clock, SteppedClock};
use stillstand::daemon::compose::{Parts, Running, start_with};
use stillstand::domain::bench::{Act, Bench, Do, Outcome, What};
use stillstand::domain::method::Edge;
use stillstand::domain::moment::{Moment, SECOND, Stamp, WallState};
use stillstand::outputs::{Chips, Line};
use stillstand::settings;
use stillstand::settings::model::OutputLine;
use uuid::Uuid;

/// A board of relays and lamps; its lines show what was written to them.
#[derive(Debug, Default, Clone)]
struct Board(Arc<Mutex<State>>);

#[derive(Debug, Default)]
struct State {
    levels: BTreeMap<String, bool>,
    /// Lines that were on at any time.
    were_on: BTreeSet<String>,
}

struct OnBoard(String, Board);

impl Board {
    fn is_on(&self, line: &str) -> bool {
        self.0.lock().unwrap().levels.get(line) == Some(&true)
    }

    fn was_on(&self, line: &str) -> bool {
        self.0.lock().unwrap().were_on.contains(line)
    }

    fn lines(&self) -> usize {
        self.0.lock().unwrap().levels.len()
    }
}

impl Chips for Board {
    fn open(&self, line: &OutputLine) -> Result<Box<dyn Line>, String> {
        if line.line == "MISSING" {
            return Err("the board has no line MISSING".to_owned());
        }
        self.0.lock().unwrap().levels.insert(line.line.clone(), false);
        Ok(Box::new(OnBoard(line.line.clone(), self.clone())))
    }
}

impl Line for OnBoard {
    fn set(&mut self, on: bool) -> Result<(), String> {
        let mut state = self.1.0.lock().unwrap();
        state.levels.insert(self.0.clone(), on);
        if on {
            state.were_on.insert(self.0.clone());
        }
        Ok(())
    }
}

const OUTPUTS: &str = r#"
[outputs.horn]
shows = "horn"
gpio = { chip = "board", line = "HORN" }
[outputs.lamp-1]
shows = "place"
place = 1
gpio = { chip = "board", line = "LAMP-1" }
[outputs.green]
shows = "green"
gpio = { chip = "board", line = "GREEN" }
[outputs.shaker]
shows = "shaker-relay"
gpio = { chip = "board", line = "SHAKER" }
relay = { longest-s = 60, started-by = "press-or-page" }
"#;

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("stillstand-outputs-{}-{name}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// A station at work with its board and its clock.
struct Site {
    running: Running,
    board: Board,
    clock: SteppedClock,
}

fn clock() -> SteppedClock {
    SteppedClock::new(Moment {
        boot: Uuid::from_u128(7),
        boot_ns: 100 * SECOND,
        wall_ns: 1_790_000_000 * SECOND,
        wall: WallState::Synchronised,
        stamp: Stamp::Arrival,
        doubt_ns: 0,
    })
}

impl Site {
    async fn start(folder: &Folder, clock: SteppedClock, outputs: &str) -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let text = format!(
            "[station]\nmethods = \"{}\"\n[journal]\npath = \"{}\"\n[web]\nlisten = \"127.0.0.1:0\"\n{outputs}",
            root.join("config/methods").display(),
            folder.0.join("bench.sqlite").display(),
        );
        let settings = settings::read("bench.toml", &text, None, std::iter::empty()).unwrap();
        let methods = settings::load_methods(&settings.station.methods).unwrap();
        let board = Board::default();
        let parts = Parts {
            settings,
            methods,
            equipment: Vec::new(),
            recipes: Vec::new(),
            shapes: BTreeMap::new(),
            clock: Arc::new(clock.clone()),
            running_clock: false,
            rehearsal: false,
        };
        let running = start_with(parts, Arc::new(board.clone())).await.unwrap();
        let site = Self { running, board, clock };
        let there = outputs.matches("gpio = ").count() - outputs.matches("MISSING").count();
        site.until("every line", |_, board| board.lines() == there).await;
        site
    }

    async fn act(&self, what: Do) -> Option<Uuid> {
        self.act_at(what, None).await
    }

    async fn act_at(&self, what: Do, stated_wall_ns: Option<i64>) -> Option<Uuid> {
        let act = Act {
            id: Uuid::now_v7(),
            who: Some("Ada Brook".to_owned()),
            via: "page".to_owned(),
            seen: None,
            stated_wall_ns,
            balance: None,
            take_over: false,
            what: what.clone(),
        };
        match self.running.station.ask(What::Act(act), self.clock.now()).await {
            Some(Outcome::Done { made, .. }) => made,
            other => panic!("{what:?} gave {other:?}"),
        }
    }

    async fn mark(&self, specimen: Uuid, step: &str, edge: Edge) {
        self.act(Do::Mark { specimen, step: step.to_owned(), edge }).await;
    }

    /// Waits for what must come within twenty seconds; only real time passes meanwhile.
    async fn until(&self, what: &str, is_so: impl Fn(&Bench, &Board) -> bool) {
        let come = async {
            loop {
                let bench = self.running.station.committed().borrow().shown();
                if is_so(&bench, &self.board) {
                    return;
                }
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        let in_time = tokio::time::timeout(Duration::from_secs(20), come).await;
        assert!(in_time.is_ok(), "{what} did not come: {:?}", self.board);
    }

    /// One specimen at place 1 whose soak has run for so many seconds.
    async fn soaking(&self, s: i64) -> Uuid {
        self.act(Do::TakeProbeOut).await;
        let sample = Do::RegisterSample {
            label: "S".to_owned(),
            method: "aashto-t176-mechanical".to_owned(),
            specimens: Some(1),
            particulars: None,
        };
        let sample = self.act(sample).await.unwrap();
        let specimen = self.act(Do::RegisterSpecimen { sample, place: 1 }).await.unwrap();
        self.mark(specimen, "first fill", Edge::Done).await;
        self.mark(specimen, "soak", Edge::Begin).await;
        self.clock.advance_by(s * SECOND);
        specimen
    }

    async fn run_begins(&self, specimen: Uuid) {
        self.mark(specimen, "loosen", Edge::Begin).await;
        self.clock.advance_by(5 * SECOND);
        self.mark(specimen, "shake", Edge::Begin).await;
    }
}

/// The marks of the specimen: through what each was made.
fn marks(bench: &Bench, specimen: Uuid) -> Vec<String> {
    bench.specimens[&specimen].points.iter().flatten().map(|marked| marked.by.via.clone()).collect()
}

#[tokio::test]
async fn the_lamp_of_a_place_and_the_green_light_follow_the_bench() {
    let folder = Folder::new("lamps");
    let site = Site::start(&folder, clock(), OUTPUTS).await;
    site.until("green", |_, board| board.is_on("GREEN")).await;
    let specimen = site.soaking(300).await;
    site.until("green", |_, board| board.is_on("GREEN") && !board.is_on("LAMP-1")).await;
    // AASHTO T 176: soak 10 min ± 1 min.
    site.clock.advance_by(300 * SECOND);
    site.until("the lamp", |_, board| board.is_on("LAMP-1")).await;
    site.mark(specimen, "loosen", Edge::Begin).await;
    site.until("its end", |_, board| !board.is_on("LAMP-1")).await;
    let board = site.board.clone();
    site.running.finish().await.unwrap();
    assert!(["LAMP-1", "GREEN", "HORN", "SHAKER"].iter().all(|line| !board.is_on(line)), "a clean end");
}

#[tokio::test]
async fn the_relay_closes_for_a_persons_start_and_its_opening_ends_the_run() {
    let folder = Folder::new("relay");
    let site = Site::start(&folder, clock(), OUTPUTS).await;
    let specimen = site.soaking(600).await;
    assert!(!site.board.is_on("SHAKER"));
    site.run_begins(specimen).await;
    site.until("the shaker", |_, board| board.is_on("SHAKER")).await;
    // AASHTO T 176, mechanical shaker: 45 s.
    site.clock.advance_by(44 * SECOND);
    site.until("the shaker still", |_, board| board.is_on("SHAKER")).await;
    site.clock.advance_by(SECOND);
    site.until("its end", |_, board| !board.is_on("SHAKER")).await;
    site.until("the mark", |bench, _| marks(bench, specimen).last().unwrap() == "output shaker").await;
    let bench = site.running.station.committed().borrow().shown();
    let ends: Vec<_> = bench.specimens[&specimen].points.iter().flatten().map(|m| m.moment).collect();
    let [.., begin, end] = ends.as_slice() else { panic!("two ends") };
    assert_eq!(end.since(begin).ns, 45 * SECOND);
    site.running.finish().await.unwrap();
}

#[tokio::test]
async fn a_run_that_is_taken_back_stops_the_shaker_and_a_restart_never_starts_it() {
    let folder = Folder::new("restart");
    let site = Site::start(&folder, clock(), OUTPUTS).await;
    let specimen = site.soaking(600).await;
    site.run_begins(specimen).await;
    site.until("the shaker", |_, board| board.is_on("SHAKER")).await;
    let taken_back = Do::WithdrawLast {
        specimen,
        together: false,
        for_another: false,
        reason: Some("the wrong cylinder".to_owned()),
    };
    site.act(taken_back).await;
    site.until("its end", |_, board| !board.is_on("SHAKER")).await;
    site.mark(specimen, "shake", Edge::Begin).await;
    site.until("the shaker", |_, board| board.is_on("SHAKER")).await;
    let (board, clock) = (site.board.clone(), site.clock.clone());
    site.running.finish().await.unwrap();
    assert!(!board.is_on("SHAKER"), "the end of the program stops it");
    // The run is still marked, and only a second old.
    clock.advance_by(SECOND);
    let again = Site::start(&folder, clock, OUTPUTS).await;
    again.until("green", |_, board| board.is_on("GREEN")).await;
    again.mark(specimen, "shake", Edge::End).await;
    again.until("the mark", |bench, _| marks(bench, specimen).len() >= 5).await;
    assert!(!again.board.was_on("SHAKER"));
    again.running.finish().await.unwrap();
}

#[tokio::test]
async fn a_run_whose_begin_is_corrected_stops_the_shaker_and_is_over() {
    let folder = Folder::new("changed");
    let site = Site::start(&folder, clock(), OUTPUTS).await;
    let specimen = site.soaking(600).await;
    site.run_begins(specimen).await;
    site.until("the shaker", |_, board| board.is_on("SHAKER")).await;
    site.clock.advance_by(10 * SECOND);
    let begun_earlier = site.clock.now().wall_ns - 12 * SECOND;
    let correct = Do::CorrectTime { specimen, step: "shake".to_owned(), edge: Edge::Begin, reason: None };
    site.act_at(correct, Some(begun_earlier)).await;
    site.until("its end", |_, board| !board.is_on("SHAKER")).await;
    site.until("the mark", |bench, _| marks(bench, specimen).last().unwrap() == "output shaker").await;
    let bench = site.running.station.committed().borrow().shown();
    assert!(bench.alarms["output-gone-shaker"].text.contains("the run was changed"));
    site.running.finish().await.unwrap();
}

#[tokio::test]
async fn a_line_that_is_not_there_is_an_alarm_and_the_rest_goes_on() {
    let folder = Folder::new("missing");
    let outputs = OUTPUTS.replace("\"HORN\"", "\"MISSING\"");
    let site = Site::start(&folder, clock(), &outputs).await;
    site.until("the alarm", |bench, _| bench.alarms.contains_key("output-gone-horn")).await;
    let bench = site.running.station.committed().borrow().shown();
    assert!(bench.alarms["output-gone-horn"].text.contains("no line MISSING"));
    site.until("the other lines", |_, board| board.lines() == 3).await;
    site.running.finish().await.unwrap();
}
