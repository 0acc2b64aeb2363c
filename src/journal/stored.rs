//! What was written is never rewritten: an older payload is brought to the newest shape when it
//! is read. PURE.

use serde_json::Value;

/// What a stored payload is: its kind and the version of its shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stored<'a> {
    /// What kind of event.
    pub kind: &'a str,
    /// Version of its payload's shape, from 1.
    pub version: u16,
}

/// Why a payload could not be brought to the newest shape.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StoredError {
    /// Written by a newer program.
    #[error(
        "'{kind}' was stored in version {found}, and this program reads up to {newest}: \
         start the program version that wrote the journal, or a newer one"
    )]
    Newer {
        /// What kind of event.
        kind: String,
        /// Version that was stored.
        found: u16,
        /// The newest version that is known.
        newest: u16,
    },
    /// Versions count from 1.
    #[error("'{kind}' was stored without a version")]
    NoVersion {
        /// What kind of event.
        kind: String,
    },
    /// The payload is not what its version says.
    #[error("'{kind}' of version {version} does not have the shape of that version: {why}")]
    Shape {
        /// What kind of event.
        kind: String,
        /// Version that was stored.
        version: u16,
        /// What is missing or odd.
        why: String,
    },
}

/// One step from a version of a kind to the next.
struct Step {
    kind: &'static str,
    from: u16,
    change: fn(Value) -> Result<Value, String>,
}

/// Every step there is: a kind's newest version is one more than its steps. Add a step here
/// whenever a stored shape changes, and leave the older ones as they are.
const STEPS: &[Step] = &[];

impl<'a> Stored<'a> {
    /// A kind in the version in which it is written today.
    pub fn newest(kind: &'a str) -> Self {
        Self { kind, version: newest(STEPS, kind) }
    }
}

/// Brings a payload to its kind's newest version, and gives that version.
pub fn upcast(kind: &str, version: u16, payload: Value) -> Result<(u16, Value), StoredError> {
    upcast_by(STEPS, Stored { kind, version }, payload)
}

fn newest(steps: &[Step], kind: &str) -> u16 {
    steps.iter().filter(|step| step.kind == kind).map(|step| step.from + 1).max().unwrap_or(1)
}

fn upcast_by(steps: &[Step], stored: Stored, mut payload: Value) -> Result<(u16, Value), StoredError> {
    let (kind, newest) = (stored.kind.to_owned(), newest(steps, stored.kind));
    if stored.version == 0 {
        return Err(StoredError::NoVersion { kind });
    }
    if stored.version > newest {
        return Err(StoredError::Newer { kind, found: stored.version, newest });
    }
    for version in stored.version..newest {
        let step = steps.iter().find(|step| step.kind == kind && step.from == version);
        let changed = step.map_or_else(|| Err("no step leads on".to_owned()), |s| (s.change)(payload));
        payload = changed.map_err(|why| StoredError::Shape { kind: kind.clone(), version, why })?;
    }
    Ok((newest, payload))
}

#[cfg(test)]
mod test {
    use super::*;
    use serde_json::json;

    const INVENTED: &[Step] = &[
        Step {
            kind: "poured",
            from: 1,
            change: |mut v| {
                let depth = v.get("depth").cloned().ok_or("'depth' is missing")?;
                v["level"] = depth;
                Ok(v)
            },
        },
        Step {
            kind: "poured",
            from: 2,
            change: |mut v| {
                v["by"] = json!("unknown");
                Ok(v)
            },
        },
    ];

    #[test]
    fn an_old_payload_takes_every_step_to_the_newest() {
        let old = Stored { kind: "poured", version: 1 };
        let (version, payload) = upcast_by(INVENTED, old, json!({ "depth": "4" })).unwrap();
        assert_eq!(version, 3);
        assert_eq!(payload, json!({ "depth": "4", "level": "4", "by": "unknown" }));
    }

    #[test]
    fn a_payload_without_steps_comes_back_as_it_was() {
        let payload = json!({ "mass": "12.30" });
        assert_eq!(upcast("weighed", 1, payload.clone()), Ok((1, payload)));
        assert_eq!(Stored::newest("weighed").version, 1);
    }

    #[test]
    fn a_newer_version_is_refused_and_said() {
        let error = upcast("weighed", 9, json!({})).unwrap_err();
        assert!(error.to_string().contains("version 9"), "{error}");
        assert!(upcast("weighed", 0, json!({})).is_err());
    }

    #[test]
    fn an_old_payload_of_another_shape_is_an_error_and_not_a_guess() {
        let error = upcast_by(INVENTED, Stored { kind: "poured", version: 1 }, json!({})).unwrap_err();
        assert!(error.to_string().contains("depth"), "{error}");
    }
}
