//! Plays a scenario: gives one stimulus, waits for its commit, then moves the clock.
//!
//! The clock stands still while the station works, so a fast rehearsal makes no false deviation,
//! and the same seed gives the same moments. The pace sets only how long people see it.

use super::hands::Switches;
use super::http;
use super::pty::Pty;
use super::scenario::{PROBE_EVERY_S, SAMPLES, SPECIMENS, Scenario, Stimulus};
use crate::clock::{Clock, SteppedClock};
use crate::daemon::compose::Running;
use crate::domain::moment::SECOND;
use crate::domain::quantity::Unit;
use crate::instruments::protocol::{Shape, encode};
use anyhow::{Context, bail};
use rust_decimal::Decimal;
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

/// Real time between two looks of the people who watch.
const FRAME: Duration = Duration::from_millis(100);
/// Real time for the station to do what it was asked.
const PATIENCE: Duration = Duration::from_secs(20);
/// The technician of the rehearsal.
const WHO: &str = "Robin Vale";

/// A simulated instrument on its own pseudo-terminal.
pub(super) struct Instrument {
    pub(super) name: &'static str,
    pub(super) shape: Arc<Shape>,
    pub(super) pty: Pty,
}

impl Instrument {
    async fn say(&mut self, value: Decimal, unit: Unit, stable: bool) -> anyhow::Result<()> {
        let line = encode(&self.shape, value, unit, stable)
            .with_context(|| format!("the shape `{}` cannot say {value} {unit}", self.shape.id))?;
        self.pty.write(&line).await.context("writing to a pseudo-terminal")
    }
}

/// Everything that the conductor plays on.
pub(super) struct Conductor<'a> {
    pub(super) clock: SteppedClock,
    pub(super) station: &'a Running,
    pub(super) balance: Instrument,
    pub(super) probe: Instrument,
    pub(super) switches: Switches,
    pub(super) pace: u32,
    pub(super) samples: [Uuid; SAMPLES.len()],
    pub(super) specimens: [Uuid; SAMPLES.len() * SPECIMENS],
    pub(super) places: [u32; SAMPLES.len() * SPECIMENS],
    pub(super) cancel: CancellationToken,
}

