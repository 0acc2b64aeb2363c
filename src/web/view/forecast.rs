//! Where the solution's temperature goes, if nobody does anything: an exponential approach to that of the
//! room, fitted to the readings, with a band. Drawn and told, never decided by: so it stands with what is
//! shown, where floating point is at home, and refuses where the readings do not carry it.
//!
//! The approach is y = a + b·exp(-k·t) (Newton's law of cooling). For each k of a grid, a and b follow by
//! linear least squares; the best k is refined. Spikes weigh less (Huber's weights, 1.345). Every k whose
//! sum of squares lies within s²·F(0.95; 1, n - 3) of the best is as good as the data can tell: the band
//! covers all of them, and a point in time is named only if all of them name one.

/// One reading: minutes, degrees Celsius.
pub type Reading = (f64, f64);

/// Fewer readings, or a shorter record (minutes), tell no curve.
const LEAST_READINGS: usize = 8;
const LEAST_SPAN: f64 = 10.0;
/// The whole movement seen must be so many times the scatter.
const LEAST_MOVEMENT: f64 = 10.0;
/// Scatter is never taken for less than this, degrees: a probe shows tenths or hundredths.
const LEAST_SCATTER: f64 = 0.01;
/// Ends of the grid of k, per minute, and its points.
const SLOWEST: f64 = 1.0 / 240.0;
const FASTEST: f64 = 1.0 / 8.0;
const GRID: u32 = 160;
/// Huber's bound, in standard deviations, and the factor from a median of absolute residuals to one.
const HUBER: f64 = 1.345;
const MAD: f64 = 1.4826;
/// Rounds of weighting, and of refining.
const ROUNDS: u32 = 20;
const REFINE: u32 = 60;
/// A forecast reaches no further than the record is long, and at most this, minutes.
const FURTHEST: f64 = 60.0;
/// Place on the grid of a curve that nobody can tell from a straight line: slower than its slowest by
/// 30^(300/160), about 590 times.
const STRAIGHT: f64 = -300.0;
/// Points of a band.
const POINTS: u32 = 24;

/// A curve: y = a + b·exp(-k·t).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Curve {
    /// Where it goes.
    pub a: f64,
    /// How far it was from there at the first reading.
    pub b: f64,
    /// How fast, per minute.
    pub k: f64,
}

/// Why there is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refused {
    /// Too few readings, or too short a record.
    Short,
    /// What moved is hidden in the scatter.
    Steady,
}

/// A point in time, minutes after the last reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Then {
    /// By the best curve.
    pub best: f64,
    /// The soonest.
    pub soonest: f64,
    /// The latest.
    pub latest: f64,
}

/// When the temperature crosses a limit; never further ahead than the forecast reaches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Crosses {
    /// It is within its limits and leaves them then.
    Leaves(Then),
    /// It is within its limits and does not leave them for so many minutes; more the readings do not say.
    NotBefore(f64),
    /// It is outside, moves towards its limits and is back within them then.
    Returns(Then),
}

/// A point of the band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Minutes after the last reading.
    pub ahead: f64,
    /// Within these a next reading would lie, 95 times of 100.
    pub low: f64,
    /// By the best curve.
    pub middle: f64,
    /// See `low`.
    pub high: f64,
}

/// What is to be expected.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// The best curve; its time begins at the first reading.
    pub best: Curve,
    /// The slowest and the fastest curve that fit as well as the data can tell.
    pub from_k: f64,
    /// See `from_k`.
    pub to_k: f64,
    /// From the last reading on.
    pub band: Vec<Point>,
    /// `None`: there is no limit on the side to which it moves, or it is outside and the readings do not say
    /// when it comes back.
    pub crosses: Option<Crosses>,
}

