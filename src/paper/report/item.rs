//! What was tested, and what came out: two columns under the head.

use super::{Told, say};
use crate::domain::report::laboratory::Laboratory;
use crate::paper::sheet::{Block, Column};
use serde_json::Value;
use std::collections::BTreeSet;

/// Particulars that every report speaks of: what was not said is said to be missing (ISO/IEC 17025,
/// clause 7.8.2.1: the customer, the item, when it was sampled and received).
const ALWAYS: [&str; 4] = ["project", "material", "sampled-at", "brought-at"];

/// Particulars in the order of a report, with their words there.
const PARTICULARS: [(&str, &str); 12] = [
    ("identifier", "Identifier"),
    ("project", "Project"),
    ("material", "Material"),
    ("source", "Source"),
    ("lot", "Lot"),
    ("quantity", "Stands for"),
    ("intended-use", "Intended use"),
    ("sampled-at", "Sampled"),
    ("sampled-where", "Sampled at"),
    ("sampled-by", "Sampled by"),
    ("brought-at", "Received"),
    ("brought-by", "Brought by"),
];

/// Labels of specimens that are named one by one, bytes; more are counted.
const NAMES_MOST: usize = 48;

impl Told<'_> {
    /// Both columns.
    pub(super) fn columns(&self) -> Block {
        Block::Facts { columns: vec![self.item(), self.outcome()] }
    }

    fn item(&self) -> Column {
        let sample = &self.facts.subject.sample;
        let said = sample.intake.particulars.words();
        let mut facts = vec![("Sample".to_owned(), sample.label.clone())];
        for (name, title) in PARTICULARS {
            // A `T` parts day and time of day in the two times.
            let shown =
                |value: &str| if name.ends_with("-at") { value.replace('T', " ") } else { value.to_owned() };
            let value = said.iter().find(|(known, _)| *known == name).map(|(_, value)| shown(value));
            match value {
                Some(value) => facts.push((title.to_owned(), value)),
                None if ALWAYS.contains(&name) => facts.push((title.to_owned(), "not stated".to_owned())),
                None => {}
            }
        }
        let registered = &sample.registered;
        let who = registered.by.person.clone().unwrap_or_else(|| registered.by.via.clone());
        facts.push(("Registered".to_owned(), format!("{}, {who}", self.time(registered.moment.wall_ns))));
        Column { title: "The item tested".to_owned(), figure: None, facts }
    }

    fn outcome(&self) -> Column {
        let data = self.result_data();
        let figure = match say::text(data, "/result/text") {
            Some(result) => (result.to_owned(), self.quantity()),
            None => ("–".to_owned(), format!("{}: no result stands", self.quantity())),
        };
        let mut facts = self.reckoning(data);
        facts.extend(self.test());
        facts.push(("Status".to_owned(), self.status(data)));
        Column { title: "Result".to_owned(), figure: Some(figure), facts }
    }

    /// How the result was made, and the limit that it is held against.
    fn reckoning(&self, data: &Value) -> Vec<(String, String)> {
        let mut facts = Vec::new();
        let counting = say::list(data, "/specimens");
        if let Some(rule) = say::text(data, "/average/rule") {
            let of: Vec<&str> = counting.iter().filter_map(|s| say::text(s, "/label")).collect();
            let names = self.in_short(&of);
            let of = if names.len() > NAMES_MOST { say::count(of.len(), "specimen") } else { names };
            facts.push(("Made of".to_owned(), format!("{of}: {}", rule_words(rule))));
        }
        if let Some(difference) = say::text(data, "/difference/text").filter(|_| counting.len() > 1) {
            let verdict = match (say::text(data, "/difference/limit"), say::text(data, "/difference/verdict"))
            {
                (Some(limit), Some("over")) => format!("{difference}, more than the {limit} allowed"),
                (Some(limit), _) => format!("{difference}, at most {limit} allowed"),
                (None, _) => format!("{difference}, no limit set"),
            };
            facts.push(("Largest difference".to_owned(), verdict));
        }
        if let Some(limit) = &self.facts.subject.sample.intake.particulars.limit {
            // As it was given: 45.0 asks for another rounding than 45 (ASTM E29).
            let asked = format!("at least {} ({})", limit.at_least, limit.specification);
            facts.push(("Specification".to_owned(), asked));
        }
        if let Some(judged) = say::text(data, "/acceptance/text") {
            // A verdict names its value; where there is none, what was compared is told beside it.
            let open = say::text(data, "/acceptance/verdict") == Some("not-decided");
            let compared = say::text(data, "/acceptance/compared").filter(|_| open);
            let compared = compared.map_or_else(String::new, |value| format!("; compared was {value}"));
            facts.push(("Acceptance".to_owned(), format!("{}{compared}", say::capital(judged))));
            facts.push((
                "Decision rule".to_owned(),
                say::capital(&say::text_or(data, "/acceptance/ruleText")),
            ));
        }
        let uncertainty = data.pointer("/acceptance/uncertainty").or_else(|| data.get("uncertainty"));
        if let Some(uncertainty) = uncertainty.filter(|part| part.is_object()) {
            facts.push(("Uncertainty".to_owned(), uncertainty_words(uncertainty)));
        }
        facts.extend(self.precision(data));
        facts
    }

    /// How the specimens lie beside the published precision, and whether more were asked for.
    fn precision(&self, data: &Value) -> Vec<(String, String)> {
        let Some(part) = data.get("precision").filter(|part| part.is_object()) else { return Vec::new() };
        let mut facts = vec![("Precision".to_owned(), precision_words(part))];
        if let Some(asked) = part.get("furtherAsked").filter(|asked| asked.is_object()) {
            let when = asked.get("at").map_or_else(String::new, |at| format!(" at {}", self.instant(at)));
            let words = format!(
                "{} asked for{when}: the first lay {} apart, more than {}; the result is of {}",
                asked["specimens"],
                say::text_or(asked, "/difference"),
                say::text_or(asked, "/limit"),
                if say::text(asked, "/result") == Some("alone") { "these alone" } else { "all together" },
            );
            facts.push(("Further specimens".to_owned(), words));
        }
        facts
    }

    /// Labels of specimens: the first one whole, of the others what is not the sample's label.
    fn in_short(&self, labels: &[&str]) -> String {
        let sample = self.facts.subject.sample.label.as_str();
        let short = |(at, label): (usize, &&str)| {
            let own = label.strip_prefix(sample).filter(|own| at > 0 && own.starts_with('-'));
            own.unwrap_or(label).to_owned()
        };
        labels.iter().enumerate().map(short).collect::<Vec<_>>().join(", ")
    }

    /// By which method, when, where and by whom.
    fn test(&self) -> Vec<(String, String)> {
        let mut facts = Vec::new();
        let mut times: Vec<&str> = Vec::new();
        let mut people: Vec<&str> = Vec::new();
        for (_, record) in self.records() {
            for (time, by) in acts(record.data()) {
                times.extend(time);
                people.extend(by);
            }
            people.extend(weighers(record.data()));
        }
        let mut seen = BTreeSet::new();
        people.retain(|person| seen.insert(*person));
        let at = |time: &&str| self.instant(&Value::from(*time));
        let tested = match (times.iter().min().map(at), times.iter().max().map(at)) {
            (Some(from), Some(to)) => format!("{from} to {}", without_the_day(&from, &to)),
            _ => "no specimen is complete".to_owned(),
        };
        facts.push(("Tested".to_owned(), tested));
        let site = self.house.laboratory.and_then(|laboratory| laboratory.bench_stands_at.clone());
        let address = |laboratory: &Laboratory| laboratory.address.join(", ");
        let site = site.or_else(|| self.house.laboratory.map(address).filter(|words| !words.is_empty()));
        let site = site.unwrap_or_else(|| "address not stated".to_owned());
        facts.push(("Where".to_owned(), format!("{}, {site}", self.facts.station.0)));
        if !people.is_empty() {
            facts.push(("By".to_owned(), people.join(", ")));
        }
        facts
    }

    /// Who answers for it.
    fn status(&self, data: &Value) -> String {
        let status = say::text(data, "/status").unwrap_or("not complete");
        let last = say::list(data, "/review/decisions").last();
        match (data.pointer("/review/authorised").filter(|authorised| authorised.is_object()), last) {
            (Some(authorised), _) => {
                let when = authorised.get("when").map_or_else(String::new, |when| self.instant(when));
                format!(
                    "{}: authorised by {}, {when}",
                    say::capital(status),
                    say::text_or(authorised, "/person")
                )
            }
            (None, Some(last)) if status != "preliminary" => {
                let who = last.get("who").map_or_else(String::new, say::by);
                let why = say::text(last, "/reason").map_or_else(String::new, |why| format!(": {why}"));
                format!("{} by {who}{why}; not authorised", say::capital(status))
            }
            _ if status == "preliminary" => "Preliminary, not authorised".to_owned(),
            _ => say::capital(status),
        }
    }
}

