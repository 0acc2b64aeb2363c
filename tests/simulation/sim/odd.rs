//! What goes otherwise: notes, carried cylinders, corrections, runs that were interrupted, wrong
//! presses, acts that make no sense.

use super::broken::Broken;
use super::run::Sim;
use rust_decimal::Decimal;
use stillstand::domain::bench::{
    ClosedSample, ConsumerAsk, Contact, DiskCondition, DiskReport, Do, FromConsumer, ProbeStands,
    SwitchReport, Trigger, What,
};
use stillstand::domain::method::{Edge, Level};
use stillstand::domain::moment::SECOND;
use stillstand::domain::specimen::Target;
use stillstand::domain::specimen::note::NoteKind;
use uuid::Uuid;

use super::people::Task;
use super::store::JOURNAL;

impl Sim {
    /// One thing goes otherwise.
    pub fn odd(&mut self) -> Result<(), Broken> {
        if self.lab.office && self.chance.one_in(3) {
            return self.office();
        }
        let specimens: Vec<Uuid> = self.bench.specimens.keys().copied().collect();
        if !specimens.is_empty() && !self.chance.one_in(4) {
            let specimen = *self.chance.pick(&specimens);
            return self.odd_specimen(specimen);
        }
        match self.chance.below(14) {
            0 => {
                self.act(Do::TakeProbeOut, None)?;
            }
            1 | 2 => {
                self.act(Do::PutProbeIn { stands_in: ProbeStands::Bottle }, None)?;
            }
            3 | 4 => {
                let report = self.tools.odd_mass();
                self.feed(What::Instrument(report), self.world.moment())?;
            }
            5 => self.odd_weighing()?,
            6 => self.odd_sample()?,
            7 => self.odd_alarm()?,
            8 => self.odd_trigger()?,
            9 => self.odd_consumer()?,
            10 => self.recall()?,
            11 => {
                let condition = *self.chance.pick(&[DiskCondition::Low, DiskCondition::Slow]);
                let active = self.chance.one_in(2);
                let (text, about) = ("as seen".to_owned(), String::new());
                let report = DiskReport { condition, active, text, about };
                self.feed(What::Disk(report), self.world.moment())?;
            }
            12 => {
                let first = self.world.moment();
                let report = SwitchReport::Counted {
                    name: "shaker".to_owned(),
                    pulses: 131,
                    first,
                    last: first.plus(45 * SECOND),
                };
                self.feed(What::Switch(report), self.world.moment())?;
            }
            _ => self.nonsense()?,
        }
        Ok(())
    }

    fn odd_specimen(&mut self, specimen: Uuid) -> Result<(), Broken> {
        let reason = || Some("it was otherwise".to_owned());
        let known = self.bench.specimens[&specimen].clone();
        let book = self.book(&known.method.clone());
        match self.chance.below(20) {
            0..=3 => {
                let kinds = [
                    NoteKind::Bumped,
                    NoteKind::Spilled,
                    NoteKind::Leaked,
                    NoteKind::FootDropped,
                    NoteKind::Words,
                ];
                let note = *self.chance.pick(&kinds);
                let text = self.chance.one_in(2).then(|| "seen from the door".to_owned());
                let stated = self.ago(1200);
                self.act(Do::NoteSpecimen { specimen, note, text }, stated)?;
            }
            4 => {
                if let Some(place) = self.free_place() {
                    self.act(Do::MoveCylinder { specimen, place }, None)?;
                }
            }
            5 => {
                let place = u32::try_from(self.chance.between(1, i64::from(self.bench.settings.places) + 1))
                    .expect("a place");
                let swap = self.chance.one_in(2);
                self.act(Do::CorrectPlace { specimen, place, swap }, None)?;
            }
            6..=8 => {
                let reason = if self.chance.one_in(2) { reason() } else { None };
                self.act(Do::WithdrawLast { specimen, together: false, for_another: false, reason }, None)?;
                self.later(15 * SECOND, Task::Attend(specimen));
            }
            9 | 10 => self.correct_time(specimen)?,
            11 => {
                let of = *self.chance.pick(&[Level::Clay, Level::Sand, Level::Sediment]);
                let value = self.level(of, &book);
                let confirmed = self.chance.one_in(2);
                self.act(Do::CorrectReading { specimen, of, value, confirmed, reason: reason() }, None)?;
            }
            12 => {
                self.act(Do::VoidSpecimen { specimen, reason: "leaking stopper".to_owned() }, None)?;
                self.later(60 * SECOND, Task::Attend(specimen));
            }
            13..=15 => self.run_again(specimen)?,
            16 => {
                let counts = self.chance.one_in(2);
                self.act(Do::InterruptedRun { specimen, counts, reason: reason() }, None)?;
            }
            17 => {
                let pending = known.corrections.iter().find(|c| c.reason.is_none()).map(|c| c.id);
                if let Some(correction) = pending {
                    self.act(
                        Do::GiveReason { specimen, correction, reason: "as was said".to_owned() },
                        None,
                    )?;
                }
            }
            18 => {
                self.act(Do::NoLineYet { specimen }, None)?;
            }
            _ => self.any_mark(specimen)?,
        }
        Ok(())
    }

