//! The talk over one open stream: bytes in, requests out, reports to the station.

use super::{Listen, Request};
use crate::clock::{Clock, Reached};
use crate::domain::moment::Moment;
use crate::domain::reading::{InstrumentReport, Live};
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::{mpsc, watch};
use tokio::time::{Sleep, sleep, timeout};

/// Bytes taken at once: some tenths of a second of the fastest line.
const CHUNK: usize = 4096;

/// Why a talk ended.
#[derive(Debug)]
pub(super) enum Ended {
    /// The stream did: with the system's words, or none at its end.
    Gone(Option<io::Error>),
    /// Nobody takes the reports any more.
    Unwanted,
}

/// The reports have no receiver any more.
#[derive(Debug)]
pub(super) struct Unwanted;

/// What outlives a stream: the listener, where its reports go, and when it is asked next.
pub(super) struct Talk {
    pub(super) listener: Box<dyn Listen>,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) reports: mpsc::Sender<(Moment, InstrumentReport)>,
    pub(super) live: watch::Sender<Live>,
    /// When the next request may be sent. Kept over an outage, so that a loose plug does not make
    /// requests follow one another more closely.
    pub(super) due_ns: i64,
    /// Bytes came over the last stream.
    pub(super) heard: bool,
}

/// What an instrument that is asked is waited for.
enum Wait {
    /// It speaks by itself.
    Nothing,
    /// The next request.
    Turn(Reached),
    /// The answer to a request that was sent when the listener had `lines` lines.
    Answer { time_out: Pin<Box<Sleep>>, lines: u64 },
}

impl Wait {
    /// Ends when the wait is over; then a new wait takes its place.
    async fn over(&mut self) {
        match self {
            Self::Nothing => std::future::pending().await,
            Self::Turn(reached) => reached.await,
            Self::Answer { time_out, .. } => time_out.await,
        }
    }
}

impl Talk {
    /// Talks until the stream ends. May be dropped at any instant.
    pub(super) async fn over<S: AsyncRead + AsyncWrite + Unpin>(&mut self, stream: &mut S) -> Ended {
        let request = self.listener.request();
        let mut wait = match self.next(request.as_ref(), stream).await {
            Ok(wait) => wait,
            Err(ended) => return ended,
        };
        let mut bytes = Vec::with_capacity(CHUNK);
        self.heard = false;
        loop {
            bytes.clear();
            tokio::select! {
                // What has come is heard before it is called missing.
                biased;
                read = stream.read_buf(&mut bytes) => {
                    let at = self.clock.now();
                    match read {
                        Ok(0) => return Ended::Gone(None),
                        Err(said) => return Ended::Gone(Some(said)),
                        Ok(_) => self.heard = true,
                    }
                    if self.hear(&bytes, at).await.is_err() {
                        return Ended::Unwanted;
                    }
                    if matches!(wait, Wait::Answer { lines, .. } if lines != self.listener.live().lines) {
                        wait = match self.next(request.as_ref(), stream).await {
                            Ok(next) => next,
                            Err(ended) => return ended,
                        };
                    }
                }
                () = wait.over() => match self.waited(wait, request.as_ref(), stream).await {
                    Ok(next) => wait = next,
                    Err(ended) => return ended,
                },
            }
        }
    }

    /// A wait is over: asks, or says that there was no answer. Gives the next wait.
    async fn waited<S: AsyncWrite + Unpin>(
        &mut self,
        wait: Wait,
        request: Option<&Request>,
        stream: &mut S,
    ) -> Result<Wait, Ended> {
        match (wait, request) {
            (Wait::Turn(_), Some(request)) => {
                self.ask(stream, request).await.map_err(|said| Ended::Gone(Some(said)))
            }
            (Wait::Answer { .. }, _) => {
                self.unanswered().await.map_err(|Unwanted| Ended::Unwanted)?;
                self.next(request, stream).await
            }
            _ => Ok(Wait::Nothing),
        }
    }

    /// A question beside the values at once, if there is one; else the turn of the next request.
    async fn next<S: AsyncWrite + Unpin>(
        &mut self,
        request: Option<&Request>,
        stream: &mut S,
    ) -> Result<Wait, Ended> {
        let aside = request.and_then(|request| Some((self.listener.aside()?, request.answer_within)));
        match aside {
            Some((send, within)) => {
                self.send(stream, &send, within).await.map_err(|said| Ended::Gone(Some(said)))
            }
            None => Ok(self.turn(request)),
        }
    }

    fn turn(&self, request: Option<&Request>) -> Wait {
        request.map_or(Wait::Nothing, |_| Wait::Turn(self.clock.reached(self.due_ns)))
    }

    pub(super) async fn hear(&mut self, bytes: &[u8], at: Moment) -> Result<(), Unwanted> {
        let reports = self.listener.feed(bytes, at);
        self.show();
        for (at, report) in reports {
            self.report(at, report).await?;
        }
        Ok(())
    }

    /// Sends a request. Unsent within the time for the answer, it has none.
    async fn ask<S: AsyncWrite + Unpin>(&mut self, stream: &mut S, request: &Request) -> io::Result<Wait> {
        let now = self.clock.now().boot_ns;
        if now < self.due_ns {
            // The clock woke early.
            return Ok(Wait::Turn(self.clock.reached(self.due_ns)));
        }
        self.due_ns = now.saturating_add(request.every_ns);
        self.send(stream, &request.send, request.answer_within).await
    }

    async fn send<S: AsyncWrite + Unpin>(
        &mut self,
        stream: &mut S,
        bytes: &[u8],
        within: Duration,
    ) -> io::Result<Wait> {
        let lines = self.listener.live().lines;
        let answer_within = match timeout(within, stream.write_all(bytes)).await {
            Ok(sent) => sent.map(|()| within)?,
            Err(_) => Duration::ZERO,
        };
        Ok(Wait::Answer { time_out: Box::pin(sleep(answer_within)), lines })
    }

    /// An answer came that holds no value.
    pub(super) async fn refused(&mut self, why: String) -> Result<(), Unwanted> {
        let report = self.listener.refused(why, self.clock.now());
        self.show();
        match report {
            Some((at, report)) => self.report(at, report).await,
            None => Ok(()),
        }
    }

    pub(super) async fn unanswered(&mut self) -> Result<(), Unwanted> {
        let report = self.listener.unanswered(self.clock.now());
        self.show();
        match report {
            Some((at, report)) => self.report(at, report).await,
            None => Ok(()),
        }
    }

    /// The stream is closed: whatever was half said is forgotten.
    pub(super) fn closed(&mut self) {
        self.listener.closed();
        self.show();
    }

    /// Hands a report over; waits while the station has no room for it.
    pub(super) async fn report(&mut self, at: Moment, report: InstrumentReport) -> Result<(), Unwanted> {
        self.reports.send((at, report)).await.map_err(|_| Unwanted)
    }

    fn show(&self) {
        let now = self.listener.live();
        self.live.send_if_modified(|shown| {
            let changed = *shown != now;
            *shown = now;
            changed
        });
    }
}

#[cfg(test)]
pub(super) mod test;
