//! Who acts, and what each may do; the register of people, and signing on.

use super::equipment::{field, text};
use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Act, BY_ACCOUNT, Bench, Do, Event, Needs, Outcome, Refusal};
use crate::domain::method::Method;
use crate::domain::moment::Stamp;
use crate::domain::review::{
    self, AskQualification, Happened, Held, How, Person, Qualification, Role, Secret, SignOn,
};
use crate::domain::shared::Shared;
use crate::domain::specimen::{By, Marked};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use uuid::Uuid;

/// Longest name of a person, in characters: as `who` of an act.
const NAME_MAX: usize = 40;
/// People of one register: more than a laboratory has, and few enough to be looked through.
const PEOPLE_MOST: usize = 500;

impl Bench {
    /// Acts need a person who is signed on.
    pub fn needs_sign_on(&self) -> bool {
        self.people.is_kept() && self.settings.sign_on == SignOn::Needed
    }
}

impl Deciding<'_> {
    /// Who acts. Without a register the name as it was typed; with it a person who is signed on
    /// and may do this, by the name that the register has.
    pub(super) fn who(&self, act: &Act) -> Result<By, Refusal> {
        let given = name_of(act.who.as_deref())?;
        // Who signed on with an account did it on a page.
        let proven = act.via == BY_ACCOUNT;
        let via = if proven { "page".to_owned() } else { act.via.clone() };
        let by = |person| By { person, via: via.clone() };
        let people = &self.bench.people;
        if !people.is_kept() {
            return Ok(by(given));
        }
        let meant = given.as_deref().and_then(|who| people.meant(who));
        // Where names are free, nobody has shown who it is; but who has is held to the register's roles.
        if self.bench.settings.sign_on == SignOn::Free && !proven {
            return Ok(by(meant.map(|person| person.name.clone()).or(given)));
        }
        let hours = self.bench.settings.sign_on_hours;
        let here = |person: &&Person| {
            (proven && person.left.is_none()) || people.is_on(person.id, self.now(), hours)
        };
        let on = meant.filter(here);
        let needs = act.what.needs();
        if matches!(needs, Needs::Nothing | Needs::Bench) {
            return Ok(by(on.map(|person| person.name.clone())));
        }
        let Some(person) = on else {
            let known: Vec<_> =
                people.signed_on(self.now(), hours).iter().map(|on| on.person.name.as_str()).collect();
            let known = match known.as_slice() {
                [] => "nobody is".to_owned(),
                names => format!("signed on: {}", names.join(", ")),
            };
            let what = match (meant, given) {
                (Some(person), _) => format!("{} is not signed on ({known})", person.name),
                (None, Some(name)) => format!("`{name}` is not in the register ({known})"),
                (None, None) => format!("this names nobody ({known})"),
            };
            let why = format!(
                "{what}: sign on with code or badge, and if this was pressed at its time, state that time"
            );
            return Err(Refusal::SignOn { why });
        };
        if let Needs::Role(role) = needs
            && !person.roles.contains(&role)
        {
            let why = format!("{} may not do this: it needs the role `{}`", person.name, role.word());
            return Err(Refusal::NotAllowed { why });
        }
        Ok(by(Some(person.name.clone())))
    }

    /// Whoever works on a specimen is qualified for its method, where the settings refuse others.
    pub(super) fn qualified(&self, what: &Do, by: &By) -> Result<(), Refusal> {
        let people = &self.bench.people;
        let (true, AskQualification::Refuse, Some(name)) =
            (people.is_kept(), self.bench.settings.qualification, by.person.as_deref())
        else {
            return Ok(());
        };
        for method in self.methods_of(what) {
            let why = match people.qualification(name, &method.id, self.now()) {
                (Held::Held | Held::NotAsked, _) => continue,
                (Held::Expired, until) => {
                    format!("expired: it was held until {}", until.as_deref().unwrap_or("an earlier day"))
                }
                (Held::Absent, _) => "is not registered".to_owned(),
            };
            let why = format!("the qualification of {name} for {} {why}", method.title);
            return Err(Refusal::NotAllowed { why });
        }
        Ok(())
    }

    /// The methods of the specimens that an act works on.
    fn methods_of(&self, what: &Do) -> Vec<Arc<Method>> {
        let of_specimen = |id: &Uuid| self.bench.find(*id).map(|specimen| &specimen.method);
        let digests: Vec<Option<&String>> = match what {
            Do::RegisterSpecimen { sample, .. } => {
                vec![self.bench.find_sample(*sample).map(|sample| &sample.method)]
            }
            Do::AwaitSpecimenMass { specimen }
            | Do::Mark { specimen, .. }
            | Do::MarkNext { specimen }
            | Do::NoLineYet { specimen }
            | Do::EnterReading { specimen, .. } => vec![of_specimen(specimen)],
            Do::Measure(what) => what.specimen().iter().map(of_specimen).collect(),
            Do::AssignPress { specimens, .. } => specimens.iter().map(of_specimen).collect(),
            _ => Vec::new(),
        };
        digests.into_iter().flatten().filter_map(|digest| self.bench.methods.get(digest).cloned()).collect()
    }

    pub(super) fn happened_to_people(&mut self, happened: Happened) {
        self.emit(Event::Review(happened));
    }

    /// By a code or a badge. A wrong one is kept, so that nobody tries on for ever.
    pub(super) fn sign_on(&mut self, code: Option<&Secret>, badge: Option<&Secret>, via: &str) -> Decided {
        let (how, secret) = match (code, badge) {
            (Some(code), None) => (How::Code, code),
            (None, Some(badge)) => (How::Badge, badge),
            _ => return field("code", "give a code or a badge"),
        };
        let people = &self.bench.people;
        if !people.is_kept() {
            let what = "nobody is registered here: a name is written, and no code".to_owned();
            return Err(Refusal::Already { what });
        }
        let now = *self.now();
        if let Some(s) = people.pause_s(how, via, &now) {
            let why = format!("too many wrong {}s: wait {s} s", how.word());
            return Err(Refusal::SignOn { why });
        }
        let holder = people.holder(how, secret).filter(|person| person.left.is_none());
        if let Some((person, name)) = holder.map(|person| (person.id, person.name.clone())) {
            let marked = Marked { moment: now, by: By { person: Some(name.clone()), via: via.to_owned() } };
            self.happened_to_people(Happened::SignedOn { person, how, marked });
            return Ok(Outcome::made(format!("{name} is signed on"), person));
        }
        let marked = Marked { moment: now, by: By::bench(via) };
        self.happened_to_people(Happened::EntryWrong { how, marked });
        let pause = self.bench.people.pause_s(how, via, &now);
        let wait = pause.map_or_else(String::new, |s| format!("; too many were wrong: wait {s} s"));
        Ok(Refusal::SignOn { why: format!("nobody here has this {}{wait}", how.word()) }.into())
    }

    pub(super) fn sign_off(&mut self, person: Uuid, marked: Marked) -> Decided {
        let name = self.person(person)?.name.clone();
        if !self.bench.people.on.contains_key(&person) {
            return Err(Refusal::Already { what: format!("{name} is not signed on") });
        }
        self.happened_to_people(Happened::SignedOff { person, marked });
        Ok(Outcome::done(format!("{name} is signed off")))
    }

    /// What is done with the register.
    pub(super) fn register_of_people(&mut self, act: &review::Act, marked: Marked) -> Decided {
        use review::Act as On;
        if marked.by.person.is_none() {
            return field("who", "what is done with the register names a person: write your name");
        }
        match act {
            On::AddPerson { name, roles, code, badge } => {
                self.add_person(name, roles, [code.as_ref(), badge.as_ref()], marked)
            }
            On::ChangePerson { person, name, roles, code, badge } => {
                let secrets = [code.as_ref(), badge.as_ref()];
                self.change_person(*person, name.as_deref(), roles.as_deref(), secrets, marked)
            }
            On::PersonLeaves { person, reason } => self.person_leaves(*person, reason, marked),
            On::PersonReturns { person } => {
                let known = self.person(*person)?;
                if known.left.is_none() {
                    return Err(Refusal::Already { what: format!("{} works here", known.name) });
                }
                let note = format!("{} is back; give a new code or badge", known.name);
                self.happened_to_people(Happened::PersonReturned { person: *person, marked });
                Ok(Outcome::done(note))
            }
            On::Qualify { person, method, until, note } => {
                self.qualify(*person, method, until.as_deref(), note, marked)
            }
            On::Disqualify { person, method, reason } => self.disqualify(*person, method, reason, marked),
            _ => Ok(Outcome::done("")),
        }
    }

    fn person(&self, id: Uuid) -> Result<Shared<Person>, Refusal> {
        let persons = &self.bench.people.persons;
        let known = || persons.values().map(|person| person.name.clone());
        persons.get(&id).cloned().ok_or_else(|| unknown("person", id, known()))
    }

    /// A person who works here.
    fn present(&self, id: Uuid) -> Result<Shared<Person>, Refusal> {
        let person = self.person(id)?;
        match &person.left {
            Some((reason, _)) => {
                Err(Refusal::Already { what: format!("{} works here no more ({reason})", person.name) })
            }
            None => Ok(person),
        }
    }

    fn add_person(
        &mut self,
        name: &str,
        roles: &[Role],
        [code, badge]: [Option<&Secret>; 2],
        marked: Marked,
    ) -> Decided {
        let name = self.free_name(name, None)?;
        let roles = some_roles(roles)?;
        let people = &self.bench.people;
        if people.persons.len() >= PEOPLE_MOST {
            return Err(Refusal::Already {
                what: format!("{PEOPLE_MOST} people are registered: that is all"),
            });
        }
        let salt = people.salt.unwrap_or(self.input.id);
        let code = self.seal(How::Code, code, None, salt)?;
        let badge = self.seal(How::Badge, badge, None, salt)?;
        let first = !people.is_kept();
        if first && (!roles.contains(&Role::Administer) || (code.is_none() && badge.is_none())) {
            let why = "the first person keeps the register: with the role `administer`, and a code or badge";
            return field("roles", why);
        }
        let id = self.fresh();
        let person = Box::new(Person {
            id,
            name: name.clone(),
            earlier_names: Vec::new(),
            roles,
            code,
            badge,
            qualifications: BTreeMap::new(),
            left: None,
            registered: marked.clone(),
        });
        self.happened_to_people(Happened::PersonSet { person, salt, marked });
        let from_now_on = if first && self.bench.needs_sign_on() {
            "; from now on each act names somebody who is signed on: sign on with the code or badge"
        } else {
            ""
        };
        Ok(Outcome::made(format!("{name} is registered{from_now_on}"), id))
    }

    fn change_person(
        &mut self,
        id: Uuid,
        name: Option<&str>,
        roles: Option<&[Role]>,
        [code, badge]: [Option<&Secret>; 2],
        marked: Marked,
    ) -> Decided {
        let before = self.present(id)?;
        let mut person = (*before).clone();
        if let Some(name) = name {
            let name = self.free_name(name, Some(id))?;
            if name != person.name {
                person.earlier_names.push(std::mem::replace(&mut person.name, name));
            }
        }
        if let Some(roles) = roles {
            person.roles = some_roles(roles)?;
        }
        let salt = self.bench.people.salt.unwrap_or(self.input.id);
        if code.is_some() {
            person.code = self.seal(How::Code, code, Some(id), salt)?;
        }
        if badge.is_some() {
            person.badge = self.seal(How::Badge, badge, Some(id), salt)?;
        }
        if person == *before {
            return Err(Refusal::Already { what: format!("{} is registered so already", person.name) });
        }
        let keeps =
            person.roles.contains(&Role::Administer) && (person.code.is_some() || person.badge.is_some());
        if !keeps {
            self.not_the_last(id, &before.name)?;
        }
        let note = format!("{}: changed", person.name);
        self.happened_to_people(Happened::PersonSet { person: Box::new(person), salt, marked });
        Ok(Outcome::done(note))
    }

    fn person_leaves(&mut self, id: Uuid, reason: &str, marked: Marked) -> Decided {
        let person = self.present(id)?;
        self.not_the_last(id, &person.name)?;
        let reason = text("reason", reason, 1)?;
        let note = format!("{} works here no more; code and badge are free again", person.name);
        self.happened_to_people(Happened::PersonLeft { person: id, reason, marked });
        Ok(Outcome::done(note))
    }

    fn qualify(
        &mut self,
        id: Uuid,
        method: &str,
        until: Option<&str>,
        note: &str,
        marked: Marked,
    ) -> Decided {
        let person = self.present(id)?;
        if !self.bench.current.contains_key(method) {
            return Err(unknown("method", method, self.bench.current.keys().cloned()));
        }
        let until = until.map(str::trim).filter(|until| !until.is_empty());
        let until_wall_ns = until.map(end_of).transpose()?;
        let over = until_wall_ns.is_some_and(|until| until <= self.now().wall_ns);
        let said = match until {
            Some(until) if over => format!("was qualified for {method} until {until}: that is over"),
            Some(until) => format!("is qualified for {method} until {until}"),
            None => format!("is qualified for {method}, without an end"),
        };
        let qualification = Some(Qualification {
            until: until.map(str::to_owned),
            until_wall_ns,
            note: text("note", note, 0)?,
            marked: marked.clone(),
        });
        let (method, reason) = (method.to_owned(), String::new());
        self.happened_to_people(Happened::PersonQualified {
            person: id,
            method,
            qualification,
            reason,
            marked,
        });
        Ok(Outcome::done(format!("{} {said}", person.name)))
    }

    fn disqualify(&mut self, id: Uuid, method: &str, reason: &str, marked: Marked) -> Decided {
        let person = self.person(id)?;
        if !person.qualifications.contains_key(method) {
            return Err(unknown("qualification", method, person.qualifications.keys().cloned()));
        }
        let (method, reason) = (method.to_owned(), text("reason", reason, 1)?);
        let note = format!("{} is not qualified for {method} any more", person.name);
        let qualification = None;
        self.happened_to_people(Happened::PersonQualified {
            person: id,
            method,
            qualification,
            reason,
            marked,
        });
        Ok(Outcome::done(note))
    }

    /// A name that nobody else has or had: acts of years ago bear it.
    fn free_name(&self, name: &str, of: Option<Uuid>) -> Result<String, Refusal> {
        let name = name.trim();
        if name.is_empty() || name.chars().count() > NAME_MAX || name.chars().any(char::is_control) {
            return field("name", format!("give 1 to {NAME_MAX} characters"));
        }
        if Uuid::try_parse(name).is_ok() {
            return field("name", "this is an identity and no name");
        }
        match self.bench.people.named(name) {
            Some(other) if Some(other.id) != of => {
                let what = format!(
                    "`{name}` is, or was, the name of {}: records would not tell the two apart",
                    other.name
                );
                Err(Refusal::Already { what })
            }
            _ => Ok(name.to_owned()),
        }
    }

    /// The hash of a code or badge that nobody else has; nothing of an empty one.
    fn seal(
        &self,
        how: How,
        secret: Option<&Secret>,
        of: Option<Uuid>,
        salt: Uuid,
    ) -> Result<Option<String>, Refusal> {
        let Some(secret) = secret.filter(|secret| !secret.is_empty()) else { return Ok(None) };
        secret.check(how).or_else(|why| field(how.word(), why))?;
        if self.bench.people.holder(how, secret).is_some_and(|other| Some(other.id) != of) {
            return Err(Refusal::Already {
                what: format!("somebody else has this {}: choose another", how.word()),
            });
        }
        Ok(Some(secret.sealed(how, salt)))
    }

    /// Somebody else keeps the register, and can sign on.
    fn not_the_last(&self, id: Uuid, name: &str) -> Result<(), Refusal> {
        let mut keepers = self.bench.people.administrators();
        if keepers.any(|person| person.id != id) {
            return Ok(());
        }
        let what =
            format!("{name} is the last one who keeps the register and can sign on: name another first");
        Err(Refusal::Already { what })
    }
}

