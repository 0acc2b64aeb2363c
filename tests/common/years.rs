//! Years of work in a journal, without the years: what one rehearsal left is written again and
//! again under fresh identities, hundreds of records to a transaction.

use std::path::Path;
use stillstand::domain::report::{DocumentKind, Ready};
use stillstand::journal::{
    Batch, Chain, ClosedFound, ClosedRow, ClosedWanted, EventRow, InputRow, Journal, NewDocument, NewEvent,
    OpenWith, OutboxRow, Reader,
};
use stillstand::signing::{Key, place_of};
use uuid::Uuid;

/// Of the temperatures, one in so many is taken along: the rest is more of the same.
const ONE_IN: usize = 30;
/// Rounds of the template in one transaction.
const ROUNDS: u64 = 20;

/// In front of the wall time of a moment.
const WALL: &str = "\"wall_ns\":";
/// In front of a label.
const LABEL: &str = "\"label\":\"";

/// A text whose identities and document numbers are put in anew for each round.
#[derive(Debug)]
struct Text(Vec<Piece>);

#[derive(Debug)]
enum Piece {
    As(String),
    Id(Uuid),
    Number(u64, bool),
    /// Here a label begins.
    Label,
}

/// What is put in anew.
#[derive(Debug, Clone, Copy)]
struct Put<'a> {
    round: u64,
    /// Added to numbers.
    more: u64,
    /// In front of labels.
    label: &'a str,
    /// By how much the round is later than the template.
    later_ns: i64,
}

/// What one rehearsal left in its journal.
#[derive(Debug)]
pub struct Template {
    inputs: Vec<(Uuid, [Text; 3])>,
    events: Vec<(EventRow, Text, Text)>,
    documents: Vec<(OutboxRow, [Text; 3])>,
    closed: Vec<(ClosedFound, Vec<Uuid>, Text)>,
    state: serde_json::Value,
    records: u64,
    /// What its documents were signed with: what is written again is signed again.
    key: Key,
    /// Wall time of its first event, nanoseconds.
    began_ns: i64,
    /// When the first round was, and how long each lasts; without it all rounds are at one time.
    pub spread: Option<(i64, i64)>,
    /// Labels differ from round to round.
    pub labelled: bool,
}

/// What was written.
#[derive(Debug)]
pub struct Written {
    pub records: u64,
    pub events: u64,
    pub documents: u64,
}

fn all<T>(page: impl Fn(u64) -> Vec<T>, number: impl Fn(&T) -> u64) -> Vec<T> {
    let mut rows: Vec<T> = Vec::new();
    loop {
        let more = page(rows.last().map_or(0, &number));
        if more.is_empty() {
            return rows;
        }
        rows.extend(more);
    }
}

/// What has left the bench, with the identities of its specimens.
fn closed(row: ClosedFound) -> (ClosedFound, Vec<Uuid>, Text) {
    let state: serde_json::Value = serde_json::from_str(&row.state).unwrap();
    let specimens = state["specimens"].as_array().unwrap().iter();
    let parts = specimens.map(|specimen| specimen["id"].as_str().unwrap().parse().unwrap()).collect();
    let text = Text::new(&row.state, WALL);
    (row, parts, text)
}

fn own(id: Uuid, put: Put) -> Uuid {
    // The journal's own pattern stays: the part that chance made differs, and in front of it the
    // millisecond (RFC 9562, version 7) is that of the round.
    let later = if id.get_version_num() == 7 { i128::from(put.later_ns / 1_000_000) << 80 } else { 0 };
    Uuid::from_u128((id.as_u128() ^ (u128::from(put.round) << 8)).wrapping_add(later.cast_unsigned()))
}

