//! Whether settings that can be read also make sense together, and on this machine.

use super::fault::SettingsFault;
use super::model::{Network, RelayRules, Settings, StartedBy, Trigger};
use crate::domain::bench::{Does, is_consumer_name};
use crate::domain::method::Method;
use crate::domain::report::laboratory::Laboratory;
use crate::domain::signal::Shows;
use jiff::tz::TimeZone;
use std::collections::BTreeMap;
use std::path::Path;

/// More pulses in one stroke nobody could mean: a stroke has two ends, a wheel some teeth.
const PULSES_MOST: u32 = 100;
/// Longest debounce, milliseconds: no contact bounces for longer, and a press may be shorter.
const DEBOUNCE_MOST_MS: u32 = 1000;
/// The same of a switch that counts: a shaker makes three cycles a second, and the switch sees its
/// mark for a part of each.
const DEBOUNCE_PULSE_MOST_MS: u32 = 100;
/// Longest run that a relay may be given, seconds: the longest of a method is shorter by far.
const RELAY_LONGEST_S: u32 = 300;
/// Longest time for which a start is good, seconds: whoever pressed still stands there.
const RELAY_START_S: u32 = 10;
/// Fewer days than these nobody could mean: a test may still be under way.
const KEPT_DAYS_LEAST: u32 = 30;

/// Everything that makes no sense, all at once.
pub fn check(settings: &Settings) -> Vec<SettingsFault> {
    let mut faults = Faults(Vec::new());
    station(settings, &mut faults);
    bench(settings, &mut faults);
    folders(settings, &mut faults);
    instruments(settings, &mut faults);
    let mut lines = triggers(settings, &mut faults);
    outputs(settings, &mut lines, &mut faults);
    for (key, what) in super::web::faults(&settings.web) {
        faults.add(key, what);
    }
    for (key, what) in settings.units.faults() {
        faults.add(format!("units.{key}"), what);
    }
    if let Some((key, what)) = settings.labels.fault() {
        faults.add(format!("labels.{key}"), what);
    }
    for (key, days) in [
        ("keeping.temperatures-days", settings.keeping.temperatures_days),
        ("keeping.inputs-days", settings.keeping.inputs_days),
    ] {
        if (1..KEPT_DAYS_LEAST).contains(&days) {
            faults.add(key, format!("{days} is too few: give {KEPT_DAYS_LEAST} days or more, or 0 for ever"));
        }
    }
    if let Some((key, what)) = settings.laboratory.as_ref().and_then(Laboratory::fault) {
        faults.add(format!("laboratory.{key}"), what);
    }
    if let Some(network) = &settings.network {
        broker(network, &mut faults);
        followed(network, &settings.station.id, &mut faults);
    }
    faults.0
}

/// Whether the bench's foot assembly is one that the methods know.
pub fn check_methods(settings: &Settings, methods: &[Method]) -> Vec<SettingsFault> {
    let mut faults = Faults(Vec::new());
    let foot = &settings.bench.foot;
    // Where each method has one foot or none, there is nothing to choose.
    let choice = methods.iter().any(|method| method.readings.feet.len() > 1);
    if choice && !methods.iter().any(|method| method.foot(foot).is_some()) {
        let mut known: Vec<_> =
            methods.iter().flat_map(|m| &m.readings.feet).map(|f| format!("`{}`", f.name)).collect();
        known.sort();
        known.dedup();
        faults
            .add("bench.foot", format!("no method knows the foot `{foot}`; they know {}", known.join(", ")));
    }
    faults.0
}

struct Faults(Vec<SettingsFault>);

impl Faults {
    fn add(&mut self, key: impl Into<String>, what: impl Into<String>) {
        self.0.push(SettingsFault { place: "settings".to_owned(), key: key.into(), what: what.into() });
    }
}

/// What goes into topics and file names.
fn is_id(text: &str) -> bool {
    let plain = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
    (1..=32).contains(&text.len()) && text.bytes().all(plain)
}

const ID_RULE: &str = "use 1 to 32 lower-case letters, digits and hyphens";

/// A time zone by its name, from this machine's database; `UTC` needs none.
///
/// # Errors
/// What the reader of the database said.
pub fn time_zone(name: &str) -> Result<TimeZone, jiff::Error> {
    if name == "UTC" { Ok(TimeZone::UTC) } else { TimeZone::get(name) }
}

