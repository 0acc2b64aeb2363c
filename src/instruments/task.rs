//! One instrument's task: opens its port, talks, and opens it again however often the cable goes.

use super::port::{Port, PortError};
use super::registers;
use super::talk::{Ended, Talk, Unwanted};
use super::{Line, Listen};
use crate::clock::Clock;
use crate::domain::moment::Moment;
use crate::domain::reading::{InstrumentReport, Live};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep};
use tokio_util::sync::CancellationToken;

/// Real time before the first try to open a port again; doubled with each try.
const FIRST_PAUSE: Duration = Duration::from_millis(100);
/// Longest real time between two tries.
const LONGEST_PAUSE: Duration = Duration::from_secs(2);

/// An instrument's task that was started.
#[derive(Debug)]
pub struct Running {
    /// What the instrument shows now.
    pub live: watch::Receiver<Live>,
    /// Ends soon after the task was cancelled, or when nobody takes its reports any more.
    pub join: JoinHandle<()>,
}

/// Starts the task of the instrument `name` at the port `path`. It ends with `cancel` only; no
/// state of the cable or the system ends it.
pub fn spawn(
    name: String,
    path: PathBuf,
    line: Line,
    listener: Box<dyn Listen>,
    clock: Arc<dyn Clock>,
    reports: mpsc::Sender<(Moment, InstrumentReport)>,
    cancel: CancellationToken,
) -> Running {
    let display = watch::Sender::new(listener.live());
    let shown = display.subscribe();
    let talk = Talk { listener, clock, reports, live: display, due_ns: i64::MIN, heard: false };
    let mut instrument = Task { name, path, line, talk, outage: None };
    let join = tokio::spawn(async move {
        if let Some(Unwanted) = cancel.run_until_cancelled(instrument.run()).await {
            tracing::debug!(instrument = instrument.name, "nobody takes its reports: its task ends");
        }
    });
    Running { live: shown, join }
}

struct Task {
    name: String,
    path: PathBuf,
    line: Line,
    talk: Talk,
    /// What was reported, and the last reason since then.
    outage: Option<(PortError, PortError)>,
}

impl Task {
    async fn run(&mut self) -> Unwanted {
        let mut pause = FIRST_PAUSE;
        loop {
            let why = match Port::open(&self.path, self.line).await {
                Ok(port) => {
                    if let Err(unwanted) = self.open().await {
                        return unwanted;
                    }
                    let since = Instant::now();
                    let said = match self.talk_over(port).await {
                        Ended::Gone(said) => said,
                        Ended::Unwanted => return Unwanted,
                    };
                    self.talk.closed();
                    // A port that opens and falls silent at once is no end of the trouble.
                    if self.talk.heard || since.elapsed() >= LONGEST_PAUSE {
                        pause = FIRST_PAUSE;
                    }
                    PortError::lost(&self.path, said.as_ref())
                }
                Err(why) => why,
            };
            if let Err(unwanted) = self.gone(why).await {
                return unwanted;
            }
            sleep(pause).await;
            pause = pause.saturating_mul(2).min(LONGEST_PAUSE);
        }
    }

    /// Lines, or registers that are asked for. The port is closed in the end.
    async fn talk_over(&mut self, mut port: Port) -> Ended {
        match self.talk.listener.poll() {
            Some(poll) => registers::over(&mut self.talk, port, &poll).await,
            None => self.talk.over(&mut port).await,
        }
    }

    async fn open(&mut self) -> Result<(), Unwanted> {
        self.outage = None;
        tracing::info!(instrument = self.name, port = %self.path.display(), "open");
        let report = InstrumentReport::Open { instrument: self.name.clone(), port: self.port() };
        self.talk.report(self.talk.clock.now(), report).await
    }

    /// Reports an outage when it begins, and again when there is something else to do about it; of
    /// other changes the log tells.
    async fn gone(&mut self, why: PortError) -> Result<(), Unwanted> {
        let words = why.to_string();
        if self.outage.as_ref().is_none_or(|(_, last)| last.to_string() != words) {
            tracing::warn!(instrument = self.name, "{words}");
        }
        let told = self.outage.take().map(|(told, _)| told).filter(|told| !told.differs(&why));
        let known = told.is_some();
        self.outage = Some((told.unwrap_or_else(|| why.clone()), why));
        if known {
            return Ok(());
        }
        let report = InstrumentReport::Gone { instrument: self.name.clone(), port: self.port(), why: words };
        self.talk.report(self.talk.clock.now(), report).await
    }

    fn port(&self) -> String {
        self.path.display().to_string()
    }
}

#[cfg(test)]
mod test;

#[cfg(test)]
mod ports_test;
