//! The control charts that a bench keeps: one for each method, material and source, with its last
//! results and the limits that people froze. Only where the settings ask for it.

use super::chart::{Limits, Rule, Zones, signals};
use crate::domain::moment::Moment;
use crate::domain::specimen::Marked;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::fmt;
use uuid::Uuid;

/// Results that a chart shows, the newest last: what fits on a page. All of them are in the journal.
const SHOWN: usize = 60;
/// Charts that are kept; the one that rested longest goes first.
const MOST: usize = 30;

/// Whether charts are kept.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Charts {
    /// They are not.
    #[default]
    Off,
    /// They are.
    On,
}

/// What a chart is of.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Of {
    /// Identifier of the method.
    pub method: String,
    /// The material, as it was said of the bag.
    pub material: String,
    /// Where it comes from; empty: not said.
    #[serde(default)]
    pub source: String,
}

impl fmt::Display for Of {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.source.as_str() {
            "" => write!(f, "{} ({})", self.material, self.method),
            source => write!(f, "{}, {source} ({})", self.material, self.method),
        }
    }
}

/// One result on a chart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Point {
    /// The sample.
    pub sample: Uuid,
    /// Its label.
    pub label: String,
    /// The mean of what counts before any rounding, to the fourth decimal.
    pub value: Decimal,
    /// When the result was made.
    pub at: Moment,
}

/// Limits that a person froze.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Frozen {
    /// Results that they were made of.
    pub results: usize,
    /// The first and the last of them.
    pub from_to: [String; 2],
    /// The mean.
    pub centre: Decimal,
    /// Mean of the moving ranges of two.
    pub mean_range: Decimal,
    /// Why then.
    pub reason: String,
    /// When and by whom.
    pub marked: Marked,
}

impl Frozen {
    /// As limits.
    pub const fn limits(&self) -> Limits {
        Limits { results: self.results, centre: self.centre, mean_range: self.mean_range }
    }
}

/// One chart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Chart {
    /// What it is of.
    pub of: Of,
    /// Its last results, in the order of their first versions.
    pub points: VecDeque<Point>,
    /// Limits, the last ones hold.
    #[serde(default)]
    pub frozen: Vec<Frozen>,
}

impl Chart {
    /// The values, in order.
    pub fn values(&self) -> Vec<Decimal> {
        self.points.iter().map(|point| point.value).collect()
    }

    /// The limits that hold, and whether somebody froze them; `None`: too few results yet.
    pub fn limits(&self) -> Option<(Limits, bool)> {
        match self.frozen.last() {
            Some(frozen) => Some((frozen.limits(), true)),
            None => Limits::of(&self.values()).map(|limits| (limits, false)),
        }
    }

    /// What the newest result signals against frozen limits.
    pub fn newest_signals(&self) -> Vec<Rule> {
        let Some((limits, true)) = self.limits() else { return Vec::new() };
        let newest = self.points.len().saturating_sub(1);
        let found = signals(&self.values(), &limits, Zones::Out);
        found.into_iter().filter(|(at, _)| *at == newest).map(|(_, rule)| rule).collect()
    }
}

/// The charts of a bench, the one with the newest result last.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Register {
    /// They.
    pub charts: VecDeque<Chart>,
}

impl Register {
    /// A chart.
    pub fn get(&self, of: &Of) -> Option<&Chart> {
        self.charts.iter().find(|chart| chart.of == *of)
    }

    /// A result, or a new version of one: it stands once, on the chart where it belongs now. `None`
    /// belongs to no chart.
    pub fn note(&mut self, of: Option<Of>, mut point: Point) {
        let known = self.charts.iter().flat_map(|c| &c.points).find(|p| p.sample == point.sample);
        // A new version keeps the place of the first.
        let at = known.map_or(point.at, |known| known.at);
        point.at = at;
        self.forget(point.sample);
        let Some(of) = of else { return };
        let index = self.charts.iter().position(|chart| chart.of == of);
        let chart = index.and_then(|index| self.charts.remove(index));
        let mut chart = chart.unwrap_or_else(|| Chart { of, points: VecDeque::new(), frozen: Vec::new() });
        let place = chart.points.iter().position(|p| p.at.wall_ns > point.at.wall_ns);
        chart.points.insert(place.unwrap_or(chart.points.len()), point);
        while chart.points.len() > SHOWN {
            chart.points.pop_front();
        }
        self.charts.push_back(chart);
        while self.charts.len() > MOST {
            self.charts.pop_front();
        }
    }

    /// No result stands any more.
    pub fn forget(&mut self, sample: Uuid) {
        for chart in &mut self.charts {
            chart.points.retain(|point| point.sample != sample);
        }
        self.charts.retain(|chart| !chart.points.is_empty() || !chart.frozen.is_empty());
    }

    /// Somebody froze the limits of a chart.
    pub fn freeze(&mut self, of: &Of, frozen: Frozen) {
        if let Some(chart) = self.charts.iter_mut().find(|chart| chart.of == *of) {
            chart.frozen.push(frozen);
        }
    }
}
