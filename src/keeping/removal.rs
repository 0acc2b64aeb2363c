//! What the rules let go now: found by reading, counted, written to a file, and then taken out step
//! by step. The same walk serves all four, so that nothing goes that was not written.

use super::rule::{Before, Stays, wall_ns};
use super::words;
use crate::domain::bench::{Bench, ClosedSample};
use crate::domain::keeping::{Counts, Through};
use crate::journal::{
    Blank, ClosedFound, ClosedWanted, EventRow, InputRow, JournalError, OutboxRow, Reader, chain,
};
use serde_json::{Value, json};
use std::io::{self, Write};
use uuid::Uuid;

/// Rows that are looked at, and taken out in one transaction, at once.
const PAGE: u32 = 1000;

/// How far a removal may go, why no further, and what stays.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Up to where.
    pub through: Through,
    /// Samples that left the bench before this go with their records.
    pub closed_before: Option<i64>,
    /// What stays.
    pub stays: Stays,
    /// What bounds it, in sentences.
    pub because: Vec<String>,
}

/// One thing that goes.
#[derive(Debug)]
pub enum Piece<'a> {
    /// An event's payload.
    Event(&'a EventRow),
    /// An input's text, with its number.
    Input(u64, &'a InputRow),
    /// A document.
    Document(&'a OutboxRow),
    /// A sample that left the bench.
    Closed(&'a ClosedFound),
}

/// Finds out how far the rules go. `bench` is the state at the journal's head.
pub fn plan(reader: &Reader, bench: &Bench, rules: Before) -> Result<Plan, JournalError> {
    let mut because = Vec::new();
    let mut before = rules;
    let at_work = bench.samples.values().min_by_key(|s| s.registered.moment.wall_ns);
    if let Some(sample) = at_work {
        let at = sample.registered.moment.wall_ns;
        if before.latest().is_some_and(|latest| at < latest) {
            because.push(format!(
                "sample {} has been at work since {}: nothing from then on goes",
                sample.label,
                day(at)
            ));
        }
        before = before.not_after(at);
    }
    before.records = records_bound(reader, before.records, &mut because)?;
    // What is told of a time goes with its records at the latest, and never before them by this bound.
    let stays = stays(reader, bench, before.records)?;
    let through = through(reader, before)?;
    Ok(Plan { through, closed_before: before.records, stays, because })
}

/// Records are bounded further: what the network has not acknowledged stays with all that led to it.
fn records_bound(
    reader: &Reader,
    records: Option<i64>,
    because: &mut Vec<String>,
) -> Result<Option<i64>, JournalError> {
    let Some(mut records) = records else { return Ok(None) };
    if let Some(row) = reader.oldest_unacked()? {
        // A weighing names no sample; the next record or result is of what was weighed then.
        let next = reader.unlisted(row.number - 1, words::KINDS, 1)?;
        let at = next.iter().filter_map(registered).fold(row.made_at_ns, i64::min);
        if at < records {
            because.push(format!(
                "the network has not acknowledged document {} of {}: no record from then on goes",
                row.number,
                day(row.made_at_ns)
            ));
            records = at;
        }
    }
    Ok(Some(records))
}

/// When the sample of a document was registered, as the document says.
fn registered(row: &OutboxRow) -> Option<i64> {
    let document: Value = serde_json::from_str(&row.payload).ok()?;
    let time: jiff::Timestamp = words::text(&document, "/data/sample/registered/time")?.parse().ok()?;
    i64::try_from(time.as_nanosecond()).ok()
}

/// Held samples, those in sight, and those of which a document was made anew lately: its earlier
/// versions stay too. In sight are the last that left, and any that an act brought back for a while,
/// however old: one of them must not keep everything since.
fn stays(reader: &Reader, bench: &Bench, records: Option<i64>) -> Result<Stays, JournalError> {
    let mut stays = Stays::default();
    for closed in bench.closed.iter() {
        stays.add(closed.sample.id, closed.specimens.iter().map(|s| s.id));
    }
    for (id, hold) in &bench.keeping.holds {
        let mut hold = hold.clone();
        if let Some(closed) = sample_of(reader, *id)? {
            hold.specimens = closed.specimens.iter().map(|s| s.id).collect();
            hold.until = Some(closed.closed);
        }
        stays.hold(*id, &hold);
    }
    if let Some(records) = records {
        for subject in reader.amended_after(records)? {
            let Ok(id) = Uuid::try_parse(&subject) else { continue };
            stays.add(id, []);
            if let Some(closed) = sample_of(reader, id)? {
                stays.add(closed.sample.id, closed.specimens.iter().map(|s| s.id));
            }
        }
    }
    Ok(stays)
}

fn sample_of(reader: &Reader, id: Uuid) -> Result<Option<ClosedSample>, JournalError> {
    Ok(reader.closed(id)?.and_then(|row| serde_json::from_str(&row.state).ok()))
}

/// Everything up to the first thing that is too young. A clock that was once far ahead ends it there:
/// too little goes rather than too much.
fn through(reader: &Reader, before: Before) -> Result<Through, JournalError> {
    let mut through = Through::default();
    let (mut samples, mut events) = (before.temperatures, before.records);
    let mut after = 0;
    'events: loop {
        let page = reader.moments(after, PAGE)?;
        if page.is_empty() {
            break;
        }
        for (seq, moment) in page {
            after = seq;
            // A moment that cannot be read is no reason to stop: that event stays.
            let at = wall_ns(&moment);
            let ends = |limit: Option<i64>| limit.is_none_or(|limit| at.is_some_and(|at| at >= limit));
            samples = samples.filter(|_| !ends(samples));
            events = events.filter(|_| !ends(events));
            if samples.or(events).is_none() {
                break 'events;
            }
            through.samples = if samples.is_some() { seq } else { through.samples };
            through.events = if events.is_some() { seq } else { through.events };
        }
    }
    if let Some(limit) = before.inputs {
        through.inputs = last_input(reader, limit)?;
    }
    if let Some(limit) = before.records {
        through.documents = reader.last_document_before(limit)?;
    }
    Ok(through)
}

/// Number of the last input before the first that is too young.
fn last_input(reader: &Reader, limit: i64) -> Result<u64, JournalError> {
    let mut number = 0;
    loop {
        let page = reader.inputs(number, PAGE)?;
        if page.is_empty() {
            return Ok(number);
        }
        for row in page {
            if wall_ns(&row.at).is_some_and(|at| at >= limit) {
                return Ok(number);
            }
            number += 1;
        }
    }
}

/// Goes through all that a plan lets go.
pub fn walk<E: From<JournalError>>(
    reader: &Reader,
    plan: &Plan,
    each: &mut dyn FnMut(Piece) -> Result<(), E>,
) -> Result<(), E> {
    let Plan { through, stays, .. } = plan;
    let mut after = 0;
    loop {
        let page = reader.events_whole(after, through.samples.max(through.events), PAGE)?;
        let Some(last) = page.last() else { break };
        after = last.seq;
        for row in &page {
            let reaches = if row.chained { through.events } else { through.samples };
            if row.seq <= reaches && !stays.keeps_event(row) {
                each(Piece::Event(row))?;
            }
        }
    }
    let mut number = 0;
    while number < through.inputs {
        let page = reader.inputs(number, PAGE)?;
        if page.is_empty() {
            break;
        }
        for row in &page {
            number += 1;
            if number <= through.inputs && !row.payload.is_empty() && !stays.keeps_input(row) {
                each(Piece::Input(number, row))?;
            }
        }
    }
    let mut after = 0;
    loop {
        let page = reader.documents_whole(after, through.documents, PAGE / 10)?;
        let Some(last) = page.last() else { break };
        after = last.number;
        for row in page.iter().filter(|row| !stays.keeps_document(row)) {
            each(Piece::Document(row))?;
        }
    }
    closed(reader, plan, each)
}

fn closed<E: From<JournalError>>(
    reader: &Reader,
    plan: &Plan,
    each: &mut dyn FnMut(Piece) -> Result<(), E>,
) -> Result<(), E> {
    let Some(limit) = plan.closed_before else { return Ok(()) };
    let mut wanted = ClosedWanted { before_ns: Some(limit), ..ClosedWanted::default() };
    loop {
        let page = reader.closed_page(&wanted, PAGE / 10)?;
        let Some(last) = page.last() else { return Ok(()) };
        wanted.before = Some(last.number);
        for row in page.iter().filter(|row| !plan.stays.keeps_sample(row.id)) {
            each(Piece::Closed(row))?;
        }
    }
}

/// Counts what goes.
pub fn count(counts: &mut Counts, piece: &Piece) {
    let bytes = match piece {
        Piece::Event(row) => {
            *(if row.chained { &mut counts.events } else { &mut counts.samples }) += 1;
            row.payload.as_ref().map_or(0, String::len)
        }
        Piece::Input(_, row) => {
            counts.inputs += 1;
            row.at.len() + row.payload.len() + row.outcome.len()
        }
        Piece::Document(row) => {
            counts.documents += 1;
            row.payload.len()
        }
        Piece::Closed(row) => row.state.len(),
    };
    counts.bytes += bytes as u64;
}

/// Writes what goes as one line. Texts stand there as texts, so that their digests can be taken from
/// the file and held against the hashes that stay in the journal.
pub fn write(piece: &Piece, to: &mut dyn Write) -> io::Result<()> {
    let line: Value = match piece {
        Piece::Event(row) => json!({ "event": {
            "seq": row.seq, "kind": row.kind, "version": row.version, "moment": row.moment,
            "input": row.input, "payload": row.payload, "payloadSha256": chain::hex(&row.payload_hash),
        } }),
        Piece::Input(number, row) => json!({ "input": {
            "number": number, "id": row.id, "at": row.at, "payload": row.payload, "outcome": row.outcome,
        } }),
        Piece::Document(row) => json!({ "document": {
            "number": row.number, "id": row.id, "kind": row.kind, "topic": row.topic,
            "subject": row.subject, "madeAtNs": row.made_at_ns, "payload": row.payload,
        } }),
        Piece::Closed(row) => json!({ "sample": {
            "number": row.number, "id": row.id, "label": row.label, "closedNs": row.closed_ns,
            "seq": row.seq, "state": row.state,
        } }),
    };
    writeln!(to, "{line}")
}

/// Steps of a removal, each for one transaction.
#[derive(Debug, Default)]
pub struct Steps {
    step: Blank,
    size: u32,
}

impl Steps {
    /// Takes one more; gives a step when it is full.
    pub fn add(&mut self, piece: &Piece) -> Option<Blank> {
        match piece {
            Piece::Event(row) => self.step.events.push(row.seq),
            Piece::Input(number, _) => self.step.inputs.push(*number),
            Piece::Document(row) => self.step.documents.push(row.number),
            Piece::Closed(row) => self.step.closed.push(row.number),
        }
        self.size += 1;
        (self.size >= PAGE).then(|| self.rest())
    }

    /// What is left.
    pub fn rest(&mut self) -> Blank {
        self.size = 0;
        std::mem::take(&mut self.step)
    }
}

fn day(wall_ns: i64) -> String {
    let at = jiff::Timestamp::from_nanosecond(i128::from(wall_ns)).unwrap_or(jiff::Timestamp::MIN);
    at.strftime("%Y-%m-%d").to_string()
}
