//! The units in which people see figures: the one place that converts for display, exactly, and that says
//! with how many digits. What is stored and published keeps the units in which it was read.

use super::quantity::{Kind, Quantity, Range, Unit};
use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::{Value, json};

/// In settings, for a figure that is shown as it was read.
const AS_READ: &str = "as-read";
/// An exact figure may have so many digits more than the reading's step carries; beyond, it is rounded.
const EXACT_MORE: u32 = 2;
/// Figures of a document that are differences: between two of them no zero of a scale lies.
const DIFFERENCES: [&str; 1] = ["added"];

/// Units of the pages and of paper, by the kind of figure.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Units {
    /// Of temperatures.
    pub temperature: Wish,
    /// Of lengths.
    pub length: Wish,
    /// Of masses.
    pub mass: Wish,
}

/// The unit of one kind of figure.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Wish {
    /// As it was read.
    #[default]
    AsRead,
    /// This one.
    In(Unit),
}

impl Serialize for Wish {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(match self {
            Self::AsRead => AS_READ,
            Self::In(unit) => unit.code(),
        })
    }
}

impl<'de> Deserialize<'de> for Wish {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        if text == AS_READ {
            return Ok(Self::AsRead);
        }
        let unknown =
            || serde::de::Error::custom(format!("`{text}` is no unit here; give a UCUM code or `{AS_READ}`"));
        Unit::from_code(&text).map(Self::In).ok_or_else(unknown)
    }
}

impl Units {
    /// Everything is shown as it was read.
    pub fn is_as_read(self) -> bool {
        self == Self::default()
    }

    /// What is shown in a unit of its own, in words: `temperatures in °F, lengths in mm`.
    pub fn words(self) -> String {
        let rows = [("temperatures", self.temperature), ("lengths", self.length), ("masses", self.mass)];
        let words = rows.into_iter().filter_map(|(what, wish)| match wish {
            Wish::AsRead => None,
            Wish::In(unit) => Some(format!("{what} in {unit}")),
        });
        words.collect::<Vec<_>>().join(", ")
    }

    /// What each setting must measure, with the units that may be asked for.
    pub fn faults(self) -> Vec<(&'static str, String)> {
        let may = |kind| -> &'static [Unit] {
            match kind {
                Kind::Temperature => &[Unit::Celsius, Unit::Fahrenheit],
                Kind::Length => &[Unit::Millimetre, Unit::Inch],
                _ => &[Unit::Gram],
            }
        };
        let rows = [
            ("temperature", self.temperature, Kind::Temperature),
            ("length", self.length, Kind::Length),
            ("mass", self.mass, Kind::Mass),
        ];
        let wrong = rows.into_iter().filter_map(|(key, wish, kind)| match wish {
            Wish::In(unit) if !may(kind).contains(&unit) => {
                let known: Vec<_> = may(kind).iter().map(|unit| format!("`{}`", unit.code())).collect();
                let what = format!(
                    "`{}` cannot be shown here; give {} or `{AS_READ}`",
                    unit.code(),
                    known.join(", ")
                );
                Some((key, what))
            }
            _ => None,
        });
        wrong.collect()
    }

    /// The unit in which a figure of this unit is shown.
    pub fn of(self, unit: Unit) -> Unit {
        let wish = match unit.kind() {
            Kind::Temperature => self.temperature,
            Kind::Length => self.length,
            Kind::Mass => self.mass,
            Kind::Time | Kind::Volume | Kind::Other => Wish::AsRead,
        };
        match wish {
            Wish::AsRead => unit,
            Wish::In(wanted) => wanted,
        }
    }

    /// A figure as it is shown.
    pub fn quantity(self, read: &Quantity) -> Quantity {
        shown(read, self.of(read.unit), false).unwrap_or(*read)
    }

    /// Limits as they are shown.
    pub fn range(self, limits: &Range) -> Range {
        let unit = self.of(limits.unit);
        let end = |value: Option<Decimal>| {
            value
                .map(|v| shown(&Quantity::new(v, limits.unit), unit, false).map(|q| q.value).ok_or(()))
                .transpose()
        };
        // Both ends, or neither: limits in two units are none.
        match (end(limits.min), end(limits.max)) {
            (Ok(min), Ok(max)) => Range { min, max, unit },
            _ => *limits,
        }
    }

    /// A text and the code of its unit, as they are shown; what is no figure of a known unit stays.
    pub fn text(self, digits: &str, code: &str) -> (String, String) {
        let read =
            Unit::from_code(code).zip(digits.parse().ok()).map(|(unit, value)| Quantity::new(value, unit));
        match read {
            Some(read) if self.of(read.unit) != read.unit => {
                let shown = self.quantity(&read);
                (shown.value.to_string(), shown.unit.code().to_owned())
            }
            _ => (digits.to_owned(), code.to_owned()),
        }
    }

    /// Every figure and every limit of a document, as they are shown.
    pub fn document(self, document: &mut Value) {
        if !self.is_as_read() {
            self.walk(document, false);
        }
    }

    fn walk(self, value: &mut Value, difference: bool) {
        match value {
            Value::Array(items) => items.iter_mut().for_each(|item| self.walk(item, difference)),
            // What was read off a graduated cylinder stays as it stands on the glass, with what was taken off
            // it; beside it stands what it comes to.
            Value::Object(fields) if fields.contains_key("entered") => {
                let figure = |name: &str| fields.get(name).and_then(Value::as_str);
                if let (Some(digits), Some(code)) = (figure("text"), figure("unit")) {
                    let (text, unit) = self.text(digits, code);
                    if unit != code {
                        fields.insert("shown".to_owned(), json!({ "text": text, "unit": unit }));
                    }
                }
            }
            Value::Object(fields) => {
                if let Some(unit) = fields.get("unit").and_then(Value::as_str).and_then(Unit::from_code) {
                    let wanted = self.of(unit);
                    let turned = |field: &Value| {
                        let value = field.as_str()?.parse().ok()?;
                        shown(&Quantity::new(value, unit), wanted, difference)
                            .map(|q| Value::from(q.value.to_string()))
                    };
                    let figures = ["text", "min", "max"];
                    let all: Vec<_> = figures
                        .iter()
                        .filter_map(|name| Some((*name, turned(fields.get(*name)?)?)))
                        .collect();
                    if wanted != unit && !all.is_empty() {
                        // The number beside the digits is the published one, and would contradict them.
                        fields.remove("value");
                        fields.insert("unit".to_owned(), wanted.code().into());
                        fields.extend(all.into_iter().map(|(name, text)| (name.to_owned(), text)));
                    }
                }
                for (name, field) in fields.iter_mut() {
                    self.walk(field, DIFFERENCES.contains(&name.as_str()));
                }
            }
            _ => {}
        }
    }
}

