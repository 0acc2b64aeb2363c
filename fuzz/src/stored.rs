//! Stored events: what an older, newer or damaged journal may hold. It is read or it is told; a
//! state that could be read can be shown and worked on.

use crate::story::{Story, moment, show};
use std::sync::LazyLock;
use stillstand::daemon::station::{fold, stored_event};
use stillstand::domain::bench::{Bench, Input, What};
use stillstand::journal::stored::Stored;
use stillstand::journal::{Chain, EventRow, Restored};
use uuid::Uuid;

/// A bench in the middle of its work.
static BENCH: LazyLock<Bench> = LazyLock::new(|| {
    let mut story = Story::of_t176();
    let life = crate::acts::whole_life();
    story.live(&life.lines().take(14).collect::<Vec<_>>().join("\n"));
    story.bench
});

/// The same as it is stored.
static SNAPSHOT: LazyLock<String> =
    LazyLock::new(|| serde_json::to_string(&*BENCH).expect("a bench is plain data"));

/// Each line is a stored event, as `kind version payload`.
pub fn run(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let mut bench = BENCH.clone();
    let at = moment(1_000_000_000);
    let (mut rows, mut unread) = (Vec::new(), 0);
    for line in text.lines().take(40) {
        let mut parts = line.splitn(3, ' ');
        let (Some(kind), Some(version), Some(payload)) = (parts.next(), parts.next(), parts.next()) else {
            continue;
        };
        let version = version.parse().unwrap_or(u16::MAX);
        let row = row(rows.len() as u64 + 2, kind, version, payload);
        match stored_event(&row, payload) {
            Ok(event) => bench.apply(&event, &at),
            Err(why) => {
                assert!(!why.to_string().is_empty());
                unread += 1;
            }
        }
        rows.push(row);
    }
    // Reading the snapshot takes most of the time, so not each time.
    if data.len() % 8 == 0 {
        match fold(&restored(rows)) {
            Ok(folded) => {
                assert_eq!(unread, 0, "an event that cannot be read was passed over");
                assert_eq!(folded, bench);
            }
            Err(error) => assert!(unread > 0 && error.to_string().contains("event"), "{error}"),
        }
    }
    let input = Input {
        id: Uuid::from_u128(0x019f_0000_0000_7000_8000_0000_0000_0001),
        moment: at,
        what: What::Deadline,
    };
    bench.decide(&input);
    let _ = bench.next_deadline(&at);
    show(&bench, &at);
}

fn row(seq: u64, kind: &str, version: u16, payload: &str) -> EventRow {
    EventRow {
        seq,
        input: Uuid::from_u128(3),
        kind: kind.to_owned(),
        version,
        chained: true,
        moment: serde_json::to_string(&moment(1_000_000_000)).expect("a moment is plain data"),
        payload: Some(payload.to_owned()),
        payload_hash: [0; 32],
        samples: 0,
        samples_digest: None,
        documents: 0,
        documents_digest: None,
        link: None,
    }
}

fn restored(events_after: Vec<EventRow>) -> Restored {
    Restored {
        journal_id: Uuid::from_u128(7),
        restored_from: None,
        format: 1,
        chain: Chain::genesis(Uuid::from_u128(7)),
        snapshot: Some((1, SNAPSHOT.clone())),
        events_after,
        outbox_next: 1,
    }
}

/// The events of whole lives, each by itself and in groups.
pub fn seeds() -> Vec<Vec<u8>> {
    let mut lines = Vec::new();
    for seed in crate::acts::seeds() {
        let mut story = Story::of_t176();
        story.live(std::str::from_utf8(&seed).expect("a script"));
        for (event, _) in story.events {
            let payload = serde_json::to_string(&event).expect("an event is plain data");
            // A method is its own target's matter, and larger than everything else.
            if payload.len() < 4000 {
                lines.push(format!("{} {} {payload}", event.kind(), Stored::newest(event.kind()).version));
            }
        }
    }
    let kind = |line: &String| line.split(' ').next().unwrap_or_default().to_owned();
    let mut seeds: Vec<String> = lines.chunks(12).map(|chunk| chunk.join("\n")).collect();
    lines.sort_by_key(kind);
    lines.dedup_by_key(|line| kind(line));
    seeds.extend(lines);
    seeds.into_iter().map(String::into_bytes).collect()
}
