//! A process that writes a journal is killed at any instant: what it was told is stored, is there.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a test's helpers fail loudly, as the test itself does"
)]

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use stillstand::journal::chain::hex;
use stillstand::journal::{Batch, InputRow, Journal, NewDocument, NewEvent, OpenWith, verify};
use uuid::Uuid;

const WHERE: &str = "STILLSTAND_TEST_JOURNAL";

fn open(path: &Path) -> (Journal, stillstand::journal::Restored) {
    Journal::open(path, &OpenWith { fresh_id: Uuid::from_u128(1), now_wall_ns: 0 }).unwrap()
}

/// Not a test: the process that is killed. Prints number and link of each head that was stored.
#[tokio::test]
#[ignore = "started by the test below"]
async fn writer() {
    let Some(path) = std::env::var_os(WHERE) else { return };
    let (journal, restored) = open(Path::new(&path));
    let mut chain = restored.chain;
    loop {
        let number = chain.seq() + 1;
        let id = Uuid::from_u128(number.into());
        let mut batch = Batch::default();
        let text = "{}".to_owned();
        batch.inputs.push(InputRow {
            id,
            at: text.clone(),
            payload: "x".repeat(3000),
            outcome: text.clone(),
        });
        batch.outbox.push(chain.document(NewDocument {
            id: format!("r{number}"),
            kind: "record".to_owned(),
            topic: "t".to_owned(),
            subject: "s".to_owned(),
            payload: text.clone(),
            made_at_ns: 0,
        }));
        for (kind, chained) in [("sampled", false), ("pressed", true)] {
            let (kind, moment, payload) = (kind.to_owned(), text.clone(), text.clone());
            batch.events.push(chain.append(NewEvent {
                input: id,
                kind,
                version: 1,
                chained,
                moment,
                payload,
            }));
        }
        journal.commit(batch).await.unwrap();
        if number > 1 {
            journal.note_acked(chain.newest_document() - 1, 1);
        }
        let mut out = std::io::stdout().lock();
        writeln!(out, "\nstored {} {}", chain.seq(), hex(&chain.link())).unwrap();
        out.flush().unwrap();
    }
}

#[test]
fn what_was_said_to_be_stored_survives_a_kill_at_any_instant() {
    let folder = std::env::temp_dir().join(format!("stillstand-killed-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join("killed.journal");
    let mut last = 0;
    // The kill comes at another place of the write-ahead log each time, and while it is folded.
    for lines in [1_usize, 2, 3, 17, 90, 150, 210, 260] {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["writer", "--exact", "--ignored", "--nocapture"])
            .env(WHERE, &path)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let mut stored = out.by_ref().filter(|line| line.starts_with("stored")).take(lines).last();
        child.kill().unwrap();
        // What it still said before it died counts too; a line that was cut off does not.
        let whole = |line: &String| {
            line.starts_with("stored") && line.split(' ').nth(2).is_some_and(|l| l.len() == 64)
        };
        stored = out.filter(whole).last().or(stored);
        child.wait().unwrap();

        let stored = stored.expect("the writer said nothing");
        let mut words = stored.split(' ').skip(1);
        let (seq, link) = (words.next().unwrap().parse::<u64>().unwrap(), words.next().unwrap());
        assert!(seq > last, "the writer went on from where it was");
        last = seq;
        let verified = verify(&path).unwrap();
        assert!(verified.head_seq >= seq, "{} were there, {seq} were acknowledged", verified.head_seq);
        // Two events and a document to a batch: never one without the others.
        assert_eq!(verified.events, 2 * verified.documents);
        let (_journal, restored) = open(&path);
        let event = restored.events_after.iter().find(|event| event.seq == seq).unwrap();
        assert_eq!(event.link.map(|link| hex(&link)).as_deref(), Some(link));
        assert_eq!(restored.chain.link(), verified.head_link);
    }
    std::fs::remove_dir_all(&folder).unwrap();
}
