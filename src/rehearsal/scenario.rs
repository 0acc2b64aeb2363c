//! What happens in a rehearsal, and when: a timeline made from a seed. PURE.
//!
//! Three invented samples, two specimens each; the solution gets too warm for a while, one run of
//! the shaker is stopped early, and one mass is read while the balance is still moving. Specimens
//! follow each other every eight minutes, which one technician and one shaker can do.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rust_decimal::Decimal;

/// Nanoseconds in a second.
const S: i64 = 1_000_000_000;
/// Between the first fills of two specimens.
const SPACING_S: i64 = 480;
/// Between two lines of the probe.
pub(super) const PROBE_EVERY_S: i64 = 5;
/// When the solution gets too warm, and for how long.
const EXCURSION_S: (i64, i64) = (1500, 190);
/// Which specimen's shake is stopped early.
const STOPPED_EARLY: usize = 3;

/// The invented samples.
pub(super) const SAMPLES: [&str; 3] = ["North pit sand 14", "Ridge base course 7", "River screenings 3"];
/// Specimens of each.
pub(super) const SPECIMENS: usize = 2;

/// One thing that somebody does or that an instrument says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Stimulus {
    /// A sample is registered on the page.
    Sample { sample: usize },
    /// The page waits for the amount passing the sieve.
    AwaitMass { sample: usize },
    /// The balance sends a line.
    Balance { grams: Decimal, stable: bool },
    /// A tin takes a place.
    Register { specimen: usize },
    /// An instant marked on the page.
    Mark { specimen: usize, step: &'static str, edge: &'static str },
    /// The shaker's contact, over MQTT.
    Shaker { on: bool },
    /// The shared foot switch, over MQTT.
    Foot,
    /// The button at a specimen's place, over MQTT.
    Button { specimen: usize },
    /// A level is entered on the page.
    Reading { specimen: usize, of: &'static str, value: String },
}

/// A rehearsal's timeline.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Scenario {
    /// What happens, in order of nanoseconds after the start.
    pub(super) stimuli: Vec<(i64, Stimulus)>,
    /// Levels of the temperature's slow drift, in thousandths of a degree Celsius.
    drift: Vec<i64>,
}

impl Scenario {
    /// The timeline of a seed.
    pub(super) fn new(seed: u64) -> Self {
        let mut rng = StdRng::seed_from_u64(seed);
        let mut stimuli = Vec::new();
        for sample in 0..SAMPLES.len() {
            let start = sample_start(sample);
            prepare(&mut stimuli, &mut rng, sample, start);
            let quality = rng.random_range(28..80);
            for n in 0..SPECIMENS {
                let specimen = sample * SPECIMENS + n;
                run(&mut stimuli, &mut rng, specimen, quality);
            }
        }
        stimuli.sort_by_key(|(at, _)| *at);
        let end = stimuli.last().map_or(0, |(at, _)| *at);
        let samples = end / (PROBE_EVERY_S * S) + 2;
        let mut level = rng.random_range(21_800..22_400);
        let drift = (0..samples)
            .map(|_| {
                level += rng.random_range(-20..=20);
                level = level.clamp(21_500, 22_900);
                level
            })
            .collect();
        Self { stimuli, drift }
    }

    /// The temperature that the probe shows `ns` after the start, to a hundredth of a degree.
    pub(super) fn temperature(&self, ns: i64) -> Decimal {
        let index = usize::try_from(ns / (PROBE_EVERY_S * S)).unwrap_or(0);
        let drift = self.drift.get(index).or(self.drift.last()).copied().unwrap_or(22_000);
        let (from, lasts) = EXCURSION_S;
        let since = ns / S - from;
        let warm = if (0..lasts).contains(&since) { 3_400 } else { 0 };
        Decimal::new((drift + warm) / 10, 2)
    }
}

fn sample_start(sample: usize) -> i64 {
    i64::try_from(sample * SPECIMENS).unwrap_or(0) * SPACING_S * S
}

