//! An act may name a specimen or a sample that left the bench long ago: the journal is asked for its sample,
//! which goes into the loop as an input of its own, in front of the act.

use super::Message;
use crate::domain::bench::{Bench, ClosedSample, Do, What};
use crate::domain::intake::{self, code};
use crate::journal::{ClosedFound, ClosedWanted, Journal, JournalError};
use tokio::task::JoinSet;
use uuid::Uuid;

/// Searches at once, beyond which the loop takes in nothing new. People correct one at a time.
const MANY: usize = 64;

/// Acts whose sample is being looked for. The loop goes on meanwhile.
#[derive(Debug, Default)]
pub(super) struct Recalls {
    under_way: JoinSet<(Option<Box<ClosedSample>>, Message)>,
}

impl Recalls {
    /// Takes an act whose specimen is not in sight; gives back everything else.
    pub(super) fn take(&mut self, bench: &Bench, journal: &Journal, message: Message) -> Option<Message> {
        let Some(sought) = out_of_sight(bench, &message.what) else { return Some(message) };
        let journal = journal.clone();
        self.under_way.spawn(async move { (look(&journal, &sought).await, message) });
        None
    }

    /// The next one that was looked for, found or not; `None`: there is none.
    pub(super) async fn next(&mut self) -> Option<(Option<Box<ClosedSample>>, Message)> {
        loop {
            match self.under_way.join_next().await? {
                Ok(found) => return Some(found),
                Err(error) => tracing::error!("the search for a sample ended: {error}"),
            }
        }
    }

    /// Nothing more is taken in until some of them have been found.
    pub(super) fn are_many(&self) -> bool {
        self.under_way.len() >= MANY
    }
}

/// By what a sample is looked for.
enum Sought {
    /// Its identity, or that of one of its specimens.
    Id(Uuid),
    /// What somebody scanned or typed: its identifier, or else its label.
    Words(String),
}

fn out_of_sight(bench: &Bench, what: &What) -> Option<Sought> {
    let act = match what {
        What::Act(act) => act,
        What::Asked { what, .. } => return out_of_sight(bench, what),
        _ => return None,
    };
    if let Do::Intake(intake::Act::Find { scan }) = &act.what {
        let sought = || match code::id_of(scan) {
            Some(id) => Sought::Id(id),
            None => Sought::Words(scan.trim().to_owned()),
        };
        return bench.scanned(scan).is_none().then(sought);
    }
    let specimen = act.what.subject().filter(|id| bench.find(*id).is_none());
    let sample = act.what.sought_sample().filter(|id| bench.find_sample(*id).is_none());
    specimen.or(sample).map(Sought::Id)
}

async fn look(journal: &Journal, sought: &Sought) -> Option<Box<ClosedSample>> {
    let row = match sought {
        Sought::Id(id) => journal.closed(*id).await,
        Sought::Words(words) => by_words(journal, words).await,
    };
    let row = match row {
        Ok(row) => row?,
        Err(error) => {
            // The act is then refused: it names a sample or specimen that is not in sight.
            tracing::warn!("a sample that had left the bench could not be read: {error}");
            return None;
        }
    };
    serde_json::from_str(&row.state)
        .inspect_err(|e| tracing::warn!("sample {} as it was kept cannot be read: {e}", row.label))
        .ok()
}

async fn by_words(journal: &Journal, words: &str) -> Result<Option<ClosedFound>, JournalError> {
    if let Some(row) = journal.closed(code::key(words)).await? {
        return Ok(Some(row));
    }
    let wanted = ClosedWanted { label: Some(words.to_owned()), ..ClosedWanted::default() };
    Ok(journal.closed_page(wanted, 1).await?.into_iter().next())
}
