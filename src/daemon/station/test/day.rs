use super::super::batch::Issuer;
use super::*;
use crate::domain::bench::Input;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::{InstrumentReport, Wire};
use rust_decimal::Decimal;

/// Seconds of the working day in which some specimen is watched; the rest of the day is idle.
const WORKING_S: i64 = 8 * 3600;
const DAY_S: i64 = 24 * 3600;

fn reading(s: i64) -> What {
    // Noise of some hundredths, well within the limits: a change of side would be kept besides.
    let hundredths = 2240 + (s * 7919) % 9 - 4;
    let raw = format!("TEMP  {}.{:02} C\\r\\n", hundredths / 100, hundredths % 100);
    What::Instrument(InstrumentReport::Temperature {
        temperature: Quantity::new(Decimal::new(hundredths, 2), Unit::Celsius),
        wire: Wire::of("probe", "/dev/serial/by-id/usb-serial-port1", raw),
    })
}

/// A bench, decided as the loop does it, without a loop.
struct Books {
    bench: Bench,
    chain: Chain,
    id: Uuid,
    journal: Journal,
    pending: Pending,
    samples: u64,
}

impl Books {
    fn put(&mut self, what: What, s: i64) -> oneshot::Receiver<Outcome> {
        let (reply, mut answer) = oneshot::channel();
        let input = Input { id: Uuid::now_v7(), moment: at(s * SECOND), what };
        let waiting = Waiting { input, reply: Some(Reply::Outcome(reply)) };
        let before = self.pending.batch.events.iter().filter(|e| !e.chained).count();
        batch::decide(
            &mut self.bench,
            &mut self.chain,
            &Issuer { journal: self.id, key: None },
            &mut self.pending,
            waiting,
        );
        let after = self.pending.batch.events.iter().filter(|e| !e.chained).count();
        self.samples += u64::try_from(after - before).unwrap();
        assert!(answer.try_recv().is_err(), "nobody is answered before the disk");
        answer
    }

    async fn act(&mut self, what: Do, s: i64) -> Uuid {
        let (who, via) = (Some("Ash Fenn".to_owned()), "page".to_owned());
        let act = Act {
            id: Uuid::now_v7(),
            who,
            via,
            seen: None,
            stated_wall_ns: None,
            balance: None,
            take_over: false,
            what,
        };
        let answer = self.put(What::Act(act), s);
        self.store().await;
        match answer.await.unwrap() {
            Outcome::Done { made, .. } => made.unwrap_or_default(),
            other => panic!("{other:?}"),
        }
    }

    async fn store(&mut self) {
        let pending = std::mem::take(&mut self.pending);
        self.journal.commit(pending.batch.clone()).await.unwrap();
        pending.tell();
    }
}

#[tokio::test]
async fn a_day_of_temperatures_is_kept_at_full_rate_only_while_a_specimen_is_watched() {
    let folder = Folder::new();
    let (journal, restored) = Journal::open(&folder.journal(), &open_with()).unwrap();
    let mut books = Books {
        bench: Bench::default(),
        chain: restored.chain,
        id: restored.journal_id,
        journal,
        pending: Pending::default(),
        samples: 0,
    };
    books.put(started(), 0);
    let method = "aashto-t176-mechanical".to_owned();
    let sample = books
        .act(Do::RegisterSample { label: "S".to_owned(), method, specimens: Some(1), particulars: None }, 0)
        .await;
    let specimen = books.act(Do::RegisterSpecimen { sample, place: 1 }, 0).await;
    let step = "first fill".to_owned();
    books.act(Do::Mark { specimen, step, edge: crate::domain::method::Edge::Done }, 0).await;
    for s in 1..=WORKING_S {
        books.put(reading(s), s);
        if s % 512 == 0 {
            books.store().await;
        }
    }
    let reason = "the day is over".to_owned();
    books.act(Do::VoidSpecimen { specimen, reason }, WORKING_S).await;
    let (working, working_bytes) = (books.samples, bytes(&folder));
    for s in WORKING_S + 1..=DAY_S {
        books.put(reading(s), s);
        if s % 4096 == 0 {
            books.store().await;
        }
    }
    books.store().await;
    let idle = books.samples - working;
    let Books { journal, .. } = books;
    journal.close().await.unwrap();
    let idle_bytes = bytes(&folder) - working_bytes;
    let every = u64::from(settings().temperature_idle_s);
    let (working_s, idle_s) = (WORKING_S.unsigned_abs(), (DAY_S - WORKING_S).unsigned_abs());
    eprintln!(
        "a day: {working} rows and {working_bytes} bytes in 8 hours of work, {idle} rows and {idle_bytes} bytes in 16 idle hours"
    );
    assert_eq!(working, working_s, "each reading of a probe that speaks once a second");
    assert!(idle <= idle_s / every + 1 && idle >= idle_s / every - 1, "one in {every} seconds: {idle}");
    // What docs/journal.md promises for the disk.
    assert!(working_bytes < 32_000_000 && idle_bytes < 8_000_000, "{working_bytes}, {idle_bytes}");
}

/// Size of the file once its log is folded in, with the log.
fn bytes(folder: &Folder) -> u64 {
    let size = |name: PathBuf| std::fs::metadata(name).map_or(0, |m| m.len());
    let conn = rusqlite::Connection::open(folder.journal()).unwrap();
    conn.query_row("PRAGMA wal_checkpoint(FULL)", [], |_| Ok(())).unwrap();
    drop(conn);
    size(folder.journal())
}