fn station(settings: &Settings, faults: &mut Faults) {
    let station = &settings.station;
    if !is_id(&station.id) {
        faults.add("station.id", format!("`{}` cannot be a topic; {ID_RULE}", station.id));
    }
    if station.title.trim().is_empty() {
        faults.add("station.title", "is empty; give the bench a name for people");
    }
    if time_zone(&station.time_zone).is_err() {
        let what = format!(
            "this machine knows no time zone `{}`; use an IANA name such as `Europe/Lisbon` or `UTC`",
            station.time_zone
        );
        faults.add("station.time-zone", what);
    }
}

fn bench(settings: &Settings, faults: &mut Faults) {
    let bench = &settings.bench;
    if !(1..=64).contains(&bench.places) {
        faults.add("bench.places", format!("{} places; a bench has 1 to 64", bench.places));
    }
    if bench.shaker_holds == 0 {
        faults.add("bench.shaker-holds", "0 cylinders; the shaker holds at least 1");
    }
    for (key, seconds) in [
        ("bench.temperature-stale-s", bench.temperature_stale_s),
        ("bench.temperature-idle-s", bench.temperature_idle_s),
        ("bench.room-every-s", bench.room_every_s),
        ("bench.room-stale-s", bench.room_stale_s),
    ] {
        if seconds == 0 {
            faults.add(key, "0 seconds; use at least 1");
        }
    }
    if bench.sign_on_hours > 8760 {
        let what =
            format!("{} hours; use at most 8760, or 0: until somebody signs them off", bench.sign_on_hours);
        faults.add("bench.sign-on-hours", what);
    }
    if bench.room_every_s >= bench.room_stale_s {
        let what = format!(
            "{} seconds between kept temperatures of the room, and one is stale after {}: make it shorter",
            bench.room_every_s, bench.room_stale_s
        );
        faults.add("bench.room-every-s", what);
    }
    if let Some(stated) = &bench.uncertainty {
        for (key, what) in stated.faults() {
            faults.add(format!("bench.uncertainty.{key}"), what);
        }
    }
    if bench.temperature_idle_s >= bench.temperature_stale_s {
        let what = format!(
            "{} seconds between kept temperatures, and a temperature is stale after {}: an idle bench would \
             look as if its probe were silent; make it shorter",
            bench.temperature_idle_s, bench.temperature_stale_s
        );
        faults.add("bench.temperature-idle-s", what);
    }
}

fn folders(settings: &Settings, faults: &mut Faults) {
    for (key, folder) in
        [("station.methods", &settings.station.methods), ("station.shapes", &settings.station.shapes)]
    {
        match holds_toml(folder) {
            Err(error) => faults.add(key, format!("cannot read the folder {}: {error}", folder.display())),
            Ok(false) => faults.add(key, format!("the folder {} holds no file `*.toml`", folder.display())),
            Ok(true) => {}
        }
    }
    if settings.journal.slow_ms == 0 {
        faults.add("journal.slow-ms", "is 0, and every commit takes longer; use at least 1");
    }
    let path = &settings.journal.path;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if !folder.is_dir() {
        faults.add("journal.path", format!("there is no folder {}; make it first", folder.display()));
    } else if path.is_dir() {
        faults.add("journal.path", format!("{} is a folder; name a file in it", path.display()));
    }
}

fn holds_toml(folder: &Path) -> std::io::Result<bool> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_file() && path.extension().is_some_and(|extension| extension == "toml") {
            return Ok(true);
        }
    }
    Ok(false)
}

fn instruments(settings: &Settings, faults: &mut Faults) {
    let mut ports = BTreeMap::new();
    for (name, instrument) in &settings.instruments {
        let key = format!("instruments.{name}");
        if !is_id(name) {
            faults.add(&key, format!("`{name}` cannot be the name of an instrument; {ID_RULE}"));
        }
        if let Some(other) = ports.insert(&instrument.port, name) {
            let what = format!("{} is the port of `{other}` already", instrument.port.display());
            faults.add(format!("{key}.port"), what);
        }
        if let Err((at, what)) = instrument.readability() {
            faults.add(format!("{key}.{at}"), what);
        }
        for (at, what) in instrument.correction().err().into_iter().flatten() {
            faults.add(format!("{key}.{at}"), what);
        }
        let shape = settings.station.shapes.join(format!("{}.toml", instrument.shape));
        // The name stands for a file of that folder and nothing outside it.
        if !is_id(&instrument.shape) || !shape.is_file() {
            faults.add(format!("{key}.shape"), format!("there is no shape file {}", shape.display()));
        }
    }
}

