use super::*;
use crate::domain::method::{
    AverageRule, BetweenMarks, CalculationRule, Confidence, Foot, RatioRule, ReadingRule, ResultRule, Sourced,
};
use crate::domain::quantity::Unit;
use proptest::prelude::*;
use rust_decimal::Decimal;
use serde::Deserialize;

// Exact rational arithmetic by another tool: see `tests/data/README.md`.
const PAIRS: &str = include_str!("../../../tests/data/se_vectors.csv");
const MEANS: &str = include_str!("../../../tests/data/se_average_vectors.csv");
const TRICKY: &str = include_str!("../../../tests/data/se_tricky.json");

fn d(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn set<T>(value: T) -> Sourced<T> {
    Sourced { value: Some(value), source: "test".into(), confidence: Confidence::FromMemory }
}

fn us_reading() -> ReadingRule {
    ReadingRule {
        mark: set(d("0.1")),
        top: set(d("15")),
        unit: Unit::Inch,
        between_marks: set(BetweenMarks::Higher),
        feet: vec![foot("indicator", "10"), foot("guide-cap", "0")],
    }
}

fn foot(name: &str, offset: &str) -> Foot {
    Foot { name: name.into(), offset: set(d(offset)) }
}

fn us_rule() -> CalculationRule {
    CalculationRule {
        height: None,
        ratio: set(RatioRule::NearestTenth),
        result: set(ResultRule::RaiseToWhole),
        average: set(AverageRule::RaiseMeanOfReported),
    }
}

/// One specimen as the bench would compute it, from sand and clay readings.
fn specimen(sand_reading: &str, clay_reading: &str) -> Calculation {
    let rule = us_reading();
    let sand = sand(d(sand_reading), &foot("guide-cap", "0"), &rule).unwrap();
    calculate(&sand, &clay(d(clay_reading), &rule).unwrap(), &us_rule()).unwrap()
}

fn counted(ratio: &str, reported: i64) -> Counted {
    let tenths = i64::try_from((d(ratio) * d("10")).mantissa() / 10).unwrap();
    Counted { ratio_tenths: Tenths(tenths), reported: reported.into(), exact: None }
}

// The published worked examples. T 176 / D2419: recalled from memory. Student report: a student's
// laboratory report on T 176, read second-hand.

#[test]
fn example_of_t_176_levels_7_95_and_3_22_are_recorded_8_0_and_3_3() {
    let one = specimen("3.22", "7.95");
    let Levels::Two { sand, clay } = one.levels else { panic!("{one:?}") };
    assert_eq!((sand.recorded, clay.recorded), (d("3.3"), d("8.0")));
    assert_eq!(clay.recorded.to_string(), "8.0");
    assert_eq!(sand.entered.to_string(), "3.22");
}

#[test]
fn example_of_t_176_sand_3_3_clay_8_0_is_reported_42() {
    let one = specimen("3.3", "8.0");
    // Printed 41.2; 41.25 exactly, and a tie goes up here. The reported value is the same.
    assert_eq!(one.exact, Some(Exact { numerator: 165, denominator: 4 }));
    assert_eq!(one.ratio_tenths.to_string(), "41.3");
    assert_eq!(one.reported, d("42"));
    assert!(!one.sand_over_clay);
}

#[test]
fn example_of_t_176_average_of_41_2_43_8_40_9_is_43() {
    let ratios = [412, 438, 409].map(Tenths);
    let all = ratios.map(|t| Counted {
        ratio_tenths: t,
        reported: result(t, ResultRule::RaiseToWhole),
        exact: None,
    });
    assert_eq!(all.map(|c| c.reported), [d("42"), d("44"), d("41")]);
    let mean = average(&all, AverageRule::RaiseMeanOfReported).unwrap();
    assert_eq!((mean.mean_tenths.to_string(), mean.reported), ("42.3".to_owned(), d("43")));
}

#[test]
fn examples_of_the_student_report_and_their_average() {
    let all = [("2.7", "6.0"), ("2.6", "8.1"), ("2.8", "9.2")].map(|(s, c)| specimen(s, c));
    assert_eq!(all.map(|c| c.ratio_tenths.to_string()), ["45.0", "32.1", "30.4"]);
    assert_eq!(all.map(|c| c.reported.to_string()), ["45", "33", "31"]);
    let all = all.map(|c| Counted::from(&c));
    let mean = average(&all, AverageRule::RaiseMeanOfReported).unwrap();
    assert_eq!((mean.mean_tenths.to_string(), mean.reported.to_string()), ("36.3".into(), "37".into()));
}

/// Study cards for T 176 (the question read second-hand, the answer derived).
#[test]
fn example_of_the_study_cards_sand_3_6_clay_9_9_is_37() {
    let one = specimen("3.6", "9.9");
    assert_eq!((one.ratio_tenths.to_string(), one.reported.to_string()), ("36.4".into(), "37".into()));
}

/// An agency's manual: 8.0 % fine and 24.0 % coarse of a job mix make 32.0 %, of which 25 % is fine.
/// It is a share, not a sand equivalent, but the same arithmetic must give it.
#[test]
fn example_of_an_agency_fine_share_of_a_job_mix() {
    let (fine, total) = (Marks(80), Marks(80 + 240));
    assert_eq!(ratio(fine, total, RatioRule::NearestTenth), Some(Tenths(250)));
}

/// Mean of two to the nearest whole number (EN 933-8, read second-hand), ordinary rounding.
#[test]
fn the_european_average_rounds_and_does_not_raise() {
    let two = |a: &str, b: &str| average(&[counted(a, 0), counted(b, 0)], AverageRule::NearestWhole).unwrap();
    assert_eq!(two("41.2", "41.6").reported, d("41"));
    assert_eq!(two("41.2", "41.8").reported, d("42"));
    assert_eq!(result(Tenths(412), ResultRule::Tenth).to_string(), "41.2");
    assert_eq!(average(&[], AverageRule::NearestWhole), None);
}

#[derive(Deserialize)]
struct Pair {
    sand_tenths: i64,
    clay_tenths: i64,
    ratio_to_nearest_tenth_x10: i64,
    reported: i64,
}

#[test]
fn every_pair_of_levels_agrees_with_exact_rational_arithmetic() {
    let mut pairs = 0;
    for row in csv::Reader::from_reader(PAIRS.as_bytes()).deserialize() {
        let row: Pair = row.unwrap();
        let found = ratio(Marks(row.sand_tenths), Marks(row.clay_tenths), RatioRule::NearestTenth).unwrap();
        assert_eq!(found, Tenths(row.ratio_to_nearest_tenth_x10), "{}/{}", row.sand_tenths, row.clay_tenths);
        let reported = result(found, ResultRule::RaiseToWhole);
        assert_eq!(reported, row.reported.into(), "{}/{}", row.sand_tenths, row.clay_tenths);
        pairs += 1;
    }
    assert_eq!(pairs, 151 * 150, "0 to 15.0 in over 0.1 to 15.0 in");
}

#[derive(Deserialize)]
struct MeanOf {
    n: usize,
    sum: i64,
    average_reported: i64,
    average_x10_half_up: i64,
}

#[test]
fn every_sum_of_reported_values_agrees_with_exact_rational_arithmetic() {
    let mut sums = 0;
    for row in csv::Reader::from_reader(MEANS.as_bytes()).deserialize() {
        let row: MeanOf = row.unwrap();
        // Which values make the sum does not matter: one holds what the others leave.
        let mut all = vec![counted("0", 0); row.n];
        all[0].reported = row.sum.into();
        let mean = average(&all, AverageRule::RaiseMeanOfReported).unwrap();
        assert_eq!(mean.reported, row.average_reported.into(), "{} of {}", row.sum, row.n);
        assert_eq!(mean.mean_tenths, Tenths(row.average_x10_half_up), "{} of {}", row.sum, row.n);
        sums += 1;
    }
    assert!(sums > 1000);
}

#[derive(Deserialize)]
struct Tricky {
    singles: Vec<Single>,
    averages: Vec<Few>,
}

#[derive(Deserialize)]
struct Single {
    sand_tenths: i64,
    clay_tenths: i64,
    exact: String,
    half_up_x10: i64,
    reported: i64,
}

#[derive(Deserialize)]
struct Few {
    results: Vec<i64>,
    reported: i64,
}

#[test]
fn tricky_pairs_keep_their_exact_fraction_and_averages_are_raised() {
    let tricky: Tricky = serde_json::from_str(TRICKY).unwrap();
    assert!(tricky.singles.len() > 40 && tricky.averages.len() > 5);
    for one in tricky.singles {
        let (s, c) = (Marks(one.sand_tenths), Marks(one.clay_tenths));
        assert_eq!(Exact::of(s, c).unwrap().to_string(), one.exact);
        let found = ratio(s, c, RatioRule::NearestTenth).unwrap();
        assert_eq!(found, Tenths(one.half_up_x10));
        assert_eq!(result(found, ResultRule::RaiseToWhole), one.reported.into());
    }
    for few in tricky.averages {
        let all: Vec<_> = few.results.iter().map(|r| counted("0", *r)).collect();
        let mean = average(&all, AverageRule::RaiseMeanOfReported).unwrap();
        assert_eq!(mean.reported, few.reported.into());
    }
}

#[test]
fn a_sand_reading_over_the_clay_reading_computes_and_is_flagged() {
    let one = specimen("9.0", "8.0");
    assert_eq!(one.reported, d("113"));
    assert!(one.sand_over_clay);
    // Under one mark, but read in the wrong order: still flagged.
    assert!(specimen("7.97", "7.93").sand_over_clay);
    assert!(!specimen("8.0", "8.0").sand_over_clay);
}

#[test]
fn the_indicators_level_less_its_offset_is_exact_at_every_mark() {
    // 10.3 - 10.0 in binary floating point lies over 0.3, and would be raised to 0.4.
    for tenths in 0..=150 {
        let taken = sand(Decimal::new(100 + tenths, 1), &foot("indicator", "10"), &us_reading()).unwrap();
        assert_eq!(taken.marks, Marks(tenths));
        assert_eq!(taken.reading, Decimal::new(tenths, 1));
    }
    let between = sand(d("13.22"), &foot("indicator", "10"), &us_reading()).unwrap();
    assert_eq!((between.reading, between.recorded), (d("3.22"), d("3.3")));
}

#[test]
fn a_wrong_level_is_refused_in_words() {
    let rule = us_reading();
    let clay = |text: &str| clay(d(text), &rule).unwrap_err().to_string();
    assert!(clay("0").contains("clay reading is 0"));
    assert!(clay("0.00").contains("clay reading is 0"));
    assert!(clay("-0.1").contains("-0.1 in is negative"));
    assert!(clay("15.1").contains("15.1 in is over the cylinder's top mark, 15 in"));
    assert!(clay("15.01").contains("over"), "it would be raised to 15.1");
    assert!(clay("7.1234567").contains("more than 6 decimals"));
    assert!(clay("79228162514264337593543950335").contains("over"));
    let sand = |text: &str, foot: &Foot| sand(d(text), foot, &rule).map_err(|e| e.to_string());
    let indicator = foot("indicator", "10");
    let low = sand("9.9", &indicator).unwrap_err();
    assert!(low.contains("9.9 in") && low.contains("10 in") && low.contains("`indicator`"), "{low}");
    assert!(sand("-1", &indicator).unwrap_err().contains("negative"));
    assert!(sand("25.1", &indicator).unwrap_err().contains("15.1 in is over"));
    assert!(sand("13.1234567", &indicator).unwrap_err().contains("decimals"));
    assert_eq!(sand("10", &indicator).unwrap().marks, Marks(0));
    assert_eq!(sand("3.3000000", &foot("guide-cap", "0")).unwrap().marks, Marks(33));
}

#[test]
fn a_clay_level_that_is_recorded_as_0_is_refused() {
    // EN 933-8: whole millimetres, the nearest one.
    let rule = ReadingRule {
        mark: set(d("1")),
        top: set(d("380")),
        unit: Unit::Millimetre,
        between_marks: set(BetweenMarks::Nearest),
        ..us_reading()
    };
    assert!(clay(d("0.1"), &rule).unwrap_err().to_string().contains("0.1 mm is recorded as 0"));
    assert!(clay(d("0.49"), &rule).unwrap_err().to_string().contains("recorded as 0"));
    assert_eq!(clay(d("0.5"), &rule).unwrap().marks, Marks(1));
    // T 176 records the higher mark, so any level over 0 has one.
    assert_eq!(clay(d("0.01"), &us_reading()).unwrap().marks, Marks(1));
}

#[test]
fn a_method_that_leaves_a_rule_open_says_which() {
    let open = Sourced { value: None, source: String::new(), confidence: Confidence::Unknown };
    let rule = ReadingRule { mark: open, ..us_reading() };
    assert!(clay(d("8"), &rule).unwrap_err().to_string().contains("readings.mark"));
    let zero = ReadingRule { mark: set(Decimal::ZERO), ..us_reading() };
    assert!(clay(d("8"), &zero).unwrap_err().to_string().contains("distance between two marks"));
    let one = specimen("3.3", "8.0");
    let open = Sourced { value: None, source: String::new(), confidence: Confidence::Unknown };
    let unset = from_levels(one.levels, &CalculationRule { result: open, ..us_rule() });
    assert_eq!(unset, Err(CalculationError::Unset("calculation.result")));
}

#[test]
fn the_constant_scale_of_worksheets_is_that_of_the_method_files() {
    assert_eq!(Scale::of(&us_reading()), Ok(Scale::TENTHS_OF_AN_INCH));
}

#[test]
fn no_levels_make_a_division_fail() {
    assert_eq!(ratio(Marks(33), Marks(0), RatioRule::NearestTenth), None);
    assert_eq!(ratio(Marks(33), Marks(-1), RatioRule::NearestTenth), None);
    assert_eq!(ratio(Marks(i64::MAX), Marks(1), RatioRule::NearestTenth), None);
    assert_eq!(ratio(Marks(1), Marks(i64::MAX), RatioRule::NearestTenth), None);
    assert_eq!(Exact::of(Marks(i64::MAX), Marks(1)), None);
}

#[test]
fn a_calculation_reads_back_as_it_was_written() {
    let one = specimen("3.22", "7.95");
    let text = serde_json::to_string(&one).unwrap();
    assert!(text.contains(r#""entered":"7.95""#) && text.contains(r#""ratio-tenths":413"#), "{text}");
    assert_eq!(serde_json::from_str::<Calculation>(&text).unwrap(), one);
}

#[test]
fn text_that_is_no_plain_decimal_is_no_level() {
    let level = |text: &str| level_from_text(text.as_bytes());
    assert_eq!(level(" 3.30\t").unwrap().to_string(), "3.30");
    assert_eq!(level("+8.").unwrap(), d("8"));
    assert_eq!(level(".5").unwrap(), d("0.5"));
    assert_eq!(level("-0.1").unwrap(), d("-0.1"));
    assert_eq!(level(""), Err(TextError::Empty));
    assert_eq!(level("3,3"), Err(TextError::Comma));
    assert_eq!(level("1234567890123456789"), Err(TextError::TooLong));
    for odd in ["NaN", "inf", "1e3", "1_0", "3.3.3", "-", ".", "+-1", "3.3 in", "0x10", "３.３", "3 3"] {
        assert_eq!(level(odd), Err(TextError::NotANumber), "{odd}");
    }
}

proptest! {
    /// The higher mark is the smallest one at or above the level; the nearest lies within half a mark.
    #[test]
    fn a_mark_bounds_its_level(n in 0_i64..20_000_000, scale in 0_u32..=6, mark in 1_i64..1000, ms in 0_u32..=3) {
        let (level, mark) = (Decimal::new(n, scale), Decimal::new(mark, ms));
        let higher = to_mark(level, mark, BetweenMarks::Higher).unwrap();
        prop_assert!(higher.level(mark).unwrap() >= level);
        prop_assert!(Marks(higher.0 - 1).level(mark).unwrap() < level);
        let nearest = to_mark(level, mark, BetweenMarks::Nearest).unwrap().level(mark).unwrap();
        prop_assert!((nearest - level) * d("2") <= mark && (level - nearest) * d("2") < mark);
    }

    /// Any text gives a level or a reason, and a level has the value that the decimal library reads.
    #[test]
    fn any_text_is_a_level_or_a_reason(text in "[-+ 0-9.,e]{0,24}|.{0,12}") {
        if let Ok(level) = level_from_text(text.as_bytes()) {
            let plain = text.trim_matches(|c: char| c.is_ascii_whitespace());
            prop_assert_eq!(level, Decimal::from_str_exact(plain).unwrap());
        }
    }

    /// No decimal, however large or fine, makes the rules panic.
    #[test]
    fn any_decimal_is_taken_or_refused(lo: u32, mid: u32, hi: u32, negative: bool, scale in 0_u32..=28) {
        let value = Decimal::from_parts(lo, mid, hi, negative, scale);
        let rule = us_reading();
        let _ = clay(value, &rule);
        let _ = sand(value, &foot("indicator", "10"), &rule);
        let _ = to_mark(value, d("0.1"), BetweenMarks::Higher);
        let _ = to_mark(d("0.1"), value, BetweenMarks::Nearest);
        let _ = average(&[Counted { ratio_tenths: Tenths(i64::MAX), reported: value, exact: None }], AverageRule::RaiseMeanOfReported);
    }
}

/// Values of the two height formulas (formulas recalled from memory, the values derived from them).
#[test]
fn the_formulas_of_a_height_give_their_derived_values() {
    let number = |file: &str, h: &str| {
        let path = format!("{}/config/methods/{file}.toml", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(&path).unwrap();
        let method = crate::domain::method::load(&path, &text).unwrap();
        let level = sediment(d(h), &method.readings).unwrap();
        from_levels(Levels::One { sediment: level }, &method.calculation)
    };
    for (h, tenth) in [("1.0", "74.5"), ("3.0", "53.1"), ("10.0", "25.7")] {
        assert_eq!(number("aashto-t210-coarse", h).unwrap().ratio_tenths.to_string(), tenth, "Dc at {h} in");
    }
    for (h, whole) in [("0.5", "86"), ("1.0", "75"), ("2.0", "58"), ("5.0", "30")] {
        assert_eq!(
            number("caltrans-ct227-cleanness", h).unwrap().reported.to_string(),
            whole,
            "CV at {h} in"
        );
    }
    // Its nine decimals are stated, and a fraction stays one.
    let dc = number("aashto-t210-coarse", "3.0").unwrap();
    assert_eq!((dc.exact, dc.unrounded.map(|v| v.scale() <= 9)), (None, Some(true)));
    assert_eq!(number("caltrans-ct227-cleanness", "1.0").unwrap().exact.unwrap().to_string(), "75");
}

#[test]
fn a_height_where_a_formula_has_no_value_is_told() {
    let path = format!("{}/config/methods/aashto-t210-coarse.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap();
    // The angle passes pi, where the cotangent jumps.
    let text = text.replace("d = { value = 0.15", "d = { value = 0.96");
    let method = crate::domain::method::load(&path, &text).unwrap();
    let level = sediment(d("3.0"), &method.readings).unwrap();
    let told = from_levels(Levels::One { sediment: level }, &method.calculation).unwrap_err().to_string();
    assert!(told.contains("no value at the height 3.0"), "{told}");
}

/// The mean of exact ratios is not that of rounded ones: 41.24 and 41.74 make 41.49, by way of the
/// tenths 41.2 and 41.7 they would make 41.45, and 41.25 and 41.74 even change sides.
#[test]
fn a_mean_of_exact_ratios_is_rounded_once() {
    let of = |n: i64, d: i64| {
        let exact = Exact { numerator: n, denominator: d };
        let tenths = i64::try_from((2 * 10 * i128::from(n) + i128::from(d)) / (2 * i128::from(d))).unwrap();
        Counted { ratio_tenths: Tenths(tenths), reported: Decimal::ZERO, exact: Some(exact) }
    };
    let pair = [of(4125, 100), of(4174, 100)];
    let whole = |rule| average(&pair, rule).unwrap().reported.to_string();
    assert_eq!(
        (whole(AverageRule::NearestWholeOfExact), whole(AverageRule::NearestWhole)),
        ("41".into(), "42".into())
    );
    // A tie of fractions that no decimal holds: 1/3 and 2/3 over 41 make 41.5 exactly.
    let tie = [of(124, 3), of(125, 3)];
    assert_eq!(average(&tie, AverageRule::NearestWholeOfExact).unwrap().reported, d("42"));
}
