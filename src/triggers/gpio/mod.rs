//! A GPIO line, watched: each edge with the kernel's own time stamp.
//!
//! The adapter knows lines and no rule of the trade. A chip that is absent or goes away is said
//! once and looked for again until it is back.

mod debounce;
mod line;

use crate::clock::Clock;
use crate::domain::moment::{Moment, SECOND};
use crate::settings::model::Gpio;
use debounce::{Debounce, Settled};
use gpiocdev::line::{EdgeEvent, EdgeKind, Value};
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Nanoseconds in a millisecond.
const MS: i64 = SECOND / 1000;
/// First wait before a chip is looked for again; it doubles up to [`LONGEST_WAIT`].
const FIRST_WAIT: Duration = Duration::from_millis(250);
/// Longest wait before a chip is looked for again.
const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// What a line shows, its polarity taken into account: active is the closed switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// The switch is closed.
    Active,
    /// The switch is open.
    Inactive,
}

/// What the adapter of one line has to say.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "report", rename_all = "kebab-case")]
pub enum GpioReport {
    /// The line is watched (again), from now on.
    Open {
        /// Name of the trigger in the settings.
        trigger: String,
        /// Path of the chip that was found.
        chip: String,
        /// Offset of the line on it.
        line: u32,
    },
    /// What the line showed when the watch began. Not an edge: nobody pressed anything. Edges that
    /// came since then follow.
    State {
        /// Name of the trigger in the settings.
        trigger: String,
        /// The level.
        level: Level,
        /// When it was looked at.
        moment: Moment,
    },
    /// An edge.
    Edge {
        /// Name of the trigger in the settings.
        trigger: String,
        /// The level that it led to.
        level: Level,
        /// The kernel's time stamp, on the bench's clocks. Its doubt includes the debounce: the
        /// kernel stamps a debounced edge when the line has been quiet for that long.
        moment: Moment,
        /// Edges were lost between the one before and this one.
        after_gap: bool,
    },
    /// The kernel's queue overflowed: edges are missing before the next one.
    Lost {
        /// Name of the trigger in the settings.
        trigger: String,
        /// How many.
        count: u32,
        /// The last edge before them, or the begin of the watch.
        since: Moment,
        /// The edge after them.
        until: Moment,
    },
    /// The line cannot be watched. Said once for each reason; it is tried again by itself.
    Gone {
        /// Name of the trigger in the settings.
        trigger: String,
        /// What is wrong and what helps.
        why: String,
    },
}

/// Watches a line until it is cancelled or nobody listens. Must be called within a tokio runtime.
pub fn spawn(
    name: &str,
    settings: Gpio,
    clock: Arc<dyn Clock>,
    edges: mpsc::Sender<GpioReport>,
    cancel: CancellationToken,
) -> JoinHandle<()> {
    let watch = Watch { trigger: name.to_owned(), settings, clock, edges };
    tokio::spawn(async move {
        cancel.run_until_cancelled(watch.run()).await;
    })
}

struct Watch {
    trigger: String,
    settings: Gpio,
    clock: Arc<dyn Clock>,
    edges: mpsc::Sender<GpioReport>,
}

/// Nobody listens any more.
struct Deaf;

/// What has been seen of an open line.
struct Seen {
    sequence: Sequence,
    /// The last edge, or the begin of the watch.
    last: Moment,
    /// Debounce of our own, where the kernel does none.
    own: Option<Debounce>,
}

impl Watch {
    async fn run(self) {
        let mut said = None;
        let mut wait = FIRST_WAIT;
        loop {
            let before = said.take();
            let why = match self.watch_once().await {
                Err(Deaf) => return,
                Ok((opened, why)) => {
                    if opened {
                        wait = FIRST_WAIT;
                    }
                    // The same reason is news only after the line was watched in between.
                    let news = opened || before.as_ref() != Some(&why);
                    if news && self.say(self.gone(&why)).await.is_err() {
                        return;
                    }
                    why
                }
            };
            said = Some(why);
            tokio::time::sleep(wait).await;
            wait = (wait * 2).min(LONGEST_WAIT);
        }
    }

    /// Opens the line and reports until it fails: whether it was open, and why it is no more.
    async fn watch_once(&self) -> Result<(bool, String), Deaf> {
        let settings = self.settings.clone();
        // Chips behind a slow bus answer slowly.
        let opened = tokio::task::spawn_blocking(move || line::open(&settings)).await;
        let line = match opened.map_err(|e| e.to_string()).and_then(|line| line.map_err(|e| e.to_string())) {
            Ok(line) => line,
            Err(why) => return Ok((false, why)),
        };
        let chip = line.chip.display().to_string();
        self.say(GpioReport::Open { trigger: self.trigger.clone(), chip, line: line.offset }).await?;
        self.follow(line).await.map(|why| (true, why))
    }

