//! Recipes held against the figures of their sources, and what is told of a wrong file.

use super::*;
use crate::domain::method::Sourced;
use crate::domain::quantity::{Kind as Measured, Side, Unit};
use rust_decimal::Decimal;

fn d(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn q(text: &str) -> Quantity {
    Quantity::from_text(text).unwrap()
}

fn recipe(id: &str) -> Recipe {
    let path = format!("{}/config/solutions/{id}.toml", env!("CARGO_MANIFEST_DIR"));
    load(&path, &std::fs::read_to_string(&path).unwrap()).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

/// Masses and volumes of a recipe's steps for the volume that it makes.
fn amounts(recipe: &Recipe) -> Vec<(String, Option<String>, Option<String>)> {
    let of = |amount: &Option<Sourced<Quantity>>| {
        amount.as_ref().and_then(|a| a.value).map(|q| format!("{} {}", q.value, q.unit.code()))
    };
    let taking = recipe.steps.iter().filter(|step| step.takes != Takes::Nothing);
    taking.map(|step| (step.name.clone(), of(&step.mass), of(&step.volume))).collect()
}

fn row(name: &str, mass: &str, volume: &str) -> (String, Option<String>, Option<String>) {
    let some = |text: &str| Some(text.to_owned()).filter(|text| !text.is_empty());
    (name.to_owned(), some(mass), some(volume))
}

/// Saskatchewan Standard Test Procedures Manual, excerpt: 454 g, 1640 mL, 45 mL, 1900 mL. AASHTO
/// T 176, from memory: 2050 g, 47 g, made up to 1 US gallon (3.78 L); dihydrate 577 g, 59 g or
/// 53 mL of 1,5-pentanedial, 63 g or 53 mL of the isothiazolinone biocide.
#[test]
fn the_three_american_stock_recipes_are_those_of_the_sources() {
    let formaldehyde = recipe("t176-stock-formaldehyde");
    assert_eq!(formaldehyde.makes.value, Some(q("3.78 L")));
    assert_eq!(formaldehyde.shelf_life_ns.value, None, "not found");
    assert_eq!(
        amounts(&formaldehyde),
        [
            row("calcium chloride", "454 g", ""),
            row("glycerin", "2050 g", "1640 mL"),
            row("formaldehyde", "47 g", "45 mL"),
            row("make up", "", "3.78 L"),
        ]
    );
    let about = formaldehyde.steps.iter().find(|step| step.name == "dissolve").unwrap();
    assert_eq!(about.about.as_ref().unwrap().value, Some(q("1.89 L")));
    let order: Vec<&str> = formaldehyde.steps.iter().map(|step| step.name.as_str()).collect();
    let filter = order.iter().position(|name| *name == "filter").unwrap();
    assert!(order[..filter].contains(&"cool") && order[filter..].contains(&"glycerin"), "{order:?}");
    for (id, biocide, mass) in
        [("glutaraldehyde", "glutaraldehyde", "59 g"), ("isothiazolinone", "biocide", "63 g")]
    {
        let rows = [
            row("calcium chloride", "577 g", ""),
            row("glycerin", "2050 g", "1640 mL"),
            row(biocide, mass, "53 mL"),
            row("make up", "", "3.78 L"),
        ];
        assert_eq!(amounts(&recipe(&format!("t176-stock-{id}"))), rows);
    }
}

/// Teaching sheet on NF EN 933-8: 219 g hexahydrate in 350 mL, 480 g, 12.5 g to 1 L, one year;
/// 125 mL to 5 L, 28 days; tolerances from memory: 2 g, 5 g, 0.5 g, 1 mL, 0.01 L. Study cards on
/// T 176: 85 mL to 3.8 L, 30 days; 85 ± 5 mL read in Nevada T227J. Saskatchewan: 106 mL to 4.5 L.
#[test]
fn the_european_recipe_and_the_working_solutions_are_those_of_the_sources() {
    let day = 24 * 3600 * crate::domain::moment::SECOND;
    let european = recipe("en-933-8-stock");
    assert_eq!(
        amounts(&european),
        [
            row("calcium chloride", "219 g", ""),
            row("glycerine", "480 g", ""),
            row("formaldehyde", "12.5 g", ""),
            row("make up", "", "1 L"),
        ]
    );
    let off = |step: usize| european.steps[step].tolerance.as_ref().unwrap().value;
    assert_eq!([off(0), off(3), off(4)], [Some(q("2 g")), Some(q("5 g")), Some(q("0.5 g"))]);
    assert_eq!(european.shelf_life_ns.value, Some(365 * day));
    for (id, stock, makes, days) in [
        ("t176-working", "85 mL", "3.8 L", Some(30)),
        ("saskatchewan-working", "106 mL", "4.5 L", None),
        ("en-933-8-working", "125 mL", "5 L", Some(28)),
    ] {
        let recipe = recipe(id);
        assert_eq!(amounts(&recipe), [row("stock", "", stock), row("make up", "", makes)], "{id}");
        assert_eq!(recipe.shelf_life_ns.value, days.map(|days| days * day), "{id}");
        assert_eq!(recipe.kind, Kind::Working);
    }
    assert!(recipe("saskatchewan-working").water.kinds.contains(&Water::Tap), "read: tap or distilled");
    assert!(!recipe("t176-working").water.kinds.contains(&Water::Tap));
}

/// Calcium chloride in a litre of working solution, worked out by hand from the recipes' figures
/// and the molar masses 110.98 (anhydrous), 147.01 (dihydrate) and 219.08 g/mol (hexahydrate):
/// 2.69 g with formaldehyde, 2.58 g with the other two, 2.77 g by EN 933-8.
#[test]
fn the_salt_in_a_litre_of_working_solution_agrees_with_the_chemistry() {
    for (stock, working, share, grams) in [
        ("t176-stock-formaldehyde", "t176-working", "1", "2.69"),
        ("t176-stock-glutaraldehyde", "t176-working", "0.754915", "2.58"),
        ("t176-stock-isothiazolinone", "t176-working", "0.754915", "2.58"),
        ("en-933-8-stock", "en-933-8-working", "0.506573", "2.77"),
        ("en-933-8-stock-anhydrous", "en-933-8-working", "1", "2.78"),
    ] {
        let (stock, working) = (recipe(stock), recipe(working));
        // For one litre of each, by the recipes' own proportion.
        let part = |recipe: &Recipe, step: usize, of: Measured| {
            Part::of(recipe, &recipe.steps[step], &q("1 L")).unwrap().target(of).unwrap().amount
        };
        let salt = part(&stock, 0, Measured::Mass).value * d(share);
        let taken = part(&working, 0, Measured::Volume).convert(Unit::Litre).unwrap().value;
        assert_eq!((salt * taken).round_dp(2), d(grams), "{} {}", stock.id, working.id);
    }
    let densities = [("t176-stock-formaldehyde", 4)];
    for (id, step) in densities {
        // Glycerin weighs 1.25 to 1.26 g/mL (common tables at 20 to 25 °C).
        let step = recipe(id).steps[step].clone();
        let (mass, volume) = (step.mass.unwrap().value.unwrap(), step.volume.unwrap().value.unwrap());
        let density = mass.value / volume.value;
        assert!(density >= d("1.24") && density <= d("1.27"), "{density}");
    }
}

#[test]
fn amounts_are_in_proportion_and_their_limits_exact() {
    let stock = recipe("t176-stock-formaldehyde");
    // 454 × 2 / 3.78 has no end; its limits are 454 × 0.99 × 2 / 3.78 and 454 × 1.01 × 2 / 3.78.
    let salt = Part::of(&stock, &stock.steps[0], &q("2 L")).unwrap().mass.unwrap();
    assert_eq!(shown(&salt.amount), q("240.21 g"));
    let limits = salt.limits.unwrap();
    assert_eq!(limits.side(&q("237.80 g")), Some(Side::Below), "237.809…");
    assert_eq!(limits.side(&q("237.81 g")), Some(Side::Within));
    assert_eq!(limits.side(&q("242.61 g")), Some(Side::Within), "242.613…");
    assert_eq!(limits.side(&q("242.62 g")), Some(Side::Above));
    assert_eq!(limits_text(Some(&limits)).unwrap(), "237.81 to 242.61 g", "what is shown is kept to");
    // Twice the volume: 170 ± 10 mL; the ends belong to it, in litres too.
    let working = recipe("t176-working");
    let limits = Part::of(&working, &working.steps[0], &q("7.6 L")).unwrap().volume.unwrap().limits.unwrap();
    for (amount, side) in [
        ("160 mL", Side::Within),
        ("0.18 L", Side::Within),
        ("159.9 mL", Side::Below),
        ("180.01 mL", Side::Above),
    ] {
        assert_eq!(limits.side(&q(amount)), Some(side), "{amount}");
    }
    // 3800 mL are 3.8 L.
    let by_ml = Part::of(&working, &working.steps[0], &q("3800 mL")).unwrap().volume.unwrap();
    assert_eq!(by_ml.amount, q("85 mL"));
}

const GOOD: &str = r#"
id = "a"
title = "A"
kind = "working"
notice = "N"
makes = { value = 2, unit = "L", source = "s", confidence = "agency" }
shelf-life = { source = "s", confidence = "unknown" }
safety = ["Gloves."]
[water]
kinds = ["distilled"]
source = "s"
confidence = "agency"
[[step]]
name = "stock"
instruction = "Pour."
takes = "stock"
volume = { value = 50, unit = "mL", source = "s", confidence = "agency" }
tolerance = { value = 1, unit = "mL", source = "s", confidence = "agency" }
"#;

#[test]
fn what_is_wrong_with_a_file_is_said_with_line_and_key() {
    load("a.toml", GOOD).unwrap();
    for (from, to, said) in [
        ("id = \"a\"", "id = \"b\"", "a.toml:2: `id`"),
        ("title = \"A\"", "tittle = \"A\"", "a.toml:3: `tittle`: found an unknown key"),
        ("kind = \"working\"", "kind = \"stock\"", "a.toml:16: `step.1.takes`"),
        ("value = 2, unit = \"L\"", "value = 2, unit = \"kg\"", "`makes.unit`: found the text `kg`"),
        (
            "value = 2, unit = \"L\", source = \"s\", confidence = \"agency\"",
            "source = \"s\", confidence = \"unknown\"",
            "`makes`: found no value",
        ),
        ("value = 2,", "value = -2,", "`makes.value`: found the number -2"),
        (
            "[\"distilled\"]",
            "[\"rain\"]",
            "`water.kinds.1`: found the text `rain`, expected one of `distilled`",
        ),
        ("takes = \"stock\"", "takes = \"salt\"", "`step.1.takes`: found the text `salt`"),
        ("takes = \"stock\"", "takes = \"ingredient\"", "`step.1.ingredient`: found nothing"),
        ("takes = \"stock\"", "", "`step.1.volume`: found a step that takes nothing"),
        ("value = 1, unit = \"mL\"", "value = 1, unit = \"g\"", "`step.1.tolerance`: found g"),
        (
            "value = 50, unit = \"mL\", source = \"s\", confidence = \"agency\"",
            "source = \"s\", confidence = \"unknown\"",
            "no amount",
        ),
        ("safety = [\"Gloves.\"]", "safety = []", "`safety`: found an empty array"),
        ("confidence = \"unknown\" }\nsafety", "confidence = \"sure\" }\nsafety", "`shelf-life.confidence`"),
        ("shelf-life = { source", "shelf-life = { value = 0, unit = \"d\", source", "shelf-life"),
        ("notice = \"N\"", "notice = N", "a.toml:5: `syntax`"),
    ] {
        assert!(GOOD.contains(from), "{from}");
        let faults = load("a.toml", &GOOD.replacen(from, to, 1)).unwrap_err();
        let text = faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
        assert!(text.contains(said), "{said}:\n{text}");
    }
    let two = GOOD.replacen("title = \"A\"", "title = \"\"", 1).replacen("[\"distilled\"]", "[]", 1);
    assert_eq!(load("a.toml", &two).unwrap_err().len(), 2, "all of them at once");
}

#[test]
fn a_recipe_comes_back_from_the_journal_as_it_was_read() {
    for id in ["t176-stock-formaldehyde", "en-933-8-working"] {
        let read = recipe(id);
        let again: Recipe = serde_json::from_str(&serde_json::to_string(&read).unwrap()).unwrap();
        assert_eq!(again, read);
    }
}
