//! The list of documents is brought up to date in pieces, in quiet moments and when somebody looks.

use super::export::step;
use crate::journal::{Journal, JournalError, Reader};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Mutex;
use tokio_util::sync::CancellationToken;

/// After a start, before the first piece: the bench comes first.
const AFTER_START: Duration = Duration::from_mins(1);
/// Between two looks when nobody asks.
const LOOK: Duration = Duration::from_mins(5);
/// Pieces for somebody who waits for an answer; what is behind further is brought up later.
const PIECES_FOR_ANSWER: u32 = 4;

/// Brings the list up to date; cheap to clone, all clones take turns.
#[derive(Debug, Clone)]
pub struct Listing {
    journal: Journal,
    turn: Arc<Mutex<()>>,
}

/// How far the list goes, and the number of the newest document.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reach {
    /// Number of the last document that was taken in.
    pub through: u64,
    /// Number of the newest document.
    pub newest: u64,
}

impl Listing {
    /// For one journal.
    pub fn new(journal: Journal) -> Self {
        Self { journal, turn: Arc::default() }
    }

    /// Takes in what is new, as far as somebody who waits should wait for.
    pub async fn for_answer(&self) -> Result<Reach, JournalError> {
        self.pieces(PIECES_FOR_ANSWER).await
    }

    async fn pieces(&self, most: u32) -> Result<Reach, JournalError> {
        let _turn = self.turn.lock().await;
        let mut reach = self.piece().await?;
        for _ in 1..most {
            if reach.through >= reach.newest {
                break;
            }
            reach = self.piece().await?;
        }
        Ok(reach)
    }

    /// One piece: read by a connection of its own, so that the journal's thread only writes it.
    async fn piece(&self) -> Result<Reach, JournalError> {
        let path = self.journal.path().to_path_buf();
        let read = tokio::task::spawn_blocking(move || {
            let reader = Reader::open(&path)?;
            let (through, newest) = reader.listed_reach()?;
            if through >= newest {
                return Ok((None, Reach { through, newest }));
            }
            let (rows, through) = step(&reader, through, newest)?;
            Ok::<_, JournalError>((Some(rows), Reach { through, newest }))
        });
        let (rows, reach) = read.await.map_err(|_| JournalError::Closed)??;
        if let Some(rows) = rows {
            self.journal.list(rows, reach.through).await?;
        }
        Ok(reach)
    }

    /// Runs until it is cancelled.
    pub async fn run(self, cancel: CancellationToken) {
        let mut wait = AFTER_START;
        loop {
            tokio::select! {
                () = cancel.cancelled() => return,
                () = tokio::time::sleep(wait) => {}
            }
            // Years at once, but piece by piece: each is a short transaction like any other.
            wait = match self.pieces(1).await {
                Ok(reach) if reach.through < reach.newest => Duration::from_millis(5),
                Ok(_) => LOOK,
                Err(error) => {
                    tracing::debug!(%error, "the list of documents waits");
                    LOOK
                }
            };
        }
    }
}