/// The forecast from readings in the order of time. `low`, `high`: limits in degrees Celsius.
///
/// # Errors
/// Why the readings carry none.
pub fn forecast(readings: &[Reading], low: Option<f64>, high: Option<f64>) -> Result<Forecast, Refused> {
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else { return Err(Refused::Short) };
    let span = last.0 - first.0;
    if readings.len() < LEAST_READINGS || span < LEAST_SPAN {
        return Err(Refused::Short);
    }
    let rows: Vec<Reading> = readings.iter().map(|(at, value)| (at - first.0, *value)).collect();
    let (best, weights) = robust(&rows);
    let degrees = f64::from(u32::try_from(rows.len()).unwrap_or(u32::MAX)) - 3.0;
    let squares = |curve: &Curve| squares(&rows, &weights, curve);
    let scatter = (squares(&best) / degrees).sqrt().max(LEAST_SCATTER);
    if (best.b * best.k * span).abs() < LEAST_MOVEMENT * scatter {
        return Err(Refused::Steady);
    }
    let student = student(degrees);
    let most = squares(&best) + (scatter * student).powi(2);
    let fits = |k: f64| {
        let curve = linear(&rows, &weights, k);
        (squares(&curve) <= most).then_some(curve)
    };
    let (curves, bounded) = as_good(&fits, best);
    let (from_k, to_k) =
        curves.iter().fold((best.k, best.k), |(from, to), curve| (from.min(curve.k), to.max(curve.k)));
    let horizon = span.min(FURTHEST);
    let (behind, ahead) = if best.b < 0.0 { (low, high) } else { (high, low) };
    // Whether it is before a limit, in the direction in which it moves: by the curve and by the last reading.
    let before = |limit: f64| {
        let before = |value: f64| if best.b < 0.0 { value < limit } else { value > limit };
        (before(best.at(span)), before(last.1))
    };
    let then = |limit| then(&curves, &best, bounded, limit, (span, horizon));
    let crosses = match (behind.map(before), ahead.map(|limit| (limit, before(limit)))) {
        (Some((true, true)), _) => behind.and_then(|limit| then(limit).ok()).map(Crosses::Returns),
        (None | Some((false, false)), Some((limit, (true, true)))) => {
            Some(then(limit).map_or_else(Crosses::NotBefore, Crosses::Leaves))
        }
        // Beyond the limit ahead, or curve and reading do not agree on which side they are.
        _ => None,
    };
    let band = band(&curves, &best, student * scatter, (span, horizon));
    Ok(Forecast { best, from_k, to_k, band, crosses })
}

impl Curve {
    fn at(&self, minutes: f64) -> f64 {
        self.a + self.b * (-self.k * minutes).exp()
    }

    /// When it reaches a value, if it does.
    fn reaches(&self, value: f64) -> Option<f64> {
        let left = (value - self.a) / self.b;
        (left > 0.0 && left < 1.0).then(|| -left.ln() / self.k)
    }
}

/// The k of a place on the grid, which is even in its logarithm.
fn on_grid(place: f64) -> f64 {
    SLOWEST * (FASTEST / SLOWEST).powf(place / f64::from(GRID))
}

/// a and b for one k, by weighted linear least squares.
fn linear(rows: &[Reading], weights: &[f64], k: f64) -> Curve {
    let (mut w, mut we, mut wee, mut wy, mut wey) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for ((at, y), weight) in rows.iter().zip(weights) {
        let e = (-k * at).exp();
        w += weight;
        we += weight * e;
        wee += weight * e * e;
        wy += weight * y;
        wey += weight * e * y;
    }
    let b = (w * wey - we * wy) / (w * wee - we * we);
    Curve { a: (wy - b * we) / w, b, k }
}

fn squares(rows: &[Reading], weights: &[f64], curve: &Curve) -> f64 {
    rows.iter().zip(weights).map(|((at, y), weight)| weight * (y - curve.at(*at)).powi(2)).sum()
}

/// The best curve for these weights: the best of the grid, refined by the golden section.
fn best(rows: &[Reading], weights: &[f64]) -> Curve {
    let cost = |place: f64| squares(rows, weights, &linear(rows, weights, on_grid(place)));
    let places = (0..=GRID).map(f64::from);
    let start = places.map(|place| (cost(place), place)).min_by(|a, b| a.0.total_cmp(&b.0));
    let middle = start.map_or(0.0, |(_, place)| place);
    let (mut low, mut high) = ((middle - 1.0).max(0.0), (middle + 1.0).min(f64::from(GRID)));
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    for _ in 0..REFINE {
        let (left, right) = (high - golden * (high - low), low + golden * (high - low));
        if cost(left) <= cost(right) {
            high = right;
        } else {
            low = left;
        }
    }
    linear(rows, weights, on_grid(f64::midpoint(low, high)))
}

