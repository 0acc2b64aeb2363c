//! A trigger's topic and payload.

use stillstand::domain::bench::Contact;
use stillstand::network::topics::{TopicKind, Topics};
use stillstand::triggers::meaning::trigger_meaning;

/// First byte: retained, marked duplicate; the rest: the payload, and the topic as well.
pub fn run(data: &[u8]) {
    let [marks, payload @ ..] = data else { return };
    let (retain, dup) = (marks & 1 != 0, marks & 2 != 0);
    match trigger_meaning(payload, retain, dup) {
        Ok(contact) => {
            assert!(!retain && !dup, "an old press acts");
            let word = match contact {
                Contact::On => "on",
                Contact::Off => "off",
                Contact::Press => "press",
            };
            let text = std::str::from_utf8(payload).expect("a word is text");
            let letters: String = text.chars().filter(char::is_ascii_alphabetic).collect();
            assert_eq!(letters.to_ascii_lowercase(), word);
        }
        Err(refused) => {
            let text = refused.to_string();
            assert!(text.chars().count() < 140, "{text}");
            assert!(!text.chars().any(char::is_control), "{text:?}");
        }
    }
    let topic = String::from_utf8_lossy(payload);
    let topics = Topics::of("bench-1");
    match topics.inbound(&topic) {
        Some(TopicKind::Trigger(name)) => assert_eq!(topics.trigger(&name), topic),
        Some(TopicKind::Ask(verb)) => assert_eq!(topics.ask(&verb), topic),
        None => {}
    }
}

/// Words, quotes, and topics.
pub fn seeds() -> Vec<Vec<u8>> {
    [
        "\0on",
        "\0OFF",
        "\0 press\r\n",
        "\0\"press\"",
        "\0' on '",
        "\x01press",
        "\x02press",
        "\0{\"on\":1}",
        "\0stillstand/1/bench-1/trigger/foot",
        "\0stillstand/1/bench-1/ask/act",
    ]
    .map(|text| text.as_bytes().to_vec())
    .to_vec()
}
