//! Documents of some days as a file: read one by one from the journal, so that years take no more
//! memory than a day.

use super::columns::{Table, Told};
use super::days::Days;
use super::{table, words};
use crate::journal::{JournalError, ListedWanted, Reader};
use jiff::tz::TimeZone;
use serde_json::Value;
use std::collections::VecDeque;
use std::io::{self, Write};

/// Documents that are listed, and looked up, at once.
const PAGE: u32 = 500;
/// Results that are kept at hand: more than samples are at work at once on a bench.
const RESULTS_KEPT: usize = 32;
/// Documents that are taken into a list at once.
pub(super) const LIST_PAGE: u32 = 50;

/// The form of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// A table, RFC 4180.
    Csv,
    /// The documents as they were published, byte for byte, one on each line.
    JsonLines,
}

impl Form {
    /// Ending of its files.
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::JsonLines => "jsonl",
        }
    }

    /// Media type.
    pub const fn media(self) -> &'static str {
        match self {
            Self::Csv => "text/csv; charset=utf-8; header=present",
            Self::JsonLines => "application/jsonl",
        }
    }
}

/// What is wanted.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// Which documents; a table holds one kind.
    pub tables: Vec<Table>,
    /// Of which days: those on which their first versions were made.
    pub days: Days,
    /// Only those of the sample with this label.
    pub sample: Option<String>,
    /// All versions, and not only the newest.
    pub all_versions: bool,
    /// In which form.
    pub form: Form,
    /// The zone of days and of local times.
    pub zone: TimeZone,
}

/// What was written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Written {
    /// Documents.
    pub documents: u64,
    /// Documents of those days that were removed and cannot be written any more.
    pub removed: u64,
}

/// Why there is no file.
#[derive(Debug, thiserror::Error)]
pub enum ExportFault {
    /// The days are none.
    #[error(transparent)]
    Days(#[from] super::days::DaysFault),
    /// The journal.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The file.
    #[error("the file could not be written: {0}")]
    Write(#[from] io::Error),
    /// Nothing was found.
    #[error("nothing to write: {0}")]
    Nothing(String),
    /// A table holds one kind of document.
    #[error("a table holds one kind of document: choose records or results")]
    OneKind,
}

/// Brings a reader's own list of documents up to date, so that days and versions are known of all.
pub fn list_all(reader: &mut Reader) -> Result<(), JournalError> {
    let (through, newest) = reader.listed_reach()?;
    if through >= newest && newest > 0 {
        return Ok(());
    }
    reader.own_list()?;
    let (mut through, newest) = reader.listed_reach()?;
    while through < newest {
        let (rows, reached) = step(reader, through, newest)?;
        through = reached;
        reader.list(&rows, through)?;
    }
    Ok(())
}

/// The next documents for a list that goes up to `through`, and how far it goes with them.
pub(super) fn step(
    reader: &Reader,
    through: u64,
    newest: u64,
) -> Result<(Vec<crate::journal::ListedRow>, u64), JournalError> {
    let rows = reader.unlisted(through, words::KINDS, LIST_PAGE)?;
    let full = rows.len() == LIST_PAGE as usize;
    let reached = rows.last().filter(|_| full).map_or(newest, |row| row.number);
    Ok((rows.iter().filter_map(words::listed).collect(), reached))
}

/// Whether there is nothing of what is wanted, and what that means.
pub fn is_empty(reader: &Reader, wanted: &Wanted) -> Result<(), ExportFault> {
    let any = |listed: &ListedWanted| reader.listed(listed, 1).map(|found| !found.is_empty());
    let listed = listed(wanted)?;
    if any(&listed)? {
        return Ok(());
    }
    let what: Vec<&str> = wanted.tables.iter().map(|table| table.word()).collect();
    let what = what.join(" and ");
    if let Some(label) = &wanted.sample {
        return Err(ExportFault::Nothing(format!("of a sample `{label}` there are no {what} of these days")));
    }
    let whole = ListedWanted { from_ns: None, before_ns: None, ..listed };
    Err(ExportFault::Nothing(if any(&whole)? {
        format!("there are no {what} of these days ({}); there are of others", wanted.days.words())
    } else {
        format!("the journal holds no {what} yet")
    }))
}

fn listed(wanted: &Wanted) -> Result<ListedWanted, ExportFault> {
    let span = wanted.days.span(&wanted.zone)?;
    Ok(ListedWanted {
        kind: match wanted.tables.as_slice() {
            [one] => Some(one.kind().to_owned()),
            _ => None,
        },
        label: wanted.sample.as_ref().map(|label| label.to_lowercase()),
        from_ns: span.start,
        before_ns: span.end,
        newest: !wanted.all_versions,
        ascending: true,
        above: Some(0),
        ..ListedWanted::default()
    })
}

/// Writes what is wanted. The reader's list is up to date.
pub fn export(reader: &Reader, wanted: &Wanted, to: &mut dyn Write) -> Result<Written, ExportFault> {
    let mut listed = listed(wanted)?;
    let mut file = File::begin(wanted, to)?;
    let mut results = Results { reader, lately: VecDeque::new() };
    loop {
        let page = reader.listed(&listed, PAGE)?;
        for found in &page {
            let Some(row) = reader.document_at(found.number)? else { continue };
            file.put(wanted, row.payload, &mut results)?;
        }
        match page.last() {
            Some(last) => listed.above = Some(last.number),
            None => break,
        }
    }
    file.end()
}

/// The newest results of samples: the specimens of a sample come close to each other.
struct Results<'r> {
    reader: &'r Reader,
    lately: VecDeque<(String, Option<Value>)>,
}

impl Results<'_> {
    /// That of the sample of a record; `None`: there is none, or it was removed.
    fn of(&mut self, record: &Value) -> Result<Option<&Value>, JournalError> {
        let Some(sample) = words::text(record, SAMPLE_ID) else { return Ok(None) };
        let known = self.lately.iter().position(|(id, _)| id == sample);
        if let Some(known) = known.and_then(|at| self.lately.remove(at)) {
            self.lately.push_front(known);
        } else {
            let number = self.reader.newest_about(sample, Table::Results.kind())?;
            let row = number.map(|number| self.reader.document_at(number)).transpose()?.flatten();
            let result = row.and_then(|row| serde_json::from_str(&row.payload).ok());
            self.lately.truncate(RESULTS_KEPT - 1);
            self.lately.push_front((sample.to_owned(), result));
        }
        Ok(self.lately.front().and_then(|(_, result)| result.as_ref()))
    }
}