    /// Any point at all, at any time at all.
    fn any_mark(&mut self, specimen: Uuid) -> Result<(), Broken> {
        let book = self.book(&self.bench.specimens[&specimen].method.clone());
        let point = *self.chance.pick(&book.points);
        let step = book.steps[point.step].name.clone();
        let stated = self.ago(3000);
        self.act(Do::Mark { specimen, step, edge: point.edge }, stated)?;
        Ok(())
    }

    /// Mostly now; else stated: some time ago, now and then in the future.
    fn ago(&mut self, seconds: i64) -> Option<i64> {
        let ago = self.chance.between(-20, seconds) * SECOND + self.chance.between(0, SECOND);
        self.chance.one_in(3).then(|| self.world.moment().wall_ns - ago)
    }

    fn correct_time(&mut self, specimen: Uuid) -> Result<(), Broken> {
        let known = self.bench.specimens[&specimen].clone();
        let book = self.book(&known.method);
        let marked: Vec<usize> =
            known.points.iter().enumerate().filter_map(|(at, m)| m.as_ref().map(|_| at)).collect();
        if marked.is_empty() {
            return Ok(());
        }
        let at = *self.chance.pick(&marked);
        let Some(mark) = &known.points[at] else { return Ok(()) };
        let off = self.chance.between(-40 * SECOND, 40 * SECOND);
        let (step, edge) = (book.steps[book.points[at].step].name.clone(), book.points[at].edge);
        let stated = Some(mark.moment.wall_ns + off);
        let reason = self.chance.one_in(2).then(|| "the clock on the wall".to_owned());
        self.act(Do::CorrectTime { specimen, step, edge, reason }, stated)?;
        Ok(())
    }

    /// The shaker stops early and goes on.
    fn run_again(&mut self, specimen: Uuid) -> Result<(), Broken> {
        let known = self.bench.specimens[&specimen].clone();
        let book = self.book(&known.method);
        let Some(step) = book.machine().map(|step| book.steps[step].name.clone()) else { return Ok(()) };
        let edges = [Edge::Begin, Edge::End];
        for edge in edges {
            let fed = self.act(Do::Mark { specimen, step: step.clone(), edge }, None)?;
            if !fed.done {
                return Ok(());
            }
            self.world.now_ns += self.chance.between(SECOND, 50 * SECOND);
        }
        if self.chance.one_in(2) {
            let counts = self.chance.one_in(2);
            self.act(Do::InterruptedRun { specimen, counts, reason: None }, None)?;
        }
        Ok(())
    }

    fn odd_weighing(&mut self) -> Result<(), Broken> {
        let kept = self.bench.kept_weighings.iter().map(|w| w.id);
        let given = self.bench.given_weighings().map(|w| w.id);
        let all: Vec<Uuid> = kept.chain(given).collect();
        let specimens: Vec<Uuid> = self.bench.specimens.keys().copied().collect();
        if all.is_empty() || specimens.is_empty() {
            return Ok(());
        }
        let weighing = *self.chance.pick(&all);
        let target = Target::Specimen { specimen: *self.chance.pick(&specimens) };
        let what = if self.chance.one_in(2) {
            Do::PlaceWeighing { weighing, target }
        } else {
            Do::ReassignWeighing { weighing, target }
        };
        self.act(what, None)?;
        let grams = Decimal::new(self.chance.between(100, 200_000), 2);
        let report = self.tools.mass(grams);
        self.feed(What::Instrument(report), self.world.moment())?;
        Ok(())
    }

    fn odd_sample(&mut self) -> Result<(), Broken> {
        let samples: Vec<Uuid> = self.bench.samples.keys().copied().collect();
        if samples.is_empty() {
            return Ok(());
        }
        let sample = *self.chance.pick(&samples);
        match self.chance.below(4) {
            0 => {
                self.act(Do::WithdrawSample { sample, reason: "registered twice".to_owned() }, None)?;
            }
            1 => {
                self.act(Do::StopAwaiting, None)?;
            }
            _ => {
                let specimens = u32::try_from(self.chance.between(0, 5)).expect("a few");
                self.act(Do::PlanSpecimens { sample, specimens }, None)?;
            }
        }
        Ok(())
    }