    /// Reports an open line until it fails: why.
    async fn follow(&self, line: line::Line) -> Result<String, Deaf> {
        let debounced = line.debounced || self.settings.debounce_ms == 0;
        let watched = line.watch().and_then(|line| line.found().map(|found| (line, found)));
        let (line, (value, waiting)) = match watched {
            Ok(watched) => watched,
            Err(error) => return Ok(format!("the line cannot be read: {error}")),
        };
        let (trigger, level, moment) = (self.trigger.clone(), Level::of(value), self.clock.now());
        self.say(GpioReport::State { trigger, level, moment }).await?;
        let still = Duration::from_millis(self.settings.debounce_ms.into());
        let mut seen = Seen {
            sequence: Sequence::default(),
            last: moment,
            own: (!debounced).then(|| Debounce::new(u64::from(self.settings.debounce_ms) * 1_000_000, level)),
        };
        let mut events = waiting;
        loop {
            for event in events {
                self.edge(&event, &mut seen).await?;
            }
            // What bounces counts once no edge has come for the set time, seen from the last one on.
            let over = seen.own.as_ref().and_then(Debounce::over_at);
            let next = match over {
                None => line.edges().await,
                Some(over) => {
                    if let Ok(next) = tokio::time::timeout(still, line.edges()).await {
                        next
                    } else {
                        self.still(over, &mut seen).await?;
                        Ok(Vec::new())
                    }
                }
            };
            events = match next {
                Ok(events) => events,
                Err(error) => return Ok(format!("the line is gone: {error}")),
            };
        }
    }

    async fn edge(&self, event: &EdgeEvent, seen: &mut Seen) -> Result<(), Deaf> {
        let count = seen.sequence.lost_before(event.line_seqno);
        let mut moment = self.clock.of_kernel(event.timestamp_ns);
        let since = std::mem::replace(&mut seen.last, moment);
        if count > 0 {
            let trigger = self.trigger.clone();
            self.say(GpioReport::Lost { trigger, count, since, until: moment }).await?;
        }
        let level = Level::after(event.kind);
        let Some(own) = &mut seen.own else {
            // The kernel stamps a debounced edge at the end of the still time.
            moment.doubt_ns = moment.doubt_ns.saturating_add(i64::from(self.settings.debounce_ms) * MS);
            let trigger = self.trigger.clone();
            return self.say(GpioReport::Edge { trigger, level, moment, after_gap: count > 0 }).await;
        };
        match own.edge(level, event.timestamp_ns, count > 0) {
            Some(settled) => self.settled(settled).await,
            None => Ok(()),
        }
    }

    async fn still(&self, now_ns: u64, seen: &mut Seen) -> Result<(), Deaf> {
        match seen.own.as_mut().and_then(|own| own.still(now_ns)) {
            Some(settled) => self.settled(settled).await,
            None => Ok(()),
        }
    }

    async fn settled(&self, settled: Settled) -> Result<(), Deaf> {
        let mut moment = self.clock.of_kernel(settled.at_ns);
        let bounced = i64::try_from(settled.bounced_ns).unwrap_or(i64::MAX);
        moment.doubt_ns = moment.doubt_ns.saturating_add(bounced);
        let (trigger, level, after_gap) = (self.trigger.clone(), settled.level, settled.after_gap);
        self.say(GpioReport::Edge { trigger, level, moment, after_gap }).await
    }

    fn gone(&self, why: &str) -> GpioReport {
        GpioReport::Gone { trigger: self.trigger.clone(), why: why.to_owned() }
    }

    async fn say(&self, report: GpioReport) -> Result<(), Deaf> {
        self.edges.send(report).await.map_err(|_| Deaf)
    }
}

impl Level {
    const fn other(self) -> Self {
        match self {
            Self::Active => Self::Inactive,
            Self::Inactive => Self::Active,
        }
    }

    /// The kernel already turned the polarity of an active-low line.
    fn of(value: Value) -> Self {
        match value {
            Value::Active => Self::Active,
            Value::Inactive => Self::Inactive,
        }
    }

    fn after(kind: EdgeKind) -> Self {
        match kind {
            EdgeKind::Rising => Self::Active,
            EdgeKind::Falling => Self::Inactive,
        }
    }
}

/// The kernel numbers a line's edges from 1; what its queue could not hold leaves a gap.
#[derive(Debug, Default)]
struct Sequence {
    last: u32,
}

impl Sequence {
    /// How many edges are missing between the last one and `number`.
    fn lost_before(&mut self, number: u32) -> u32 {
        let ahead = number.wrapping_sub(self.last);
        // A number that does not come after the last one says nothing about a gap.
        if ahead == 0 || ahead > u32::MAX / 2 {
            return 0;
        }
        self.last = number;
        ahead - 1
    }
}

#[cfg(test)]
mod test;
