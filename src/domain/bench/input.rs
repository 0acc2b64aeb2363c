//! Everything that can wake the bench: a closed list. A foot switch, a message, a button on the
//! page and an ask from the network end in the same [`Input`].

use super::people::Act;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::reading::InstrumentReport;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// One input, stamped at its source.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Input {
    /// Its identity (UUIDv7). Identities made while it is decided are derived from it.
    pub id: Uuid,
    /// When it happened, not when it was reached.
    pub moment: Moment,
    /// What it is.
    pub what: What,
}

impl Input {
    /// The `n`th identity derived from this input's: still a UUIDv7 of the same instant.
    pub fn derived(&self, n: u64) -> Uuid {
        let low_62 = (1_u128 << 62) - 1;
        let bits = self.id.as_u128();
        let low = (bits & low_62).wrapping_add(u128::from(n)) & low_62;
        Uuid::from_u128((bits & !low_62) | low)
    }
}

/// What an input is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "input", rename_all = "kebab-case")]
pub enum What {
    /// The daemon started.
    Started(Box<Started>),
    /// A person's act, from the page or from an ask on the network.
    Act(Act),
    /// Somebody who takes the documents says something of them.
    Consumer(super::FromConsumer),
    /// Any of these, asked with a correlation: it has one effect and one reply, however often it
    /// is asked.
    Asked {
        /// What its response topic and correlation come to.
        key: Uuid,
        /// What is asked.
        what: Box<What>,
    },
    /// A switch, button or contact.
    Trigger(Trigger),
    /// An instrument's adapter has something to say.
    Instrument(InstrumentReport),
    /// A switch's adapter has something to say of the switch itself.
    Switch(SwitchReport),
    /// The network's adapter has something to say.
    Network(NetworkReport),
    /// Something was seen of the disk under the journal.
    Disk(DiskReport),
    /// A sample that an act names and that had left the bench, found in the journal.
    Recalled(Box<crate::domain::bench::ClosedSample>),
    /// What the rules of keeping allow is going to be removed.
    Removed(Box<crate::domain::keeping::Removal>),
    /// A deadline has passed. A spurious one does nothing.
    Deadline,
}

/// What the daemon brings along when it starts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Started {
    /// Name of the station in topics.
    pub station: String,
    /// Name for people.
    pub title: String,
    /// The program's version.
    pub version: String,
    /// Simulated instruments: the records say so.
    pub rehearsal: bool,
    /// The bench's settings.
    pub bench: crate::domain::bench::BenchSettings,
    /// Switches, buttons and contacts, by name.
    pub triggers: BTreeMap<String, crate::domain::bench::TriggerSettings>,
    /// Instruments, by name.
    pub instruments: BTreeMap<String, crate::domain::reading::InstrumentKind>,
    /// The methods, all of them.
    pub methods: Vec<Arc<Method>>,
    /// The network.
    #[serde(default)]
    pub network: super::NetworkFacts,
    /// What documents are signed with.
    #[serde(default)]
    pub signing_key: Option<crate::domain::report::SigningKey>,
    /// Kinds of equipment, with what is required of them.
    #[serde(default)]
    pub equipment: Vec<crate::domain::equipment::Kind>,
    /// Recipes of solutions.
    #[serde(default)]
    pub recipes: Vec<crate::domain::solution::Recipe>,
    /// Days of the laboratory.
    #[serde(default)]
    pub calendar: crate::domain::calendar::Calendar,
}

/// A switch, button or contact.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Trigger {
    /// Its name in the settings.
    pub name: String,
    /// What came, or why it may start and stop nothing.
    pub contact: Result<Contact, String>,
    /// `mqtt` or `gpio`.
    pub via: String,
}

/// What a switch says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Contact {
    /// The contact closed.
    On,
    /// The contact opened.
    Off,
    /// A button was pressed.
    Press,
}

/// What the adapter of a switch says of the switch itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "switch", rename_all = "kebab-case")]
pub enum SwitchReport {
    /// Its line cannot be used.
    Gone {
        /// Its name in the settings.
        name: String,
        /// What the system said.
        why: String,
    },
    /// Its line can be used (again).
    Open {
        /// Its name in the settings.
        name: String,
    },
    /// How its contact stood when its line began to be watched: no press, and no begin of a run.
    Found {
        /// Its name in the settings.
        name: String,
        /// The contact is closed.
        closed: bool,
    },
    /// It counted complete cycles of the shaker, from the first pulse to the last that ended one.
    Counted {
        /// Its name in the settings.
        name: String,
        /// The first pulse, and each after it that ended a cycle.
        pulses: u32,
        /// The first.
        first: Moment,
        /// The last.
        last: Moment,
    },
    /// The line of an output cannot be used.
    OutputGone {
        /// Its name in the settings.
        name: String,
        /// What the system said.
        why: String,
    },
    /// The line of an output can be used (again).
    OutputOpen {
        /// Its name in the settings.
        name: String,
    },
    /// The shaker's relay opened by itself while a run was marked.
    RelayOpened {
        /// Its name in the settings.
        name: String,
        /// Why, in words.
        why: String,
        /// Before its time: somebody must look.
        early: bool,
    },
    /// Edges were lost.
    Lost {
        /// Its name in the settings.
        name: String,
        /// How many.
        edges: u32,
        /// The last edge before them, or the begin of the watch.
        #[serde(default)]
        since: Option<Moment>,
    },
}

/// What was seen of the disk under the journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct DiskReport {
    /// Which condition.
    pub condition: DiskCondition,
    /// It is there; else it has gone.
    pub active: bool,
    /// With figures.
    pub text: String,
    /// Whose inputs it is about; empty: it is about the disk alone.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub about: String,
}

/// What a report of left out inputs is about where it is no instrument's.
pub const OTHER_SOURCES: &str = "others";

/// Conditions of a disk that works, or works again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DiskCondition {
    /// Little room is left.
    Low,
    /// It confirms slowly.
    Slow,
    /// It took nothing for so long that inputs found no room to wait in, and are lost.
    LeftOut,
}

/// What the network's adapter says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "network", rename_all = "kebab-case")]
pub enum NetworkReport {
    /// The broker accepted the connection.
    Connected,
    /// There is no connection.
    Away {
        /// What the system said.
        why: String,
    },
    /// Something happened on the network that a person may want to know.
    Noted {
        /// In a sentence.
        text: String,
    },
    /// A condition of delivery has come or gone.
    Condition {
        /// Which.
        condition: NetworkCondition,
        /// It is there.
        active: bool,
        /// What the broker said.
        text: String,
    },
}

/// Conditions of delivery.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NetworkCondition {
    /// The broker refuses.
    Denied,
    /// Nobody takes the documents.
    NoSubscriber,
    /// Another client uses the station's name.
    TakenOver,
    /// The broker refuses triggers and asks.
    InboundDenied,
    /// The broker cannot do what the station needs.
    Unsuitable,
    /// The documents cannot be read.
    Unreadable,
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::test::at;

    #[test]
    fn derived_identities_differ_and_stay_version_7() {
        let id = Uuid::parse_str("019f0000-0000-7fff-bfff-ffffffffffff").unwrap();
        let input = Input { id, moment: at(0), what: What::Deadline };
        let derived: std::collections::BTreeSet<Uuid> = (0..100).map(|n| input.derived(n)).collect();
        assert_eq!(derived.len(), 100);
        for id in derived {
            assert_eq!(id.get_version_num(), 7);
            assert_eq!(id.get_variant(), uuid::Variant::RFC4122);
        }
    }
}