impl Text {
    /// Finds identities, and the number after `mark`.
    fn new(text: &str, mark: &str) -> Self {
        let mut pieces = Vec::new();
        let (mut plain, mut rest) = (String::new(), text);
        while let Some(first) = rest.chars().next() {
            let id = rest.get(..36).filter(|t| t.as_bytes()[8] == b'-').and_then(|t| Uuid::try_parse(t).ok());
            let number = rest.strip_prefix(mark).filter(|_| !mark.is_empty()).map(|t| {
                let digits = t.len() - t.trim_start_matches(|c: char| c.is_ascii_digit()).len();
                &t[..digits]
            });
            let (piece, long) = match (id, number) {
                (Some(id), _) => (Piece::Id(id), 36),
                (None, Some(digits)) => {
                    plain.push_str(mark);
                    let padded = digits.len() == 10;
                    (Piece::Number(digits.parse().unwrap(), padded), mark.len() + digits.len())
                }
                (None, None) if rest.starts_with(LABEL) => {
                    plain.push_str(LABEL);
                    (Piece::Label, LABEL.len())
                }
                (None, None) => {
                    plain.push(first);
                    rest = &rest[first.len_utf8()..];
                    continue;
                }
            };
            pieces.push(Piece::As(std::mem::take(&mut plain)));
            pieces.push(piece);
            rest = &rest[long..];
        }
        pieces.push(Piece::As(plain));
        Self(pieces)
    }

    fn at(&self, put: Put) -> String {
        use std::fmt::Write as _;
        let mut text = String::with_capacity(256);
        for piece in &self.0 {
            match piece {
                Piece::As(plain) => text.push_str(plain),
                Piece::Id(id) => write!(text, "{}", own(*id, put)).unwrap(),
                Piece::Number(n, true) => write!(text, "{:010}", n + put.more).unwrap(),
                // Of a time the number of nanoseconds between may be below zero.
                Piece::Number(n, false) => write!(text, "{}", n.wrapping_add(put.more)).unwrap(),
                Piece::Label => text.push_str(put.label),
            }
        }
        text
    }
}

impl Template {
    fn signed(&self, kind: &str, text: String) -> String {
        let kind = match kind {
            "record" => DocumentKind::Record,
            "result" => DocumentKind::Result,
            _ => return text,
        };
        let mut ready = Ready { id: Uuid::nil(), kind, subject: Uuid::nil(), text };
        self.key.sign(&mut ready);
        ready.text
    }

    /// Reads the journal of a rehearsal that has ended.
    pub fn read(path: &Path) -> Self {
        let reader = Reader::open(path).unwrap();
        let mut events = all(|after| reader.events(after, 1000).unwrap(), |row| row.seq);
        let mut nth = 0;
        events.retain(|row| {
            nth += usize::from(!row.chained);
            row.chained || nth % ONE_IN == 1
        });
        // A method comes into use once, with the first round.
        let kept: std::collections::BTreeSet<Uuid> = events.iter().map(|row| row.input).collect();
        let mut inputs: Vec<InputRow> = Vec::new();
        loop {
            let more = reader.inputs(inputs.len() as u64, 1000).unwrap();
            if more.is_empty() {
                break;
            }
            inputs.extend(more);
        }
        inputs.retain(|row| kept.contains(&row.id));
        let documents = all(|after| reader.documents(after, 1000).unwrap(), |row| row.number);
        let left = reader.closed_page(&ClosedWanted::default(), 1000).unwrap();
        let copy = path.with_extension("template");
        std::fs::copy(path, &copy).unwrap();
        let (_journal, restored) = Journal::open(&copy, &with()).unwrap();
        let state = serde_json::from_str(&restored.snapshot.unwrap().1).unwrap();
        let text = |text: &str| Text::new(text, "");
        let began = events.first().map(|row| row.moment.split_once(WALL).unwrap().1);
        let began_ns = began.unwrap().split(|c: char| !c.is_ascii_digit()).next().unwrap().parse().unwrap();
        Self {
            key: Key::kept_in(&place_of(path)).unwrap(),
            records: documents.iter().filter(|row| row.kind == "record").count() as u64,
            inputs: inputs
                .iter()
                .map(|row| (row.id, [Text::new(&row.at, WALL), text(&row.payload), text(&row.outcome)]))
                .collect(),
            events: events
                .into_iter()
                .map(|row| {
                    let mark = if row.kind == "document-issued" { "\"number\":" } else { "" };
                    let (moment, payload) =
                        (Text::new(&row.moment, WALL), Text::new(row.payload.as_ref().unwrap(), mark));
                    (row, moment, payload)
                })
                .collect(),
            documents: documents
                .into_iter()
                .map(|row| {
                    let texts =
                        [text(&row.id), text(&row.subject), Text::new(&row.payload, "\"sequence\":\"")];
                    (row, texts)
                })
                .collect(),
            closed: left.into_iter().rev().map(closed).collect(),
            state,
            began_ns,
            spread: None,
            labelled: false,
        }
    }