impl Conductor<'_> {
    /// Waits until both instruments are open: their first reports.
    pub(super) async fn instruments_open(&mut self) -> anyhow::Result<()> {
        let mut committed = self.station.station.committed();
        let both = committed.wait_for(|c| c.bench.ports.values().filter(|p| p.is_none()).count() >= 2);
        tokio::time::timeout(PATIENCE, both).await.context("the instruments' ports did not open")??;
        Ok(())
    }

    /// Plays one scenario from now on.
    pub(super) async fn play(&mut self, scenario: &Scenario) -> anyhow::Result<()> {
        let start = self.clock.now().boot_ns;
        let mut next_probe = start;
        for (at, stimulus) in &scenario.stimuli {
            let at = start + at;
            while next_probe <= at {
                self.advance(next_probe).await?;
                self.warmth(scenario.temperature(next_probe - start)).await?;
                next_probe += PROBE_EVERY_S * SECOND;
            }
            self.advance(at).await?;
            self.give(stimulus)
                .await
                .with_context(|| format!("at {} s: {stimulus:?}", (at - start) / SECOND))?;
            if self.cancel.is_cancelled() {
                bail!("stopped");
            }
        }
        Ok(())
    }

    /// Moves the clock to `target`, stopping at each deadline of the station on the way and
    /// waiting until it is decided; slowly enough to be watched.
    async fn advance(&mut self, target: i64) -> anyhow::Result<()> {
        let frame_ns = i64::from(self.pace) * i64::try_from(FRAME.as_nanos()).unwrap_or(i64::MAX);
        loop {
            let now = self.clock.now();
            if now.boot_ns >= target {
                return Ok(());
            }
            let deadline = self.station.station.committed().borrow().bench.next_deadline(&now);
            let until = deadline.map_or(target, |d| d.clamp(now.boot_ns, target));
            let step = until.min(now.boot_ns.saturating_add(frame_ns));
            let pause = (step - now.boot_ns) / i64::from(self.pace);
            tokio::select! {
                () = tokio::time::sleep(Duration::from_nanos(pause.unsigned_abs())) => {}
                () = self.cancel.cancelled() => bail!("stopped"),
            }
            self.clock.advance_to(step);
            if deadline.is_some_and(|d| d <= step) {
                self.deadline_decided().await?;
            }
        }
    }

    async fn deadline_decided(&self) -> anyhow::Result<()> {
        let now = self.clock.now();
        let mut committed = self.station.station.committed();
        let passed = committed.wait_for(|c| c.bench.next_deadline(&now).is_none_or(|d| d > now.boot_ns));
        tokio::time::timeout(PATIENCE, passed).await.context("a deadline was not decided")??;
        Ok(())
    }

    async fn warmth(&mut self, celsius: Decimal) -> anyhow::Result<()> {
        let before = self.station.station.committed().borrow().reports;
        self.probe.say(celsius, Unit::Celsius, true).await?;
        self.reported(before + 1).await
    }

    async fn reported(&self, count: u64) -> anyhow::Result<()> {
        let mut committed = self.station.station.committed();
        let there = committed.wait_for(|c| c.reports >= count);
        tokio::time::timeout(PATIENCE, there).await.context("an instrument's line was not taken")??;
        Ok(())
    }

    async fn give(&mut self, stimulus: &Stimulus) -> anyhow::Result<()> {
        match stimulus {
            Stimulus::Sample { sample } => {
                let label = SAMPLES.get(*sample).copied().unwrap_or("?");
                let what = json!({ "act": "register-sample", "label": label,
                    "method": "aashto-t176-mechanical", "specimens": SPECIMENS });
                let made = self.act(what).await?;
                set(&mut self.samples, *sample, made)
            }
            Stimulus::AwaitMass { sample } => {
                let sample = get(&self.samples, *sample)?;
                let what = json!({ "act": "await-sample-mass", "sample": sample, "name": "passing" });
                self.act(what).await.map(drop)
            }
            Stimulus::Balance { grams, stable } => self.weigh(*grams, *stable).await,
            Stimulus::Register { specimen } => {
                let sample = get(&self.samples, specimen / SPECIMENS)?;
                let place = self.free_place(*specimen)?;
                set(&mut self.places, *specimen, place)?;
                let what = json!({ "act": "register-specimen", "sample": sample, "place": place });
                let made = self.act(what).await?;
                set(&mut self.specimens, *specimen, made)
            }
            Stimulus::Mark { specimen, step, edge } => {
                let specimen = get(&self.specimens, *specimen)?;
                let what = json!({ "act": "mark", "specimen": specimen, "step": step, "edge": edge });
                self.act(what).await.map(drop)
            }
            Stimulus::Shaker { on } => self.press("shaker", if *on { "on" } else { "off" }).await,
            Stimulus::Foot => self.press("foot-switch", "press").await,
            Stimulus::Button { specimen } => {
                let place = self.places.get(*specimen).context("the scenario names what it did not make")?;
                self.press(&format!("place-{place}"), "press").await
            }
            Stimulus::Reading { specimen, of, value } => {
                let specimen = get(&self.specimens, *specimen)?;
                let what = json!({ "act": "enter-reading", "specimen": specimen, "of": of, "value": value });
                self.act(what).await.map(drop)
            }
        }
    }

    /// The specimen's own place, or another that is free: somebody who watches may have put a tin
    /// of their own on the bench.
    fn free_place(&self, specimen: usize) -> anyhow::Result<u32> {
        let bench = self.station.station.committed().borrow().bench.clone();
        let own = u32::try_from(specimen + 1).unwrap_or(1);
        std::iter::once(own)
            .chain(1..=bench.settings.places)
            .find(|place| bench.at_place(*place).is_none())
            .context("every place is taken")
    }

    /// A stable line becomes a report; a moving one only changes the display.
    async fn weigh(&mut self, grams: Decimal, stable: bool) -> anyhow::Result<()> {
        let before = self.station.station.committed().borrow().reports;
        let mut live = self.station.live.get(self.balance.name).context("the balance is not wired")?.clone();
        let lines = live.borrow().lines;
        self.balance.say(grams, Unit::Gram, stable).await?;
        let shown = live.wait_for(|l| l.lines > lines);
        tokio::time::timeout(PATIENCE, shown).await.context("the balance's line did not arrive")??;
        if stable { self.reported(before + 1).await } else { Ok(()) }
    }

    async fn act(&self, what: Value) -> anyhow::Result<Uuid> {
        let body = json!({ "id": Uuid::now_v7(), "who": WHO, "do": what });
        let (status, answer) = http::act(self.station.pages, &body).await.context("posting an act")?;
        if status != 200 {
            bail!("the page answered {status}: {answer}");
        }
        let made = answer.get("made").and_then(Value::as_str).and_then(|id| id.parse().ok());
        Ok(made.unwrap_or_default())
    }

    async fn press(&mut self, trigger: &str, payload: &str) -> anyhow::Result<()> {
        let reply = self.switches.press(trigger, payload).await?;
        let outcome: Value = serde_json::from_str(&reply).unwrap_or_default();
        if outcome.get("outcome").and_then(Value::as_str) != Some("done") {
            bail!("the trigger `{trigger}` had the outcome {reply}");
        }
        Ok(())
    }
}

fn get(ids: &[Uuid], index: usize) -> anyhow::Result<Uuid> {
    ids.get(index).copied().context("the scenario names what it did not make")
}

fn set<T>(ids: &mut [T], index: usize, id: T) -> anyhow::Result<()> {
    *ids.get_mut(index).context("the scenario makes more than it has")? = id;
    Ok(())
}