/// Who has which line of which chip, by the settings' words for them.
type Lines<'a> = BTreeMap<(&'a str, &'a str), &'a str>;

fn triggers<'a>(settings: &'a Settings, faults: &mut Faults) -> Lines<'a> {
    let mut lines = Lines::new();
    for (name, trigger) in &settings.triggers {
        let key = format!("triggers.{name}");
        if !is_id(name) {
            faults.add(&key, format!("`{name}` cannot be the name of a trigger; {ID_RULE}"));
        }
        trigger_keys(settings, &key, trigger, faults);
        if let Some(gpio) = &trigger.gpio
            && let Some(other) = lines.insert((&gpio.chip, &gpio.line), name)
        {
            let what = format!("line {} of {} is that of `{other}` already", gpio.line, gpio.chip);
            faults.add(format!("{key}.gpio.line"), what);
        }
    }
    lines
}

fn trigger_keys(settings: &Settings, key: &str, trigger: &Trigger, faults: &mut Faults) {
    let pulse = trigger.does == Does::ShakerPulse;
    if let Some(place) = trigger.place {
        if trigger.does != Does::Next {
            faults
                .add(format!("{key}.place"), "only a trigger that does `next` has one: there is one shaker");
        } else if !(1..=settings.bench.places).contains(&place) {
            let what = format!("there is no place {place}; `bench.places` is {}", settings.bench.places);
            faults.add(format!("{key}.place"), what);
        }
    }
    if pulse && trigger.gpio.is_none() {
        let what =
            "`shaker-pulse` needs a line of its own (`gpio`): messages are too slow to count cycles by";
        faults.add(format!("{key}.does"), what);
    }
    let pulses = trigger.pulses_per_cycle;
    if !(1..=PULSES_MOST).contains(&pulses) {
        faults.add(
            format!("{key}.pulses-per-cycle"),
            format!("{pulses} pulses; a cycle has 1 to {PULSES_MOST}"),
        );
    } else if pulses != 1 && !pulse {
        faults.add(format!("{key}.pulses-per-cycle"), "only a trigger that does `shaker-pulse` has it");
    }
    let most = if pulse { DEBOUNCE_PULSE_MOST_MS } else { DEBOUNCE_MOST_MS };
    if let Some(ms) = trigger.gpio.as_ref().map(|gpio| gpio.debounce_ms).filter(|ms| *ms > most) {
        let why = if pulse { "longer, and it swallows cycles" } else { "longer, and it swallows presses" };
        faults.add(format!("{key}.gpio.debounce-ms"), format!("{ms} ms; give 0 to {most}: {why}"));
    }
}

fn outputs<'a>(settings: &'a Settings, lines: &mut Lines<'a>, faults: &mut Faults) {
    for (name, output) in &settings.outputs {
        let key = format!("outputs.{name}");
        if !is_id(name) {
            faults.add(&key, format!("`{name}` cannot be the name of an output; {ID_RULE}"));
        }
        match (output.shows == Shows::Place, output.place) {
            (true, None) => faults.add(format!("{key}.place"), "is missing: name the place of this lamp"),
            (true, Some(place)) if !(1..=settings.bench.places).contains(&place) => {
                let what = format!("there is no place {place}; `bench.places` is {}", settings.bench.places);
                faults.add(format!("{key}.place"), what);
            }
            (false, Some(_)) => {
                faults.add(format!("{key}.place"), "only an output that shows `place` has one");
            }
            _ => {}
        }
        if let Some(other) = lines.insert((&output.gpio.chip, &output.gpio.line), name) {
            let what =
                format!("line {} of {} is that of `{other}` already", output.gpio.line, output.gpio.chip);
            faults.add(format!("{key}.gpio.line"), what);
        }
        match &output.relay {
            None if output.shows.moves() => {
                faults.add(format!("{key}.relay"), "is missing: give at least `longest-s`");
            }
            Some(_) if !output.shows.moves() => {
                faults.add(format!("{key}.relay"), "only a `shaker-relay` has it");
            }
            Some(relay) => relay_rules(settings, &key, relay, faults),
            None => {}
        }
    }
    if settings.outputs.values().filter(|output| output.shows.moves()).count() > 1 {
        faults.add("outputs", "there are several `shaker-relay`; a station has one shaker");
    }
}

