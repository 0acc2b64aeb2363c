//! The solution's temperature over a stretch of time: limits as a band, readings as a line, time
//! without a reading as a gap.

use super::HEIGHT;
use crate::domain::quantity::{Quantity, Range, Unit};
use crate::paper::drawing::{Anchor, At, Drawing, Ink};
use crate::paper::facts::{Warmth, Watch};
use crate::paper::report::{Told, say};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// Margins, tenths of a point.
const LEFT: i32 = 260;
const RIGHT: i32 = 60;
const FOOT: i32 = 150;
/// Room for the span of one specimen over the picture.
const SPAN: i32 = 66;
/// Specimens whose spans are drawn, at most.
const SPANS_MOST: usize = 6;
/// Points closer than this across are drawn as one upright stroke.
const COLUMN: i32 = 5;
/// Distances of the numbers on the axis, thousandths of a degree.
const STEPS: [i64; 7] = [500, 1000, 2000, 5000, 10_000, 20_000, 50_000];
/// Distances of the times, minutes.
const MINUTES: [i64; 9] = [1, 2, 5, 10, 15, 30, 60, 120, 240];
/// Nanoseconds in a minute.
const MINUTE: i64 = 60_000_000_000;

/// From time and temperature to the drawing.
struct Frame {
    from_ns: i64,
    to_ns: i64,
    low: i64,
    high: i64,
    left: i32,
    right: i32,
    top: i32,
    foot: i32,
}

impl Frame {
    fn x(&self, at_ns: i64) -> i32 {
        share(at_ns - self.from_ns, self.to_ns - self.from_ns, self.right - self.left) + self.left
    }

    fn y(&self, thousandths: i64) -> i32 {
        self.foot - share(thousandths - self.low, self.high - self.low, self.foot - self.top)
    }
}

/// So much of a length as a part is of a whole.
fn share(part: i64, whole: i64, length: i32) -> i32 {
    let exact = i128::from(part) * i128::from(length) / i128::from(whole.max(1));
    i32::try_from(exact).unwrap_or(length).clamp(0, length)
}

impl Told<'_> {
    /// One picture.
    pub(super) fn warmth(&self, watch: &Watch, width: i32) -> Drawing {
        let limits = self.facts.method.as_ref().and_then(|method| method.temperature.limits.value);
        let limits = limits.map(|limits| self.facts.units.range(&limits));
        let read = watch.readings.iter().find_map(|reading| reading.value);
        let unit = read.map(|q| q.unit).or(limits.map(|range| range.unit)).unwrap_or(Unit::Celsius);
        let points: Vec<(i64, Option<i64>)> = watch
            .readings
            .iter()
            .map(|Warmth { at_ns, value }| (*at_ns, value.and_then(|value| thousandths(&value, unit))))
            .collect();
        let band = limits.map(|limits| ends(&limits, unit));
        let (low, high) = extent(&points, band);
        let rows = watch.specimens.len().min(SPANS_MOST);
        let frame = Frame {
            from_ns: watch.from_ns,
            to_ns: watch.to_ns,
            low,
            high,
            left: LEFT,
            right: width - RIGHT,
            top: 56 + SPAN * i32::try_from(rows).unwrap_or(0),
            foot: HEIGHT - FOOT,
        };
        let read = points.iter().filter(|(_, value)| value.is_some()).count();
        let title = format!(
            "Temperature of the solution from {} to {}: {}",
            self.time(watch.from_ns),
            self.time(watch.to_ns),
            say::count(read, "reading")
        );
        let mut drawing = Drawing::new(width, HEIGHT, title);
        draw_band(&mut drawing, &frame, band, limits);
        self.axes(&mut drawing, &frame, unit);
        spans(&mut drawing, &frame, watch);
        curve(&mut drawing, &frame, watch, &points);
        if read == 0 {
            let middle = (i32::midpoint(frame.left, frame.right), i32::midpoint(frame.top, frame.foot));
            drawing.words(middle, Anchor::Middle, 80, Ink::Red, "no reading was kept");
        }
        drawing
    }

    /// Lines with numbers, and times along the foot.
    fn axes(&self, drawing: &mut Drawing, frame: &Frame, unit: Unit) {
        let step = step(frame.high - frame.low, &STEPS, 5);
        let mut at = frame.low.div_euclid(step) * step;
        while at <= frame.high {
            if at >= frame.low {
                let y = frame.y(at);
                drawing.line(vec![(frame.left - 25, y), (frame.left, y)], Ink::Quiet, 4);
                let number = Decimal::new(at, 3).normalize().to_string();
                drawing.words((frame.left - 35, y + 23), Anchor::End, 65, Ink::Quiet, number);
            }
            at += step;
        }
        drawing.words((0, frame.top - 12), Anchor::Start, 65, Ink::Quiet, unit.symbol());
        let corner = (frame.left, frame.foot);
        drawing.line(vec![(frame.left, frame.top), corner, (frame.right, frame.foot)], Ink::Dark, 6);
        let minutes = step_minutes(frame);
        let mut at = frame.from_ns.div_euclid(minutes) * minutes;
        let mut day = String::new();
        while at <= frame.to_ns {
            if at >= frame.from_ns {
                let x = frame.x(at);
                drawing.line(vec![(x, frame.foot), (x, frame.foot + 25)], Ink::Quiet, 4);
                let clock = say::clock(at, self.house.zone);
                let clock = clock.rsplit_once(':').map_or(clock.as_str(), |(clock, _)| clock);
                drawing.words((x, frame.foot + 90), Anchor::Middle, 65, Ink::Quiet, clock);
                if day.is_empty() {
                    self.time(at).split(' ').next().unwrap_or_default().clone_into(&mut day);
                }
            }
            at += minutes;
        }
        drawing.words((0, HEIGHT - 8), Anchor::Start, 60, Ink::Quiet, day);
    }
}

