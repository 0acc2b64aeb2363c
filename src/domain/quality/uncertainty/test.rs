//! Against published examples and another tool's figures: tests/data/README.md names them.

use super::*;
use crate::domain::calculation::{calculate, clay, sand};
use serde_json::Value;

fn dec(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn vectors() -> Value {
    serde_json::from_str(include_str!("../../../../tests/data/gum_vectors.json")).unwrap()
}

fn of(value: &Value) -> Decimal {
    let text = value.to_string();
    Decimal::from_str_exact(&text).or_else(|_| Decimal::from_scientific(&text)).unwrap()
}

fn close(found: Decimal, expected: Decimal, within: &str, what: &str) {
    assert!((found - expected).abs() <= dec(within), "{what}: {found}, expected {expected}");
}

fn t176() -> Method {
    let text = include_str!("../../../../config/methods/aashto-t176-mechanical.toml");
    crate::domain::method::load("aashto-t176-mechanical.toml", text).unwrap()
}

fn stated() -> Stated {
    serde_json::from_str("{}").unwrap()
}

fn number(method: &Method, s: &str, c: &str) -> Calculation {
    let foot = method.foot("indicator").unwrap();
    let level = dec(s) + foot.offset.value.unwrap();
    let sand = sand(level, foot, &method.readings).unwrap();
    let clay = clay(dec(c), &method.readings).unwrap();
    calculate(&sand, &clay, &method.calculation).unwrap()
}

fn counted(calculation: Calculation) -> Counted {
    Counted {
        specimen: uuid::Uuid::nil(),
        label: "S-1".to_owned(),
        record: uuid::Uuid::nil(),
        calculation,
        deviations: 0,
        cold: crate::domain::quality::Cold::No,
        settled: None,
    }
}

#[test]
fn the_budget_of_a_ratio_is_that_of_another_tool() {
    let (vectors, method) = (vectors(), t176());
    let rows = vectors["SE"].as_array().unwrap();
    let mut seen = 0;
    for row in rows {
        let expected = &row["budget"];
        if of(&expected["s_r"]) != Decimal::ZERO {
            continue;
        }
        seen += 1;
        let (s, c) = (expected["sand"].to_string(), expected["clay"].to_string());
        let found = budget(&number(&method, &s, &c), &method.readings, &stated()).unwrap();
        let what = format!("{s} / {c}");
        close(found.centre, of(&expected["SE_centre"]), "0.0001", &what);
        close(found.by_sand, of(&expected["c_sand"]), "0.0001", &what);
        close(found.by_clay, of(&expected["c_clay"]), "0.0001", &what);
        close(found.reading, of(&expected["u_reading_in"]), "0.00001", &what);
        close(found.from_readings, of(&expected["u_reading_SE"]), "0.0001", &what);
        // Within what a simulation of the whole distribution shows (JCGM 101; two million draws).
        close(found.from_readings, of(&row["mc"]["u"]), "0.003", &what);
    }
    assert!(seen >= 6, "{seen}");
}

#[test]
fn a_repeatability_is_added_with_its_degrees_of_freedom() {
    // Another tool: 3.3/4.0 with 1.5 of 30 degrees: 1.92, 80, 1.99; 2.9/6.9 with 2.9: 2.96, 32, 2.04, 6.0.
    let method = t176();
    for (s, c, own, combined, dof, factor, expanded) in [
        ("3.3", "4.0", "1.5", "1.92", "80", "1.99", "3.9"),
        ("2.9", "6.9", "2.9", "2.96", "32", "2.04", "6.1"),
    ] {
        let one = counted(number(&method, s, c));
        let stated = Stated { repeatability: Some(dec(own)), degrees_of_freedom: Some(30), ..stated() };
        let found = of_mean(&[&one], &method, &stated).unwrap();
        close(found.combined, dec(combined), "0.005", s);
        assert_eq!(found.degrees_of_freedom.unwrap().trunc(), dec(dof), "{s}");
        assert_eq!(found.factor, dec(factor), "{s}");
        // The second digit is raised, never rounded down.
        assert_eq!(found.expanded, dec(expanded), "{s}");
    }
}

#[test]
fn the_mean_of_several_is_less_uncertain_than_one() {
    let method = t176();
    let one = counted(number(&method, "3.3", "4.0"));
    let stated = Stated { repeatability: Some(dec("2")), ..stated() };
    let single = of_mean(&[&one], &method, &stated).unwrap();
    let four = of_mean(&[&one, &one, &one, &one], &method, &stated).unwrap();
    close(four.combined, single.combined / Decimal::TWO, "0.000001", "a quarter of the variance");
    assert_eq!((four.mean, four.factor), (dec("82.5"), Decimal::TWO));
}

#[test]
fn effective_degrees_of_freedom_are_those_of_the_guide() {
    let vectors = vectors();
    for row in vectors["WS"].as_array().unwrap() {
        let dofs = row["dof"].as_array().unwrap().iter().map(|d| d.as_f64().filter(|d| *d < 1e100));
        let parts: Vec<_> = row["u"]
            .as_array()
            .unwrap()
            .iter()
            .zip(dofs)
            .map(|(u, dof)| (of(u), dof.map(|d| d.to_string().parse().unwrap())))
            .collect();
        close(effective(&parts).unwrap(), of(&row["nu"]), "0.000001", &row.to_string());
    }
    // GUM H.1, the end gauge: contributions in nanometres with 18, 25.45, 50 and 2 degrees.
    let h1 = &vectors["H1"];
    let dofs = [dec("18"), of(&h1["nu_d"]), dec("50"), dec("2")];
    let parts: Vec<_> =
        h1["contrib_nm"].as_array().unwrap().iter().map(of).zip(dofs.into_iter().map(Some)).collect();
    close(combined(&parts).unwrap(), of(&h1["uc_nm"]), "0.001", "H.1");
    close(effective(&parts).unwrap(), of(&h1["nu_eff"]), "0.01", "H.1");
    assert_eq!(effective(&parts).unwrap().trunc(), of(&h1["published"]["nu_eff"]), "as printed");
    assert_eq!(effective(&[(Decimal::ONE, None)]), None);
}

#[test]
fn coverage_factors_are_students_to_the_second_decimal() {
    let vectors = vectors();
    let mut seen = 0;
    for row in vectors["t"].as_array().unwrap().iter().filter(|row| of(&row["p"]) == dec("0.95")) {
        seen += 1;
        close(coverage(Some(of(&row["dof"]))), of(&row["t"]), "0.005", &row.to_string());
    }
    assert!(seen >= 11, "{seen}");
    // The fraction is cut off; below one there is none.
    assert_eq!(coverage(Some(dec("16.9"))), coverage(Some(dec("16"))));
    assert_eq!((coverage(Some(dec("0.4"))), coverage(None)), (dec("12.71"), Decimal::TWO));
}

#[test]
fn an_uncertainty_is_raised_at_its_second_digit() {
    for (value, raised) in [("3.82", "3.9"), ("6.0", "6.0"), ("0.5774", "0.58"), ("12.01", "13"), ("0", "0")]
    {
        assert_eq!(raised_at_second_digit(dec(value)), dec(raised), "{value}");
    }
}

#[test]
fn a_number_of_one_height_and_a_unit_that_is_no_length_have_none() {
    let method = t176();
    let wrong = Stated { scale: Quantity::new(dec("0.01"), Unit::Gram), ..stated() };
    assert_eq!(budget(&number(&method, "3.3", "4.0"), &method.readings, &wrong), None);
    let metric = Stated { parallax: Quantity::new(dec("0.508"), Unit::Millimetre), ..stated() };
    let (a, b) = (number(&method, "3.3", "4.0"), stated());
    let found = budget(&a, &method.readings, &metric).unwrap();
    close(found.reading, budget(&a, &method.readings, &b).unwrap().reading, "0.0000001", "0.02 in");
}