/// A figure in another unit: exact where that takes few digits more than the reading's own step carries,
/// else rounded to them, the half to the even digit. `difference`: only the size of the steps counts.
fn shown(read: &Quantity, unit: Unit, difference: bool) -> Option<Quantity> {
    if read.unit == unit {
        return Some(*read);
    }
    let zero = Quantity::new(Decimal::ZERO, read.unit).convert(unit)?.value;
    let exact = read.convert(unit)?.value;
    let exact = if difference { exact.checked_sub(zero)? } else { exact };
    let step = Quantity::new(Decimal::new(1, read.value.scale()), read.unit)
        .convert(unit)?
        .value
        .checked_sub(zero)?;
    // What was read with more digits than a decimal holds after it was converted is shown as it was read.
    let finest = (read.value.scale() + 4).min(Decimal::MAX_SCALE);
    let carried = (0..=finest).find(|digits| Decimal::new(1, *digits) <= step)?;
    let exact = exact.normalize();
    let mut value = if exact.scale() <= carried + EXACT_MORE { exact } else { exact.round_dp(carried) };
    // A whole number that was read to a tenth is written to a tenth.
    if value.scale() < carried.min(read.value.scale()) {
        value.rescale(carried.min(read.value.scale()));
    }
    Some(Quantity::new(value, unit))
}

#[cfg(test)]
mod test {
    use super::*;
    use serde_json::json;

    const US: Units =
        Units { temperature: Wish::In(Unit::Fahrenheit), length: Wish::In(Unit::Inch), mass: Wish::AsRead };
    const SI: Units = Units {
        temperature: Wish::In(Unit::Celsius),
        length: Wish::In(Unit::Millimetre),
        mass: Wish::In(Unit::Gram),
    };

    fn shown(units: Units, text: &str) -> String {
        units.quantity(&Quantity::from_text(text).unwrap()).to_string()
    }