/// When each specimen was watched, over the picture.
fn spans(drawing: &mut Drawing, frame: &Frame, watch: &Watch) {
    let mut y = 64;
    for (label, from_ns, to_ns) in watch.specimens.iter().take(SPANS_MOST) {
        let (from, to) = (frame.x(*from_ns), frame.x(*to_ns));
        drawing.line(vec![(from, y), (to, y)], Ink::Water, 14);
        drawing.words((from, y - 14), Anchor::Start, 52, Ink::Quiet, label);
        y += SPAN;
    }
}

/// A distance of the list that parts a length into so many pieces at most.
fn step(length: i64, steps: &[i64], pieces: i64) -> i64 {
    let last = steps.last().copied().unwrap_or(1);
    steps.iter().copied().find(|step| length / step <= pieces).unwrap_or(last)
}

fn step_minutes(frame: &Frame) -> i64 {
    let pieces = i64::from((frame.right - frame.left) / 450).max(2);
    let minutes = (frame.to_ns - frame.from_ns) / MINUTE;
    let longest = MINUTES.last().copied().unwrap_or(1);
    // A watch of days: as many of the longest as it takes.
    let step = step(minutes, &MINUTES, pieces);
    let more = (minutes / pieces + longest - 1) / longest * longest;
    step.max(if minutes / longest > pieces { more } else { 0 }) * MINUTE
}

/// A temperature in thousandths of a degree of a unit, for drawing.
fn thousandths(quantity: &Quantity, unit: Unit) -> Option<i64> {
    (quantity.convert(unit)?.value * Decimal::ONE_THOUSAND).round().to_i64()
}

/// Both limits in thousandths of a degree of a unit.
fn ends(limits: &Range, unit: Unit) -> (Option<i64>, Option<i64>) {
    let end = |value: Option<Decimal>| thousandths(&Quantity::new(value?, limits.unit), unit);
    (end(limits.min), end(limits.max))
}

/// What the picture reaches over: all readings, and a degree beyond the limits.
fn extent(points: &[(i64, Option<i64>)], band: Option<(Option<i64>, Option<i64>)>) -> (i64, i64) {
    let read = points.iter().filter_map(|(_, value)| *value);
    let (min, max) = band.unwrap_or_default();
    let all = read.clone().chain(min.map(|v| v - 1000)).chain(max.map(|v| v + 1000));
    let low = all.clone().min().unwrap_or(0);
    let high = all.max().unwrap_or(1000);
    (low, high.max(low + 1000))
}

fn draw_band(
    drawing: &mut Drawing,
    frame: &Frame,
    band: Option<(Option<i64>, Option<i64>)>,
    limits: Option<Range>,
) {
    let Some((min, max)) = band else { return };
    let (foot, top) = (min.map_or(frame.foot, |v| frame.y(v)), max.map_or(frame.top, |v| frame.y(v)));
    let across = frame.right - frame.left;
    drawing.fill((frame.left, top), (across, (foot - top).max(1)), Ink::Band);
    for y in min.map(|_| foot).into_iter().chain(max.map(|_| top)) {
        drawing.dashes(vec![(frame.left, y), (frame.right, y)], Ink::Quiet, 5);
    }
    if let Some(limits) = limits {
        let words = format!("limits {limits}");
        drawing.words((frame.right - 20, top + 62), Anchor::End, 58, Ink::Quiet, words);
    }
}

