//! The alarms, once: condition, consequence, response, time to respond. The priorities and times
//! are this project's own judgement of the method's needs.

use super::Priority;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// Every alarm of the station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Name {
    /// Solution colder than the method allows, for longer than the delay.
    TemperatureLow,
    /// Solution warmer than the method allows, for longer than the delay.
    TemperatureHigh,
    /// No temperature within the stale time.
    ProbeSilent,
    /// The probe's line says what cannot be read.
    ProbeNonsense,
    /// The balance's line says what cannot be read.
    BalanceNonsense,
    /// A polled instrument does not answer.
    NoAnswer,
    /// A reading lies outside of what the instrument's certificate covers.
    OutsideCertificate,
    /// A load did not settle in time.
    MassNotStable,
    /// No temperature of the room within its time.
    RoomProbeSilent,
    /// An instrument's port cannot be used.
    InstrumentGone,
    /// Another instrument answers where one was known.
    InstrumentExchanged,
    /// An instrument's error queue says why it did not answer well.
    InstrumentError,
    /// A GPIO chip or line cannot be used, or an edge was lost.
    SwitchGone,
    /// The line of a horn, lamp or relay cannot be used, or a relay opened before its time.
    OutputGone,
    /// A trigger was refused.
    TriggerRefused,
    /// The broker cannot be reached.
    NetworkAway,
    /// The broker refuses what the station sends.
    NetworkDenied,
    /// Nobody on the network takes the records.
    NetworkNoSubscriber,
    /// Another client took the station's identity.
    NetworkTakenOver,
    /// The broker refuses triggers and asks.
    NetworkInboundDenied,
    /// The broker cannot do what the station needs.
    NetworkUnsuitable,
    /// Documents cannot be read from the journal, and so not be sent.
    JournalUnreadable,
    /// A watched consumer of documents has not confirmed for long.
    ConsumerBehind,
    /// The journal cannot be written. The station itself says so: it cannot be stored.
    NotKept,
    /// Little room is left where the journal lies.
    DiskLow,
    /// The disk under the journal confirms slowly.
    DiskSlow,
}

/// What an alarm means to the person who sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Definition {
    /// Its name.
    pub name: Name,
    /// How soon a person must act.
    pub priority: Priority,
    /// The condition, in words.
    pub condition: &'static str,
    /// What happens if nobody acts.
    pub consequence: &'static str,
    /// What to do.
    pub response: &'static str,
    /// Seconds in which to do it.
    pub respond_within_s: u32,
    /// How long the condition must last before the alarm is raised.
    pub on_delay: OnDelay,
    /// Seconds for which the condition must be gone before the alarm clears.
    pub off_delay_s: u32,
    /// How far inside the limit the reading must lie to count as gone, in the method's unit.
    pub deadband: Option<Decimal>,
}

/// How long a condition must last before its alarm is raised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OnDelay {
    /// Raised at once: the condition does not come and go by itself, or each time needs a person.
    None,
    /// As long as the setting `temperature-alarm-s` says.
    TemperatureAlarm,
    /// As long as the setting `temperature-stale-s` says.
    TemperatureStale,
    /// As long as the setting `room-stale-s` says.
    RoomStale,
}

impl OnDelay {
    /// The key of the settings that holds the seconds.
    pub const fn setting(self) -> Option<&'static str> {
        match self {
            Self::None => None,
            Self::TemperatureAlarm => Some("temperature-alarm-s"),
            Self::TemperatureStale => Some("temperature-stale-s"),
            Self::RoomStale => Some("room-stale-s"),
        }
    }
}

/// Deadband of the temperature alarms: 0.2 degrees of the method's unit. Wider than the noise of
/// a usual probe, and a small part of the six degrees that the method allows (this project's own
/// judgement; common practice is a deadband above the noise, no source).
pub const TEMPERATURE_DEADBAND: Decimal = Decimal::from_parts(2, 0, 0, false, 1);

/// Off-delay of the temperature alarms, seconds: a few readings more than one (this project's own
/// judgement).
pub const TEMPERATURE_OFF_DELAY_S: u32 = 10;

