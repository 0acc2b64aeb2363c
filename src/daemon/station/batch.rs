//! One batch on its way to the journal: events, documents, inputs, and who waits for an answer.

use super::Reply;
use crate::domain::bench::{Bench, ClosedSample, Event, Input, Outcome, Refusal, What};
use crate::domain::intake::code;
use crate::domain::moment::Moment;
use crate::domain::reading::InstrumentReport;
use crate::domain::report::{self, DocumentKind, Head};
use crate::domain::shared::Shared;
use crate::journal::stored::Stored;
use crate::journal::{Batch, Chain, ClosedRow, Continued, InputRow, NewDocument, NewEvent, chain};
use crate::network::topics::Topics;
use crate::signing::Key;
use serde_json::json;
use std::collections::VecDeque;
use std::sync::Arc;
use uuid::Uuid;

/// An input and who waits for what becomes of it.
#[derive(Debug)]
pub(super) struct Waiting {
    pub(super) input: Input,
    pub(super) reply: Option<Reply>,
}

impl Waiting {
    pub(super) fn tell(self, outcome: Outcome) {
        if let Some(reply) = self.reply {
            reply.tell(outcome);
        }
    }
}

/// A batch that gathers, or that is being written.
#[derive(Debug, Default)]
pub(super) struct Pending {
    pub(super) batch: Batch,
    waiting: Vec<(Waiting, Outcome)>,
}