enum File<'w> {
    Csv { columns: Vec<super::columns::Column>, to: Box<csv::Writer<&'w mut dyn Write>>, written: Written },
    Lines { to: &'w mut dyn Write, written: Written },
}

impl<'w> File<'w> {
    fn begin(wanted: &Wanted, to: &'w mut dyn Write) -> Result<Self, ExportFault> {
        let written = Written::default();
        if wanted.form == Form::JsonLines {
            return Ok(Self::Lines { to, written });
        }
        let [table] = wanted.tables.as_slice() else { return Err(ExportFault::OneKind) };
        let mut to = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(to);
        to.write_record(table::head(*table)).map_err(io::Error::from)?;
        Ok(Self::Csv { columns: table.columns(), to: Box::new(to), written })
    }

    fn put(&mut self, wanted: &Wanted, payload: String, results: &mut Results) -> Result<(), ExportFault> {
        let (Self::Csv { written, .. } | Self::Lines { written, .. }) = self;
        if payload.is_empty() {
            written.removed += 1;
            return Ok(());
        }
        let looked_at = wanted.sample.is_some() || wanted.form == Form::Csv;
        let document: Value =
            if looked_at { serde_json::from_str(&payload).unwrap_or_default() } else { Value::Null };
        // The list does not tell small from capital.
        if wanted.sample.as_deref().is_some_and(|label| words::text(&document, SAMPLE) != Some(label)) {
            return Ok(());
        }
        written.documents += 1;
        match self {
            Self::Csv { columns, to, .. } => {
                let of_record = wanted.tables == [Table::Records];
                let result = if of_record { results.of(&document)? } else { None };
                let told = Told { document: &document, result };
                to.write_record(table::row(columns, &told, &wanted.zone)).map_err(io::Error::from)?;
            }
            Self::Lines { to, .. } => {
                to.write_all(payload.as_bytes())?;
                to.write_all(b"\n")?;
            }
        }
        Ok(())
    }

    fn end(self) -> Result<Written, ExportFault> {
        match self {
            Self::Csv { mut to, written, .. } => {
                to.flush()?;
                Ok(written)
            }
            Self::Lines { to, written } => {
                to.flush()?;
                Ok(written)
            }
        }
    }
}

/// Where a document says which sample it is of.
const SAMPLE: &str = "/data/sample/label";
const SAMPLE_ID: &str = "/data/sample/id";
