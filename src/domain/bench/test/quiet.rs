//! What was foreseen spares a look and changes nothing: a bench that foresees after every input
//! decides as one that never does.

use super::*;

/// One story, told to a bench that foresees and to one that does not.
struct Twins {
    plain: Story,
    foreseeing: Story,
}

impl Twins {
    fn both(&mut self, tell: impl Fn(&mut Story) -> Outcome) {
        let outcomes = [&mut self.plain, &mut self.foreseeing].map(tell);
        assert_eq!(outcomes[0], outcomes[1]);
        let now = at(self.foreseeing.now_ns);
        assert_eq!(self.foreseeing.bench.foresee(&now), self.plain.bench.next_deadline(&now));
        assert_eq!(self.foreseeing.events, self.plain.events);
        assert_eq!(self.foreseeing.bench, self.plain.bench);
    }

    /// Without waking at the deadlines between: the next input finds them passed.
    fn later(&mut self, seconds: i64) {
        self.plain.now_ns += seconds * SECOND;
        self.foreseeing.now_ns = self.plain.now_ns;
    }
}

#[test]
fn whatever_comes_next_finds_what_is_due() {
    let mut twins = Twins { plain: Story::new(), foreseeing: Story::new() };
    let mut specimen = Uuid::nil();
    for story in [&mut twins.plain, &mut twins.foreseeing] {
        story.warmth("22.0");
        let sample = story.sample("Q", 1);
        specimen = story.specimen(sample, 3);
        story.mark(specimen, "first fill", Edge::Done);
        story.mark(specimen, "soak", Edge::Begin);
    }
    let press = |story: &mut Story| story.trigger("place-3", Contact::Press);
    let weigh = |story: &mut Story| story.weigh("52.30");
    let before = twins.plain.events.len();
    for (seconds, press_next) in [(5, false), (26, false), (700, false), (1, true), (1, true)] {
        twins.later(seconds);
        twins.both(weigh);
        twins.both(weigh);
        if press_next {
            twins.both(press);
        }
    }
    twins.later(600);
    twins.both(weigh);
    let new = || twins.plain.events.iter().skip(before).map(|(event, _)| event);
    assert!(new().any(|event| matches!(event, Event::IntervalAnnounced { .. })), "an overrun was announced");
    assert!(
        new().any(|event| matches!(event, Event::AlarmRaised { .. })),
        "the probe fell silent, and a mass was the first to find it"
    );
    assert!(twins.plain.bench.specimens.contains_key(&specimen));
    twins.foreseeing.check_replay();
}
