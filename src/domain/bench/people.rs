//! What a person can do, on the page or by an ask from the network: a closed list.

use crate::domain::intake;
use crate::domain::measure;
use crate::domain::method::{Edge, Level};
use crate::domain::specimen::Target;
use crate::domain::specimen::note::NoteKind;
use crate::domain::specimen::sample::Preparation;
use crate::domain::{keeping, preparation, quality, review, solution};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// A person's act.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Act {
    /// Made by the client: the same act sent twice happens once.
    pub id: Uuid,
    /// The person's name.
    #[serde(default)]
    pub who: Option<String>,
    /// `page` or `ask`: set by the adapter, never by the client.
    #[serde(default)]
    pub via: String,
    /// The version of the specimen that the person saw, where the act concerns one.
    #[serde(default)]
    pub seen: Option<u32>,
    /// A stated time for what was not pressed when it happened: nanoseconds since
    /// 1970-01-01T00:00:00Z.
    #[serde(default)]
    pub stated_wall_ns: Option<i64>,
    /// The balance that is to give a mass which the act waits for; needed where there are several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub balance: Option<String>,
    /// The person was told who waits for a mass already, and takes the balance over.
    #[serde(default, skip_serializing_if = "is_false")]
    pub take_over: bool,
    /// What is to happen.
    #[serde(rename = "do")]
    pub what: Do,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks so")]
const fn is_false(value: &bool) -> bool {
    !*value
}