fn relay_rules(settings: &Settings, key: &str, relay: &RelayRules, faults: &mut Faults) {
    for (at, seconds, most) in [
        ("longest-s", relay.longest_s, RELAY_LONGEST_S),
        ("start-within-s", relay.start_within_s, RELAY_START_S),
    ] {
        if !(1..=most).contains(&seconds) {
            faults.add(format!("{key}.relay.{at}"), format!("{seconds} seconds; give 1 to {most}"));
        }
    }
    let pulses = |name: &String| settings.triggers.get(name).is_some_and(|t| t.does == Does::ShakerPulse);
    if let Some(stroke) = relay.stroke.as_ref().filter(|name| !pulses(name)) {
        let what = format!("`{stroke}` is no trigger that does `shaker-pulse`");
        faults.add(format!("{key}.relay.stroke"), what);
    }
    if relay.started_by == StartedBy::PressOrPage && !settings.web.listen.ip().to_canonical().is_loopback() {
        let what = "`press-or-page`, and the pages can be reached from other machines (`web.listen`): whoever \
                    starts the shaker stands beside it, so use `press`";
        faults.add(format!("{key}.relay.started-by"), what);
    }
    let by_hand = |t: &Trigger| t.gpio.is_some() && matches!(t.does, Does::Next | Does::ShakerPress);
    if relay.started_by == StartedBy::Press && !settings.triggers.values().any(by_hand) {
        let what =
            "nobody could start it: no trigger that does `next` or `shaker-press` has a line of its own";
        faults.add(format!("{key}.relay.started-by"), what);
    }
}

/// Other stations for the room's page, at most.
const FOLLOWED_MOST: usize = 32;

fn followed(network: &Network, own: &str, faults: &mut Faults) {
    let key = "network.follow";
    if network.follow.len() > FOLLOWED_MOST {
        faults.add(key, format!("{} stations; at most {FOLLOWED_MOST}", network.follow.len()));
    }
    for (n, name) in network.follow.iter().enumerate() {
        if name == "+" {
            if network.follow.len() > 1 {
                faults.add(key, "`+` stands for every station; name no other beside it");
            }
        } else if name == own {
            faults.add(key, format!("`{name}` is this station; its own places are on the page already"));
        } else if !is_id(name) {
            faults
                .add(key, format!("`{name}` cannot be the id of a station; {ID_RULE}, or `+` for every one"));
        } else if network.follow.iter().take(n).any(|other| other == name) {
            faults.add(key, format!("`{name}` stands there twice"));
        }
    }
}

fn broker(network: &Network, faults: &mut Faults) {
    if network.host.trim().is_empty() {
        faults.add("network.host", "is empty; name the broker's host");
    }
    for (key, value) in [
        ("network.port", network.port),
        ("network.keep-alive-s", network.keep_alive_s),
        ("network.window", network.window),
    ] {
        if value == 0 {
            faults.add(key, "is 0; use at least 1");
        }
    }
    if let Some(tls) = &network.tls
        && (tls.certificate_file.is_some() != tls.key_file.is_some())
    {
        faults
            .add("network.tls", "names only one of `certificate-file` and `key-file`; they belong together");
    }
    for (name, most) in &network.consumers {
        let key = format!("network.consumers.{name}");
        if !is_consumer_name(name) {
            let what = "cannot name a consumer; use 1 to 64 lower-case letters, digits and hyphens";
            faults.add(&key, format!("`{name}` {what}"));
        }
        if *most == 0 {
            faults.add(&key, "0 documents behind would be an alarm at every document; use at least 1");
        }
    }
    let Some(file) = &network.password_file else { return };
    if network.user.is_none() {
        faults.add("network.user", "is missing beside `network.password-file`");
    }
    match std::fs::read_to_string(file) {
        Ok(text) if text.lines().next().is_none_or(str::is_empty) => {
            faults.add("network.password-file", format!("{}: the first line is empty", file.display()));
        }
        Ok(_) => {}
        Err(error) => {
            let what =
                format!("cannot read {}: {error}; the service's own user must be able to", file.display());
            faults.add("network.password-file", what);
        }
    }
}
