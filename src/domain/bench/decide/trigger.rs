//! Switches, buttons and contacts. A shared one names no cylinder: it acts on the one specimen
//! whose act is due. Where none or several are due, the press is kept and a person is asked.

use super::{Decided, Deciding, unknown};
use crate::domain::alarm::{Name, key};
use crate::domain::bench::alarms::UNKNOWN_TRIGGER;
use crate::domain::bench::{Bench, Contact, Does, Event, KeptPress, Outcome, Refusal, Trigger};
use crate::domain::method::{Edge, Machine, Method, Point};
use crate::domain::moment::{MINUTE, Moment, SECOND};
use crate::domain::specimen::{By, Marked, Specimen, judge};
use uuid::Uuid;

/// A run of the shaker that was marked by hand and by its contact within this time is one run.
const SAME_RUN_NS: i64 = 15 * SECOND;
/// No run of the shaker lasts longer; a press after that begins a new one.
const RUN_LONGEST_NS: i64 = 2 * MINUTE;

/// A run that was cut short may go on within this time (this project's own judgement): until then
/// nobody knows whether the next closing of the contact is its resumed part or another's run.
const RESUMES_WITHIN_NS: i64 = 5 * MINUTE;

/// After a relay ended a run, a press of this age was meant to end it (this project's own judgement: a
/// hand that was on its way).
const ENDED_BY_ITSELF_NS: i64 = 3 * SECOND;
/// What such a press is told.
const ENDED_ALREADY: &str = "the run has ended already";

/// Whom a switch would act on.
enum Aim {
    These(Vec<Uuid>),
    Unclear(String),
    /// The run that it would end has only just ended by itself.
    Ended,
}

impl Bench {
    /// Labels and places of specimens, for sentences.
    pub(in crate::domain) fn names(&self, ids: &[Uuid]) -> String {
        let name = |id: &Uuid| self.specimens.get(id).map(|s| format!("{} (place {})", s.label, s.place));
        ids.iter().filter_map(name).collect::<Vec<_>>().join(", ")
    }

    /// Specimens that the shaker would take now: those whose first run is due; if there is none,
    /// those that it has just released.
    fn shaker_takes(&self, now: &Moment) -> Aim {
        let (mut first, mut again) = (Vec::new(), Vec::new());
        let mut cut_short = Vec::new();
        for specimen in self.specimens.values() {
            let Some((method, points)) = self.rule(specimen) else { continue };
            let begins = specimen.possible(&points).into_iter().any(|i| {
                points.get(i).is_some_and(|p| p.machine == Some(Machine::Shaker) && p.edge == Edge::Begin)
            });
            if begins && specimen.due(method, &points, now, self.settings.approach_s).is_some() {
                first.push(specimen.id);
            } else if specimen.may_run_again(&points, Machine::Shaker) {
                again.push(specimen.id);
                if was_cut_short(specimen, method, &points, now) {
                    cut_short.push(specimen.id);
                }
            }
        }
        // Whoever did something to the other cylinder since then has turned to that one.
        let acted = |id: &Uuid| self.specimens.get(id).map(|s| *s.last_moment());
        cut_short.retain(|short| {
            let ended = acted(short);
            first.iter().filter_map(acted).any(|last| ended.is_some_and(|ended| last.since(&ended).ns <= 0))
        });
        if !first.is_empty() && !cut_short.is_empty() {
            let (due, short) = (self.names(&first), self.names(&cut_short));
            return Aim::Unclear(format!("{due} is due, and the run of {short} was cut short and may go on"));
        }
        let due = if first.is_empty() { again } else { first };
        if due.is_empty() {
            return Aim::Unclear("no specimen is due at the shaker".to_owned());
        }
        if due.len() > self.settings.shaker_holds as usize {
            let names = self.names(&due);
            return Aim::Unclear(format!(
                "{names} are due, and the shaker holds {}",
                self.settings.shaker_holds
            ));
        }
        Aim::These(due)
    }

    /// Every specimen whose first run is due, or that may run again: whom a run that nobody saw may
    /// have taken.
    pub(super) fn shaker_may_take(&self, now: &Moment) -> Vec<Uuid> {
        let may = |specimen: &&Specimen| {
            let Some((method, points)) = self.rule(specimen) else { return false };
            let begins = specimen.possible(&points).into_iter().any(|i| {
                points.get(i).is_some_and(|p| p.machine == Some(Machine::Shaker) && p.edge == Edge::Begin)
            });
            begins && specimen.due(method, &points, now, self.settings.approach_s).is_some()
                || specimen.may_run_again(&points, Machine::Shaker)
        };
        self.specimens.values().map(|s| &**s).filter(may).map(|s| s.id).collect()
    }

