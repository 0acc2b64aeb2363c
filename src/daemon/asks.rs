//! What an ask from the network means, by the verb of its topic and its payload. PURE.

use crate::domain::bench::{Act, ConsumerAsk, FromConsumer, What};
use serde_json::Value;
use uuid::Uuid;

/// An act, as the page sends it, or what a consumer of documents says. `journal`: whose documents it
/// means.
///
/// # Errors
/// Why it is none, for whoever sent it.
pub fn meaning(verb: &str, payload: &[u8], journal: Uuid) -> Result<What, String> {
    match verb {
        "act" => read::<Act>(payload, "act").map(|mut act| {
            "ask".clone_into(&mut act.via);
            What::Act(act)
        }),
        "confirm-receipt" | "replay-from" => {
            consumer(verb, payload).map(|says| What::Consumer(FromConsumer { says, journal }))
        }
        other => Err(format!("there is no ask `{other}`; there is: act, view, confirm-receipt, replay-from")),
    }
}

/// A payload as what it should be, or why it is not.
fn read<T: serde::de::DeserializeOwned>(payload: &[u8], what: &str) -> Result<T, String> {
    let text = std::str::from_utf8(payload)
        .map_err(|e| format!("this is no {what}: it is not UTF-8 from byte {} on", e.valid_up_to()))?;
    serde_json::from_str(text).map_err(|e| format!("this is no {what}: {e}"))
}

/// What a consumer says; the verb stands in the topic.
fn consumer(verb: &str, payload: &[u8]) -> Result<ConsumerAsk, String> {
    let mut fields: serde_json::Map<String, Value> = read(payload, verb)?;
    fields.insert("ask".to_owned(), verb.into());
    serde_json::from_value(Value::Object(fields)).map_err(|e| format!("this is no {verb}: {e}"))
}