fn some_roles(roles: &[Role]) -> Result<BTreeSet<Role>, Refusal> {
    if roles.is_empty() {
        return field("roles", "give at least one of `operate`, `review`, `administer`");
    }
    Ok(roles.iter().copied().collect())
}

/// The first instant after a day of UTC, or an instant with its offset.
fn end_of(until: &str) -> Result<i64, Refusal> {
    let day = || {
        let day: jiff::civil::Date = until.parse().ok().filter(|_| until.len() == 10)?;
        let next = day.tomorrow().ok()?.to_datetime(jiff::civil::Time::midnight());
        jiff::tz::TimeZone::UTC.to_timestamp(next).ok()
    };
    let instant = day().or_else(|| until.parse().ok());
    let ns = instant.and_then(|instant: jiff::Timestamp| i64::try_from(instant.as_nanosecond()).ok());
    ns.ok_or(()).or_else(|()| {
        field("until", format!("`{until}` is no day such as 2027-03-31, nor an instant with its offset"))
    })
}

/// A person's name, as it was typed.
fn name_of(name: Option<&str>) -> Result<Option<String>, Refusal> {
    let Some(name) = name.map(str::trim).filter(|n| !n.is_empty()) else { return Ok(None) };
    if name.chars().count() > NAME_MAX || name.chars().any(char::is_control) {
        return field("who", format!("give at most {NAME_MAX} characters"));
    }
    Ok(Some(name.to_owned()))
}

/// Signing on and reviewing are done now.
pub(super) fn done_now(marked: &Marked) -> Result<(), Refusal> {
    if marked.moment.stamp == Stamp::Entered {
        let why = "is for what happened at the bench; this is done now".to_owned();
        return Err(Refusal::StatedTime { why });
    }
    Ok(())
}