    /// The kept press of a trigger whose end has not come.
    fn open_press(&self, name: &str) -> Option<Uuid> {
        self.presses.iter().rev().find(|p| p.trigger == name && p.ended.is_none()).map(|p| p.id)
    }

    /// The same for a button that begins and ends a run: after a while the next press begins one.
    fn recent_press(&self, name: &str, now: &Moment) -> Option<Uuid> {
        let press = self.presses.iter().rev().find(|p| p.trigger == name && p.ended.is_none())?;
        (now.since(&press.moment).ns < RUN_LONGEST_NS).then_some(press.id)
    }

    /// Somebody marked the run by another way moments ago: the contact tells of the same run. A
    /// second closing of the same contact tells that an opening was missed.
    fn begun_just_now(&self, inside: &[Uuid], name: &str, now: &Moment) -> bool {
        let own = format!("trigger {name}");
        inside.iter().filter_map(|id| self.specimens.get(id)).any(|specimen| {
            let begin = specimen.last_begin();
            begin.is_some_and(|m| m.by.via != own && now.since(&m.moment).ns < SAME_RUN_NS)
        })
    }

    pub(super) fn in_shaker(&self) -> Vec<Uuid> {
        let inside = |s: &&crate::domain::specimen::Specimen| {
            self.rule(s).is_some_and(|(_, points)| s.is_in_machine(&points, Machine::Shaker))
        };
        self.specimens.values().map(|s| &**s).filter(inside).map(|s| s.id).collect()
    }

    /// Specimens whose run the relay has only just ended.
    fn ended_by_itself(&self, now: &Moment) -> Vec<Uuid> {
        let just_now = |specimen: &&Specimen| {
            specimen.last_mark().is_some_and(|last| {
                let marked = last.marked();
                let age_ns = marked.moment.age_seen_from(now);
                marked.by.via.starts_with("output ") && age_ns < ENDED_BY_ITSELF_NS
            })
        };
        self.specimens.values().map(|s| &**s).filter(just_now).map(|s| s.id).collect()
    }

    /// The specimens that a press would mark now: the one at the switch's place, or for a shared one
    /// the only one that is due.
    fn press_takes(&self, place: Option<u32>, now: &Moment) -> Aim {
        let ended = self.ended_by_itself(now);
        if let Some(place) = place {
            return match self.at_place(place) {
                Some(specimen) if ended.contains(&specimen.id) => Aim::Ended,
                Some(specimen) => Aim::These(vec![specimen.id]),
                None => Aim::Unclear(format!("nothing stands at place {place}")),
            };
        }
        let due: Vec<Uuid> = self.due(now).into_iter().map(|(id, _)| id).collect();
        let others: Vec<Uuid> = due.iter().copied().filter(|id| !ended.contains(id)).collect();
        match (others.as_slice(), ended.as_slice()) {
            ([], []) => Aim::Unclear("no act is due".to_owned()),
            ([], _) => Aim::Ended,
            ([one], []) => Aim::These(vec![*one]),
            (_, []) => Aim::Unclear(format!("several acts are due: {}", self.names(&due))),
            _ => {
                let (due, ended) = (self.names(&others), self.names(&ended));
                Aim::Unclear(format!("{due} is due, and the run of {ended} has only just ended by itself"))
            }
        }
    }

    /// What a switch means now, in a sentence: always shown.
    pub fn meaning(&self, trigger: &crate::domain::bench::TriggerSettings, now: &Moment) -> String {
        let next = |id: &Uuid| {
            let specimen = self.specimens.get(id)?;
            Some(format!("{}: {}", specimen.label, self.next_text(specimen)?))
        };
        let shaking = self.in_shaker();
        let aim = match trigger.does {
            Does::Next => self.press_takes(trigger.place, now),
            Does::ShakerPulse => return "counts the shaker's cycles; marks nothing".to_owned(),
            Does::ShakerContact | Does::ShakerPress if !shaking.is_empty() => {
                return format!("end of the run of {}", self.names(&shaking));
            }
            Does::ShakerPress if !self.ended_by_itself(now).is_empty() => Aim::Ended,
            Does::ShakerContact | Does::ShakerPress => match self.shaker_takes(now) {
                Aim::These(ids) => return format!("run of {} begins", self.names(&ids)),
                unclear => unclear,
            },
        };
        match aim {
            Aim::These(ids) => ids.iter().filter_map(next).collect::<Vec<_>>().join(", "),
            Aim::Unclear(why) => format!("nothing: {why}"),
            Aim::Ended => format!("nothing: {ENDED_ALREADY}"),
        }
    }
}

