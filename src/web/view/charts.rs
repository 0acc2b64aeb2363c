//! The control charts, ready to be drawn: points, limits, and which rule a point breaks in words.

use super::ms;
use crate::domain::bench::{Bench, by_text};
use crate::domain::quality::chart::{FEWEST, Limits, Rule, Zones, ranges, signals};
use crate::domain::quality::charts::{Chart, Charts};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::{Value, json};

/// All charts, the one with the newest result first.
pub fn charts(bench: &Bench, zones: Zones) -> Value {
    json!({
        "kept": bench.settings.charts == Charts::On,
        "fewest": FEWEST,
        "charts": bench.charts.charts.iter().rev().map(|c| chart(c, zones)).collect::<Vec<_>>(),
    })
}

fn chart(chart: &Chart, zones: Zones) -> Value {
    let values = chart.values();
    let limits = chart.limits();
    let found = limits.map(|(limits, _)| signals(&values, &limits, zones)).unwrap_or_default();
    let moved = ranges(&values);
    let points: Vec<Value> = chart
        .points
        .iter()
        .enumerate()
        .map(|(at, point)| {
            let rules: Vec<&str> =
                found.iter().filter(|(of, _)| *of == at).map(|(_, rule)| Rule::text(*rule)).collect();
            json!({
                "sample": point.sample,
                "label": point.label,
                "text": shown(point.value),
                "value": number(point.value),
                "range": at.checked_sub(1).and_then(|before| moved.get(before)).map(|r| number(*r)),
                "atMs": ms(point.at.wall_ns),
                "rules": rules,
            })
        })
        .collect();
    json!({
        "of": chart.of,
        "title": chart.of.to_string(),
        "points": points,
        "limits": limits.map(|(limits, frozen)| lines(&limits, frozen)),
        "frozen": chart.frozen.iter().rev().map(|f| json!({
            "results": f.results,
            "from": f.from_to.first(),
            "to": f.from_to.last(),
            "centre": shown(f.centre),
            "lower": shown(f.limits().ends().0),
            "upper": shown(f.limits().ends().1),
            "reason": f.reason,
            "by": by_text(&f.marked.by),
            "atMs": ms(f.marked.moment.wall_ns),
        })).collect::<Vec<_>>(),
    })
}

fn lines(limits: &Limits, frozen: bool) -> Value {
    let (lower, upper) = limits.ends();
    let line = |value: Decimal| json!({ "value": number(value), "text": shown(value) });
    json!({
        "frozen": frozen,
        "results": limits.results,
        "centre": line(limits.centre),
        "lower": line(lower),
        "upper": line(upper),
        "meanRange": line(limits.mean_range),
        "rangeEnd": line(limits.range_end()),
    })
}

fn shown(value: Decimal) -> String {
    let mut value = value.round_dp(2);
    value.rescale(2);
    value.to_string()
}

/// For drawing alone.
fn number(value: Decimal) -> Value {
    value.to_f64().map_or(Value::Null, |v| json!(v))
}