    #[test]
    fn the_round_numbers_of_the_standards_come_out_as_they_are_printed_there() {
        // D2419 and T 176, from memory: 22 ± 3 °C is 71.6 ± 5.4 °F, 4.0 in. are 101.6 mm, 10 in. 254 mm; a
        // pound is 453.59237 g by definition, and one that was read to a hundredth bears no digit behind it.
        let limits = Range { min: Some(19.into()), max: Some(25.into()), unit: Unit::Celsius };
        let in_fahrenheit = US.range(&limits);
        assert_eq!(in_fahrenheit.to_string(), "66.2 to 77 °F");
        let (min, max) = (in_fahrenheit.min.unwrap(), in_fahrenheit.max.unwrap());
        assert_eq!(
            ((min + max) / Decimal::TWO, (max - min) / Decimal::TWO),
            ("71.6".parse().unwrap(), "5.4".parse().unwrap())
        );
        for (units, read, wanted) in [
            (US, "22 Cel", "71.6 °F"),
            (US, "22.0 Cel", "71.6 °F"),
            (US, "25.0 Cel", "77.0 °F"),
            (SI, "71.6 [degF]", "22.0 °C"),
            (SI, "4.0 [in_i]", "101.6 mm"),
            (SI, "10.0 [in_i]", "254 mm"),
            (US, "101.6 mm", "4.0 in"),
            (US, "254 mm", "10 in"),
            (SI, "1.00 [lb_av]", "454 g"),
        ] {
            assert_eq!(shown(units, read), wanted, "{read}");
        }
    }

    #[test]
    fn what_no_short_decimal_holds_is_rounded_as_finely_as_it_was_read() {
        assert_eq!(shown(US, "86 mm"), "3.39 in"); // 86 / 25.4 = 3.3858…
        assert_eq!(shown(SI, "70.0 [degF]"), "21.11 °C"); // 38 × 5 / 9 = 21.1…
        assert_eq!(shown(SI, "-40.0 [degF]"), "-40.0 °C");
        assert_eq!(shown(Units::default(), "70.0 [degF]"), "70.0 °F");
    }

    #[test]
    fn a_figure_with_as_many_digits_as_there_can_be_is_shown_as_it_was_read() {
        for (units, unit) in [(US, Unit::Celsius), (SI, Unit::Fahrenheit)] {
            for scale in 24..=Decimal::MAX_SCALE {
                let read = Quantity::new(Decimal::new(7, scale), unit);
                let seen = units.quantity(&read);
                let zero = Quantity::new(Decimal::ZERO, unit).convert(units.of(unit)).unwrap().value;
                let near = (seen.value - zero).abs() < Decimal::new(1, 20);
                assert!(seen == read || near, "{read} is shown as {seen}");
            }
            let finest = Decimal::new(1, Decimal::MAX_SCALE);
            let limits = Range { min: Some(finest), max: Some(25.into()), unit };
            assert_eq!(units.range(&limits), limits, "both ends in one unit");
        }
    }

    #[test]
    fn a_document_is_shown_in_other_units_and_a_difference_has_no_zero() {
        let mut document = json!({ "data": {
            "temperature": { "mean": { "text": "22.0", "value": 22.0, "unit": "Cel" }, "limits": { "min": "19", "max": null, "unit": "Cel" } },
            "correction": { "reading": { "text": "21.9", "unit": "Cel" }, "added": { "text": "0.1", "unit": "Cel" } },
            "ratio": { "text": "42.5", "unit": "1" },
            "sand": { "text": "101.6", "unit": "mm", "entered": "355.6", "offset": { "text": "254", "unit": "mm" } },
            "unit": "Cel",
        } });
        US.document(&mut document);
        assert_eq!(document["data"]["temperature"]["mean"], json!({ "text": "71.6", "unit": "[degF]" }));
        assert_eq!(
            document["data"]["temperature"]["limits"],
            json!({ "min": "66.2", "max": null, "unit": "[degF]" })
        );
        assert_eq!(document["data"]["correction"]["added"], json!({ "text": "0.18", "unit": "[degF]" }));
        let sand = &document["data"]["sand"];
        assert_eq!(sand["shown"], json!({ "text": "4.0", "unit": "[in_i]" }));
        assert_eq!(
            (&sand["text"], &sand["offset"]["text"]),
            (&json!("101.6"), &json!("254")),
            "as on the glass"
        );
        assert_eq!(
            (&document["data"]["ratio"]["text"], &document["data"]["unit"]),
            (&json!("42.5"), &json!("Cel"))
        );
    }

    #[test]
    fn a_temperature_is_not_asked_for_in_grams() {
        let units =
            Units { temperature: Wish::In(Unit::Gram), mass: Wish::In(Unit::Pound), ..Units::default() };
        assert_eq!(units.faults().iter().map(|(key, _)| *key).collect::<Vec<_>>(), ["temperature", "mass"]);
        assert_eq!((US.faults(), SI.faults()), (vec![], vec![]));
        let read = |text: &str| serde_json::from_value::<Wish>(json!(text)).map_err(|e| e.to_string());
        assert_eq!((read("as-read"), read("[degF]")), (Ok(Wish::AsRead), Ok(Wish::In(Unit::Fahrenheit))));
        assert!(read("F").unwrap_err().contains("UCUM"));
    }
}