/// The expanded uncertainty with what it belongs to and what it was made of.
fn uncertainty_words(part: &Value) -> String {
    let text = |name: &str| say::text_or(part, name);
    let beside = [
        Some(format!("from the readings {}", text("/fromReadings"))),
        say::text(part, "/fromRepeatability").map(|repeated| format!("from repeatability {repeated}")),
        say::text(part, "/degreesOfFreedom").map(|degrees| format!("{degrees} degrees of freedom")),
    ];
    format!(
        "± {} of {} ({}, factor {}): {}; combined {}, {}",
        text("/expanded"),
        text("/mean"),
        text("/coverage"),
        text("/factor"),
        text("/of"),
        text("/combined"),
        beside.into_iter().flatten().collect::<Vec<_>>().join(", "),
    )
}

/// How the specimens lie beside the published precision.
fn precision_words(part: &Value) -> String {
    let verdict = match say::text(part, "/verdict") {
        Some("no-figure") | None => "No published figure".to_owned(),
        Some(verdict) => say::capital(&say::words(verdict)),
    };
    let mean = say::text(part, "/mean/text").or_else(|| say::text(part, "/mean"));
    let mean = mean.map_or_else(String::new, |mean| format!(" by their mean of {mean}"));
    let several = part.get("ofSeveral").and_then(Value::as_bool) == Some(true);
    let several = if several { "; several hold: the one with the larger deviation" } else { "" };
    let class = say::text(part, "/class").map(|class| format!("class {class}{mean}{several}"));
    let known = say::text(part, "/confidence").map(|known| format!("figures {}", say::words(known)));
    let of: Vec<String> = class.into_iter().chain(known).collect();
    let of = if of.is_empty() { String::new() } else { format!(" ({})", of.join(", ")) };
    let allowed = say::text(part, "/operator/range")
        .map_or_else(String::new, |range| format!(", {range} published for one operator"));
    let laboratories = say::text(part, "/laboratories/range")
        .map_or_else(String::new, |range| format!("; {range} between laboratories is for information"));
    let apart = say::amount_at(part, "/range");
    format!("{verdict}: {apart} apart{allowed}{of}{laboratories}")
}