/// The line through the readings, broken wherever none held, and the breaks along the foot.
fn curve(drawing: &mut Drawing, frame: &Frame, watch: &Watch, points: &[(i64, Option<i64>)]) {
    let mut run: Vec<At> = Vec::new();
    let mut held_until = frame.from_ns;
    let mut gaps: Vec<(i64, i64)> = Vec::new();
    let mut finish = |run: &mut Vec<At>| {
        match run.as_slice() {
            [] => {}
            [(x, y)] => drawing.fill((x - 6, y - 6), (12, 12), Ink::Water),
            _ => drawing.line(thinned(run), Ink::Water, 9),
        }
        run.clear();
    };
    for (at, value) in points {
        if *at > held_until {
            gaps.push((held_until, *at));
            finish(&mut run);
        }
        if let Some(value) = value {
            run.push((frame.x(*at), frame.y(*value)));
            held_until = held_until.max(at + watch.holds_ns);
        } else {
            finish(&mut run);
            held_until = (*at).max(frame.from_ns);
        }
    }
    finish(&mut run);
    if held_until < frame.to_ns {
        gaps.push((held_until, frame.to_ns));
    }
    for (from, to) in gaps {
        let (from, to) = (frame.x(from), frame.x(to));
        drawing.line(vec![(from, frame.foot - 9), (to.max(from + 6), frame.foot - 9)], Ink::Red, 18);
    }
}

/// The same line with an upright stroke for each column of points.
fn thinned(points: &[At]) -> Vec<At> {
    let mut thin: Vec<At> = Vec::new();
    for column in points.chunk_by(|a, b| a.0 / COLUMN == b.0 / COLUMN) {
        let lowest = column.iter().copied().max_by_key(|(_, y)| *y);
        let highest = column.iter().copied().min_by_key(|(_, y)| *y);
        let mut kept: Vec<At> = [column.first().copied(), lowest, highest, column.last().copied()]
            .into_iter()
            .flatten()
            .collect();
        kept.sort_by_key(|(x, _)| *x);
        kept.dedup();
        thin.extend(kept);
    }
    thin
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::paper::drawing::Shape;

    const FRAME: Frame = Frame {
        from_ns: 0,
        to_ns: 100_000_000_000,
        low: 0,
        high: 30_000,
        left: 0,
        right: 1000,
        top: 0,
        foot: 300,
    };

    fn lines(points: &[(i64, Option<i64>)]) -> (usize, Vec<(i32, i32)>) {
        let watch = Watch { holds_ns: 30_000_000_000, ..Watch::default() };
        let mut drawing = Drawing::new(1000, 300, "");
        let points: Vec<_> = points.iter().map(|(s, v)| (s * 1_000_000_000, *v)).collect();
        curve(&mut drawing, &FRAME, &watch, &points);
        let mut gaps = Vec::new();
        let mut curves = 0;
        for shape in &drawing.shapes {
            match shape {
                Shape::Line { points, ink: Ink::Red, .. } => gaps.push((points[0].0, points[1].0)),
                Shape::Line { .. } | Shape::Box { .. } => curves += 1,
                Shape::Words { .. } => {}
            }
        }
        (curves, gaps)
    }

    #[test]
    fn readings_that_follow_in_time_make_one_line_without_a_gap() {
        let even: Vec<_> = (0..=9).map(|n| (n * 10, Some(22_000))).collect();
        assert_eq!(lines(&even), (1, vec![]));
    }

    #[test]
    fn time_without_a_reading_is_a_gap_and_no_line() {
        // A reading holds 30 s: from 20 s on until 50 s, and the next one comes at 80 s.
        assert_eq!(
            lines(&[(0, Some(22_000)), (20, Some(22_000)), (80, Some(23_000))]),
            (2, vec![(500, 800)])
        );
        assert_eq!(lines(&[]), (0, vec![(0, 1000)]));
        // The probe was taken out at 30 s: nothing holds from then on.
        let out = [(0, Some(22_000)), (20, Some(22_000)), (30, None), (90, Some(22_000))];
        assert_eq!(lines(&out), (2, vec![(300, 900)]));
    }

    #[test]
    fn a_thousand_readings_keep_their_extremes() {
        let mut points: Vec<At> = (0..1000).map(|x| (x, 100)).collect();
        points[503] = (503, 7);
        let thin = thinned(&points);
        assert!(thin.len() < 700 && thin.iter().any(|(_, y)| *y == 7), "{}", thin.len());
    }

    #[test]
    fn the_axis_has_few_numbers_that_people_like() {
        assert_eq!(step(8000, &STEPS, 5), 2000);
        assert_eq!(step(2400, &STEPS, 5), 500);
        let day = Frame { to_ns: 24 * 60 * MINUTE, right: 5000, ..FRAME };
        assert!((5..=12).contains(&(day.to_ns / step_minutes(&day))));
        let week = Frame { to_ns: 7 * 24 * 60 * MINUTE, right: 5000, ..FRAME };
        assert!((5..=12).contains(&(week.to_ns / step_minutes(&week))));
    }
}
