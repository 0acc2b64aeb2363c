//! Why an act was not carried out: a value with its reason, for the person who acted.

use serde::Serialize;

/// A refusal.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, Serialize)]
#[serde(tag = "refused", rename_all = "kebab-case")]
pub enum Refusal {
    /// The thing named does not exist (any more).
    #[error("there is no {what} `{name}`{}", if known.is_empty() { String::new() } else { format!("; there is: {known}") })]
    Unknown {
        /// What was looked for.
        what: &'static str,
        /// What was given.
        name: String,
        /// What there is.
        known: String,
    },
    /// A place is out of the bench, or taken.
    #[error("place {place} {why}")]
    Place {
        /// The place.
        place: u32,
        /// Why not.
        why: String,
    },
    /// Not in this order.
    #[error("{label}: `{wanted}` is not possible now; possible: {possible}")]
    OutOfOrder {
        /// The specimen.
        label: String,
        /// What was wanted.
        wanted: String,
        /// What is possible.
        possible: String,
    },
    /// A stated time that cannot be.
    #[error("the stated time {why}")]
    StatedTime {
        /// Why.
        why: String,
    },
    /// A switch's or a page's own stamp that cannot be.
    #[error("the moment of the press {why}; state the time if it was meant")]
    Stamp {
        /// Why.
        why: String,
    },
    /// A level that cannot be.
    #[error("{why}")]
    Level {
        /// Why.
        why: String,
    },
    /// Unusual: asked about once, accepted when confirmed.
    #[error("{question}")]
    Confirm {
        /// What is asked.
        question: String,
    },
    /// Another person waits for a mass: asked about once, taken over when that is said.
    #[error("{question}")]
    Waited {
        /// What is asked.
        question: String,
    },
    /// A mass can come from several balances, and none was named.
    #[error("say which balance is to weigh {what}: {}", balances.join(" or "))]
    WhichBalance {
        /// What is to be weighed.
        what: String,
        /// The balances.
        balances: Vec<String>,
    },
    /// Somebody else acted on the specimen in the meantime.
    #[error("{label} has changed since you saw it: {}; possible now: {now}", told(since))]
    Changed {
        /// The specimen.
        label: String,
        /// What happened since, oldest first.
        since: Vec<Told>,
        /// Where it stands now.
        now: String,
        /// Its version now.
        version: u32,
    },
    /// It names nobody who is signed on, or nobody can sign on like this.
    #[error("{why}")]
    SignOn {
        /// Why.
        why: String,
    },
    /// The person who is signed on may not do it.
    #[error("{why}")]
    NotAllowed {
        /// Why.
        why: String,
    },
    /// A field that is empty, too long or out of range.
    #[error("{field}: {why}")]
    Field {
        /// Which.
        field: &'static str,
        /// Why not.
        why: String,
    },
    /// The journal cannot be written now.
    #[error(
        "not kept: {why}. Nothing of it was stored; do it again once the station can store, with the time stated"
    )]
    NotKept {
        /// Why.
        why: String,
    },
    /// It is so already.
    #[error("{what}")]
    Already {
        /// What.
        what: String,
    },
}

/// One thing that happened to a specimen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Told {
    /// What, in words.
    pub what: String,
    /// Who: a person, or the switch or instrument.
    pub by: String,
    /// Wall time in milliseconds since 1970-01-01T00:00:00Z.
    pub at_ms: i64,
}

fn told(since: &[Told]) -> String {
    let one = |t: &Told| {
        let at = jiff::Timestamp::from_millisecond(t.at_ms).unwrap_or(jiff::Timestamp::MIN);
        format!("{}, by {}, {} UTC", t.what, t.by, at.strftime("%H:%M:%S"))
    };
    if since.is_empty() {
        "long ago".to_owned()
    } else {
        since.iter().map(one).collect::<Vec<_>>().join("; ")
    }
}

/// What became of an input.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
pub enum Outcome {
    /// Carried out; what a person may want to know.
    Done {
        /// In a sentence.
        note: String,
        /// Identity of what was made, if something was.
        made: Option<uuid::Uuid>,
    },
    /// Done before: the same act was sent again. It says what it said then.
    DoneBefore {
        /// In a sentence.
        note: String,
        /// Identity of what was made, if something was.
        made: Option<uuid::Uuid>,
    },
    /// Asked before with the same correlation: the reply is that of then, word for word.
    AsBefore {
        /// The reply, as it was sent.
        reply: std::sync::Arc<str>,
    },
    /// Refused.
    Refused {
        /// Why.
        refusal: Refusal,
        /// The same in a sentence.
        text: String,
    },
}

impl Outcome {
    /// Carried out.
    pub fn done(note: impl Into<String>) -> Self {
        Self::Done { note: note.into(), made: None }
    }

    /// Carried out, and this was made.
    pub fn made(note: impl Into<String>, id: uuid::Uuid) -> Self {
        Self::Done { note: note.into(), made: Some(id) }
    }
}

impl From<Refusal> for Outcome {
    fn from(refusal: Refusal) -> Self {
        let text = refusal.to_string();
        Self::Refused { refusal, text }
    }
}
