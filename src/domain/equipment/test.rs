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
    let (limits, source) = required(&tin.checks[0], &t176).unwrap();
    assert!(source.starts_with("AASHTO T 176"), "{source}");
    // 84.85 g at 20 °C, where a litre weighs 998.2 g: 85.00 mL.
    let volume = figures::water_volume(d("84.85"), d("20")).unwrap();
    assert_eq!(volume, Quantity::new(d("85.00"), Unit::Millilitre));
    assert_eq!(limits.side(&volume), Some(Side::Within));
    assert_eq!(limits.side(&figures::water_volume(d("79.8"), d("20")).unwrap()), Some(Side::Below));
    let shaker = kind("shaker");
    let (limits, _) = required(&shaker.checks[0], &t176).unwrap();
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

fn stems(folder: &str) -> Vec<String> {
    let folder = format!("{}/config/{folder}", env!("CARGO_MANIFEST_DIR"));
    let paths = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let toml = paths.filter(|path| path.extension().is_some_and(|extension| extension == "toml"));
    let mut stems: Vec<_> =
        toml.map(|path| path.file_stem().unwrap().to_string_lossy().into_owned()).collect();
    stems.sort();
    stems
}

/// Limits of a kind's own file are only for what no standard sets: they say 'no source'.
#[test]
fn no_method_is_held_to_what_another_standard_requires() {
    let (methods, kinds) = (stems("methods"), stems("equipment"));
    assert!(methods.len() >= 14 && kinds.len() >= 15, "{methods:?} {kinds:?}");
    let mut set = 0;
    for method in methods.iter().map(|name| method(name)) {
        for kind in kinds.iter().map(|name| kind(name)) {
            for check in &kind.checks {
                let Some((_, source)) = required(check, &method) else { continue };
                let of_trade = check.apparatus.is_none() && source.starts_with("no source;");
                let own = source.starts_with(&format!("{}: ", method.standard));
                assert!(own || of_trade, "{}, {} {}: {source}", method.id, kind.kind, check.name);
                set += usize::from(own);
            }
        }
    }
    assert!(set > 50, "most requirements are the methods' own: {set}");
}

/// What the method files require of one value, by the check's name.
fn side(kind_name: &str, check: &str, method_name: &str, value: &str, unit: Unit) -> Option<Side> {
    let rule = kind(kind_name).checks.into_iter().find(|rule| rule.name == check).unwrap();
    required(&rule, &method(method_name))?.0.side(&Quantity::new(d(value), unit))
}

/// EN 933-8, recalled: marks at 100 and 380 mm ± 0.25 mm, bore 32 ± 0.5 mm, plunger 1.00 ± 0.005 kg,
/// the container's bottom 1 m above the bench; French laboratory reports: 200 ± 10 mm.
#[test]
fn a_bench_by_the_european_standard_is_held_to_that_standard() {
    use Side::{Above, Below, Within};
    for (kind, check, value, wanted) in [
        ("cylinder", "scale", "380.0", Some(Within)),
        ("cylinder", "scale", "381.0", Some(Above)),
        ("cylinder", "bore", "32.3", Some(Within)),
        ("cylinder", "bore", "31.4", Some(Below)),
        ("shaker", "throw", "200", Some(Within)),
        ("siphon", "head", "1000", None),
        ("siphon", "level", "1100", None),
    ] {
        assert_eq!(side(kind, check, "en-933-8", value, Unit::Millimetre), wanted, "{kind} {check} {value}");
    }
    assert_eq!(side("foot-assembly", "mass", "en-933-8", "1004", Unit::Gram), Some(Within));
    assert_eq!(side("tin", "volume", "en-933-8", "70", Unit::Millilitre), None, "a portion needs no tin");
    // Shaken by hand, it needs no shaker.
    assert_eq!(side("shaker", "throw", "en-933-8-by-hand", "150", Unit::Millimetre), None);
    for check in kind("cylinder").checks {
        assert!(!check.instruction.contains("15 in"), "not every cylinder has that mark");
    }
}

