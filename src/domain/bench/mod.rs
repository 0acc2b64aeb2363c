//! All of it together: the samples, the specimens at their places, the probe, the balance, the
//! switches and the alarms of one bench.
//!
//! [`decide`](Bench::decide) takes one input and gives events; each event is applied as it is
//! decided, by the same [`apply`](Bench::apply) that replay uses and that cannot fail. Deadlines
//! are a function of state ([`next_deadline`](Bench::next_deadline)), so a restart needs no code
//! for timers and a spurious wake-up does nothing.

mod ahead;
mod alarms;
mod apply;
mod apply_instrument;
mod apply_intake;
mod apply_odd;
mod apply_part;
mod consumer;
mod corrected;
mod deadlines;
mod decide;
mod equipment;
mod drawer;
mod event;
mod input;
mod kind;
mod late;
mod measured;
mod needs;
mod people;
mod preparation;
mod quality;
mod refusal;
mod review;
mod room;
mod solution;
mod told;
mod waits;

pub use ahead::Coming;
pub use consumer::{
    ConsumerAsk, FromConsumer, KeptAsk, Lag, NetworkFacts, Receipt, ReplayAsked, is_consumer_name,
};
pub use decide::{Decision, ScanFound, point_text, withdrawn_text};
pub use drawer::{CLOSED_KEPT, ClosedSample};
pub use event::Event;
pub use input::{
    Contact, DiskCondition, DiskReport, Input, NetworkCondition, NetworkReport, OTHER_SOURCES, Started,
    SwitchReport, Trigger, What,
};
pub use needs::{BY_ACCOUNT, Needs};
pub use people::{Act, Do};
pub use refusal::{Outcome, Refusal, Told};
pub use room::Room;
pub use told::{by_text, happened_text};
pub use waits::{Wait, Waits};

#[cfg(test)]
pub(crate) mod test;

use super::alarm::{Alarm, LimitWatch, OutOfService, Shelving};
use super::calendar::Calendar;
use super::equipment::Register;
use super::intake;
use super::keeping::Kept;
use super::method::{Method, Point};
use super::moment::{Moment, SECOND};
use super::quantity::{Quantity, Range, Side};
use super::reading::{InstrumentKind, Wire};
use super::remembered::{Known, Remembered};
use super::report::SigningKey;
use super::review::{AskQualification, OwnWork, People, Reviews, SignOn, Waiting};
use super::shared::Shared;
use super::solution::Shelf;
use super::specimen::sample::Sample;
use super::specimen::tally::Held;
use super::specimen::{Specimen, Target, Weighing};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use uuid::Uuid;

/// Weighings, presses and refusals that are kept in sight; all of them stay in the journal.
const KEPT: usize = 50;
/// Presses that wait to be settled: more than anybody could leave open, so that none is dropped.
const KEPT_PRESSES: usize = 1000;
/// Acts that are remembered so that a repeated one happens once.
const REMEMBERED_ACTS: usize = 512;