    /// Rounds that so many records take.
    pub fn rounds(&self, records: u64) -> u64 {
        records.div_ceil(self.records)
    }

    /// By how much a round is later than the template; a number below 2^63 stands for itself.
    fn later(&self, round: u64) -> i64 {
        let round = i64::try_from(round).unwrap();
        self.spread.map_or(0, |(first, each)| first + round * each - self.began_ns)
    }

    /// Writes a journal of at least `records` records; the last round comes after the last stored
    /// state, as after a power cut. `acked`: the network took each document, long ago.
    pub async fn write(&self, to: &Path, records: u64, acked: bool) -> Written {
        let rounds = self.rounds(records);
        let (journal, fresh) = Journal::open(to, &with()).unwrap();
        let mut chain = fresh.chain;
        let mut batch = Batch::default();
        for round in 0..rounds {
            self.round(round, &mut chain, &mut batch, acked);
            let last_but_one = round + 2 == rounds;
            if last_but_one {
                let mut state = self.state.clone();
                state["next_number"] = (chain.newest_document() + 1).into();
                // The last ones that left would be those of the first round.
                state["closed"] = serde_json::json!([]);
                batch.snapshot = Some((chain.seq(), state.to_string()));
            }
            if last_but_one || round % ROUNDS == 0 {
                journal.commit(std::mem::take(&mut batch)).await.unwrap();
            }
        }
        journal.commit(batch).await.unwrap();
        journal.close().await.unwrap();
        Written { records: rounds * self.records, events: chain.seq(), documents: chain.newest_document() }
    }

    fn round(&self, round: u64, chain: &mut Chain, batch: &mut Batch, acked: bool) {
        let before = chain.newest_document();
        let shift = self.later(round);
        let label = if self.labelled { format!("R{round:05}-") } else { String::new() };
        let plain = Put { round, more: 0, label: &label, later_ns: shift };
        let (later, numbered) = (Put { more: shift.cast_unsigned(), ..plain }, Put { more: before, ..plain });
        batch.inputs.extend(self.inputs.iter().map(|(id, [at, payload, outcome])| InputRow {
            id: own(*id, plain),
            at: at.at(later),
            payload: payload.at(plain),
            outcome: outcome.at(plain),
        }));
        let mut documents = self.documents.iter().peekable();
        for (row, moment, payload) in &self.events {
            while let Some((document, [id, subject, text])) =
                documents.next_if(|(document, _)| row.chained && document.number <= row.documents)
            {
                let made = chain.document(NewDocument {
                    id: id.at(plain),
                    kind: document.kind.clone(),
                    topic: document.topic.clone(),
                    subject: subject.at(plain),
                    payload: self.signed(&document.kind, text.at(numbered)),
                    made_at_ns: document.made_at_ns + shift,
                });
                if acked {
                    batch.acked = Some((made.number, 1));
                }
                batch.outbox.push(made);
            }
            if row.kind == "method-adopted" && round > 0 {
                continue;
            }
            batch.events.push(chain.append(NewEvent {
                input: own(row.input, plain),
                kind: row.kind.clone(),
                version: row.version,
                chained: row.chained,
                moment: moment.at(later),
                payload: payload.at(numbered),
            }));
        }
        batch.closed.extend(self.closed.iter().map(|(row, parts, state)| ClosedRow {
            id: own(row.id, plain),
            label: format!("{label}{}", row.label),
            closed_ns: row.closed_ns + shift,
            seq: chain.seq(),
            state: state.at(later),
            parts: parts.iter().map(|id| own(*id, plain)).collect(),
        }));
    }
}

fn with() -> OpenWith {
    OpenWith { fresh_id: Uuid::from_u128(0x0192_0000_0000_7000_8000_0000_0000_0009), now_wall_ns: 0 }
}