/// California Test 217, 2011 and 2008, excerpts: the level of the liquid 36 to 46 in above the bench,
/// and nothing of the shelf. WAQTC FOP for AASHTO T 176: the shelf 36 ± 1 in.
#[test]
fn california_looks_at_the_level_and_not_at_the_shelf() {
    for method in ["caltrans-ct217-mechanical", "caltrans-ct217-shaker-by-hand"] {
        assert_eq!(side("siphon", "head", method, "800", Unit::Millimetre), None, "{method}");
        assert_eq!(side("siphon", "level", method, "1100", Unit::Millimetre), Some(Side::Within), "{method}");
        assert_eq!(side("siphon", "level", method, "900", Unit::Millimetre), Some(Side::Below), "{method}");
    }
    assert_eq!(side("siphon", "level", "aashto-t176-mechanical", "800", Unit::Millimetre), None);
    assert_eq!(side("siphon", "head", "aashto-t176-mechanical", "800", Unit::Millimetre), Some(Side::Below));
}

#[test]
fn each_method_is_a_requirement_of_its_own() {
    let rate = kind("shaker").checks.into_iter().find(|rule| rule.name == "rate").unwrap();
    let methods =
        ["aashto-t176-mechanical", "astm-d2419-mechanical", "aashto-t176-without-shaker", "en-933-8"];
    let methods: Vec<Method> = methods.into_iter().map(method).collect();
    let found = requirements(&rate, methods.iter());
    // Nevada T227J, 2019: 175 ± 2; arithmetic on 90 cycles in 30 ± 1 s.
    assert_eq!(
        Required::text(&found).unwrap(),
        "AASHTO T 176, ASTM D2419: 173 to 177 cycles/min; EN 933-8: 174.2 to 186.2 cycles/min"
    );
    let value = Quantity::new(d("173.5"), Unit::CyclesPerMinute);
    assert_eq!(found.iter().map(|one| one.judge(&value).good).collect::<Vec<_>>(), [true, false]);
}

#[test]
fn limits_beside_a_requirement_hold_for_the_methods_that_do_not_name_it() {
    let text = "kind = \"a\"\ntitle = \"A\"\n[[check]]\nname = \"n\"\ntitle = \"T\"\ninstruction = \"I\"\n\
                how = \"value\"\napparatus = \"NAME\"\nlimits = { max = 5, unit = \"mm\", source = \"s\", confidence = \"agency\" }\n";
    let of = |name: &str, method_name: &str| {
        let kind = load("a.toml", &text.replace("NAME", name)).unwrap();
        required(&kind.checks[0], &method(method_name)).map(|(range, _)| range.max)
    };
    assert_eq!(of("hose bore", "en-933-8"), Some(Some(d("5"))), "nobody names it");
    assert_eq!(of("cylinder bore", "en-933-8"), Some(Some(d("32.5"))), "the method's own figures");
    assert_eq!(of("siphon shelf", "en-933-8"), None, "named without figures: nothing is required");
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
        (good.replace("\"look\"", "\"value\"\napparatus = \"foot mass\""), "needs `unit`"),
        (good[..40].to_owned(), "a.toml"),
    ] {
        let faults = load("a.toml", &bad).unwrap_err();
        assert!(faults.iter().any(|fault| fault.to_string().contains(said)), "{said}: {faults:?}");
    }
    let many = good.replace("\"a\"", "\"b\"").replace("\"look\"", "\"rate\"\ndaily = true");
    let faults = load("a.toml", &many).unwrap_err();
    assert_eq!(faults.len(), 3, "all at once: {faults:?}");
    assert!(faults.iter().all(|fault| fault.to_string().starts_with("a.toml: ")));
}

#[test]
fn a_kind_comes_back_from_the_journal_as_it_was_read() {
    for name in ["balance", "check-mass", "shaker", "tin", "probe"] {
        let read = kind(name);
        let again: Kind = serde_json::from_str(&serde_json::to_string(&read).unwrap()).unwrap();
        assert_eq!(again, read);
    }
}