/// What a person can do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "act", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Do {
    /// A bag has arrived.
    RegisterSample {
        /// What stands on the bag.
        label: String,
        /// Identifier of the method.
        method: String,
        /// Specimens planned; the method's number if absent.
        specimens: Option<u32>,
        /// What else came with the bag.
        #[serde(default)]
        particulars: Option<Box<intake::Particulars>>,
    },
    /// The particulars of a sample, and finding it by its code.
    Intake(intake::Act),
    /// Something was done to the sample's material.
    Prepare {
        /// The sample.
        sample: Uuid,
        /// What.
        what: Preparation,
    },
    /// The next stable mass is this sample's.
    AwaitSampleMass {
        /// The sample.
        sample: Uuid,
        /// `passing`, `reduced`…, as the method names it.
        name: String,
    },
    /// The next stable mass is this specimen's.
    AwaitSpecimenMass {
        /// The specimen.
        specimen: Uuid,
    },
    /// No mass is waited for any more.
    StopAwaiting,
    /// A mass that did not settle is taken as it was shown.
    ConfirmMass {
        /// Name of the balance in the settings.
        instrument: String,
    },
    /// A tin of the sample's prepared portion takes a place.
    RegisterSpecimen {
        /// The sample.
        sample: Uuid,
        /// The place.
        place: u32,
    },
    /// An instant of the method, named by its step.
    Mark {
        /// The specimen.
        specimen: Uuid,
        /// Name of the step.
        step: String,
        /// What happens there.
        edge: Edge,
    },
    /// The instant that is next for the specimen, whatever it is.
    MarkNext {
        /// The specimen.
        specimen: Uuid,
    },
    /// No clear line has formed yet.
    NoLineYet {
        /// The specimen.
        specimen: Uuid,
    },
    /// A specimen is given up: bumped, spilled, leaking, the wrong tin. It has no result and does
    /// not count; all that was recorded of it stays in the journal. After its record was made, the
    /// record is replaced by one that says so, and the reason may follow later.
    VoidSpecimen {
        /// The specimen.
        specimen: Uuid,
        /// Why.
        #[serde(default)]
        reason: String,
    },
    /// The last mark of a specimen was none: it is taken back.
    WithdrawLast {
        /// The specimen.
        specimen: Uuid,
        /// For every specimen that the same press marked.
        #[serde(default)]
        together: bool,
        /// The press was for another cylinder: it is kept, with its moment, to be given to that one.
        #[serde(default)]
        for_another: bool,
        /// Why; it may follow later.
        #[serde(default)]
        reason: Option<String>,
    },
    /// The time of a marked point is corrected to the stated time of the act.
    CorrectTime {
        /// The specimen.
        specimen: Uuid,
        /// Name of the step.
        step: String,
        /// What happened there.
        edge: Edge,
        /// Why; it may follow later.
        #[serde(default)]
        reason: Option<String>,
    },
    /// A level that was entered is corrected.
    CorrectReading {
        /// The specimen.
        specimen: Uuid,
        /// Which level.
        of: Level,
        /// The digits as they were read.
        value: String,
        /// The person was asked about something unusual and confirms it.
        #[serde(default)]
        confirmed: bool,
        /// Why; it may follow later.
        #[serde(default)]
        reason: Option<String>,
    },
    /// The reason of a correction, where it was pending.
    GiveReason {
        /// The specimen.
        specimen: Uuid,
        /// The correction.
        correction: Uuid,
        /// Why.
        reason: String,
    },
    /// Something happened to a specimen: bumped, spilled, leaked, the foot dropped, or words.
    NoteSpecimen {
        /// The specimen.
        specimen: Uuid,
        /// What happened.
        note: NoteKind,
        /// Words beside it; needed where the note is `words`.
        #[serde(default)]
        text: Option<String>,
    },
    /// The shaker's run was interrupted and went on: its further runs are its resumed part.
    InterruptedRun {
        /// The specimen.
        specimen: Uuid,
        /// The resumed part counts with the first; else the first run stands alone.
        counts: bool,
        /// Why it was interrupted.
        #[serde(default)]
        reason: Option<String>,
    },
    /// The place number is wrong: the cylinder always stood at another place.
    CorrectPlace {
        /// The specimen.
        specimen: Uuid,
        /// The right place.
        place: u32,
        /// What is shown there always stood where this one is shown.
        #[serde(default)]
        swap: bool,
    },
    /// The cylinder was carried to another place.
    MoveCylinder {
        /// The specimen.
        specimen: Uuid,
        /// Where it stands now.
        place: u32,
    },
    /// A weighing that nothing waited for is of this.
    PlaceWeighing {
        /// The weighing.
        weighing: Uuid,
        /// What it is of.
        target: Target,
    },
    /// A weighing that was given to one thing is of another.
    ReassignWeighing {
        /// The weighing.
        weighing: Uuid,
        /// What it is of.
        target: Target,
    },
    /// More or fewer specimens of a sample are planned.
    PlanSpecimens {
        /// The sample.
        sample: Uuid,
        /// How many.
        specimens: u32,
    },
    /// A sample was registered by mistake.
    WithdrawSample {
        /// The sample.
        sample: Uuid,
        /// Why.
        reason: String,
    },
    /// A level was read.
    EnterReading {
        /// The specimen.
        specimen: Uuid,
        /// Which level.
        of: Level,
        /// The digits as they were read.
        value: String,
        /// The person was asked about something unusual and confirms it.
        #[serde(default)]
        confirmed: bool,
    },
    /// Something is counted, stated of the material, or weighed beside it.
    Measure(measure::Act),
    /// A press that named no cylinder belongs to these.
    AssignPress {
        /// The press.
        press: Uuid,
        /// The specimens.
        specimens: Vec<Uuid>,
    },
    /// A press that named no cylinder meant nothing.
    DismissPress {
        /// The press.
        press: Uuid,
    },
    /// A person knows of an alarm.
    AcknowledgeAlarm {
        /// The occurrence.
        occurrence: Uuid,
    },
    /// An alarm is put aside for a time, whatever its occurrence.
    ShelveAlarm {
        /// Key of the alarm.
        key: String,
        /// For how many minutes: 1 to 480.
        minutes: u16,
        /// Why.
        reason: String,
    },
    /// A shelved alarm is brought back before its time.
    UnshelveAlarm {
        /// Key of the alarm.
        key: String,
    },
    /// An alarm is taken out of service until somebody puts it back.
    AlarmOutOfService {
        /// Key of the alarm.
        key: String,
        /// Why.
        reason: String,
    },
    /// An alarm is put back into service.
    AlarmInService {
        /// Key of the alarm.
        key: String,
    },
    /// Something is done with the list of equipment.
    Equipment(Box<crate::domain::equipment::Act>),
    /// Something is done with stock and working solutions.
    Solution(Box<solution::Act>),
    /// A step of a sample's preparation.
    Preparation(Box<preparation::Act>),
    /// Limits, precision, and which specimens count.
    Quality(Box<quality::Act>),
    /// People sign on and off; records are reviewed.
    Review(Box<review::Act>),
    /// A sample is held, or released.
    Keeping(Box<keeping::Act>),
    /// The probe leaves the solution: what it says from now on is no reading.
    TakeProbeOut,
    /// The probe stands in the solution again.
    PutProbeIn {
        /// Where.
        stands_in: crate::domain::bench::ProbeStands,
    },
}

