//! What a client of the network asks, plain or in an envelope.

use stillstand::daemon::asks::meaning;
use stillstand::domain::bench::What;
use stillstand::network::envelope;
use uuid::Uuid;

const VERBS: [&str; 4] = ["act", "confirm-receipt", "replay-from", "nothing"];

/// First byte: the verb; the rest: the payload.
///
/// What is taken can be stored and read again as the same; an envelope's reply names its correlation,
/// and is JSON whatever was asked.
pub fn run(data: &[u8]) {
    let [verb, payload @ ..] = data else { return };
    let verb = VERBS[usize::from(*verb) % VERBS.len()];
    let opened = envelope::open(payload);
    let asked = opened.as_ref().map_or(payload, |envelope| envelope.ask.get().as_bytes());
    let answer = match meaning(verb, asked, Uuid::nil()) {
        Ok(what) => {
            let stored = serde_json::to_string(&what).expect("an input can be stored");
            let again: What = serde_json::from_str(&stored).expect("and read again");
            assert_eq!(serde_json::to_string(&again).expect("an input can be stored"), stored);
            stored
        }
        Err(why) => {
            assert!(why.contains(verb), "{why}");
            why
        }
    };
    if let Some(envelope) = opened {
        let reply = envelope::reply(&envelope.correlation, &answer);
        let reply: serde_json::Value = serde_json::from_str(&reply).expect("a reply is JSON");
        assert_eq!(reply["correlation"].as_str(), Some(envelope.correlation.as_str()));
        let key = |topic: &str| envelope::key(topic, envelope.correlation.as_bytes());
        assert_eq!(key(&envelope.reply_to), key(&envelope.reply_to));
        assert_ne!(key(&envelope.reply_to), key(&format!("{}x", envelope.reply_to)));
    }
}

/// One of each, plain and in an envelope.
pub fn seeds() -> Vec<Vec<u8>> {
    let id = "019f0000-0000-7000-8000-000000000001";
    let act = |what: &str| format!(r#"{{"id":"{id}","who":"Ada Brook","via":"page",{what}}}"#);
    let asks = [
        (0, act(r#""act":"register-sample","label":"S","method":"aashto-t176-mechanical","specimens":2"#)),
        (0, act(&format!(r#""act":"mark-next","specimen":"{id}""#))),
        (0, act(&format!(r#""act":"enter-reading","specimen":"{id}","of":"clay","value":"8.0""#))),
        (1, format!(r#"{{"consumer":"archive","journal":"{id}","through":7}}"#)),
        (2, format!(r#"{{"consumer":"archive","journal":"{id}","number":3}}"#)),
        (3, "{}".to_owned()),
    ];
    asks.iter()
        .flat_map(|(verb, ask)| {
            let envelope = format!(r#"{{"reply-to":"reply/d/1","correlation":"a17","ask":{ask}}}"#);
            [ask.clone(), envelope].map(|text| [&[*verb], text.as_bytes()].concat())
        })
        .collect()
}