impl Pending {
    pub(super) fn len(&self) -> usize {
        self.waiting.len()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    pub(super) fn events(&self) -> usize {
        self.batch.events.len()
    }

    /// The batch is on the disk: everybody is answered.
    pub(super) fn tell(self) {
        for (waiting, outcome) in self.waiting {
            waiting.tell(outcome);
        }
    }

    pub(super) fn into_waiting(self) -> Vec<Waiting> {
        self.waiting.into_iter().map(|(waiting, _)| waiting).collect()
    }
}

/// In whose name documents go out.
#[derive(Debug, Clone)]
pub(super) struct Issuer {
    /// Identity of the journal.
    pub(super) journal: Uuid,
    /// What records and results are signed with.
    pub(super) key: Option<Arc<Key>>,
}

/// Decides one input and puts what came of it into the batch.
pub(super) fn decide(
    bench: &mut Bench,
    chain: &mut Chain,
    issuer: &Issuer,
    pending: &mut Pending,
    waiting: Waiting,
) {
    let input = &waiting.input;
    let from = chain.clone();
    // Held until the end, so that a change of the drawer is one of a copy.
    let drawer = bench.closed.clone();
    let decision = bench.decide(input);
    let moment = to_json(&input.moment);
    for event in &decision.events {
        log(event);
        append(chain, pending, input, &moment, event);
        if !report::is_told(event) {
            continue;
        }
        let link = chain::hex(&chain.link());
        let head = Head { journal: issuer.journal, sequence: chain.seq(), link };
        if let Some(mut document) = report::ready(bench, event, input, &head) {
            if let Some(key) = &issuer.key {
                key.sign(&mut document);
            }
            let anchor = queue(bench, chain, pending, document, &input.moment);
            bench.apply(&anchor, &input.moment);
            append(chain, pending, input, &moment, &anchor);
        }
    }
    if !drawer.is_same(&bench.closed) {
        pending.batch.closed.extend(closed_rows(&drawer, bench, chain.seq()));
    }
    if is_worth_storing(&input.what, !decision.events.is_empty()) {
        pending.batch.inputs.push(InputRow {
            id: input.id,
            at: moment,
            payload: stored_input(&input.what, &decision.events),
            outcome: to_json(&decision.outcome),
        });
    }
    match &mut pending.batch.continued {
        Some(continued) => continued.to = chain.clone(),
        none => *none = Some(Box::new(Continued { from, to: chain.clone() })),
    }
    if let Outcome::Refused { text, .. } = &decision.outcome {
        tracing::warn!(refused = %text, "refused");
    }
    pending.waiting.push((waiting, decision.outcome));
}

/// A row for each sample that left the bench, or that was corrected after it had.
fn closed_rows(before: &VecDeque<Shared<ClosedSample>>, bench: &Bench, seq: u64) -> Vec<ClosedRow> {
    let changed = |now: &&Shared<ClosedSample>| !before.iter().any(|was| was.is_same(now));
    let row = |closed: &Shared<ClosedSample>| ClosedRow {
        id: closed.sample.id,
        label: closed.sample.label.clone(),
        closed_ns: closed.closed.wall_ns,
        seq,
        state: to_json(closed),
        parts: parts(closed),
    };
    bench.closed.iter().filter(changed).map(row).collect()
}

/// What a sample that has left is found by beside its own identity: those of its specimens, and the
/// key of its identifier.
fn parts(closed: &ClosedSample) -> Vec<Uuid> {
    let identifier = closed.sample.intake.particulars.identifier.as_deref().map(code::key);
    closed.specimens.iter().map(|s| s.id).chain(identifier).collect()
}

fn append(chain: &mut Chain, pending: &mut Pending, input: &Input, moment: &str, event: &Event) {
    pending.batch.events.push(chain.append(NewEvent {
        input: input.id,
        kind: event.kind().to_owned(),
        version: Stored::newest(event.kind()).version,
        chained: event.is_chained(),
        moment: moment.to_owned(),
        payload: to_json(event),
    }));
}

/// Queues a document for the network and gives the event that anchors it in the chain.
fn queue(
    bench: &Bench,
    chain: &mut Chain,
    pending: &mut Pending,
    document: report::Ready,
    at: &Moment,
) -> Event {
    let (row, digest) = chain.issue(NewDocument {
        id: document.id.to_string(),
        kind: document.kind.as_str().to_owned(),
        topic: topic(&bench.station, document.kind),
        subject: document.subject.to_string(),
        payload: document.text,
        made_at_ns: at.wall_ns,
    });
    let (number, sha256) = (row.number, chain::hex(&digest));
    pending.batch.outbox.push(row);
    Event::DocumentIssued { number, document: document.id, kind: document.kind.as_str().to_owned(), sha256 }
}

fn topic(station: &str, kind: DocumentKind) -> String {
    let topics = Topics::of(station);
    match kind {
        DocumentKind::Record => topics.record(),
        DocumentKind::Result => topics.result(),
        DocumentKind::Weighing => topics.weighing(),
    }
}

/// Inputs are stored, refused ones too. Not those that the clock makes and that said nothing,
/// nor temperatures that were thinned out.
fn is_worth_storing(what: &What, has_events: bool) -> bool {
    has_events
        || !matches!(
            what,
            What::Deadline | What::Recalled(_) | What::Instrument(InstrumentReport::Temperature { .. })
        )
}

/// What is stored of an input. Where its event holds all of it, a word is enough.
fn stored_input(what: &What, events: &[Event]) -> String {
    match what {
        What::Started(_) => json!({ "input": "started" }).to_string(),
        What::Deadline => json!({ "input": "deadline" }).to_string(),
        What::Recalled(_) => json!({ "input": "recalled" }).to_string(),
        What::Instrument(InstrumentReport::Temperature { .. }) => {
            r#"{"input":"instrument","report":"temperature"}"#.to_owned()
        }
        What::Instrument(InstrumentReport::Mass { .. })
            if events.iter().any(|event| matches!(event, Event::WeighingTaken { .. })) =>
        {
            r#"{"input":"instrument","report":"mass"}"#.to_owned()
        }
        other => to_json(other),
    }
}

/// The outcome of an input that turned out to be stored already.
pub(super) fn stored_outcome(stored: &str) -> Outcome {
    let value: serde_json::Value = serde_json::from_str(stored).unwrap_or_default();
    let text = |key| value.get(key).and_then(serde_json::Value::as_str).unwrap_or_default().to_owned();
    if text("outcome") == "refused" {
        return Refusal::Already { what: text("text") }.into();
    }
    Outcome::DoneBefore { note: text("note"), made: text("made").parse().ok() }
}

fn to_json<T: serde::Serialize>(value: &T) -> String {
    // Every stored type is plain data with string keys, which always serialises.
    serde_json::to_string(value).unwrap_or_else(|e| json!({ "unserialisable": e.to_string() }).to_string())
}

fn log(event: &Event) {
    match event {
        // Many, and all of them in the journal.
        Event::TemperatureRead { .. }
        | Event::RoomTemperatureRead { .. }
        | Event::TemperaturesCounted { .. }
        | Event::WeighingTaken { .. }
        | Event::PointMarked { .. }
        | Event::DocumentIssued { .. }
        | Event::IntervalAnnounced { .. }
        | Event::AskAnswered { .. }
        | Event::ActDone { .. } => tracing::debug!(kind = event.kind(), ?event),
        Event::SampleRecalled { closed } => {
            tracing::info!(kind = event.kind(), sample = %closed.sample.label);
        }
        Event::MethodAdopted { method } => {
            tracing::info!(kind = event.kind(), id = %method.id, sha256 = %method.digest);
        }
        // Names and hashes of people belong into the journal, not into every log.
        Event::Review(_) => tracing::info!(kind = event.kind()),
        Event::AlarmRaised { text, .. } => tracing::warn!(kind = event.kind(), %text),
        Event::TriggerRefused { trigger, why } => tracing::warn!(kind = event.kind(), %trigger, %why),
        _ => tracing::info!(kind = event.kind(), event = %to_json(event)),
    }
}