impl Do {
    /// The sample that an act needs in sight, wherever it is by now.
    pub fn sought_sample(&self) -> Option<Uuid> {
        match self {
            Self::Keeping(act) => act.sample(),
            Self::Intake(intake::Act::CorrectParticulars { sample, .. }) => Some(*sample),
            Self::Quality(act) => act.sample(),
            Self::Review(act) => match act.of() {
                Some(review::Subject::Sample(sample)) => Some(sample),
                _ => None,
            },
            _ => None,
        }
    }

    /// The specimen that an act concerns.
    pub fn subject(&self) -> Option<Uuid> {
        match self {
            Self::AwaitSpecimenMass { specimen }
            | Self::Mark { specimen, .. }
            | Self::MarkNext { specimen }
            | Self::NoLineYet { specimen }
            | Self::VoidSpecimen { specimen, .. }
            | Self::NoteSpecimen { specimen, .. }
            | Self::InterruptedRun { specimen, .. }
            | Self::CorrectPlace { specimen, .. }
            | Self::MoveCylinder { specimen, .. }
            | Self::EnterReading { specimen, .. }
            | Self::WithdrawLast { specimen, .. }
            | Self::CorrectTime { specimen, .. }
            | Self::CorrectReading { specimen, .. }
            | Self::GiveReason { specimen, .. } => Some(*specimen),
            Self::Measure(what) => what.specimen(),
            Self::Quality(act) => act.specimen(),
            Self::Review(act) => match act.of() {
                Some(review::Subject::Specimen(specimen)) => Some(specimen),
                _ => None,
            },
            _ => None,
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn a_field_of_the_wrong_type_is_no_act() {
        let id = "019f0000-0000-7fff-bfff-ffffffffffff";
        let acts = [
            serde_json::json!({"act": "register-sample", "label": "S", "method": "m", "specimens": 2}),
            serde_json::json!({"act": "register-specimen", "sample": id, "place": 1}),
            serde_json::json!({"act": "mark", "specimen": id, "step": "soak", "edge": "begin"}),
            serde_json::json!({"act": "enter-reading", "specimen": id, "of": "clay", "value": "8.0"}),
            serde_json::json!({"act": "assign-press", "press": id, "specimens": [id]}),
            serde_json::json!({"act": "shelve-alarm", "key": "k", "minutes": 5, "reason": "r"}),
            serde_json::json!({"act": "put-probe-in", "stands-in": "bottle"}),
        ];
        let wrong = [
            serde_json::json!(true),
            serde_json::json!(-1),
            serde_json::json!(1.5),
            serde_json::json!([[1]]),
            serde_json::json!({"a": 1}),
            serde_json::json!(1e300),
        ];
        for act in acts {
            let whole = serde_json::json!({ "id": id, "do": act });
            serde_json::from_value::<Act>(whole.clone()).unwrap();
            for field in act.as_object().unwrap().keys() {
                for value in &wrong {
                    let mut bad = whole.clone();
                    bad["do"][field] = value.clone();
                    let read = serde_json::from_value::<Act>(bad);
                    assert!(read.is_err(), "{field} = {value} gave {read:?}");
                }
            }
        }
    }

    #[test]
    fn an_act_with_an_unknown_key_is_refused_by_its_name() {
        let text =
            r#"{"id":"019f0000-0000-7fff-bfff-ffffffffffff","do":{"act":"stop-awaiting"},"forced":true}"#;
        let error = serde_json::from_str::<Act>(text).unwrap_err().to_string();
        assert!(error.contains("forced"), "{error}");
    }
}
