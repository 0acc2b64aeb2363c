//! A bench with samples, specimens and alarms on it, and any acts, presses, masses, temperatures
//! and clocks at all.

use crate::story::Story;

/// The whole input is a script; see [`Story::live`].
pub fn run(data: &[u8]) {
    let Ok(script) = std::str::from_utf8(data) else { return };
    let mut story = Story::of_t176();
    story.live(script);
    story.end();
}

/// An act as a client sends it.
fn act(what: &str) -> String {
    format!("{{\"id\":\"$0\",\"who\":\"Ada Brook\",\"do\":{{\"act\":{what}}}}}")
}

/// A whole specimen by the page, with `$1` the sample and `$2` the specimen.
pub fn whole_life() -> String {
    let mark = |step: &str, edge: &str| {
        act(&format!("\"mark\",\"specimen\":\"$2\",\"step\":\"{step}\",\"edge\":\"{edge}\""))
    };
    let read = |of: &str, value: &str| {
        act(&format!("\"enter-reading\",\"specimen\":\"$2\",\"of\":\"{of}\",\"value\":\"{value}\""))
    };
    let next = act("\"mark-next\",\"specimen\":\"$2\"");
    [
        act("\"register-sample\",\"label\":\"S-1\",\"method\":\"aashto-t176-mechanical\",\"specimens\":1"),
        act("\"await-sample-mass\",\"sample\":\"$1\",\"name\":\"passing\""),
        "mass 1500.0 g".to_owned(),
        act("\"prepare\",\"sample\":\"$1\",\"what\":\"sieved\""),
        act("\"register-specimen\",\"sample\":\"$1\",\"place\":1"),
        act("\"await-specimen-mass\",\"specimen\":\"$2\""),
        "mass 130.25 g".to_owned(),
        "temp 22.4 Cel".to_owned(),
        mark("first fill", "done"),
        "wait 30".to_owned(),
        mark("soak", "begin"),
        "wait 600".to_owned(),
        next.clone(),
        "wait 10".to_owned(),
        "trigger shaker on".to_owned(),
        "wait 45".to_owned(),
        "trigger shaker off".to_owned(),
        "again foot press".to_owned(),
        "wait 15".to_owned(),
        mark("irrigate", "begin"),
        "wait 100".to_owned(),
        mark("irrigate", "end"),
        "wait 1200".to_owned(),
        mark("sedimentation", "end"),
        read("clay", "8.0"),
        read("sand", "13.3"),
        next,
    ]
    .join("\n")
}

/// Whole lives, and each act there is.
pub fn seeds() -> Vec<Vec<u8>> {
    let registered: String = whole_life().lines().take(5).map(|line| format!("{line}\n")).collect();
    let mut seeds = vec![
        whole_life(),
        whole_life().replace("wait 600", "wait 700\nboot\nclock -3600"),
        whole_life().replace("temp 22.4 Cel", "temp 99 [degF]\nwait 31\ntemp 22.4 Cel"),
        format!(
            "{registered}trigger foot press\nwait 10\ntrigger foot press\ntrigger place-3 press\nwait 99999"
        ),
        format!(
            "{registered}trigger start press\nwait 3\ntrigger start press\nagain start press\nmass -5 kg"
        ),
    ];
    let acts = [
        "\"stop-awaiting\"",
        "\"no-line-yet\",\"specimen\":\"$2\"",
        "\"void-specimen\",\"specimen\":\"$2\",\"reason\":\"spilled\"",
        "\"assign-press\",\"press\":\"$3\",\"specimens\":[\"$2\"]",
        "\"dismiss-press\",\"press\":\"$3\"",
        "\"acknowledge-alarm\",\"occurrence\":\"$3\"",
        "\"shelve-alarm\",\"key\":\"probe-silent\",\"minutes\":5,\"reason\":\"cleaning\"",
        "\"unshelve-alarm\",\"key\":\"probe-silent\"",
        "\"alarm-out-of-service\",\"key\":\"probe-silent\",\"reason\":\"no probe\"",
        "\"alarm-in-service\",\"key\":\"probe-silent\"",
        "\"take-probe-out\"",
        "\"put-probe-in\",\"stands-in\":\"dummy-cylinder\"",
    ];
    seeds
        .extend(acts.map(|what| format!("{registered}trigger foot press\nwait 60\n{}\nwait 600", act(what))));
    let stated = act("\"mark\",\"specimen\":\"$2\",\"step\":\"first fill\",\"edge\":\"done\"")
        .replace("\"do\"", "\"stated-wall-ns\":1790000000000000000,\"seen\":0,\"do\"");
    seeds.push(format!("{registered}wait 100\n{stated}"));
    seeds.into_iter().map(String::into_bytes).collect()
}
