//! What is said of contacts, horn, lamps and the shaker's relay.

use super::Scratch;
use crate::settings::model::{Output, Settings, Trigger};
use serde_json::json;

fn trigger(settings: &mut Settings, name: &str, value: serde_json::Value) {
    let trigger: Trigger = serde_json::from_value(value).unwrap();
    settings.triggers.insert(name.to_owned(), trigger);
}

fn output(settings: &mut Settings, name: &str, value: serde_json::Value) {
    let output: Output = serde_json::from_value(value).unwrap();
    settings.outputs.insert(name.to_owned(), output);
}

#[test]
fn a_lamp_has_a_place_and_nothing_else_has_and_each_line_has_one_user() {
    let scratch = Scratch::new("lamps");
    let line = |line: &str| json!({ "chip": "panel", "line": line });
    let told = scratch.checked(|s| {
        trigger(s, "pedal", json!({ "does": "next", "gpio": { "chip": "panel", "line": "A" } }));
        output(s, "horn", json!({ "shows": "horn", "place": 1, "gpio": line("A") }));
        output(s, "lamp", json!({ "shows": "place", "gpio": line("B") }));
        output(s, "lamp-9", json!({ "shows": "place", "place": 9, "gpio": line("C") }));
        output(s, "Red", json!({ "shows": "red", "gpio": line("D"), "relay": { "longest-s": 60 } }));
    });
    let expected = [
        "settings: `outputs.Red`: `Red` cannot be the name of an output; use 1 to 32 lower-case letters, \
         digits and hyphens",
        "settings: `outputs.Red.relay`: only a `shaker-relay` has it",
        "settings: `outputs.horn.place`: only an output that shows `place` has one",
        "settings: `outputs.horn.gpio.line`: line A of panel is that of `pedal` already",
        "settings: `outputs.lamp.place`: is missing: name the place of this lamp",
        "settings: `outputs.lamp-9.place`: there is no place 9; `bench.places` is 8",
    ];
    assert_eq!(told, expected);
}

#[test]
fn a_relay_needs_limits_a_hand_that_starts_it_and_a_switch_that_counts() {
    let scratch = Scratch::new("relay");
    let relay = |relay: serde_json::Value| {
        let gpio = json!({ "chip": "panel", "line": "R" });
        let shaker = json!({ "shows": "shaker-relay", "gpio": gpio, "relay": relay });
        scratch.checked(|s| {
            trigger(s, "network-button", json!({ "does": "shaker-press" }));
            output(s, "shaker", shaker);
        })
    };
    let told = relay(json!({ "longest-s": 0, "start-within-s": 60, "stroke": "network-button" }));
    let keys: Vec<_> = told.iter().map(|fault| fault.split('`').nth(1).unwrap()).collect();
    let at = |key: &str| format!("outputs.shaker.relay.{key}");
    assert_eq!(keys, [at("longest-s"), at("start-within-s"), at("stroke"), at("started-by")]);
    assert!(told[3].contains("nobody could start it"), "a button on the network is no hand: {}", told[3]);
    assert_eq!(relay(json!({ "longest-s": 60, "started-by": "press-or-page" })), Vec::<String>::new());
    let far = scratch.checked(|s| {
        s.web.listen = "192.0.2.7:8765".parse().unwrap();
        let gpio = json!({ "chip": "panel", "line": "R" });
        let rules = json!({ "longest-s": 60, "started-by": "press-or-page" });
        output(s, "shaker", json!({ "shows": "shaker-relay", "gpio": gpio, "relay": rules }));
    });
    assert!(far.iter().any(|fault| fault.contains("stands beside it")), "{far:?}");
    let gpio = json!({ "chip": "panel", "line": "R" });
    let bare = scratch.checked(|s| output(s, "shaker", json!({ "shows": "shaker-relay", "gpio": gpio })));
    assert_eq!(bare, ["settings: `outputs.shaker.relay`: is missing: give at least `longest-s`"]);
}

#[test]
fn a_cycle_has_at_least_one_pulse() {
    let scratch = Scratch::new("pulses");
    let gpio = json!({ "chip": "panel", "line": "P" });
    let cycles = json!({ "does": "shaker-pulse", "pulses-per-cycle": 0, "gpio": gpio });
    let told = scratch.checked(|s| trigger(s, "cycles", cycles));
    assert_eq!(told, ["settings: `triggers.cycles.pulses-per-cycle`: 0 pulses; a cycle has 1 to 100"]);
}

#[test]
fn a_switch_has_only_what_belongs_to_what_it_does() {
    let scratch = Scratch::new("switches");
    let line = |line: &str, ms: u32| json!({ "chip": "panel", "line": line, "debounce-ms": ms });
    let told = scratch.checked(|s| {
        trigger(s, "contact", json!({ "does": "shaker-contact", "place": 1 }));
        trigger(s, "cycles", json!({ "does": "shaker-pulse", "gpio": line("A", 101) }));
        trigger(s, "pedal", json!({ "does": "next", "pulses-per-cycle": 2, "gpio": line("B", 1001) }));
        trigger(s, "slow-pedal", json!({ "does": "next", "place": 2, "gpio": line("C", 1000) }));
        trigger(s, "wheel", json!({ "does": "shaker-pulse", "pulses-per-cycle": 2, "gpio": line("D", 100) }));
    });
    let expected = [
        "settings: `triggers.contact.place`: only a trigger that does `next` has one: there is one shaker",
        "settings: `triggers.cycles.gpio.debounce-ms`: 101 ms; give 0 to 100: longer, and it swallows cycles",
        "settings: `triggers.pedal.pulses-per-cycle`: only a trigger that does `shaker-pulse` has it",
        "settings: `triggers.pedal.gpio.debounce-ms`: 1001 ms; give 0 to 1000: longer, and it swallows presses",
    ];
    assert_eq!(told, expected);
}

#[test]
fn the_contacts_and_outputs_that_the_shipped_file_shows_are_sound_together() {
    let sample = crate::settings::SHIPPED.split_once("# [triggers.foot-switch]").unwrap();
    let setting = |line: &str| {
        let bare = line.strip_prefix("# ")?;
        let key = bare.split_once(" = ").is_some_and(|(key, _)| !key.contains([' ', '#']));
        (bare.starts_with('[') || key).then(|| format!("{bare}\n"))
    };
    let text: String = sample.1.lines().filter_map(setting).collect();
    let text = format!("[triggers.foot-switch]\n{text}");
    let shown = crate::settings::read("shown.toml", &text, None, std::iter::empty()).unwrap();
    assert!(shown.outputs.len() >= 3 && shown.triggers.len() >= 4, "{text}");
    let scratch = Scratch::new("shown");
    let told = scratch.checked(|settings| {
        settings.triggers = shown.triggers;
        settings.outputs = shown.outputs;
    });
    assert_eq!(told, Vec::<String>::new());
}