/// What the bench is set to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct BenchSettings {
    /// Places for cylinders.
    pub places: u32,
    /// Cylinders that the shaker holds.
    pub shaker_holds: u32,
    /// Foot assembly in use.
    pub foot: String,
    /// Seconds before a window opens at which its act is due.
    pub approach_s: u32,
    /// A temperature is stale after this many seconds.
    pub temperature_stale_s: u32,
    /// Out of tolerance for this many seconds is an alarm.
    pub temperature_alarm_s: u32,
    /// Seconds between two kept temperatures while no specimen is watched.
    pub temperature_idle_s: u32,
    /// Where the probe stands at start.
    pub probe_stands_in: ProbeStands,
    /// Seconds between two kept temperatures of the room.
    #[serde(default = "room_every_default")]
    pub room_every_s: u32,
    /// A temperature of the room is stale after this many seconds.
    #[serde(default = "room_stale_default")]
    pub room_stale_s: u32,
    /// What a deviation does to its specimen's part in the average.
    #[serde(default, skip_serializing_if = "is_default")]
    pub deviations: crate::domain::quality::Deviations,
    /// Whether specimens are compared with the method's published precision.
    #[serde(default, skip_serializing_if = "is_default")]
    pub precision: crate::domain::quality::Compared,
    /// Whether control charts of results are kept.
    #[serde(default, skip_serializing_if = "is_default")]
    pub charts: crate::domain::quality::charts::Charts,
    /// What the laboratory states of its uncertainty; absent: it is off the sheet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<crate::domain::quality::uncertainty::Stated>,
    /// Whether a person's qualification for the method is looked at.
    #[serde(default)]
    pub qualification: AskQualification,
    /// Whether records and results are reviewed here.
    #[serde(default)]
    pub review: Reviews,
    /// Whether somebody may approve what they did themselves.
    #[serde(default)]
    pub own_work: OwnWork,
    /// Whether an act needs a person who is signed on, once people are registered.
    #[serde(default)]
    pub sign_on: SignOn,
    /// Hours for which somebody stays signed on; 0: until somebody signs them off.
    #[serde(default = "sign_on_hours_default")]
    pub sign_on_hours: u32,
}

/// What nobody set is not written, so that a laboratory which does not use it has the events that
/// it always had.
fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

/// A long shift (common practice, no source).
const fn sign_on_hours_default() -> u32 {
    12
}

const fn room_every_default() -> u32 {
    60
}

const fn room_stale_default() -> u32 {
    300
}

/// Where the probe of the solution stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProbeStands {
    /// In the bottle of working solution.
    Bottle,
    /// In a dummy cylinder filled with solution, among the others.
    DummyCylinder,
}

/// What a trigger does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Does {
    /// A press marks the act that is due.
    Next,
    /// The shaker's running contact.
    ShakerContact,
    /// A press begins the shaker's run, or ends it.
    ShakerPress,
    /// One pulse for each complete cycle of the shaker: counted, and no act of anybody.
    ShakerPulse,
}

/// A trigger as the bench knows it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TriggerSettings {
    /// What it does.
    pub does: Does,
    /// The place that it belongs to; without one it is shared.
    pub place: Option<u32>,
    /// It has a line of its own (`gpio`), and no topic: a message of its name presses nothing.
    #[serde(default)]
    pub own_line: bool,
}

/// The probe in the solution.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Probe {
    /// Where it stands; `None`: out of the solution.
    pub stands_in: Option<ProbeStands>,
    /// The last reading.
    pub last: Option<(Held, Wire)>,
    /// Where the last reading lies, and since when without a break.
    pub side: Option<(Side, Moment)>,
    /// The watches over the lower and the upper limit.
    #[serde(default)]
    pub watches: [LimitWatch; 2],
    /// The block of readings that is not anchored yet: count, lowest, highest, sum of
    /// thousandths, first moment.
    pub block: Option<Block>,
}

/// Temperatures since the last anchor.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Block {
    /// How many.
    pub count: u32,
    /// The lowest.
    pub lowest: Quantity,
    /// The highest.
    pub highest: Quantity,
    /// Sum of thousandths of a degree, in the unit of `lowest`.
    pub sum_thousandths: i64,
    /// When the first was read.
    pub first: Moment,
}

/// A load that did not settle in time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unsettled {
    /// What was shown last.
    pub mass: Quantity,
    /// Its origin.
    pub wire: Wire,
    /// When.
    pub moment: Moment,
}

/// What an instrument said of itself.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct SaidOfItself {
    /// Who it is.
    pub identity: Option<String>,
    /// What its error queue held last.
    pub errors: Vec<String>,
}

/// A press that named no cylinder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptPress {
    /// Its identity.
    pub id: Uuid,
    /// The trigger.
    pub trigger: String,
    /// What came.
    pub contact: Contact,
    /// What the trigger did by its setting then.
    #[serde(default)]
    pub does: Option<Does>,
    /// When.
    pub moment: Moment,
    /// When the contact opened again, if it did.
    pub ended: Option<Moment>,
    /// Why it was not clear.
    pub why: String,
}

