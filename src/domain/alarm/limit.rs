//! One limit watched with a deadband: what the delays of its alarm are counted from.
//!
//! A reading beyond the limit starts the on-delay, and only one that lies inside by the deadband
//! stops it: a noisy signal at the limit is one condition, not many. The off-delay is counted
//! over readings that all lie inside by the deadband.

use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Range, Side};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

/// Where a reading lies against one limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// Beyond it.
    Beyond,
    /// Inside or at it, by less than the deadband.
    Near,
    /// Inside by the deadband or more; or there is no such limit.
    Clear,
}

impl Against {
    /// Where a reading lies against the lower or upper end of a range. Exact: the limit is moved
    /// by the deadband in the method's own unit, and the reading is compared with it as it is.
    pub fn of(reading: &Quantity, limits: &Range, side: Side, deadband: Decimal) -> Self {
        let (limit, inner, beyond) = match side {
            Side::Below => (limits.min, limits.min.and_then(|v| v.checked_add(deadband)), Ordering::Less),
            Side::Above => (limits.max, limits.max.and_then(|v| v.checked_sub(deadband)), Ordering::Greater),
            Side::Within => (None, None, Ordering::Equal),
        };
        let against = |v: Option<Decimal>| v.and_then(|v| reading.compare(&Quantity::new(v, limits.unit)));
        match (against(limit), against(inner)) {
            (Some(order), _) if order == beyond => Self::Beyond,
            (Some(_), Some(order)) if order == beyond => Self::Near,
            _ => Self::Clear,
        }
    }
}

/// The watch over one limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct LimitWatch {
    /// The first reading beyond the limit since the last that lay clearly inside.
    pub beyond_since: Option<Moment>,
    /// The first of the readings that all lay clearly inside.
    pub clear_since: Option<Moment>,
}

impl LimitWatch {
    /// The watch after one more reading.
    #[must_use]
    pub fn after(self, against: Against, moment: Moment) -> Self {
        match against {
            Against::Beyond => Self { beyond_since: self.beyond_since.or(Some(moment)), clear_since: None },
            Against::Near => Self { clear_since: None, ..self },
            Against::Clear => Self { beyond_since: None, clear_since: self.clear_since.or(Some(moment)) },
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::test::at;
    use crate::domain::quantity::Unit;

    #[test]
    fn the_deadband_lies_inside_the_limits_and_is_exact_in_the_other_unit() {
        let limits = Range { min: Some(19.into()), max: Some(25.into()), unit: Unit::Celsius };
        let band = Decimal::new(2, 1);
        let against = |text: &str, unit, side| {
            Against::of(&Quantity::new(text.parse().unwrap(), unit), &limits, side, band)
        };
        let celsius = |text, side| against(text, Unit::Celsius, side);
        assert_eq!(celsius("25.01", Side::Above), Against::Beyond);
        assert_eq!(celsius("25.00", Side::Above), Against::Near, "the limit itself is allowed");
        assert_eq!(celsius("24.81", Side::Above), Against::Near);
        assert_eq!(celsius("24.80", Side::Above), Against::Clear);
        assert_eq!(celsius("15.0", Side::Above), Against::Clear, "each limit for itself");
        assert_eq!(celsius("18.99", Side::Below), Against::Beyond);
        assert_eq!(celsius("19.19", Side::Below), Against::Near);
        assert_eq!(celsius("19.2", Side::Below), Against::Clear);
        // 24.8 °C is 76.64 °F exactly (ISO 80000-5: t_F = 9/5 t_C + 32).
        assert_eq!(against("76.6401", Unit::Fahrenheit, Side::Above), Against::Near);
        assert_eq!(against("76.64", Unit::Fahrenheit, Side::Above), Against::Clear);
    }

    #[test]
    fn near_the_limit_keeps_the_on_delay_and_breaks_the_off_delay() {
        let watch = LimitWatch::default().after(Against::Near, at(0));
        assert_eq!(watch.beyond_since, None, "near alone is no condition");
        let watch =
            watch.after(Against::Beyond, at(1)).after(Against::Near, at(2)).after(Against::Beyond, at(3));
        assert_eq!(watch.beyond_since, Some(at(1)));
        let watch = watch.after(Against::Clear, at(4)).after(Against::Clear, at(5));
        assert_eq!((watch.beyond_since, watch.clear_since), (None, Some(at(4))));
        assert_eq!(watch.after(Against::Near, at(6)).after(Against::Clear, at(7)).clear_since, Some(at(7)));
    }
}
