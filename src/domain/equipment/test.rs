use super::*;
use crate::domain::method::Method;
use crate::domain::quantity::{Quantity, Side, Unit};
use rust_decimal::Decimal;
use serde_json::Value;

fn d(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn kind(name: &str) -> Kind {
    let path = format!("{}/config/equipment/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    load(&path, &std::fs::read_to_string(&path).unwrap()).unwrap()
}

fn method(name: &str) -> Method {
    let path = format!("{}/config/methods/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    crate::domain::method::load(&path, &std::fs::read_to_string(&path).unwrap()).unwrap()
}

/// Checked against `tests/data/mass_vectors.json`, which was made with another tool from
/// OIML R 111-1 and the classes of AASHTO M 231.
#[test]
fn check_masses_and_balances_are_judged_as_the_vectors_say() {
    let vectors: Value = serde_json::from_str(include_str!("../../../tests/data/mass_vectors.json")).unwrap();
    let digits = |value: &Value| d(&value.to_string());
    let table = kind("check-mass").mass_limits.unwrap();
    for (nominal, row) in vectors["oiml_mpe_mg"].as_object().unwrap() {
        for (class, milligrams) in vectors["classes"].as_array().unwrap().iter().zip(row.as_array().unwrap())
        {
            let limit = figures::mass_limit(&table, d(nominal), class.as_str().unwrap()).unwrap();
            assert_eq!(limit * Decimal::ONE_THOUSAND, digits(milligrams), "{nominal} g {class}");
        }
    }
    let checks = vectors["balance_check"].as_array().unwrap();
    assert_eq!(checks.len(), 5);
    for check in checks {
        let nominal = digits(&check["nominal_g"]);
        let tolerance = digits(&check["tolerance_g"]);
        let limit = figures::mass_limit(&table, nominal, check["weight_class"].as_str().unwrap()).unwrap();
        assert_eq!(limit, digits(&check["weight_mpe_g"]));
        assert_eq!(figures::is_adequate(limit, tolerance), check["weight_adequate"].as_bool().unwrap());
        let judged = figures::weighed(
            digits(&check["indication_g"]),
            nominal,
            tolerance,
            limit,
            digits(&check["readability_g"]),
        );
        let judged = judged.unwrap();
        assert_eq!(judged.error, digits(&check["error_g"]), "{check}");
        assert_eq!(judged.within, check["simple_pass"].as_bool().unwrap(), "{check}");
        assert_eq!(judged.guarded, check["guarded_pass"].as_bool().unwrap(), "{check}");
    }
}

#[test]
fn a_third_is_enough_and_the_share_of_the_load_counts_only_where_it_is_set() {
    assert!(figures::is_adequate(d("0.05"), d("0.15")));
    assert!(!figures::is_adequate(d("0.0501"), d("0.15")));
    let mut g2 = kind("balance").classes.into_iter().find(|class| class.name == "G2").unwrap();
    assert_eq!(figures::tolerance(&g2, d("1000")), d("0.2"));
    // AASHTO M 231 (recalled): or 0.1 % of the test load, whichever is greater.
    g2.percent_of_load = Some(d("0.1"));
    assert_eq!(figures::tolerance(&g2, d("1000")), d("1.0"));
    assert_eq!(figures::tolerance(&g2, d("100")), d("0.2"));
}

/// Figures of G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, another formula than ours: they lie
/// 0.003 kg/m³ lower, since they stand on an older maximum density. At 4 °C the maximum of the
/// 2001 table itself, 999.975 kg/m³.
#[test]
fn the_density_of_water_is_that_of_another_formula() {
    for (celsius, kell) in [("10", "999.6996"), ("15", "999.0996"), ("18", "998.5956"), ("19", "998.4052")] {
        let ours = figures::water_density(d(celsius)).unwrap();
        assert!((ours - d(kell)).abs() < d("0.004"), "{celsius} °C: {ours} and {kell}");
    }
    assert_eq!(figures::water_density(d("4")).unwrap().round_dp(3), d("999.975"));
    assert_eq!(figures::water_density(d("40.1")), None);
    assert_eq!(figures::water_density(d("-0.1")), None);
}

#[test]
fn a_tin_and_a_rate_lie_on_their_limits_or_outside() {
    let tin = kind("tin");
    let t176 = method("aashto-t176-mechanical");
    let (limits, source) = required(&tin.checks[0], [&t176].into_iter()).unwrap();
    assert!(source.starts_with("AASHTO T 176"), "{source}");
    // 84.85 g at 20 °C, where a litre weighs 998.2 g: 85.00 mL.
    let volume = figures::water_volume(d("84.85"), d("20")).unwrap();
    assert_eq!(volume, Quantity::new(d("85.00"), Unit::Millilitre));
    assert_eq!(limits.side(&volume), Some(Side::Within));
    assert_eq!(limits.side(&figures::water_volume(d("79.8"), d("20")).unwrap()), Some(Side::Below));
    let shaker = kind("shaker");
    let (limits, _) = required(&shaker.checks[0], [&t176].into_iter()).unwrap();
    for (cycles, side) in [
        (172, Side::Below),
        (173, Side::Within),
        (175, Side::Within),
        (177, Side::Within),
        (178, Side::Above),
    ] {
        assert_eq!(limits.side(&figures::rate(cycles, d("60")).unwrap()), Some(side), "{cycles}");
    }
    // 131 cycles in 45 s are 174.67 a minute.
    assert_eq!(figures::rate(131, d("45")).unwrap().value, d("174.67"));
}

#[test]
fn several_methods_are_all_kept_and_contradicting_ones_leave_the_kinds_own_limits() {
    let check = &kind("shaker").checks[1];
    let mut wide = method("aashto-t176-mechanical");
    let entry = |m: &mut Method| m.apparatus.iter().position(|r| r.name == "shaker throw").unwrap();
    let at = entry(&mut wide);
    let narrow = wide.clone();
    // California Test 217: 203.2 ± 1.3 mm.
    wide.apparatus[at].limits =
        Some(Range { min: Some(d("201.9")), max: Some(d("204.5")), unit: Unit::Millimetre });
    let of = |methods: &[&Method]| required(check, methods.iter().copied()).unwrap().0;
    assert_eq!(of(&[&wide]).min, Some(d("201.9")));
    assert_eq!(of(&[&wide, &narrow]), of(&[&narrow]));
    wide.apparatus[at].limits =
        Some(Range { min: Some(d("190")), max: Some(d("200")), unit: Unit::Millimetre });
    assert_eq!(of(&[&wide, &narrow]).min, Some(d("202.2")), "the file's own");
    assert_eq!(of(&[]).max, Some(d("204.2")));
}

#[test]
fn what_is_wrong_with_a_file_is_said_with_its_place() {
    let good = "kind = \"a\"\ntitle = \"A\"\n[[check]]\nname = \"n\"\ntitle = \"T\"\ninstruction = \"I\"\nhow = \"look\"\n";
    load("a.toml", good).unwrap();
    for (bad, said) in [
        (good.replace("kind = \"a\"", "kind = \"b\""), "must be the file's own name"),
        (good.replace("\"look\"", "\"guess\""), "unknown variant `guess`"),
        (good.replace("title = \"T\"", "tittle = \"T\""), "unknown field `tittle`"),
        (good.replace("\"look\"", "\"value\""), "needs `limits`"),
        (
            format!("{good}daily = true\nlimits = {{ unit = \"g\", source = \"s\", confidence = \"read\" }}"),
            "neither `min` nor `max`",
        ),
        (good.replace("\"look\"", "\"rate\"\ndaily = true"), "only a check with `how = \"look\"`"),
        (
            format!("{good}every = {{ value = 0, unit = \"d\", source = \"s\", confidence = \"read\" }}"),
            "`every` is 0",
        ),
        (
            format!("{good}every = {{ value = 2, unit = \"week\", source = \"s\", confidence = \"read\" }}"),
            "unknown variant `week`",
        ),
        (good[..40].to_owned(), "a.toml"),
    ] {
        let error = load("a.toml", &bad).unwrap_err().to_string();
        assert!(error.contains(said), "{said}: {error}");
    }
}

#[test]
fn a_kind_comes_back_from_the_journal_as_it_was_read() {
    for name in ["balance", "check-mass", "shaker", "tin", "probe"] {
        let read = kind(name);
        let again: Kind = serde_json::from_str(&serde_json::to_string(&read).unwrap()).unwrap();
        assert_eq!(again, read);
    }
}