/// A trigger's message that started and stopped nothing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefusedTrigger {
    /// The trigger.
    pub trigger: String,
    /// Why.
    pub why: String,
    /// When.
    pub moment: Moment,
}

/// A completed specimen, for lists.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finished {
    /// The document.
    pub document: Uuid,
    /// Its number.
    pub number: u64,
    /// Label of the specimen or sample.
    pub label: String,
    /// Reported value.
    pub reported: String,
    /// Deviations on it.
    pub deviations: u32,
    /// `record` or `result`.
    pub kind: String,
    /// When.
    pub moment: Moment,
}

/// An act that was carried out, and what was said of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DoneAct {
    /// The act.
    pub id: Uuid,
    /// In a sentence.
    pub note: String,
    /// What it made.
    pub made: Option<Uuid>,
}

impl Known for DoneAct {
    fn identity(&self) -> Uuid {
        self.id
    }
}

/// The state of one bench.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bench {
    /// Name of the station in topics.
    pub station: String,
    /// Name for people.
    pub title: String,
    /// Program version at the last start.
    pub version: String,
    /// Simulated instruments.
    pub rehearsal: bool,
    /// Settings.
    pub settings: Shared<BenchSettings>,
    /// Triggers by name.
    pub triggers: Shared<BTreeMap<String, TriggerSettings>>,
    /// Instruments by name.
    pub instruments: Shared<BTreeMap<String, InstrumentKind>>,
    /// Methods by digest: all that were ever in use here.
    pub methods: Shared<BTreeMap<String, Arc<Method>>>,
    /// Digest of the method that each identifier stands for now.
    pub current: Shared<BTreeMap<String, String>>,
    /// Keys that documents were ever signed with here, the present one last.
    #[serde(default)]
    pub signing_keys: Shared<Vec<SigningKey>>,
    /// Samples whose result is still open, or whose specimens are still on the bench.
    pub samples: BTreeMap<Uuid, Shared<Sample>>,
    /// Specimens on the bench.
    pub specimens: BTreeMap<Uuid, Shared<Specimen>>,
    /// Specimens whose cylinder is clean, of samples that are still on the bench.
    #[serde(default)]
    pub cleared: Shared<BTreeMap<Uuid, Shared<Specimen>>>,
    /// The last samples that left the bench, newest last; all of them are in the journal.
    #[serde(default)]
    pub closed: Shared<VecDeque<Shared<ClosedSample>>>,
    /// When the last one left the bench of those that are not among them any more.
    #[serde(default)]
    pub left_unseen: Option<Moment>,
    /// What the last press that marked several specimens marked: each with its version afterwards.
    #[serde(default)]
    pub together: Shared<Vec<(Uuid, u32)>>,
    /// What the next stable mass of each balance is for.
    pub awaited: Waits,
    /// Weighings without a place, newest last.
    pub kept_weighings: VecDeque<Shared<Weighing>>,
    /// Weighings in all.
    pub weighings: u64,
    /// Presses without a cylinder.
    pub presses: Shared<VecDeque<KeptPress>>,
    /// Refused triggers, newest last.
    pub refused: Shared<VecDeque<RefusedTrigger>>,
    /// The probe.
    pub probe: Probe,
    /// Temperatures read in all.
    pub temperatures: u64,
    /// Loads that did not settle in time, by balance.
    #[serde(default)]
    pub unsettled: Shared<BTreeMap<String, Unsettled>>,
    /// The room.
    #[serde(default)]
    pub room: Shared<Room>,
    /// What the instruments said of themselves.
    #[serde(default)]
    pub said_of_itself: Shared<BTreeMap<String, SaidOfItself>>,
    /// Alarms that are not back to normal, by key.
    pub alarms: Shared<BTreeMap<String, Alarm>>,
    /// Alarms that a person put aside for a time, by key.
    #[serde(default)]
    pub shelved: Shared<BTreeMap<String, Shelving>>,
    /// Alarms that a person took out of service, by key.
    #[serde(default)]
    pub out_of_service: Shared<BTreeMap<String, OutOfService>>,
    /// Ports: `None` is open, else what the system said.
    pub ports: Shared<BTreeMap<String, Option<String>>>,
    /// The last documents, newest last.
    pub finished: Shared<VecDeque<Finished>>,
    /// Number of the next document.
    pub next_number: u64,
    /// Acts already done, oldest first.
    pub acts: Shared<Remembered<DoneAct>>,
    /// Asks already answered, oldest first.
    #[serde(default)]
    pub asks: Shared<Remembered<KeptAsk>>,
    /// How far each consumer confirmed, by name.
    #[serde(default)]
    pub receipts: Shared<BTreeMap<String, Receipt>>,
    /// The last replay that was asked for.
    #[serde(default)]
    pub replay: Option<ReplayAsked>,
    /// What the settings say of the network.
    #[serde(default)]
    pub network: Shared<NetworkFacts>,
    /// What was registered last of each project.
    #[serde(default)]
    pub intake: Shared<intake::Register>,
    /// The list of equipment; empty where the laboratory keeps none.
    #[serde(default)]
    pub equipment: Shared<Register>,
    /// What is held, and what was removed.
    #[serde(default)]
    pub keeping: Shared<Kept>,
    /// No part of the state: until when it is known that nothing is due.
    #[serde(skip)]
    pub(crate) quiet: deadlines::Quiet,
    /// Recipes, batches and bottles of solution; no batch where the laboratory keeps no list.
    #[serde(default)]
    pub solutions: Shared<Shelf>,
    /// Control charts; empty where the laboratory keeps none.
    #[serde(default)]
    pub charts: Shared<crate::domain::quality::charts::Register>,
    /// The register of people; empty where names are as they are typed.
    #[serde(default)]
    pub people: Shared<People>,
    /// Samples of which something waits for review, or was returned.
    #[serde(default)]
    pub for_review: Shared<BTreeMap<Uuid, Waiting>>,
    /// Days of the laboratory, as the last start told them.
    #[serde(default)]
    pub calendar: Shared<Calendar>,
}