/// The best curve, with spikes weighing less: and the weights that it was found with.
fn robust(rows: &[Reading]) -> (Curve, Vec<f64>) {
    let mut weights = vec![1.0; rows.len()];
    let mut curve = best(rows, &weights);
    for _ in 0..ROUNDS {
        let off: Vec<f64> = rows.iter().map(|(at, y)| (y - curve.at(*at)).abs()).collect();
        let mut sorted = off.clone();
        sorted.sort_by(f64::total_cmp);
        let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        let bound = HUBER * (MAD * middle).max(LEAST_SCATTER);
        let next: Vec<f64> = off.iter().map(|off| if *off <= bound { 1.0 } else { bound / off }).collect();
        let settled = next.iter().zip(&weights).all(|(a, b)| (a - b).abs() < 1e-6);
        weights = next;
        if settled {
            break;
        }
        curve = best(rows, &weights);
    }
    (curve, weights)
}

/// Every curve of the grid that fits as well as the data can tell, with the ends between two places of the
/// grid; whether both ends lie within it.
fn as_good(fits: &impl Fn(f64) -> Option<Curve>, best: Curve) -> (Vec<Curve>, bool) {
    let mut curves = vec![best];
    let mut before: Option<bool> = None;
    for place in 0..=GRID {
        let found = fits(on_grid(f64::from(place)));
        let is = found.is_some();
        curves.extend(found);
        if before.is_some_and(|was| was != is) {
            curves.extend(edge(fits, f64::from(place) - 1.0, f64::from(place), is));
        }
        before = Some(is);
    }
    let slowest = fits(SLOWEST).is_some();
    if slowest {
        // The grid cuts them off: what is straighter reaches a limit sooner and goes further.
        curves.extend(fits(on_grid(STRAIGHT)).or_else(|| edge(fits, STRAIGHT, 0.0, true)));
    }
    (curves, !slowest && fits(FASTEST).is_none())
}

/// The last curve that fits between two places of the grid of which one fits.
fn edge(
    fits: &impl Fn(f64) -> Option<Curve>,
    mut low: f64,
    mut high: f64,
    upper_fits: bool,
) -> Option<Curve> {
    for _ in 0..REFINE / 2 {
        let middle = f64::midpoint(low, high);
        if fits(on_grid(middle)).is_some() == upper_fits {
            high = middle;
        } else {
            low = middle;
        }
    }
    fits(on_grid(if upper_fits { high } else { low }))
}

/// When a limit is reached, within the horizon; `Err`: not before then, and more is not known.
fn then(
    curves: &[Curve],
    best: &Curve,
    bounded: bool,
    limit: f64,
    (span, horizon): (f64, f64),
) -> Result<Then, f64> {
    let ahead = |curve: &Curve| Some((curve.reaches(limit)? - span).max(0.0)).filter(|at| *at <= horizon);
    let times: Vec<Option<f64>> = curves.iter().map(ahead).collect();
    let known = || times.iter().copied().flatten();
    let soonest = known().min_by(f64::total_cmp).unwrap_or(horizon);
    match ahead(best) {
        Some(at) if bounded && times.iter().all(Option::is_some) => {
            let latest = known().max_by(f64::total_cmp).unwrap_or(soonest);
            Ok(Then { best: at, soonest, latest })
        }
        _ => Err(soonest),
    }
}

fn band(curves: &[Curve], best: &Curve, beside: f64, (span, horizon): (f64, f64)) -> Vec<Point> {
    let point = |n: u32| {
        let ahead = horizon * f64::from(n) / f64::from(POINTS);
        let values = || curves.iter().map(|curve| curve.at(span + ahead));
        let middle = best.at(span + ahead);
        Point {
            ahead,
            low: values().min_by(f64::total_cmp).unwrap_or(middle) - beside,
            middle,
            high: values().max_by(f64::total_cmp).unwrap_or(middle) + beside,
        }
    };
    (0..=POINTS).map(point).collect()
}

/// Student's factor for 95 %, both sides, by its expansion around the normal one (Abramowitz and Stegun,
/// 26.7.5): right to the third decimal from five degrees of freedom on.
fn student(degrees: f64) -> f64 {
    let z: f64 = 1.959_963_985;
    let parts = [
        (z.powi(3) + z) / 4.0,
        (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0,
        (3.0 * z.powi(7) + 19.0 * z.powi(5) + 17.0 * z.powi(3) - 15.0 * z) / 384.0,
        (79.0 * z.powi(9) + 776.0 * z.powi(7) + 1482.0 * z.powi(5) - 1920.0 * z.powi(3) - 945.0 * z)
            / 92_160.0,
    ];
    parts.iter().rev().fold(0.0, |sum, part| (sum + part) / degrees) + z
}

#[cfg(test)]
#[path = "forecast_test.rs"]
mod test;