fn prepare(stimuli: &mut Vec<(i64, Stimulus)>, rng: &mut StdRng, sample: usize, start: i64) {
    let grams = Decimal::new(rng.random_range(10_900..14_400), 1);
    stimuli.push((start + 5 * S, Stimulus::Sample { sample }));
    stimuli.push((start + 8 * S, Stimulus::AwaitMass { sample }));
    if sample == 1 {
        // Read too early: the balance still moves, so this is no weighing.
        let moving = grams - Decimal::new(rng.random_range(20..90), 1);
        stimuli.push((start + 11 * S, Stimulus::Balance { grams: moving, stable: false }));
    }
    stimuli.push((start + 14 * S, Stimulus::Balance { grams, stable: true }));
    // The pan is emptied: the next load may be the same to a step of the display, and is another one.
    stimuli.push((start + 17 * S, Stimulus::Balance { grams: Decimal::new(0, 1), stable: false }));
}

/// One specimen from its tin to its clean cylinder.
fn run(stimuli: &mut Vec<(i64, Stimulus)>, rng: &mut StdRng, specimen: usize, quality: i64) {
    let mut at = i64::try_from(specimen).unwrap_or(0) * SPACING_S * S + 30 * S;
    let mut jitter = |from: i64, to: i64| rng.random_range(from * 1000..to * 1000) * 1_000_000;
    let mut push = |at: i64, stimulus| stimuli.push((at, stimulus));
    let mark = |step, edge| Stimulus::Mark { specimen, step, edge };
    push(at, Stimulus::Register { specimen });
    at += jitter(10, 16);
    push(at, mark("tin", "done"));
    at += jitter(18, 26);
    push(at, mark("first fill", "done"));
    at += jitter(40, 52);
    push(at, mark("soak", "begin"));
    at += jitter(585, 612);
    push(at, mark("loosen", "begin"));
    at += jitter(8, 14);
    push(at, Stimulus::Shaker { on: true });
    at += if specimen == STOPPED_EARLY { jitter(28, 34) } else { 45 * S + jitter(0, 1) - S / 2 };
    push(at, Stimulus::Shaker { on: false });
    at += jitter(12, 18);
    push(at, mark("irrigate", "begin"));
    at += jitter(85, 110);
    push(at, if specimen == 0 { Stimulus::Foot } else { Stimulus::Button { specimen } });
    at += 1200 * S + jitter(0, 12) - 6 * S;
    push(at, Stimulus::Button { specimen });
    let (clay, sand) = levels(rng, quality);
    at += rng.random_range(8..14) * S;
    push(at, Stimulus::Reading { specimen, of: "clay", value: clay });
    at += rng.random_range(20..32) * S;
    push(at, Stimulus::Reading { specimen, of: "sand", value: sand });
    at += rng.random_range(60..110) * S;
    push(at, mark("clean", "done"));
}

/// Levels between the marks, as an eye reads them: clay, and the indicator's level over sand.
fn levels(rng: &mut StdRng, quality: i64) -> (String, String) {
    let sand = rng.random_range(270..380_i64);
    let wanted = quality + rng.random_range(-2..=2);
    let clay = (sand * 100 / wanted).clamp(sand + 5, 1480);
    (Decimal::new(clay, 2).to_string(), Decimal::new(sand + 1000, 2).to_string())
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_timeline_and_another_seed_another() {
        assert_eq!(Scenario::new(7), Scenario::new(7));
        assert_ne!(Scenario::new(7), Scenario::new(8));
    }

    #[test]
    fn the_story_holds_what_it_promises() {
        let scenario = Scenario::new(1);
        let count = |f: &dyn Fn(&Stimulus) -> bool| scenario.stimuli.iter().filter(|(_, s)| f(s)).count();
        assert_eq!(count(&|s| matches!(s, Stimulus::Sample { .. })), 3);
        assert_eq!(count(&|s| matches!(s, Stimulus::Register { .. })), 6);
        assert_eq!(count(&|s| matches!(s, Stimulus::Balance { stable: false, .. })), 4);
        assert!(scenario.temperature((EXCURSION_S.0 + 10) * S) > Decimal::from(25));
        assert!(scenario.temperature(10 * S) < Decimal::from(25));
    }

    #[test]
    fn between_two_loads_the_pan_is_emptied() {
        // Of this seed two masses are one step of the display apart.
        let scenario = Scenario::new(121);
        let mut shown = scenario.stimuli.iter().filter_map(|(_, stimulus)| match stimulus {
            Stimulus::Balance { grams, stable } => Some((*grams, *stable)),
            _ => None,
        });
        let mut weighed = 0;
        while let Some((_, stable)) = shown.next() {
            if stable {
                weighed += 1;
                assert_eq!(shown.next(), Some((Decimal::ZERO, false)));
            }
        }
        assert_eq!(weighed, 3);
    }
}
