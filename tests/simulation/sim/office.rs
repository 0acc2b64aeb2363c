//! What people do beside the cylinders: the list of equipment and its checks, solutions, review.

use super::broken::Broken;
use super::people::NAMES;
use super::run::Sim;
use serde_json::{Value, json};
use stillstand::domain::bench::Do;
use stillstand::domain::review::{self, Subject};
use uuid::Uuid;

impl Sim {
    /// One thing that is done beside the cylinders.
    pub fn office(&mut self) -> Result<(), Broken> {
        match self.chance.below(5) {
            0 | 1 => self.equipment(),
            2 => self.solution(),
            3 => self.people(),
            _ => self.review(),
        }
    }

    /// An act as a client sends it.
    fn sent(&mut self, part: &str, mut act: Value) -> Result<(), Broken> {
        act["act"] = part.into();
        let what: Do = serde_json::from_value(act).map_err(Broken::new)?;
        self.act(what, None)?;
        Ok(())
    }

    fn equipment(&mut self) -> Result<(), Broken> {
        let items: Vec<String> = self.bench.equipment.items.keys().cloned().collect();
        if items.is_empty() || items.len() < 12 && self.chance.one_in(4) {
            let kinds: Vec<String> = self.bench.equipment.kinds.keys().cloned().collect();
            let kind = self.chance.pick(&kinds).clone();
            let item = format!("K-{}", self.bench.equipment.items.len() + 1);
            let kit = !self.chance.one_in(3);
            return self.sent(
                "equipment",
                json!({ "what": "register", "item": item, "kind": kind, "kit": kit, "title": "as bought" }),
            );
        }
        let item = self.chance.pick(&items).clone();
        let kind = self.bench.equipment.items[&item].kind.clone();
        let checks: Vec<String> =
            self.bench.equipment.kinds[&kind].checks.iter().map(|rule| rule.name.clone()).collect();
        if checks.is_empty() {
            return Ok(());
        }
        let check = self.chance.pick(&checks).clone();
        let act = match self.chance.below(8) {
            0 => json!({ "what": "take-out-of-use", "item": item, "reason": "cracked" }),
            1 | 2 => json!({ "what": "put-back", "item": item }),
            3 => json!({ "what": "begin-check", "item": item, "check": check }),
            4 => json!({ "what": "stop-check" }),
            _ => {
                let good = !self.chance.one_in(5);
                let value = format!("{}.{}", self.chance.below(400), self.chance.below(10));
                json!({ "what": "check", "item": item, "check": check, "found":
                    { "good": good, "value": value, "note": "as found", "cycles": 175, "seconds": "60" } })
            }
        };
        self.sent("equipment", act)
    }

    fn solution(&mut self) -> Result<(), Broken> {
        let batches: Vec<String> = self.bench.solutions.batches.keys().cloned().collect();
        let recipes: Vec<String> = self.bench.solutions.recipes.keys().cloned().collect();
        if batches.is_empty() || self.chance.one_in(4) {
            let recipe = self.chance.pick(&recipes).clone();
            let batch = format!("B-{}", self.fresh().as_u128() & 0xffff);
            let act = if self.chance.one_in(2) {
                json!({ "what": "receive", "batch": batch, "recipe": recipe, "volume": "3.8", "unit": "L",
                    "maker": "Central laboratory, Fernhollow", "lot": "77-3" })
            } else {
                json!({ "what": "begin", "batch": batch, "recipe": recipe, "volume": "3.8", "unit": "L",
                    "water": "distilled", "stock": batches.first() })
            };
            return self.sent("solution", act);
        }
        let batch = self.chance.pick(&batches).clone();
        let act = match self.chance.below(8) {
            0 => json!({ "what": "state-component", "batch": batch, "component": "make up", "value": "3.8",
                "unit": "L", "with": "measuring cylinder" }),
            1 => json!({ "what": "step-done", "batch": batch, "step": "mix" }),
            2 => json!({ "what": "finish", "batch": batch, "reason": "as the procedure says" }),
            3 => json!({ "what": "discard", "batch": batch, "reason": "cloudy" }),
            4 => json!({ "what": "take-away", "kind": "working" }),
            _ => json!({ "what": "put-in-use", "batch": batch, "confirmed": true }),
        };
        self.sent("solution", act)
    }

    /// The register of people: who works here, signs on, is qualified for a method.
    fn people(&mut self) -> Result<(), Broken> {
        let persons: Vec<Uuid> = self.bench.people.persons.keys().copied().collect();
        let number = persons.len();
        if number < NAMES.len() {
            let roles = ["administer", "operate", "review"];
            return self.sent(
                "review",
                json!({ "what": "add-person", "name": NAMES[number], "roles": &roles[..3 - number],
                    "code": format!("c0{number}1") }),
            );
        }
        let person = *self.chance.pick(&persons);
        let method = self.chance.pick(&self.lab.ids).clone();
        let act = match self.chance.below(8) {
            // One in four is wrong.
            0 | 1 => json!({ "what": "sign-on", "code": format!("c0{}1", self.chance.below(4)) }),
            2 => json!({ "what": "sign-off", "person": person }),
            3 => json!({ "what": "change-person", "person": person, "roles": ["administer", "review"] }),
            4 => {
                json!({ "what": "person-leaves", "person": person, "reason": "moved to another laboratory" })
            }
            5 => json!({ "what": "person-returns", "person": person }),
            6 => json!({ "what": "qualify", "person": person, "method": method, "until": "2026-12-01",
                "note": "an observed test" }),
            _ => json!({ "what": "disqualify", "person": person, "method": method, "reason": "it lapsed" }),
        };
        self.sent("review", act)
    }

    /// Somebody looks a sample's documents through, and says so.
    fn review(&mut self) -> Result<(), Broken> {
        let waiting: Vec<Uuid> = self.bench.for_review.keys().copied().collect();
        if waiting.is_empty() {
            return Ok(());
        }
        let sample = *self.chance.pick(&waiting);
        let records = self.bench.specimens_of(sample).into_iter().filter_map(|s| s.record).map(|r| r.id);
        let result = self.bench.find_sample(sample).and_then(|s| s.result).map(|r| r.id);
        let documents: Vec<Uuid> = records.chain(result).collect();
        let (of, reason) = (Subject::Sample(sample), "the raw data were looked through".to_owned());
        let act = match self.chance.below(5) {
            0 => review::Act::Return { of, documents, reason },
            1 => review::Act::Answer { of, documents, reason },
            _ => review::Act::Approve { of, documents, reason },
        };
        self.act(Do::Review(Box::new(act)), None)?;
        Ok(())
    }
}