/// Times and people of a record's steps and readings.
fn acts(data: &Value) -> Vec<(Option<&str>, Option<&str>)> {
    let steps =
        say::list(data, "/steps").iter().flat_map(|step| ["/begin", "/end", "/at"].map(|p| step.pointer(p)));
    let readings = data.get("readings").and_then(Value::as_object);
    let readings = readings.into_iter().flat_map(|all| all.values());
    let of_steps = steps.flatten().map(|at| (say::text(at, "/time"), say::text(at, "/by/person")));
    let of_readings = readings.map(|r| (say::text(r, "/at/time"), say::text(r, "/by/person")));
    of_steps.chain(of_readings).collect()
}

/// Who weighed a mass, wherever it stands in a document.
fn weighers(data: &Value) -> Vec<&str> {
    match data {
        Value::Object(fields) => fields
            .iter()
            .flat_map(|(key, inner)| match key.as_str() {
                "weighedBy" => say::text(inner, "/person").into_iter().collect(),
                _ => weighers(inner),
            })
            .collect(),
        Value::Array(items) => items.iter().flat_map(weighers).collect(),
        _ => Vec::new(),
    }
}

/// The second of two instants, without its day if that is the first one's.
fn without_the_day(from: &str, to: &str) -> String {
    match (from.split_once(' '), to.split_once(' ')) {
        (Some((day, _)), Some((same, clock))) if day == same => clock.to_owned(),
        _ => to.to_owned(),
    }
}

fn rule_words(rule: &str) -> String {
    match rule {
        "raise-mean-of-reported" => "mean of the reported values, raised to the next whole number".to_owned(),
        "nearest-whole" => "mean of the ratios to the tenth, to the nearest whole number".to_owned(),
        "nearest-whole-of-exact" => "mean of the unrounded ratios, to the nearest whole number".to_owned(),
        other => say::words(other),
    }
}
