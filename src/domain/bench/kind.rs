//! What an event is called in the journal, and which are chained.

use super::Event;

impl Event {
    /// It moves no deadline: what the clock makes due next is the same before and after it. Of a kind
    /// that is not named here nobody has to know. A mass that was waited for may be one of a drying.
    pub const fn leaves_deadlines(&self) -> bool {
        match self {
            Self::WeighingTaken { weighing } => weighing.target.is_none(),
            Self::DocumentIssued { .. } | Self::ActDone { .. } | Self::AskAnswered { .. } => true,
            _ => false,
        }
    }

    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::StationStarted { .. } => "station-started",
            Self::SigningKeyNamed(_) => "signing-key-named",
            Self::MethodAdopted { .. } => "method-adopted",
            Self::SampleRegistered { .. } => "sample-registered",
            Self::SamplePrepared { .. } => "sample-prepared",
            Self::MassAwaited { .. } => "mass-awaited",
            Self::WeighingTaken { .. } => "weighing-taken",
            Self::MassNotSettled { .. } => "mass-not-settled",
            Self::MassReleased { .. } => "mass-released",
            Self::SpecimenRegistered { .. } => "specimen-registered",
            Self::PointMarked { .. } => "point-marked",
            Self::FurtherRunBegan { .. } => "further-run-began",
            Self::FurtherRunEnded { .. } => "further-run-ended",
            Self::NoLineNoted { .. } => "no-line-noted",
            Self::SpecimenVoided { .. } => "specimen-voided",
            Self::ReadingEntered { .. } => "reading-entered",
            Self::SpecimenCompleted { .. } => "specimen-completed",
            Self::SampleCompleted { .. } => "sample-completed",
            Self::RepeatCalledFor { .. } => "repeat-called-for",
            Self::RepeatTakenBack { .. } => "repeat-taken-back",
            Self::SpecimenNoted { .. } => "specimen-noted",
            Self::RunInterrupted { .. } => "run-interrupted",
            Self::PlaceCorrected { .. } => "place-corrected",
            Self::CylinderMoved { .. } => "cylinder-moved",
            Self::WeighingPlaced { .. } => "weighing-placed",
            Self::SpecimensPlanned { .. } => "specimens-planned",
            Self::SampleWithdrawn { .. } => "sample-withdrawn",
            Self::MarkedTogether { .. } => "marked-together",
            Self::MarkWithdrawn { .. } => "mark-withdrawn",
            Self::TimeCorrected { .. } => "time-corrected",
            Self::ReadingCorrected { .. } => "reading-corrected",
            Self::RecordVoided { .. } => "record-voided",
            Self::ReasonGiven { .. } => "reason-given",
            Self::RecordAmended { .. } => "record-amended",
            Self::ResultAmended { .. } => "result-amended",
            Self::SampleRecalled { .. } => "sample-recalled",
            Self::DocumentIssued { .. } => "document-issued",
            Self::TemperatureRead { .. } => "temperature-read",
            Self::RoomTemperatureRead { .. } => "room-temperature-read",
            Self::TemperaturesCounted { .. } => "temperatures-counted",
            Self::ProbeTakenOut { .. } => "probe-taken-out",
            Self::ProbePutIn { .. } => "probe-put-in",
            Self::PressKept { .. } => "press-kept",
            Self::KeptPressEnded { .. } => "kept-press-ended",
            Self::PressSettled { .. } => "press-settled",
            Self::TriggerRefused { .. } => "trigger-refused",
            Self::IntervalAnnounced { .. } => "interval-announced",
            Self::AlarmRaised { .. } => "alarm-raised",
            Self::AlarmCleared { .. } => "alarm-cleared",
            Self::AlarmAcknowledged { .. } => "alarm-acknowledged",
            Self::AlarmShelved { .. } => "alarm-shelved",
            Self::AlarmUnshelved { .. } => "alarm-unshelved",
            Self::AlarmTakenOutOfService { .. } => "alarm-taken-out-of-service",
            Self::AlarmPutInService { .. } => "alarm-put-in-service",
            Self::InstrumentChanged { .. } => "instrument-changed",
            Self::InstrumentIdentified { .. } => "instrument-identified",
            Self::InstrumentErrors { .. } => "instrument-errors",
            Self::ActDone { .. } => "act-done",
            Self::AskAnswered { .. } => "ask-answered",
            Self::ReceiptConfirmed { .. } => "receipt-confirmed",
            Self::ReplayAsked { .. } => "replay-asked",
            part => part.kind_of_part(),
        }
    }

    /// The kind of what a part of the trade tells by a list of its own.
    const fn kind_of_part(&self) -> &'static str {
        match self {
            Self::Intake(happened) => happened.kind(),
            Self::Measured(happened) => happened.kind(),
            Self::Contact(happened) => happened.kind(),
            Self::Equipment(happened) => happened.kind(),
            Self::Solution(happened) => happened.kind(),
            Self::Preparation(happened) => happened.kind(),
            Self::Quality(happened) => happened.kind(),
            Self::Review(happened) => happened.kind(),
            Self::Keeping(happened) => happened.kind(),
            _ => "unknown",
        }
    }

    /// Chained one by one; the others are anchored in blocks by the next chained event.
    pub const fn is_chained(&self) -> bool {
        !matches!(self, Self::TemperatureRead { .. } | Self::RoomTemperatureRead { .. })
    }
}