impl Name {
    /// Name in topics and records.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::TemperatureLow => "temperature-low",
            Self::TemperatureHigh => "temperature-high",
            Self::ProbeSilent => "probe-silent",
            Self::ProbeNonsense => "probe-nonsense",
            Self::BalanceNonsense => "balance-nonsense",
            Self::NoAnswer => "no-answer",
            Self::OutsideCertificate => "outside-certificate",
            Self::MassNotStable => "mass-not-stable",
            Self::RoomProbeSilent => "room-probe-silent",
            Self::InstrumentGone => "instrument-gone",
            Self::InstrumentExchanged => "instrument-exchanged",
            Self::InstrumentError => "instrument-error",
            Self::SwitchGone => "switch-gone",
            Self::OutputGone => "output-gone",
            Self::TriggerRefused => "trigger-refused",
            Self::NetworkAway => "network-away",
            Self::NetworkDenied => "network-denied",
            Self::NetworkNoSubscriber => "network-no-subscriber",
            Self::NetworkTakenOver => "network-taken-over",
            Self::NetworkInboundDenied => "network-inbound-denied",
            Self::NetworkUnsuitable => "network-unsuitable",
            Self::JournalUnreadable => "journal-unreadable",
            Self::ConsumerBehind => "consumer-behind",
            Self::NotKept => "not-kept",
            Self::DiskLow => "disk-low",
            Self::DiskSlow => "disk-slow",
        }
    }
}