impl Deciding<'_> {
    pub(super) fn trigger(&mut self, trigger: &Trigger) -> Outcome {
        let Some(settings) = self.bench.triggers.get(&trigger.name).cloned() else {
            let known = self.bench.triggers.keys().cloned();
            return self.refuse_trigger(&trigger.name, &unknown("trigger", &trigger.name, known).to_string());
        };
        let contact = match &trigger.contact {
            Ok(contact) => *contact,
            Err(why) => return self.refuse_trigger(&trigger.name, why),
        };
        if settings.own_line && trigger.via == "mqtt" {
            let why = "it has a line of its own (`gpio`): a message of its name does nothing";
            return self.refuse_trigger(&trigger.name, why);
        }
        let outcome = match (settings.does, contact) {
            (Does::ShakerPulse, _) => {
                let why = "pulses are counted on the switch's own line (`gpio`), not by messages";
                return self.refuse_trigger(&trigger.name, why);
            }
            (Does::Next | Does::ShakerPress, Contact::Off) => Outcome::done("released"),
            (Does::Next, _) => self.press(&trigger.name, contact, settings.place),
            (Does::ShakerContact, Contact::On) => self.shaker_on(&trigger.name, contact),
            (Does::ShakerContact, Contact::Press) => {
                return self.refuse_trigger(&trigger.name, "a contact says `on` or `off`, not `press`");
            }
            (Does::ShakerPress, _)
                if self.bench.in_shaker().is_empty()
                    && self.bench.recent_press(&trigger.name, self.now()).is_none() =>
            {
                if self.bench.ended_by_itself(self.now()).is_empty() {
                    self.shaker_on(&trigger.name, contact)
                } else {
                    Outcome::done(ENDED_ALREADY)
                }
            }
            (Does::ShakerContact, Contact::Off) | (Does::ShakerPress, _) => self.shaker_off(&trigger.name),
        };
        if !matches!(outcome, Outcome::Refused { .. }) {
            self.clear(Name::TriggerRefused, &trigger.name);
        }
        outcome
    }

    fn refuse_trigger(&mut self, name: &str, why: &str) -> Outcome {
        self.emit(Event::TriggerRefused { trigger: name.chars().take(64).collect(), why: why.to_owned() });
        let text = format!("{name}: {why}");
        if self.bench.triggers.contains_key(name) {
            self.raise(Name::TriggerRefused, name, &text);
        } else {
            // A name that the settings do not know is any sender's: it must not make alarms without
            // end, and no later press of it can show that all is well again. What follows until
            // somebody has seen it is the same occurrence.
            if !self.bench.alarms.contains_key(&key(Name::TriggerRefused, UNKNOWN_TRIGGER)) {
                self.raise_momentary(Name::TriggerRefused, UNKNOWN_TRIGGER, &text);
            }
        }
        Refusal::Field { field: "trigger", why: why.to_owned() }.into()
    }

    fn press(&mut self, name: &str, contact: Contact, place: Option<u32>) -> Outcome {
        let now = *self.now();
        let marked = marked_by(name, now);
        match self.bench.press_takes(place, &now) {
            Aim::These(ids) => self.all(&ids, name, contact, |this, id| this.mark_next(id, marked.clone())),
            Aim::Unclear(why) => self.keep_press(name, contact, &why),
            Aim::Ended => Outcome::done(ENDED_ALREADY),
        }
    }

    fn shaker_on(&mut self, name: &str, contact: Contact) -> Outcome {
        let now = *self.now();
        let inside = self.bench.in_shaker();
        if !inside.is_empty() {
            if self.bench.begun_just_now(&inside, name, &now) {
                return Outcome::done("the run is marked already");
            }
            let names = self.bench.names(&inside);
            return self.keep_press(
                name,
                contact,
                &format!("{names} is still marked as shaking: its end was not seen"),
            );
        }
        let marked = marked_by(name, now);
        match self.bench.shaker_takes(&now) {
            Aim::These(ids) => {
                self.all(&ids, name, contact, |this, id| this.shake_edge(id, Edge::Begin, marked.clone()))
            }
            Aim::Unclear(why) => self.keep_press(name, contact, &why),
            Aim::Ended => Outcome::done(ENDED_ALREADY),
        }
    }

    fn shaker_off(&mut self, name: &str) -> Outcome {
        let now = *self.now();
        // A run that was kept ends with it, whatever else is marked as shaking.
        if let Some(press) = self.bench.open_press(name) {
            self.emit(Event::KeptPressEnded { press, moment: now });
            return Outcome::done("the end of the kept run is kept with it");
        }
        let inside = self.bench.in_shaker();
        if inside.is_empty() {
            return Outcome::done("no run is marked");
        }
        let marked = marked_by(name, now);
        self.all(&inside, name, Contact::Off, |this, id| this.shake_edge(id, Edge::End, marked.clone()))
    }

    /// Begin or end of the machine's run for one specimen.
    pub(super) fn shake_edge(&mut self, id: Uuid, edge: Edge, marked: Marked) -> Decided {
        let (specimen, _, points) = self.specimen(id)?;
        let index = points.iter().position(|p| p.machine == Some(Machine::Shaker) && p.edge == edge);
        match index {
            Some(index) => self.mark_point(id, index, marked),
            None => Err(super::mark::out_of_order(self.bench, &specimen, "a run of the shaker")),
        }
    }

    /// One press, several cylinders; what is refused for one is kept for a person to settle.
    fn all(
        &mut self,
        ids: &[Uuid],
        name: &str,
        contact: Contact,
        mut each: impl FnMut(&mut Self, Uuid) -> Decided,
    ) -> Outcome {
        let mut notes = Vec::new();
        for (marked, id) in ids.iter().enumerate() {
            match each(self, *id) {
                Ok(Outcome::Done { note, .. }) => notes.push(note),
                Ok(_) => {}
                Err(refusal) => {
                    self.marked_together(ids.get(..marked).unwrap_or_default());
                    return self.keep_press(name, contact, &refusal.to_string());
                }
            }
        }
        self.marked_together(ids);
        Outcome::done(notes.join("; "))
    }

    /// What one press marked on several can be taken back for all of them.
    pub(super) fn marked_together(&mut self, ids: &[Uuid]) {
        if ids.len() > 1 {
            self.emit(Event::MarkedTogether { specimens: ids.to_vec() });
        }
    }

    fn keep_press(&mut self, name: &str, contact: Contact, why: &str) -> Outcome {
        let press = self.fresh();
        let moment = *self.now();
        let does = self.bench.triggers.get(name).map(|t| t.does);
        let (trigger, why_kept) = (name.to_owned(), why.to_owned());
        self.emit(Event::PressKept { press, trigger, contact, does, moment, why: why_kept });
        Outcome::made(format!("kept without a cylinder: {why}"), press)
    }

    pub(super) fn kept_press(&self, id: Uuid) -> Result<KeptPress, Refusal> {
        let known = self.bench.presses.iter().map(|p| format!("{} ({})", p.id, p.trigger));
        self.bench
            .presses
            .iter()
            .find(|p| p.id == id)
            .cloned()
            .ok_or_else(|| unknown("kept press", id, known))
    }

    /// Gives a kept press to cylinders, with the moment at which it was made.
    pub(super) fn assign_press(&mut self, press: Uuid, specimens: &[Uuid], settled: Marked) -> Decided {
        let kept = self.kept_press(press)?;
        let distinct: std::collections::BTreeSet<_> = specimens.iter().collect();
        if specimens.is_empty() || distinct.len() != specimens.len() {
            let why = "name at least one, and none twice".to_owned();
            return Err(Refusal::Field { field: "specimens", why });
        }
        // What the switch meant when it was pressed; its setting may have changed since.
        let now = self.bench.triggers.get(&kept.trigger).map(|t| t.does);
        let does = kept.does.or(now).unwrap_or(Does::Next);
        let by = By { person: settled.by.person.clone(), via: format!("trigger {}", kept.trigger) };
        let mut notes = Vec::new();
        for id in specimens {
            let begin = Marked { moment: kept.moment, by: by.clone() };
            let outcome = match does {
                // Pulses are counted, never kept; nothing of the kind comes here.
                Does::Next | Does::ShakerPulse => self.mark_next(*id, begin)?,
                Does::ShakerContact | Does::ShakerPress => self.shake_edge(*id, Edge::Begin, begin)?,
            };
            if let (Does::ShakerContact | Does::ShakerPress, Some(ended)) = (does, kept.ended) {
                self.shake_edge(*id, Edge::End, Marked { moment: ended, by: by.clone() })?;
            }
            if let Outcome::Done { note, .. } = outcome {
                notes.push(note);
            }
        }
        self.marked_together(specimens);
        self.emit(Event::PressSettled { press, specimens: specimens.to_vec(), marked: settled });
        Ok(Outcome::done(notes.join("; ")))
    }
}

/// The machine's run ended before the method's shortest time: it may have been interrupted.
fn was_cut_short(specimen: &Specimen, method: &Method, points: &[Point], now: &Moment) -> bool {
    let step = points.iter().find(|p| p.machine.is_some()).map(|p| p.step);
    let verdict = step.and_then(|step| {
        let span = specimen.span(method, points, step)?;
        Some(judge::verdict(specimen, method, step, &span))
    });
    specimen.further_runs.is_empty()
        && matches!(verdict, Some(judge::Verdict::Short { .. }))
        && now.since(specimen.last_moment()).ns < RESUMES_WITHIN_NS
}

fn marked_by(trigger: &str, moment: Moment) -> Marked {
    Marked { moment, by: By::bench(format!("trigger {trigger}")) }
}