    fn odd_alarm(&mut self) -> Result<(), Broken> {
        let keys: Vec<String> = self.bench.alarm_keys().into_iter().collect();
        let key = self.chance.pick(&keys).clone();
        let reason = "it is known".to_owned();
        let minutes = u16::try_from(self.chance.between(0, 481)).expect("minutes");
        let what = match self.chance.below(5) {
            0 | 1 => Do::ShelveAlarm { key, minutes, reason },
            2 => Do::UnshelveAlarm { key },
            3 => Do::AlarmOutOfService { key, reason },
            _ => Do::AlarmInService { key },
        };
        self.act(what, None)?;
        Ok(())
    }

    fn odd_trigger(&mut self) -> Result<(), Broken> {
        let names = ["shaker", "foot", "start", "place-1", "place-99", "nobody"];
        let name = (*self.chance.pick(&names)).to_owned();
        let contact = match self.chance.below(5) {
            0 => Err("it is a retained message".to_owned()),
            1 => Ok(Contact::On),
            2 => Ok(Contact::Off),
            _ => Ok(Contact::Press),
        };
        self.feed(What::Trigger(Trigger { name, contact, via: "mqtt".to_owned() }), self.world.moment())?;
        let presses: Vec<Uuid> = self.bench.presses.iter().map(|press| press.id).collect();
        let specimens: Vec<Uuid> = self.bench.specimens.keys().copied().collect();
        if !presses.is_empty() && !specimens.is_empty() && self.chance.one_in(2) {
            // The newest, as long as somebody remembers it; or any.
            let newest = presses.last().copied().filter(|_| self.chance.one_in(2));
            let press = newest.unwrap_or_else(|| *self.chance.pick(&presses));
            let specimen = *self.chance.pick(&specimens);
            self.act(Do::AssignPress { press, specimens: vec![specimen] }, None)?;
        }
        Ok(())
    }

    /// A consumer confirms, or asks for documents again.
    fn odd_consumer(&mut self) -> Result<(), Broken> {
        let newest = self.post.taken.max(1);
        let number = 1 + self.chance.below(newest);
        let consumer = "archive".to_owned();
        let asks = self.chance.one_in(3);
        let says = if asks {
            ConsumerAsk::ReplayFrom {
                consumer,
                journal: JOURNAL,
                number: newest.saturating_sub(self.chance.below(30)).max(1),
            }
        } else {
            ConsumerAsk::ConfirmReceipt { consumer, journal: JOURNAL, through: number }
        };
        let before = self.bench.replay.as_ref().map_or(0, |replay| replay.count);
        self.feed(What::Consumer(FromConsumer { says, journal: JOURNAL }), self.world.moment())?;
        let replay = self.bench.replay.clone().filter(|replay| replay.count > before);
        self.commit()?;
        if let Some(replay) = replay {
            self.post.replay_from(replay.number);
        }
        Ok(())
    }

    /// Somebody corrects what has left the bench: the station brings it back from the journal.
    fn recall(&mut self) -> Result<(), Broken> {
        // Not the oldest of a full list: the model forgets it as soon as the next one is clean.
        let at = if self.ledger.cleaned.len() < 100 { 0 } else { 20 };
        let Some(specimen) = self.ledger.cleaned.get(at).copied() else { return Ok(()) };
        let Ok(vial) = self.ledger.vial(specimen).cloned() else { return Ok(()) };
        if self.bench.find(specimen).is_none() {
            self.commit()?;
            let Some(state) = self.closed(vial.sample) else { return Ok(()) };
            let closed: ClosedSample = serde_json::from_str(&state).map_err(Broken::new)?;
            self.feed(What::Recalled(Box::new(closed)), self.world.moment())?;
            self.counts.recalled += 1;
            self.counts.recalled_counted += u64::from(!vial.counts.is_empty());
        }
        if self.chance.one_in(4) {
            self.act(Do::VoidSpecimen { specimen, reason: "it was the wrong bag".to_owned() }, None)?;
            return Ok(());
        }
        let of = if vial.book.levels.sediment_only { Level::Sediment } else { Level::Clay };
        let value = self.level(of, &vial.book);
        let reason = Some("the worksheet says otherwise".to_owned());
        self.act(Do::CorrectReading { specimen, of, value, confirmed: true, reason }, None)?;
        Ok(())
    }

    /// Acts on what is not there.
    fn nonsense(&mut self) -> Result<(), Broken> {
        let nobody = self.fresh();
        let what = match self.chance.below(6) {
            0 => Do::MarkNext { specimen: nobody },
            1 => Do::RegisterSpecimen { sample: nobody, place: 1 },
            2 => Do::PlaceWeighing { weighing: nobody, target: Target::Specimen { specimen: nobody } },
            3 => Do::RegisterSample {
                label: String::new(),
                method: "none".to_owned(),
                specimens: Some(0),
                particulars: None,
            },
            4 => Do::DismissPress { press: nobody },
            _ => Do::AcknowledgeAlarm { occurrence: nobody },
        };
        let fed = self.act(what, None)?;
        if fed.done {
            return Err(Broken::new("something was done with what is not there"));
        }
        Ok(())
    }
}
