//! Which bottle each specimen met, with its recipe, its age and its stock.

use super::{Told, say};
use crate::paper::sheet::{Block, Cell, Table, Tone};
use jiff::tz::TimeZone;
use serde_json::Value;

impl Told<'_> {
    /// One row for each batch as it stood; nothing where no solutions are kept.
    pub(super) fn solution(&self) -> Vec<Block> {
        let mut rows = Vec::new();
        let mut recipes: Vec<String> = Vec::new();
        for (label, record) in self.records() {
            let Some(solution) = record.data().get("solution") else { continue };
            for (batch, state, steps) in drawn(solution) {
                let known = say::list(solution, "/batches").iter().find(|b| say::text(b, "/id") == batch);
                rows.push((label, self.batch(batch, known, &state, &steps)));
                let recipe = known.and_then(|batch| batch.get("recipe"));
                let words = recipe.map(|of| {
                    format!("{}, SHA-256 {}", say::text_or(of, "/id"), say::text_or(of, "/sha256"))
                });
                recipes.extend(words.filter(|words| !recipes.contains(words)));
            }
        }
        let rows = self.once_each(rows);
        if rows.is_empty() {
            return Vec::new();
        }
        let heads =
            ["Solution, batch", "Recipe", "Made, by", "Last day", "Stock", "Stood", "Drawn at", "For"];
        let heads = heads.map(str::to_owned).into();
        let mut blocks =
            vec![Block::heading("Solution"), Block::Table(Table { heads, rows, ..Table::default() })];
        if !recipes.is_empty() {
            blocks.push(Block::quiet(format!("Recipe {}.", recipes.join("; "))));
        }
        blocks
    }

    fn batch(&self, id: Option<&str>, batch: Option<&Value>, state: &str, steps: &str) -> Vec<Cell> {
        let batch = batch.unwrap_or(&Value::Null);
        let time = |value: &Value, name: &str, missing: &str| match value.get(name) {
            Some(time) if time.is_string() => self.instant(time),
            _ => missing.to_owned(),
        };
        let made = [
            Some(time(batch, "made", "not known")),
            say::text(batch, "/madeBy").map(str::to_owned),
            say::text(batch, "/bought/maker").map(|maker| format!("from {maker}")),
            say::text(batch, "/bought/lot").map(|lot| format!("lot {lot}")),
        ];
        let stock = match batch.get("stock").filter(|stock| stock.is_object()) {
            Some(stock) => {
                let (id, title) = (say::text_or(stock, "/id"), say::text_or(stock, "/title"));
                format!(
                    "{id}: {title}, made {}, last day {}",
                    time(stock, "made", "not known"),
                    last_day(stock, self.house.zone)
                )
            }
            None => "–".to_owned(),
        };
        let day = last_day(batch, self.house.zone);
        let water = say::text(batch, "/water").map(|water| format!(", {} water", say::words(water)));
        let recipe = say::text(batch, "/recipe/title").unwrap_or("–");
        let doubts = say::list(batch, "/notInOrder").iter().map(|doubt| {
            let (what, reason) = (say::text_or(doubt, "/what"), say::text_or(doubt, "/reason"));
            format!("not in order: {what} ({reason})")
        });
        let gone = say::text(batch, "/discarded").map(|why| format!("discarded: {why}"));
        let stood: Vec<String> = [state.to_owned()]
            .into_iter()
            .filter(|state| !state.is_empty())
            .chain(doubts)
            .chain(gone)
            .collect();
        let tone = if state == "good" && stood.len() == 1 { Tone::Plain } else { Tone::Wrong };
        vec![
            Cell::toned(id.unwrap_or("none was noted"), Tone::Strong),
            Cell::plain(format!("{recipe}{}", water.unwrap_or_default())),
            Cell::plain(made.into_iter().flatten().collect::<Vec<_>>().join(", ")),
            Cell::plain(day),
            Cell::plain(stock),
            Cell::toned(stood.join("; "), tone),
            Cell::plain(steps),
        ]
    }
}

/// The day that ends with the instant at which it is no longer good, in the laboratory's zone.
fn last_day(batch: &Value, zone: &TimeZone) -> String {
    let ends = say::text(batch, "/expires").and_then(|at| at.parse::<jiff::Timestamp>().ok());
    ends.map_or_else(|| say::MISSING.to_owned(), |at| zone.to_datetime(at).date().to_string())
}

/// Each batch that was drawn from (or none), how it stood, and at which steps.
fn drawn(solution: &Value) -> Vec<(Option<&str>, String, String)> {
    let mut drawn: Vec<(Option<&str>, String, String)> = Vec::new();
    for used in say::list(solution, "/uses") {
        let batch = say::text(used, "/batch");
        let state = say::words(say::text(used, "/state").unwrap_or_default());
        let about =
            used.get("about").and_then(say::amount).map_or_else(String::new, |a| format!(" (about {a})"));
        let step = format!("{}{about}", say::text_or(used, "/step"));
        match drawn.iter_mut().find(|(known, stood, _)| *known == batch && *stood == state) {
            Some((_, _, steps)) => {
                steps.push_str(", ");
                steps.push_str(&step);
            }
            None => drawn.push((batch, state, step)),
        }
    }
    drawn
}

#[cfg(test)]
mod test {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_last_day_of_a_solution_is_the_laboratorys() {
        let day =
            |ends: &str, zone: &str| last_day(&json!({ "expires": ends }), &TimeZone::get(zone).unwrap());
        // The last instant of 31 December, as documents write it, in each zone (time zone database).
        assert_eq!(day("2027-01-01T06:59:59.999Z", "America/Denver"), "2026-12-31");
        assert_eq!(day("2026-12-31T22:59:59.999Z", "Europe/Berlin"), "2026-12-31");
        assert_eq!(day("2026-12-31T23:59:59.999Z", "UTC"), "2026-12-31");
        assert_eq!(last_day(&json!({ "expires": null }), &TimeZone::UTC), say::MISSING);
    }
}
