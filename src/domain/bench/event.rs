//! What has happened, in the past tense. State is a fold over these; what was written is never
//! rewritten, and a correction is another event.

use super::input::Contact;
use super::{BenchSettings, ClosedSample, Does, NetworkFacts, ProbeStands, TriggerSettings};
use crate::domain::calculation::{Average, Calculation};
use crate::domain::calendar::Calendar;
use crate::domain::method::{Edge, Level, Method};
use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Side};
use crate::domain::reading::{InstrumentKind, Wire};
use crate::domain::report::SigningKey;
use crate::domain::specimen::{By, Marked, ReadingTaken, Stage, Target, Weighing, contact};
use crate::domain::specimen::{correction::Withdrawn, note::Note, runs::Interruption, sample::Preparation};
use crate::domain::{alarm, equipment, intake, keeping, measure, preparation, quality, review, solution};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// One event. `marked` is when it happened and by whom.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Event {
    /// The daemon started with these settings.
    StationStarted {
        /// Name of the station in topics.
        station: String,
        /// Name for people.
        title: String,
        /// The program's version.
        version: String,
        /// Simulated instruments.
        rehearsal: bool,
        /// The bench's settings.
        bench: BenchSettings,
        /// Switches, buttons and contacts.
        triggers: BTreeMap<String, TriggerSettings>,
        /// Instruments, by name.
        instruments: BTreeMap<String, InstrumentKind>,
        /// Digest of the method that each identifier stands for from now on.
        methods: BTreeMap<String, String>,
        /// What the settings say of the network.
        #[serde(default)]
        network: NetworkFacts,
        /// Days of the laboratory; absent: those of UTC.
        #[serde(default, skip_serializing_if = "Calendar::is_utc")]
        calendar: Calendar,
    },
    /// A method came into use: the whole of it, so that the journal stands alone.
    MethodAdopted {
        /// The method.
        method: Arc<Method>,
    },
    /// A bag arrived.
    SampleRegistered {
        /// Its identity.
        sample: Uuid,
        /// What stands on the bag.
        label: String,
        /// Digest of the method.
        method: String,
        /// Specimens planned.
        planned: u32,
        /// Who registered it.
        marked: Marked,
        /// What else came with the bag.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        particulars: Option<Box<intake::Particulars>>,
    },
    /// Something happened to the particulars of a sample.
    Intake(intake::Happened),
    /// Something was done to the material.
    SamplePrepared {
        /// The sample.
        sample: Uuid,
        /// What.
        what: Preparation,
        marked: Marked,
    },
    /// The next stable mass is for this.
    MassAwaited {
        /// What for; `None`: for nothing any more.
        target: Option<Target>,
        /// Who asked.
        by: By,
        /// The balance that is to give it; `None`: the only one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        balance: Option<String>,
    },
    /// The balance gave a stable mass.
    WeighingTaken {
        /// The weighing.
        weighing: Weighing,
    },
    /// A load did not settle in time: it waits for a person's word.
    MassNotSettled {
        /// What was shown last.
        mass: Quantity,
        /// Its origin.
        wire: Wire,
        /// When its line's last byte arrived.
        moment: Moment,
    },
    /// The load that did not settle is gone, or another.
    MassReleased {
        /// Name of the balance.
        instrument: String,
    },
    /// A tin took a place.
    SpecimenRegistered {
        /// Its identity.
        specimen: Uuid,
        /// Its sample.
        sample: Uuid,
        /// Its label.
        label: String,
        /// Its place.
        place: u32,
        /// Who registered it.
        marked: Marked,
    },
    /// An instant of the method was marked.
    PointMarked {
        /// The specimen.
        specimen: Uuid,
        /// Index of the method's point.
        point: usize,
        /// Name of the step, for people who read the journal.
        step: String,
        /// What happened there.
        edge: Edge,
        marked: Marked,
    },
    /// The machine began to run again with the cylinder.
    FurtherRunBegan {
        /// The specimen.
        specimen: Uuid,
        marked: Marked,
    },
    /// The further run ended.
    FurtherRunEnded {
        /// The specimen.
        specimen: Uuid,
        marked: Marked,
    },
    /// Somebody said that no line has formed yet.
    NoLineNoted {
        /// The specimen.
        specimen: Uuid,
        marked: Marked,
    },
    /// A specimen was given up before it was complete.
    SpecimenVoided {
        /// The specimen.
        specimen: Uuid,
        /// Why.
        reason: String,
        marked: Marked,
    },
    /// A level was entered.
    ReadingEntered {
        /// The specimen.
        specimen: Uuid,
        /// Index of the method's point.
        point: usize,
        /// Which level.
        of: Level,
        /// The reading.
        reading: ReadingTaken,
    },
    /// Something was counted, or stated of the material.
    Measured(measure::Happened),
    /// A switch did not show all that it did.
    Contact(contact::Happened),
    /// Both levels are in: the specimen has its number.
    SpecimenCompleted {
        /// The specimen.
        specimen: Uuid,
        /// Identity of its record.
        record: Uuid,
        /// The number with its intermediates.
        calculation: Calculation,
        /// How many deviations the record shows.
        deviations: u32,
    },
    /// All planned specimens of a sample are complete.
    SampleCompleted {
        /// The sample.
        sample: Uuid,
        /// Identity of the result's document.
        document: Uuid,
        /// The average with its intermediates.
        average: Average,
    },
    /// A specimen had no line in time: new ones of its sample are called for.
    RepeatCalledFor {
        /// The sample.
        sample: Uuid,
        /// The specimen that had no line.
        specimen: Uuid,
        /// New specimens that its method asks for.
        specimens: u32,
    },
    /// The line of a specimen that had called for a repeat turned out to have been read in time.
    RepeatTakenBack {
        /// The sample.
        sample: Uuid,
        /// The specimen.
        specimen: Uuid,
    },
    /// Somebody noted something of a specimen.
    SpecimenNoted {
        /// The specimen.
        specimen: Uuid,
        /// The note.
        note: Note,
    },
    /// Somebody said that the machine's run was interrupted and resumed.
    RunInterrupted {
        /// The specimen.
        specimen: Uuid,
        /// What was said.
        interruption: Interruption,
    },
    /// The place number of a specimen was wrong: its cylinder always stood at the other.
    PlaceCorrected {
        /// The specimen.
        specimen: Uuid,
        /// The wrong place.
        from: u32,
        /// The right one.
        to: u32,
        marked: Marked,
    },
    /// A cylinder was carried to another place.
    CylinderMoved {
        /// The specimen.
        specimen: Uuid,
        /// From there.
        from: u32,
        /// To there.
        to: u32,
        marked: Marked,
    },
    /// A weighing was given its place afterwards, or given to another.
    WeighingPlaced {
        /// The weighing.
        weighing: Uuid,
        /// What had it; `None`: nothing.
        from: Option<Target>,
        /// What has it now.
        to: Target,
        marked: Marked,
    },
    /// The number of a sample's specimens was planned anew.
    SpecimensPlanned {
        /// The sample.
        sample: Uuid,
        /// The number now.
        planned: u32,
        marked: Marked,
    },
    /// A sample was registered by mistake.
    SampleWithdrawn {
        /// The sample.
        sample: Uuid,
        /// Why.
        reason: String,
        marked: Marked,
    },
    /// One press marked several specimens: it can be taken back for all of them.
    MarkedTogether {
        /// The specimens.
        specimens: Vec<Uuid>,
    },
    /// The last mark of a specimen was taken back.
    MarkWithdrawn {
        /// The specimen.
        specimen: Uuid,
        /// Identity of the correction.
        correction: Uuid,
        /// What was taken back, as it was.
        what: Withdrawn,
        marked: Marked,
        /// Why; `None`: pending.
        reason: Option<String>,
    },
    /// The time of a marked point was corrected.
    TimeCorrected {
        /// The specimen.
        specimen: Uuid,
        /// Identity of the correction.
        correction: Uuid,
        /// Index of the method's point.
        point: usize,
        /// Name of the step, for people who read the journal.
        step: String,
        /// As it was marked.
        from: Marked,
        /// As it is stated now.
        to: Marked,
        marked: Marked,
        /// Why; `None`: pending.
        reason: Option<String>,
    },
    /// A level was corrected.
    ReadingCorrected {
        /// The specimen.
        specimen: Uuid,
        /// Identity of the correction.
        correction: Uuid,
        /// Which level.
        of: Level,
        /// As it was entered, and as it is entered now.
        readings: Box<[ReadingTaken; 2]>,
        marked: Marked,
        /// Why; `None`: pending.
        reason: Option<String>,
    },
    /// A specimen was given up after its record was made.
    RecordVoided {
        /// The specimen.
        specimen: Uuid,
        /// Identity of the correction.
        correction: Uuid,
        marked: Marked,
        /// Why; `None`: pending.
        reason: Option<String>,
    },
    /// The reason of a correction was given.
    ReasonGiven {
        /// The specimen.
        specimen: Uuid,
        /// The correction.
        correction: Uuid,
        /// Why.
        reason: String,
        marked: Marked,
    },
    /// A correction made a new version of a specimen's record.
    RecordAmended {
        /// The specimen.
        specimen: Uuid,
        /// Identity of the new document.
        record: Uuid,
        /// The number with its intermediates.
        calculation: Calculation,
        /// How many deviations the record shows.
        deviations: u32,
    },
    /// A correction made a new version of a sample's result.
    ResultAmended {
        /// The sample.
        sample: Uuid,
        /// Identity of the new document.
        document: Uuid,
        /// The average; `None`: too few specimens count, and no result stands.
        average: Option<Average>,
    },
    /// A sample that had left the bench was brought back into sight, so that it can be corrected.
    SampleRecalled {
        /// All of it.
        closed: Box<ClosedSample>,
    },
    /// A document was made for the network, with its number.
    DocumentIssued {
        /// Its number.
        number: u64,
        /// Its identity.
        document: Uuid,
        /// `record`, `result` or `weighing`.
        kind: String,
        /// SHA-256 of its bytes, lower-case hexadecimal.
        sha256: String,
    },
    /// A temperature was read. Not chained one by one.
    TemperatureRead {
        /// The temperature.
        temperature: Quantity,
        /// Its origin.
        wire: Wire,
        /// When its line's last byte arrived.
        moment: Moment,
        /// Where it lies against the limits in force.
        side: Option<Side>,
    },
    /// A temperature of the room was read. Not chained one by one.
    RoomTemperatureRead {
        /// The temperature.
        temperature: Quantity,
        /// Its origin.
        wire: Wire,
        /// When its line's last byte arrived.
        moment: Moment,
    },
    /// A block of temperatures ended: it anchors them in the chain.
    TemperaturesCounted {
        /// How many.
        count: u32,
        /// The lowest.
        lowest: Quantity,
        /// The highest.
        highest: Quantity,
        /// Sum of thousandths of a degree, in the unit of `lowest`.
        sum_thousandths: i64,
    },
    /// The probe left the solution.
    ProbeTakenOut {
        /// Who took it out.
        marked: Marked,
    },
    /// The probe stands in the solution again.
    ProbePutIn {
        /// Where.
        stands_in: ProbeStands,
        /// Who put it in.
        marked: Marked,
    },
    /// A press named no cylinder, and it was not clear which was meant.
    PressKept {
        /// Its identity.
        press: Uuid,
        /// The trigger.
        trigger: String,
        /// What came.
        contact: Contact,
        /// What the trigger did by its setting then.
        #[serde(default)]
        does: Option<Does>,
        /// When.
        moment: Moment,
        /// Why it was not clear.
        why: String,
    },
    /// The end of a kept contact came.
    KeptPressEnded {
        /// The press that began it.
        press: Uuid,
        /// When.
        moment: Moment,
    },
    /// A kept press was given to cylinders, or dismissed (to none).
    PressSettled {
        /// The press.
        press: Uuid,
        /// To which.
        specimens: Vec<Uuid>,
        /// By whom.
        marked: Marked,
    },
    /// A trigger's message started and stopped nothing.
    TriggerRefused {
        /// The trigger.
        trigger: String,
        /// Why.
        why: String,
    },
    /// An interval approaches its window, has reached it, or has overrun it.
    IntervalAnnounced {
        /// The specimen.
        specimen: Uuid,
        /// Index of the step.
        step: usize,
        /// How far it is.
        stage: Stage,
    },
    /// An alarm was raised.
    AlarmRaised {
        /// Which.
        name: alarm::Name,
        /// What it is about.
        about: String,
        /// This occurrence.
        occurrence: Uuid,
        /// What was seen.
        text: String,
    },
    /// The alarm's condition went away.
    AlarmCleared {
        /// The occurrence.
        occurrence: Uuid,
    },
    /// A person knows of the alarm.
    AlarmAcknowledged {
        /// The occurrence.
        occurrence: Uuid,
        /// Who.
        by: By,
    },
    /// A person put an alarm aside for a time.
    AlarmShelved {
        /// Key of the alarm.
        alarm: String,
        /// For how many minutes.
        minutes: u16,
        /// Why.
        reason: String,
        /// Who.
        by: By,
    },
    /// The time of a shelved alarm is over, or a person ended it.
    AlarmUnshelved {
        /// Key of the alarm.
        alarm: String,
        /// Who; the bench at the stated end.
        by: By,
    },
    /// A person took an alarm out of service.
    AlarmTakenOutOfService {
        /// Key of the alarm.
        alarm: String,
        /// Why.
        reason: String,
        /// Who.
        by: By,
    },
    /// A person put an alarm back into service.
    AlarmPutInService {
        /// Key of the alarm.
        alarm: String,
        /// Who.
        by: By,
    },
    /// An instrument's port opened or went away.
    InstrumentChanged {
        /// Name of the instrument.
        instrument: String,
        /// Path of its port.
        port: String,
        /// `None`: it is open.
        fault: Option<String>,
    },
    /// Something happened to the list of equipment, or was counted with it.
    Equipment(equipment::Happened),
    /// Something happened to stock and working solutions.
    Solution(solution::Happened),
    /// A step of a sample's preparation happened.
    Preparation(preparation::Happened),
    /// A limit was set, or which specimens count.
    Quality(quality::Happened),
    /// Somebody signed on or off, or reviewed a record.
    Review(review::Happened),
    /// A sample is held, or something was removed.
    Keeping(keeping::Happened),
    /// Documents are signed with this key from now on.
    SigningKeyNamed(SigningKey),
    /// An instrument said who it is, for the first time or otherwise than before.
    InstrumentIdentified {
        /// Name of the instrument.
        instrument: String,
        /// Path of its port.
        port: String,
        /// In its own words.
        identity: String,
        /// Who answered there before, if another did.
        before: Option<String>,
    },
    /// An instrument's error queue was not empty.
    InstrumentErrors {
        /// Name of the instrument.
        instrument: String,
        /// The errors in its own words, oldest first.
        errors: Vec<String>,
    },
    /// An act was carried out: the same act sent again does nothing.
    ActDone {
        /// The act.
        act: Uuid,
        /// What was said of it.
        #[serde(default)]
        note: String,
        /// What it made.
        #[serde(default)]
        made: Option<Uuid>,
    },
    /// An ask with a correlation was answered: the same ask again gets the same reply.
    AskAnswered {
        /// What its response topic and correlation come to.
        key: Uuid,
        /// The reply, as it was sent.
        reply: Arc<str>,
    },
    /// A consumer has every document up to a number.
    ReceiptConfirmed {
        /// Its name.
        consumer: String,
        /// The number.
        through: u64,
    },
    /// A consumer wants the documents from a number on once more.
    ReplayAsked {
        /// Its name.
        consumer: String,
        /// The number.
        number: u64,
    },
}
