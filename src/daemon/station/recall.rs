//! An act may name a specimen that left the bench long ago: the journal is asked for its sample,
//! which goes into the loop as an input of its own, in front of the act.

use super::Message;
use crate::domain::bench::{Bench, ClosedSample, What};
use crate::journal::Journal;
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
        let Some(id) = out_of_sight(bench, &message.what) else { return Some(message) };
        let journal = journal.clone();
        self.under_way.spawn(async move { (look(&journal, id).await, message) });
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

fn out_of_sight(bench: &Bench, what: &What) -> Option<Uuid> {
    let act = match what {
        What::Act(act) => act,
        What::Asked { what, .. } => return out_of_sight(bench, what),
        _ => return None,
    };
    act.what.subject().filter(|id| bench.find(*id).is_none())
}

async fn look(journal: &Journal, id: Uuid) -> Option<Box<ClosedSample>> {
    let row = match journal.closed(id).await {
        Ok(row) => row?,
        Err(error) => {
            // The act is then refused: it names a specimen that is not in sight.
            tracing::warn!("a sample that had left the bench could not be read: {error}");
            return None;
        }
    };
    serde_json::from_str(&row.state)
        .inspect_err(|e| tracing::warn!("sample {} as it was kept cannot be read: {e}", row.label))
        .ok()
}
