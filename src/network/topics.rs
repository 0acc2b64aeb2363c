//! Names of the topics: `stillstand/1/{station}/…`. Version early and identity before kind, so
//! that one pattern of a broker's access list covers a station. PURE.

use serde::{Deserialize, Serialize};

/// First two levels of every topic: the product and the version of its topics.
pub const ROOT: &str = "stillstand/1";

/// Longest name of a trigger or verb that is taken from a topic, in bytes.
const NAME_MOST: usize = 64;

/// The topics of one station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Topics {
    base: String,
}

/// What an inbound topic names.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TopicKind {
    /// `trigger/{name}`: a button, a foot switch or a contact on the network.
    Trigger(String),
    /// `ask/{verb}`: a request with a reply.
    Ask(String),
}

impl Topics {
    /// The topics of the station with this id (lower-case letters, digits and hyphens).
    pub fn of(station: &str) -> Self {
        Self { base: format!("{ROOT}/{station}") }
    }

    /// Presence; also the topic of the will.
    pub fn status(&self) -> String {
        self.under("status", None)
    }

    /// Software, schemas and calibration state.
    pub fn meta(&self) -> String {
        self.under("meta", None)
    }

    /// The keys that documents are or were signed with.
    pub fn keys(&self) -> String {
        self.under("keys", None)
    }

    /// The present value of a signal.
    pub fn reading(&self, signal: &str) -> String {
        self.under("reading", Some(signal))
    }

    /// How the station stands, for the room.
    pub fn overview(&self) -> String {
        self.under("overview", None)
    }

    /// How far each consumer of documents confirmed.
    pub fn consumers(&self) -> String {
        self.under("consumers", None)
    }

    /// The state of a place on the bench, numbered from 1.
    pub fn place(&self, number: u32) -> String {
        self.under("place", Some(&number.to_string()))
    }

    /// The snapshot of an alarm.
    pub fn alarm(&self, name: &str) -> String {
        self.under("alarm", Some(name))
    }

    /// Something that happened on the bench.
    pub fn event(&self, kind: &str) -> String {
        self.under("event", Some(kind))
    }

    /// Specimen records.
    pub fn record(&self) -> String {
        self.under("record", None)
    }

    /// Sample results.
    pub fn result(&self) -> String {
        self.under("result", None)
    }

    /// Weighings.
    pub fn weighing(&self) -> String {
        self.under("weighing", None)
    }

    /// A network trigger.
    pub fn trigger(&self, name: &str) -> String {
        self.under("trigger", Some(name))
    }

    /// A request.
    pub fn ask(&self, verb: &str) -> String {
        self.under("ask", Some(verb))
    }

    /// The filters that the station subscribes: triggers and asks.
    pub fn inbound_filters(&self) -> [String; 2] {
        [self.trigger("+"), self.ask("+")]
    }

    /// What `topic` asks of this station; `None` for any other topic.
    pub fn inbound(&self, topic: &str) -> Option<TopicKind> {
        let rest = topic.strip_prefix(&self.base)?.strip_prefix('/')?;
        let (kind, name) = rest.split_once('/')?;
        if !is_name(name) {
            return None;
        }
        match kind {
            "trigger" => Some(TopicKind::Trigger(name.to_owned())),
            "ask" => Some(TopicKind::Ask(name.to_owned())),
            _ => None,
        }
    }

    /// Which station speaks under `topic`, and what of: the last level; `None` for any other topic.
    pub fn speaker(topic: &str) -> Option<(&str, &str)> {
        let (station, kind) = topic.strip_prefix(ROOT)?.strip_prefix('/')?.split_once('/')?;
        is_name(station).then_some((station, kind))
    }

    fn under(&self, kind: &str, name: Option<&str>) -> String {
        match name {
            Some(name) => format!("{}/{kind}/{name}", self.base),
            None => format!("{}/{kind}", self.base),
        }
    }
}

/// Lower-case letters, digits and hyphens: what a level of our topics may consist of.
pub fn is_name(name: &str) -> bool {
    !name.is_empty()
        && name.len() <= NAME_MOST
        && name.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-')
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn names_follow_the_published_list() {
        let topics = Topics::of("north-bench");
        assert_eq!(topics.status(), "stillstand/1/north-bench/status");
        assert_eq!(topics.reading("solution"), "stillstand/1/north-bench/reading/solution");
        assert_eq!(topics.place(3), "stillstand/1/north-bench/place/3");
        assert_eq!(
            topics.inbound_filters(),
            ["stillstand/1/north-bench/trigger/+", "stillstand/1/north-bench/ask/+"]
        );
    }

    #[test]
    fn an_inbound_topic_is_taken_apart() {
        let topics = Topics::of("b1");
        assert_eq!(
            topics.inbound("stillstand/1/b1/trigger/foot-2"),
            Some(TopicKind::Trigger("foot-2".into()))
        );
        assert_eq!(topics.inbound("stillstand/1/b1/ask/read"), Some(TopicKind::Ask("read".into())));
    }

    #[test]
    fn a_speaker_is_known_by_its_topic() {
        assert_eq!(Topics::speaker(&Topics::of("b2").overview()), Some(("b2", "overview")));
        for topic in [
            "stillstand/1/B2/overview",
            "stillstand/1//overview",
            "stillstand/2/b2/status",
            "stillstand/1/b2",
        ] {
            assert_eq!(Topics::speaker(topic), None, "{topic}");
        }
    }

    #[test]
    fn what_is_not_ours_is_left_alone() {
        let topics = Topics::of("b1");
        for topic in [
            "stillstand/1/b12/trigger/foot",
            "stillstand/1/b1trigger/foot",
            "stillstand/2/b1/trigger/foot",
            "stillstand/1/b1/trigger",
            "stillstand/1/b1/trigger/",
            "stillstand/1/b1/trigger/a/b",
            "stillstand/1/b1/trigger/Fuß",
            "stillstand/1/b1/record",
            "",
        ] {
            assert_eq!(topics.inbound(topic), None, "{topic}");
        }
        assert_eq!(topics.inbound(&topics.trigger(&"a".repeat(65))), None);
    }
}