/// The table.
pub const TABLE: [Definition; 26] = [
    Definition {
        name: Name::TemperatureLow,
        priority: Priority::High,
        condition: "the working solution is colder than the method allows",
        consequence: "fines settle more slowly, the clay reading comes out high and the result low",
        response: "bring the solution and the room into range; specimens at work keep the deviation",
        respond_within_s: 300,
        on_delay: OnDelay::TemperatureAlarm,
        off_delay_s: TEMPERATURE_OFF_DELAY_S,
        deadband: Some(TEMPERATURE_DEADBAND),
    },
    Definition {
        name: Name::TemperatureHigh,
        priority: Priority::High,
        condition: "the working solution is warmer than the method allows",
        consequence: "fines settle faster, the clay reading comes out low and the result high",
        response: "bring the solution and the room into range; specimens at work keep the deviation",
        respond_within_s: 300,
        on_delay: OnDelay::TemperatureAlarm,
        off_delay_s: TEMPERATURE_OFF_DELAY_S,
        deadband: Some(TEMPERATURE_DEADBAND),
    },
    Definition {
        name: Name::ProbeSilent,
        priority: Priority::High,
        condition: "no temperature has come in time",
        consequence: "nothing shows that the solution was in range",
        response: "check the probe's cable and power; read a thermometer and note it in words on each specimen",
        respond_within_s: 300,
        on_delay: OnDelay::TemperatureStale,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::ProbeNonsense,
        priority: Priority::Medium,
        condition: "the probe's line carries what cannot be read",
        consequence: "readings may be missing",
        response: "check the probe's settings and cable against the shape in use",
        respond_within_s: 900,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::BalanceNonsense,
        priority: Priority::Medium,
        condition: "the balance's line carries what cannot be read",
        consequence: "weighings may be missing",
        response: "check the balance's settings and cable against the shape in use",
        respond_within_s: 900,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::NoAnswer,
        priority: Priority::Medium,
        condition: "an instrument does not answer when asked",
        consequence: "readings are missing",
        response: "check that it is switched on, its cable and its settings",
        respond_within_s: 900,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::OutsideCertificate,
        priority: Priority::Medium,
        condition: "a reading lies outside of what the instrument's certificate covers",
        consequence: "it has no correction and does not count: readings are missing",
        response: "bring the solution into range, or have the instrument calibrated further",
        respond_within_s: 900,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::MassNotStable,
        priority: Priority::Low,
        condition: "a load did not settle within 15 s, or within 60 s while it kept changing",
        consequence: "it is not weighed",
        response: "keep draught and shaking away and put the load on anew, or confirm the mass by hand",
        respond_within_s: 900,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::RoomProbeSilent,
        priority: Priority::Low,
        condition: "no temperature of the room has come in time",
        consequence: "records do not show the room's temperature",
        response: "check the room probe's cable and power",
        respond_within_s: 3600,
        on_delay: OnDelay::RoomStale,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::InstrumentGone,
        priority: Priority::Medium,
        condition: "an instrument's port cannot be used",
        consequence: "its readings are missing",
        response: "put the cable back, or end the other program that uses the port",
        respond_within_s: 900,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::InstrumentExchanged,
        priority: Priority::Medium,
        condition: "another instrument answers where one was known",
        consequence: "readability, correction and certificate in the settings may be another's",
        response: "see which instrument it is; correct the settings if it is to stay",
        respond_within_s: 900,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::InstrumentError,
        priority: Priority::Low,
        condition: "an answer could not be read, and the instrument's error queue holds the reason",
        consequence: "readings may be missing",
        response: "compare the error with the instrument's manual, and the shape with its settings",
        respond_within_s: 3600,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::SwitchGone,
        priority: Priority::Medium,
        condition: "a switch's line cannot be used, or an edge of it was lost",
        consequence: "presses may be missing",
        response: "use the page; check the wiring; enter a missed press as a stated time",
        respond_within_s: 300,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::OutputGone,
        priority: Priority::Medium,
        condition: "the line of a horn, lamp or relay cannot be used, or a relay opened before its time",
        consequence: "it stays dark, silent or open; a run of the shaker may be too short",
        response: "use the page; check the wiring; stop the shaker by its own switch if it runs",
        respond_within_s: 300,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::TriggerRefused,
        priority: Priority::Medium,
        condition: "a trigger's message started and stopped nothing",
        consequence: "a press that somebody made may not have been taken",
        response: "read why; if the press was meant, enter it as a stated time",
        respond_within_s: 300,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::NetworkAway,
        priority: Priority::Low,
        condition: "the broker cannot be reached",
        consequence: "records wait here, in order; nothing is lost",
        response: "tell whoever looks after the network",
        respond_within_s: 14_400,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::NetworkDenied,
        priority: Priority::Medium,
        condition: "the broker refuses what the station sends",
        consequence: "records wait here, in order; nothing is lost",
        response: "have the station's rights on the broker checked",
        respond_within_s: 14_400,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::NetworkNoSubscriber,
        priority: Priority::Low,
        condition: "nobody on the network takes the station's documents",
        consequence: "records wait here, in order; nothing is lost",
        response: "have the receiving system started, or its subscription checked",
        respond_within_s: 14_400,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::NetworkTakenOver,
        priority: Priority::Medium,
        condition: "another client uses the station's name on the broker",
        consequence: "two stations would mix their records; this one holds its own back",
        response: "give each station a name of its own",
        respond_within_s: 3600,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::NetworkInboundDenied,
        priority: Priority::Medium,
        condition: "the broker refuses the station's triggers and asks",
        consequence: "buttons on the network do nothing here",
        response: "use the page; have the station's rights on the broker checked",
        respond_within_s: 900,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::NetworkUnsuitable,
        priority: Priority::Medium,
        condition: "the broker cannot do what the station needs",
        consequence: "records wait here, in order; nothing is lost",
        response: "use a broker with MQTT 5, QoS 1 and retained messages",
        respond_within_s: 14_400,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::JournalUnreadable,
        priority: Priority::Medium,
        condition: "documents that are to be sent cannot be read from the journal",
        consequence: "the records from there on wait here, in order; part of the journal may be damaged",
        response: "have the journal verified, and what the installer's page says of a damaged one done",
        respond_within_s: 3600,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::ConsumerBehind,
        priority: Priority::Low,
        condition: "a watched consumer has not confirmed the station's documents for long",
        consequence: "records may be missing where they are wanted; the journal here has them all",
        response: "have the consumer looked at; it asks for a replay from the number that it misses",
        respond_within_s: 14_400,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::NotKept,
        priority: Priority::High,
        condition: "the journal cannot be written",
        consequence: "nothing is stored: acts are refused, what switches and instruments say waits in memory",
        response: "make room on the disk, or have it put right; note times on paper and state them afterwards",
        respond_within_s: 300,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::DiskLow,
        priority: Priority::Medium,
        condition: "less room is left under the journal than the setting says",
        consequence: "once the disk is full, nothing can be stored",
        response: "make room on the disk, or move the journal to a larger one",
        respond_within_s: 14_400,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
    Definition {
        name: Name::DiskSlow,
        priority: Priority::Medium,
        condition: "the disk took longer to confirm than the setting says",
        consequence: "answers come late; a disk that wears out does this before it fails",
        response: "end what keeps the disk busy; if it stays slow, make a backup and change the disk",
        respond_within_s: 14_400,
        on_delay: OnDelay::None,
        off_delay_s: 0,
        deadband: None,
    },
];

/// The definition of an alarm.
pub fn definition(name: Name) -> &'static Definition {
    // A name without a row would be a mistake of this file; the test below finds it.
    TABLE.iter().find(|d| d.name == name).unwrap_or(&TABLE[0])
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn every_alarm_has_its_own_row_and_its_serialised_name() {
        for row in TABLE {
            assert_eq!(definition(row.name), &row);
            assert_eq!(serde_json::to_value(row.name).unwrap(), row.name.as_str());
        }
    }
}