impl Default for BenchSettings {
    fn default() -> Self {
        Self {
            places: 8,
            shaker_holds: 1,
            foot: "indicator".to_owned(),
            approach_s: 60,
            temperature_stale_s: 30,
            temperature_alarm_s: 30,
            temperature_idle_s: 10,
            probe_stands_in: ProbeStands::Bottle,
            room_every_s: room_every_default(),
            room_stale_s: room_stale_default(),
            deviations: crate::domain::quality::Deviations::default(),
            precision: crate::domain::quality::Compared::default(),
            charts: crate::domain::quality::charts::Charts::default(),
            uncertainty: None,
            qualification: AskQualification::Off,
            review: Reviews::Off,
            own_work: OwnWork::MayNot,
            sign_on: SignOn::Needed,
            sign_on_hours: sign_on_hours_default(),
        }
    }
}

impl Default for Bench {
    fn default() -> Self {
        Self {
            station: String::new(),
            title: String::new(),
            version: String::new(),
            rehearsal: false,
            settings: Shared::default(),
            triggers: Shared::default(),
            instruments: Shared::default(),
            methods: Shared::default(),
            current: Shared::default(),
            signing_keys: Shared::default(),
            samples: BTreeMap::new(),
            specimens: BTreeMap::new(),
            cleared: Shared::default(),
            closed: Shared::default(),
            left_unseen: None,
            together: Shared::default(),
            awaited: Waits::default(),
            kept_weighings: VecDeque::new(),
            weighings: 0,
            presses: Shared::default(),
            refused: Shared::default(),
            probe: Probe {
                stands_in: Some(ProbeStands::Bottle),
                last: None,
                side: None,
                watches: <[LimitWatch; 2]>::default(),
                block: None,
            },
            temperatures: 0,
            unsettled: Shared::default(),
            room: Shared::default(),
            said_of_itself: Shared::default(),
            alarms: Shared::default(),
            shelved: Shared::default(),
            out_of_service: Shared::default(),
            ports: Shared::default(),
            finished: Shared::default(),
            next_number: 1,
            acts: Shared::default(),
            asks: Shared::default(),
            receipts: Shared::default(),
            replay: None,
            network: Shared::default(),
            intake: Shared::default(),
            equipment: Shared::default(),
            keeping: Shared::default(),
            quiet: deadlines::Quiet::default(),
            solutions: Shared::default(),
            charts: Shared::default(),
            people: Shared::default(),
            for_review: Shared::default(),
            calendar: Shared::default(),
        }
    }
}

