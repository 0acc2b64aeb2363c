//! A disk that fails, a program that is cut off, clocks that are set.

use super::broken::Broken;
use super::run::{Planted, Sim, whole};
use super::world::HOUR;
use rust_decimal::Decimal;
use stillstand::daemon::station::fold;
use stillstand::domain::bench::{Contact, Do, Input, What};
use stillstand::domain::moment::SECOND;
use stillstand::domain::preparation::MassOf;
use stillstand::domain::quantity::Unit;
use stillstand::domain::reading::InstrumentReport;
use stillstand::domain::shared::Shared;
use stillstand::domain::specimen::{Specimen, Target};
use stillstand::journal::{Batch, Continued, Restored};
use uuid::Uuid;

impl Sim {
    /// A commit failed: as the station, asks what was stored, refuses acts that were not, decides
    /// the rest again, and stores the whole state with it.
    pub fn recover(&mut self) -> Result<(), Broken> {
        for _ in 0..200 {
            self.counts.failed += 1;
            let restored = self.restored();
            self.bench = fold(&restored).map_err(Broken::new)?;
            self.chain = restored.chain;
            let stored = self
                .pending
                .iter()
                .any(|(input, batch)| !batch.inputs.is_empty() && self.store.has(input.id));
            if stored
                || self.pending.iter().all(|(_, batch)| batch.inputs.is_empty()) && self.chain != self.landed
            {
                self.land()?;
            }
            if self.replayed()? != self.bench {
                return Err(Broken::new("what a failed commit left is another state than its events give"));
            }
            self.rebase();
            self.landed = self.chain.clone();
            let waits: Vec<(Input, Batch)> = std::mem::take(&mut self.pending);
            for (input, _) in waits {
                // The clock makes deadlines anew; people are told, and may do it again.
                if !matches!(
                    input.what,
                    What::Act(_) | What::Consumer(_) | What::Deadline | What::Recalled(_)
                ) {
                    self.decide(input)?;
                }
            }
            let mut merged = self.merged();
            let from = self.chain.clone();
            merged.continued.get_or_insert_with(|| Box::new(Continued { from: from.clone(), to: from }));
            merged.snapshot = Some((self.chain.seq(), whole(&self.bench)));
            self.snapshot_at = self.chain.seq();
            let failing = self.trouble.next();
            self.counts.commits += 1;
            if self.store.commit(merged, failing)? {
                self.land()?;
                return self.wake();
            }
        }
        Err(Broken::new("the disk never came back"))
    }

    fn restored(&mut self) -> Restored {
        let mut restored = self.store.restore();
        if self.options.planted == Planted::EventForgotten {
            restored.events_after.pop();
        }
        restored
    }

    /// The program ends at once, and starts again from what was committed; now and then the whole
    /// machine does.
    pub fn crash(&mut self) -> Result<(), Broken> {
        self.counts.crashes += 1;
        let whole_state = self.pending.is_empty().then(|| self.bench.clone());
        self.pending.clear();
        self.store.cut();
        let restored = self.restored();
        if restored.chain != self.landed {
            return Err(Broken::new(format!(
                "event {} was confirmed, and after the restart the newest is {}",
                self.landed.seq(),
                restored.chain.seq()
            )));
        }
        self.bench = fold(&restored).map_err(Broken::new)?;
        self.chain = restored.chain;
        if self.replayed()? != self.bench || whole_state.is_some_and(|before| before != self.bench) {
            return Err(Broken::new("the restart has another state"));
        }
        self.acked = None;
        self.rebase();
        let odd = self.outage();
        let now = self.world.moment();
        self.post.restarted(self.post_now(), &*self.store)?;
        if odd {
            self.post.clock_stepped();
        }
        self.feed(What::Started(Box::new(self.lab.started.clone())), now)?;
        Ok(())
    }

    /// Time that passes until it runs again. `true`: the wall clock is another.
    fn outage(&mut self) -> bool {
        self.world.now_ns += self.chance.between(SECOND, 20 * SECOND);
        if self.chance.one_in(2) {
            return false;
        }
        self.counts.boots += 1;
        let long = if self.chance.one_in(8) { 2 * HOUR } else { 300 * SECOND };
        self.world.now_ns += self.chance.between(SECOND, long);
        let off = *self.chance.pick(&[
            0,
            0,
            0,
            0,
            2 * SECOND,
            -2 * SECOND,
            -15 * SECOND,
            -15 * SECOND,
            20 * HOUR,
            -20 * HOUR,
        ]);
        self.world.boot(3 * SECOND, off);
        off != 0
    }

    /// The wall clock is stepped, or set right.
    pub fn step_clock(&mut self) {
        self.counts.steps_of_clock += 1;
        if self.chance.one_in(2) {
            self.world.set_right();
        } else {
            let by = *self.chance.pick(&[
                1_000_000,
                -1_000_000,
                SECOND,
                -SECOND,
                60 * SECOND,
                -60 * SECOND,
                2 * HOUR,
                -2 * HOUR,
            ]);
            self.world.step(by);
        }
        self.post.clock_stepped();
        // What was foreseen on wall time is looked at anew.
        self.deadline = Some(self.world.now_ns);
    }

    /// Planted: somebody's act or press acts on another specimen, or at another time.
    pub fn mistaken(&mut self, told: &mut Input, planted: Planted) {
        match (&mut told.what, planted) {
            (What::Act(act), Planted::SpecimensSwapped) => {
                let (Do::Mark { specimen, .. } | Do::MarkNext { specimen }) = &mut act.what else { return };
                *specimen = self.double(*specimen).unwrap_or(*specimen);
            }
            (What::Act(act), Planted::PressMoved) => {
                let Do::AssignPress { press, .. } = &act.what else { return };
                for kept in self.bench.presses.iter_mut().filter(|kept| kept.id == *press) {
                    kept.moment = kept.moment.plus(SECOND / 2);
                }
            }
            (What::Instrument(InstrumentReport::Mass { mass, .. }), Planted::LoadHeavier) => {
                let dried =
                    |target: &Target| matches!(target, Target::Preparation { of: MassOf::Dried { .. }, .. });
                if self.bench.awaited.iter().any(|wait| dried(&wait.target)) && mass.unit == Unit::Gram {
                    mass.value += Decimal::new(10, 2);
                }
            }
            (What::Trigger(trigger), Planted::ContactMistaken) if trigger.name == "shaker" => {
                let Some(place) = self.bench.specimens.values().map(|s| s.place).next() else { return };
                trigger.name = format!("place-{place}");
                trigger.contact = Ok(Contact::Press);
            }
            _ => {}
        }
    }

    /// Another specimen that has come just as far.
    fn double(&self, of: Uuid) -> Option<Uuid> {
        let own = self.bench.specimens.get(&of)?;
        let same = |other: &&Shared<Specimen>| {
            other.id != of && other.method == own.method && other.last_marked() == own.last_marked()
        };
        self.bench.specimens.values().find(same).map(|other| other.id)
    }
}
