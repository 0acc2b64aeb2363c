//! How the number is made, and how far numbers may lie apart.

use super::value::Units;
use super::walk::{Table, Walk};
use crate::domain::method::{
    AverageRule, CalculationRule, FurtherRule, HeightFormula, HeightRule, Level, Precision, RatioRule,
    ReplicateRule, ResultRule, not_said,
};

const RATIOS: [(&str, RatioRule); 2] =
    [("nearest-tenth", RatioRule::NearestTenth), ("nearest-whole", RatioRule::NearestWhole)];
const RESULTS: [(&str, ResultRule); 3] = [
    ("raise-to-whole", ResultRule::RaiseToWhole),
    ("nearest-whole", ResultRule::NearestWhole),
    ("tenth", ResultRule::Tenth),
];
const AVERAGES: [(&str, AverageRule); 3] = [
    ("raise-mean-of-reported", AverageRule::RaiseMeanOfReported),
    ("nearest-whole", AverageRule::NearestWhole),
    ("nearest-whole-of-exact", AverageRule::NearestWholeOfExact),
];
const FURTHER: [(&str, FurtherRule); 2] =
    [("together", FurtherRule::Together), ("alone", FurtherRule::Alone)];
const HEIGHTS: [(&str, HeightRule); 2] =
    [("linear-quotient", HeightRule::LinearQuotient), ("cotangent", HeightRule::Cotangent)];

/// `levels`: what the steps read, as far as that could be told.
pub(super) fn calculation<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    levels: Option<&[Level]>,
) -> Option<CalculationRule> {
    let table = walk.table(root, "calculation")?;
    walk.only(&table, &["height", "ratio", "result", "average"]);
    let height = match table.get("height") {
        Some(_) => height(walk, &table).map(Some),
        None => Some(None),
    };
    let ratio = walk.rule(&table, "ratio", &RATIOS);
    let result = walk.rule(&table, "result", &RESULTS);
    let average = walk.rule(&table, "average", &AVERAGES);
    let one = table.get("height").is_some();
    if levels.is_some_and(|levels| levels.contains(&Level::Sediment) != one) {
        let (found, expected) = if one {
            ("a height formula", "a step that reads `sediment`, or no `calculation.height`")
        } else {
            ("no height formula", "`[calculation.height]`, since the steps read `sediment`")
        };
        walk.fault(table.at, &table.path("height"), found, expected);
        return None;
    }
    Some(CalculationRule { height: height?, ratio: ratio?, result: result?, average: average? })
}

fn height<'t>(walk: &mut Walk<'t>, calculation: &Table<'t>) -> Option<HeightFormula> {
    let table = walk.table(calculation, "height")?;
    walk.only(&table, &["rule", "a", "b", "c", "d"]);
    let rule = walk.rule(&table, "rule", &HEIGHTS);
    let [a, b, c, d] = ["a", "b", "c", "d"].map(|key| walk.decimal(&table, key, Units::Bare));
    Some(HeightFormula { rule: rule?, coefficients: [a?, b?, c?, d?] })
}

pub(super) fn replicates<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<ReplicateRule> {
    let table = walk.table(root, "replicates")?;
    walk.only(&table, &["specimens", "max-difference", "further-specimens", "further-result"]);
    let specimens = walk.count(&table, "specimens", 1..=20);
    let difference = walk.amount(&table, "max-difference", Units::Bare);
    let further_specimens = match table.get("further-specimens") {
        Some(_) => walk.count(&table, "further-specimens", 1..=20),
        None => Some(not_said()),
    };
    let further_result = match table.get("further-result") {
        Some(_) => walk.rule(&table, "further-result", &FURTHER),
        None => Some(not_said()),
    };
    Some(ReplicateRule {
        specimens: specimens?,
        max_difference: difference?,
        further_specimens: further_specimens?,
        further_result: further_result?,
    })
}

pub(super) fn precision<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Vec<Precision>> {
    let tables = walk.tables(root, "precision")?;
    let read: Vec<_> = tables.iter().map(|table| precision_class(walk, table)).collect();
    read.into_iter().collect()
}

fn precision_class<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<Precision> {
    let known = [
        "class",
        "results",
        "operator-1s",
        "operator-d2s",
        "laboratory-1s",
        "laboratory-d2s",
        "operator-1s-slope",
        "operator-d2s-slope",
        "laboratory-1s-slope",
        "laboratory-d2s-slope",
    ];
    walk.only(table, &known);
    let class = walk.text(table, "class");
    let results = match table.get("results") {
        Some(_) => walk.range(table, "results", Units::Bare).map(Some),
        None => Some(None),
    };
    let operator_1s = walk.amount(table, "operator-1s", Units::Bare);
    let operator_d2s = walk.amount(table, "operator-d2s", Units::Bare);
    let laboratory_1s = walk.amount(table, "laboratory-1s", Units::Bare);
    let laboratory_d2s = walk.amount(table, "laboratory-d2s", Units::Bare);
    let mut whole = true;
    let slopes = ["operator-1s-slope", "operator-d2s-slope", "laboratory-1s-slope", "laboratory-d2s-slope"]
        .map(|key| {
            table.get(key)?;
            let slope = walk.decimal(table, key, Units::Bare);
            whole &= slope.is_some();
            slope
        });
    if !whole {
        return None;
    }
    Some(Precision {
        class: class?,
        results: results?,
        operator_1s: operator_1s?,
        operator_d2s: operator_d2s?,
        laboratory_1s: laboratory_1s?,
        laboratory_d2s: laboratory_d2s?,
        slopes,
    })
}