impl Bench {
    /// Documents are signed with this key from now on.
    fn signs_with(&mut self, key: &SigningKey) {
        self.signing_keys.retain(|known| known != key);
        self.signing_keys.push(key.clone());
    }

    /// Method and points of a specimen. `None` only if the journal lost its method.
    pub fn rule(&self, specimen: &Specimen) -> Option<(&Arc<Method>, Arc<[Point]>)> {
        let method = self.methods.get(&specimen.method)?;
        Some((method, method.points()))
    }

    /// The specimen whose cylinder stands at a place.
    pub fn at_place(&self, place: u32) -> Option<&Specimen> {
        self.specimens.values().map(|s| &**s).find(|s| s.place == place)
    }

    /// The highest place to be shown: that of the settings, or of a cylinder that stands beyond it
    /// since the bench was made smaller.
    pub fn last_place(&self) -> u32 {
        self.specimens.values().map(|s| s.place).fold(self.settings.places, u32::max)
    }

    /// How long a temperature holds, nanoseconds.
    pub fn stale_ns(&self) -> i64 {
        i64::from(self.settings.temperature_stale_s) * SECOND
    }

    /// What a mass was awaited for is still there to take it.
    pub(crate) fn may_take_mass(&self, target: &Target) -> bool {
        match target {
            Target::Sample { sample, .. } => self.samples.get(sample).is_some_and(|s| s.reported.is_none()),
            Target::Preparation { sample, of } => self.may_take_preparation_mass(*sample, *of),
            Target::Specimen { specimen } | Target::CorrectiveSand { specimen } => {
                self.specimens.get(specimen).is_some_and(|s| !s.is_over())
            }
            Target::Component { batch, component, .. } => self.solutions.may_take_mass(batch, component),
        }
    }

    /// Some specimen's temperature is being watched.
    pub fn is_watching(&self) -> bool {
        self.specimens.values().any(|s| s.tally.is_open())
    }

    /// The reading that holds while the probe is in the solution.
    pub fn held(&self) -> Option<&Held> {
        self.probe.stands_in?;
        self.probe.last.as_ref().map(|(held, _)| held)
    }

    /// Temperature limits in force: those of the specimens being watched, else those of the
    /// method that stands first.
    pub fn limits_in_force(&self) -> Option<Range> {
        let watched = self.specimens.values().find(|s| s.tally.is_open()).map(|s| &s.method);
        let digest = watched.or_else(|| self.current.values().next())?;
        self.methods.get(digest)?.temperature.limits.value
    }

    /// Specimens with a due act that one press would mark, with the point it would mark. Not the
    /// cleaning of a complete one: it can wait, and must not make a shared switch unclear.
    pub fn due(&self, now: &Moment) -> Vec<(Uuid, usize)> {
        self.specimens
            .values()
            .filter(|s| s.last_marked().is_some() && !s.is_over() && !self.waits_with_its_tin(s))
            .filter_map(|s| {
                let (method, points) = self.rule(s)?;
                let point = s.due(method, &points, now, self.settings.approach_s)?;
                Some((s.id, point))
            })
            .collect()
    }
}
