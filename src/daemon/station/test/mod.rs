//! The station's loop with its journal, on a clock that stands still: disks that fail, a wall clock
//! that is set back, what a day of temperatures costs.

use super::*;
use crate::clock::SteppedClock;
use crate::domain::bench::{Act, BenchSettings, Do, Refusal, Started};
use crate::domain::method::{Method, load};
use crate::domain::moment::{SECOND, test::at};
use crate::journal::{Faults, OpenWith};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

mod clock;
mod day;
mod trouble;

/// A folder of a test's own, gone when the test ends.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("stillstand-station-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn journal(&self) -> PathBuf {
        self.0.join("bench.journal")
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn method() -> Arc<Method> {
    let text = include_str!("../../../../config/methods/aashto-t176-mechanical.toml");
    Arc::new(load("aashto-t176-mechanical.toml", text).unwrap())
}

fn settings() -> BenchSettings {
    (*Bench::default().settings).clone()
}

fn started() -> What {
    What::Started(Box::new(Started {
        station: "bench-a".to_owned(),
        title: "Bench A".to_owned(),
        version: "0".to_owned(),
        rehearsal: false,
        bench: settings(),
        triggers: std::collections::BTreeMap::new(),
        instruments: std::collections::BTreeMap::new(),
        methods: vec![method()],
        equipment: Vec::new(),
        recipes: Vec::new(),
        calendar: crate::domain::calendar::Calendar::default(),
        network: crate::domain::bench::NetworkFacts::default(),
        signing_key: None,
    }))
}

fn open_with() -> OpenWith {
    OpenWith { fresh_id: Uuid::from_u128(0x0192_0000_0000_7000_8000_0000_0000_0001), now_wall_ns: 1 }
}

/// A disk that works.
struct Works;

impl Faults for Works {
    fn fails(&mut self, _point: crate::journal::FaultPoint) -> bool {
        false
    }
}

/// A station at work.
struct Desk {
    station: StationHandle,
    journal: Journal,
    clock: SteppedClock,
    cancel: CancellationToken,
    main_loop: tokio::task::JoinHandle<Result<(), FoldError>>,
}

impl Desk {
    async fn open(path: &Path, clock: &SteppedClock, faults: Box<dyn Faults>) -> Self {
        let (journal, restored) = Journal::open_with_faults(path, &open_with(), faults).unwrap();
        let (bench, restored) = fold_readable(&journal, restored).await.unwrap();
        let (station, handle) = Station::new(journal.clone(), bench, restored, Arc::new(clock.clone()));
        let cancel = CancellationToken::new();
        let main_loop = tokio::spawn(station.run(cancel.clone()));
        let desk = Self { station: handle, journal, clock: clock.clone(), cancel, main_loop };
        desk.tell(started()).await;
        desk
    }

    async fn tell(&self, what: What) -> Outcome {
        self.station.ask(what, self.clock.now()).await.unwrap()
    }

    async fn act(&self, what: Do) -> Outcome {
        self.tell(What::Act(Act {
            id: Uuid::now_v7(),
            who: Some("Ash Fenn".to_owned()),
            via: "page".to_owned(),
            seen: None,
            stated_wall_ns: None,
            balance: None,
            take_over: false,
            what,
        }))
        .await
    }

    async fn done(&self, what: Do) -> Uuid {
        match self.act(what.clone()).await {
            Outcome::Done { made, .. } => made.unwrap_or_default(),
            other => panic!("{what:?} gave {other:?}"),
        }
    }

    async fn sample(&self, label: &str) -> Uuid {
        let method = "aashto-t176-mechanical".to_owned();
        self.done(Do::RegisterSample {
            label: label.to_owned(),
            method,
            specimens: Some(1),
            particulars: None,
        })
        .await
    }

    fn bench(&self) -> Arc<Bench> {
        self.station.committed().borrow().shown()
    }

    async fn until(&self, what: &str, wanted: impl FnMut(&Arc<Committed>) -> bool) -> Arc<Committed> {
        let mut committed = self.station.committed();
        let seen = tokio::time::timeout(Duration::from_secs(30), committed.wait_for(wanted)).await;
        seen.unwrap_or_else(|_| panic!("never: {what}")).unwrap().clone()
    }

    /// Ends in good order.
    async fn close(self) {
        self.cancel.cancel();
        self.main_loop.await.unwrap().unwrap();
        self.journal.close().await.unwrap();
    }
}
