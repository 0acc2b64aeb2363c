//! The machine by hand, and against a model of a broker by chance.

use super::*;
use PubAckReason::{NoMatchingSubscribers, NotAuthorized, QuotaExceeded, Success};
use proptest::prelude::*;

fn pace() -> Pace {
    Pace {
        ack_limit: Duration::from_secs(10),
        hold_first: Duration::from_secs(2),
        hold_most: Duration::from_secs(30),
        ..Pace::default()
    }
}

fn machine(acked: u64) -> Machine {
    let mut machine = Machine::new(pace(), 4, Resume { acked, send_after: acked });
    machine.connected(0, None);
    machine
}

/// Queues rows and puts them on the wire under packet ids equal to their numbers.
fn send(machine: &mut Machine, now: u64, numbers: std::ops::RangeInclusive<u64>) {
    for number in numbers {
        machine.queued_row(now, number);
        machine.sent(u16::try_from(number).unwrap()).unwrap();
    }
}

#[test]
fn rows_are_acknowledged_by_their_own_acknowledgement_and_in_order() {
    let mut machine = machine(0);
    assert_eq!(machine.wants_rows(0), Some((0, 4)));
    send(&mut machine, 0, 1..=3);
    assert_eq!(machine.acknowledged(1, 2, Success).unwrap(), []);
    assert_eq!(machine.acknowledged(1, 1, Success).unwrap(), [Effect::Acked(1), Effect::Acked(2)]);
    assert_eq!(machine.acked(), 2);
    assert_eq!(machine.acknowledged(1, 3, Success).unwrap(), [Effect::Acked(3)]);
    assert!(machine.idle());
}

#[test]
fn a_refused_row_is_sent_again_with_all_that_follow_it() {
    let mut machine = machine(10);
    send(&mut machine, 0, 11..=14);
    assert_eq!(machine.acknowledged(5, 11, Success).unwrap(), [Effect::Acked(11)]);
    let effects = machine.acknowledged(5, 12, NotAuthorized).unwrap();
    assert!(
        matches!(&effects[..], [Effect::Raised(ConditionName::Denied, text)] if text.contains("not authorized"))
    );
    assert_eq!(machine.wants_rows(5), None, "nothing new while others are in flight");
    assert_eq!(machine.acknowledged(6, 13, Success).unwrap(), [], "13 is with the broker, but 12 is not");
    assert_eq!(machine.acknowledged(6, 14, Success).unwrap(), []);
    assert_eq!(machine.acked(), 11);
    assert_eq!(machine.wants_rows(100), None, "held");
    assert_eq!(machine.deadline(100), Some(2005));
    assert_eq!(machine.wants_rows(2005), Some((11, 1)), "one row finds out");
    send(&mut machine, 2005, 12..=12);
    assert_eq!(machine.wants_rows(2006), None);
    let effects = machine.acknowledged(2010, 12, Success).unwrap();
    assert_eq!(effects, [Effect::Acked(12), Effect::Cleared(ConditionName::Denied)]);
    assert_eq!(machine.wants_rows(2010), Some((12, 4)), "13 and 14 again, for the consumer waited for 12");
}

#[test]
fn behind_a_full_window_half_of_it_goes_out_at_once_and_the_end_of_a_backlog_at_once_too() {
    let mut machine = Machine::new(pace(), 10, Resume { acked: 0, send_after: 0 });
    machine.connected(0, None);
    assert_eq!(machine.rows_to_read(0, 0), None, "there is none");
    assert_eq!(machine.rows_to_read(0, 1), Some((0, 10)));
    send(&mut machine, 0, 1..=10);
    for number in 1..=4 {
        machine.acknowledged(1, number, Success).unwrap();
        assert_eq!(machine.rows_to_read(1, 100), None, "room for {number} of 90");
    }
    assert_eq!(machine.rows_to_read(1, 14), Some((10, 4)), "room for all that wait");
    machine.acknowledged(1, 5, Success).unwrap();
    assert_eq!(machine.rows_to_read(1, 100), Some((10, 5)));
}

#[test]
fn no_subscriber_is_not_delivery_and_is_tried_ever_more_rarely() {
    let mut machine = machine(0);
    let mut now = 0;
    let mut pauses = Vec::new();
    for _ in 0..6 {
        send(&mut machine, now, 1..=1);
        let effects = machine.acknowledged(now, 1, NoMatchingSubscribers).unwrap();
        assert!(
            effects.iter().any(|effect| matches!(effect, Effect::Raised(ConditionName::NoSubscriber, _)))
        );
        let next = machine.deadline(now).unwrap();
        pauses.push((next - now) / 1000);
        now = next;
        assert_eq!(machine.wants_rows(now), Some((0, 1)));
    }
    assert_eq!(pauses, [2, 4, 8, 16, 30, 30]);
    assert_eq!(machine.acked(), 0);
}

#[test]
fn the_condition_follows_the_reason() {
    let mut machine = machine(0);
    send(&mut machine, 0, 1..=1);
    machine.acknowledged(0, 1, NoMatchingSubscribers).unwrap();
    send(&mut machine, 2000, 1..=1);
    let effects = machine.acknowledged(2000, 1, NotAuthorized).unwrap();
    assert_eq!(effects[0], Effect::Cleared(ConditionName::NoSubscriber));
    assert!(matches!(effects[1], Effect::Raised(ConditionName::Denied, _)));
}

#[test]
fn retained_state_needs_no_subscriber() {
    let mut machine = machine(0);
    machine.queued_state(0, "a/status".into(), true);
    machine.sent(1).unwrap();
    assert_eq!(machine.acknowledged(0, 1, NoMatchingSubscribers).unwrap(), []);
    machine.queued_state(0, "a/status".into(), true);
    machine.sent(2).unwrap();
    let effects = machine.acknowledged(0, 2, NotAuthorized).unwrap();
    assert!(
        matches!(&effects[..], [Effect::Raised(ConditionName::StateDenied, text)] if text.contains("a/status"))
    );
    machine.queued_state(0, "a/status".into(), true);
    machine.sent(3).unwrap();
    assert_eq!(machine.acknowledged(0, 3, Success).unwrap(), [Effect::Cleared(ConditionName::StateDenied)]);
}

#[test]
fn both_kinds_are_matched_in_the_order_in_which_they_were_given() {
    let mut machine = machine(0);
    machine.queued_state(0, "a".into(), true);
    machine.queued_state(0, "b".into(), false);
    machine.queued_row(0, 1);
    machine.sent(1).unwrap();
    machine.sent(0).unwrap();
    machine.sent(2).unwrap();
    assert_eq!(machine.acknowledged(0, 2, Success).unwrap(), [Effect::Acked(1)]);
    machine.queued_row(0, 2);
    assert_eq!(machine.sent(0), Err(Fault::OutOfStep(0)), "a row always has a packet id");
}

#[test]
fn what_nobody_asked_for_is_a_fault() {
    let mut machine = machine(0);
    assert_eq!(machine.acknowledged(0, 9, Success), Err(Fault::Unknown(9)));
    assert_eq!(machine.sent(9), Err(Fault::OutOfStep(9)));
    send(&mut machine, 0, 1..=1);
    machine.disconnected();
    assert_eq!(
        machine.acknowledged(0, 1, Success),
        Err(Fault::Unknown(1)),
        "it belongs to a dead connection"
    );
    assert_eq!(machine.acked(), 0);
}

#[test]
fn the_window_is_the_smaller_of_ours_and_the_brokers() {
    let mut machine = machine(0);
    machine.connected(0, Some(2));
    assert_eq!(machine.wants_rows(0), Some((0, 2)));
    machine.queued_state(0, "a".into(), true);
    assert_eq!(machine.wants_rows(0), Some((0, 1)), "state counts too");
    assert_eq!(machine.room_for_state(), 0, "and leaves room for documents");
    machine.connected(0, Some(1000));
    assert_eq!(machine.wants_rows(0), Some((0, 4)));
    machine.connected(0, Some(0));
    assert_eq!(machine.wants_rows(0), Some((0, 1)), "a broker that takes nothing gets one, to tell us why");
}

#[test]
fn an_old_one_in_flight_keeps_the_window_shut() {
    let mut machine = machine(0);
    send(&mut machine, 0, 1..=4);
    for pkid in 2..=4 {
        machine.acknowledged(0, pkid, Success).unwrap();
    }
    assert_eq!(machine.wants_rows(0), None, "packet id 1 would come round while it is in use");
}

#[test]
fn silence_ends_the_connection_but_only_while_something_is_in_flight() {
    let mut machine = machine(0);
    assert_eq!(machine.overdue(1_000_000), Ok(()));
    send(&mut machine, 1_000_000, 1..=2);
    assert_eq!(machine.deadline(1_000_000), Some(1_010_000));
    assert_eq!(machine.overdue(1_009_999), Ok(()));
    machine.acknowledged(1_009_999, 1, Success).unwrap();
    assert_eq!(machine.overdue(1_019_998), Ok(()));
    assert_eq!(machine.overdue(1_019_999), Err(Fault::NoProgress(10_000)));
}

#[test]
fn after_a_break_what_was_acknowledged_lately_goes_out_again_but_not_for_ever() {
    let mut machine = machine(5);
    send(&mut machine, 0, 6..=8);
    for pkid in 6..=8 {
        machine.acknowledged(0, pkid, Success).unwrap();
    }
    for _ in 0..REPLAYS_MOST {
        machine.disconnected();
        machine.connected(1000, None);
        assert_eq!(machine.wants_rows(1000), Some((5, 4)));
        send(&mut machine, 1000, 6..=8);
        for pkid in 6..=8 {
            assert_eq!(machine.acknowledged(1000, pkid, Success).unwrap(), [], "told once");
        }
    }
    machine.disconnected();
    machine.connected(2000, None);
    assert_eq!(machine.wants_rows(2000), Some((8, 4)));
}

#[test]
fn what_was_acknowledged_long_ago_stays_acknowledged() {
    let mut machine = machine(5);
    let replay = u64::try_from(pace().replay.as_millis()).unwrap();
    for (number, at) in [(6, 0), (7, replay - 1), (8, replay)] {
        send(&mut machine, at, number..=number);
        machine.acknowledged(at, u16::try_from(number).unwrap(), Success).unwrap();
    }
    machine.disconnected();
    machine.connected(replay, None);
    assert_eq!(machine.wants_rows(replay), Some((6, 4)), "7 and 8 again, 6 no more");
}

#[test]
fn however_long_the_broker_was_away_what_it_may_have_lost_goes_out_again() {
    let mut machine = machine(5);
    let day = 24 * 3_600_000;
    send(&mut machine, 0, 6..=8);
    for pkid in 6..=8 {
        machine.acknowledged(0, pkid, Success).unwrap();
    }
    machine.disconnected();
    machine.connected(day, None);
    assert_eq!(machine.wants_rows(day), Some((5, 4)), "a day later");
    // It breaks off again in the middle: nothing of the rest is forgotten.
    send(&mut machine, day, 6..=8);
    machine.acknowledged(day, 6, Success).unwrap();
    machine.disconnected();
    machine.connected(2 * day, None);
    assert_eq!(machine.wants_rows(2 * day), Some((5, 4)), "6 once more, and 7 and 8 behind it");
    // A new document is acknowledged behind all of them: the second time was the last for 6.
    send(&mut machine, 2 * day, 6..=9);
    for pkid in 6..=9 {
        machine.acknowledged(2 * day, pkid, Success).unwrap();
    }
    machine.disconnected();
    machine.connected(3 * day, None);
    assert_eq!(machine.wants_rows(3 * day), Some((6, 4)), "7 and 8 had been there once again only");
}

#[test]
fn after_a_start_the_young_tail_goes_out_again_silently() {
    let mut machine = Machine::new(pace(), 4, Resume { acked: 9, send_after: 7 });
    machine.connected(0, None);
    assert_eq!(machine.wants_rows(0), Some((7, 4)));
    send(&mut machine, 0, 8..=10);
    machine.acknowledged(0, 8, Success).unwrap();
    machine.disconnected();
    machine.connected(0, None);
    assert_eq!(machine.wants_rows(0), Some((7, 4)));
    send(&mut machine, 0, 8..=10);
    for (pkid, effects) in [(8, vec![]), (9, vec![]), (10, vec![Effect::Acked(10)])] {
        assert_eq!(machine.acknowledged(0, pkid, Success).unwrap(), effects);
    }
}

/// What chance does next.
#[derive(Debug, Clone, Copy)]
enum Chance {
    Fill,
    Wire,
    Ack { which: prop::sample::Index, refused: bool, nobody: bool },
    Break,
    Wait(u16),
}

fn chance() -> impl Strategy<Value = Chance> {
    prop_oneof![
        4 => Just(Chance::Fill),
        6 => Just(Chance::Wire),
        8 => (any::<prop::sample::Index>(), prop::bool::weighted(0.1), any::<bool>())
            .prop_map(|(which, refused, nobody)| Chance::Ack { which, refused, nobody }),
        1 => Just(Chance::Break),
        2 => (1_u16..3000).prop_map(Chance::Wait),
    ]
}

/// A connection, a line and a broker, as simple as they can be.
struct Model {
    machine: Machine,
    rows: u64,
    now: u64,
    /// Given to the connection and not on the wire yet; `None` is retained state.
    queue: VecDeque<Option<u64>>,
    ring: u16,
    window: u16,
    /// On the wire and not acknowledged.
    flying: Vec<(u16, Option<u64>)>,
    /// What the broker accepted, in order of acceptance.
    taken: Vec<u64>,
    told: Vec<u64>,
    /// Acknowledgements come in the order of arrival.
    in_order: bool,
    rows_first: bool,
}

impl Model {
    fn step(&mut self, chance: Chance) {
        match chance {
            Chance::Fill => {
                self.rows_first = !self.rows_first;
                if self.rows_first {
                    self.fill_rows();
                }
                if self.machine.room_for_state() > 0 {
                    self.machine.queued_state(self.now, "t".into(), true);
                    self.queue.push_back(None);
                }
                self.fill_rows();
            }
            Chance::Wire => {
                if let Some(item) = self.queue.pop_front() {
                    self.ring = if self.ring >= self.window { 1 } else { self.ring + 1 };
                    assert!(self.flying.iter().all(|(pkid, _)| *pkid != self.ring), "packet id in use");
                    self.flying.push((self.ring, item));
                    assert!(self.flying.len() <= usize::from(self.window), "over the receive maximum");
                    self.machine.sent(self.ring).unwrap();
                }
            }
            Chance::Ack { which, refused, nobody } => {
                if !self.flying.is_empty() {
                    let first = if self.in_order { 0 } else { which.index(self.flying.len()) };
                    let (pkid, item) = self.flying.remove(first);
                    let reason = match (refused, nobody) {
                        (false, _) => Success,
                        (true, true) => NoMatchingSubscribers,
                        (true, false) => QuotaExceeded,
                    };
                    if let (Some(number), Success) = (item, reason) {
                        self.taken.push(number);
                    }
                    for effect in self.machine.acknowledged(self.now, pkid, reason).unwrap() {
                        if let Effect::Acked(number) = effect {
                            assert!(self.taken.contains(&number), "{number} acknowledged, never taken");
                            self.told.push(number);
                        }
                    }
                }
            }
            Chance::Break => {
                self.machine.disconnected();
                self.queue.clear();
                self.flying.clear();
                self.ring = 0;
                self.machine.connected(self.now, Some(self.window));
            }
            Chance::Wait(ms) => self.now += u64::from(ms),
        }
    }

    fn fill_rows(&mut self) {
        if let Some((after, limit)) = self.machine.wants_rows(self.now) {
            let last = self.rows.min(after + u64::try_from(limit).unwrap());
            for number in after + 1..=last {
                self.machine.queued_row(self.now, number);
                self.queue.push_back(Some(number));
            }
        }
    }

    /// A polite broker from now on.
    fn finish(&mut self) {
        for _ in 0..20_000 {
            if self.machine.acked() == self.rows && self.machine.idle() {
                return;
            }
            self.step(Chance::Fill);
            while !self.queue.is_empty() {
                self.step(Chance::Wire);
            }
            while !self.flying.is_empty() {
                let (pkid, item) = self.flying[0];
                self.flying.remove(0);
                self.taken.extend(item);
                for effect in self.machine.acknowledged(self.now, pkid, Success).unwrap() {
                    if let Effect::Acked(number) = effect {
                        self.told.push(number);
                    }
                }
            }
            self.now += 1000;
        }
        panic!("stuck at {} of {}", self.machine.acked(), self.rows);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]
    #[test]
    fn whatever_happens_nothing_is_lost_and_order_holds(
        window in 1_u16..8,
        chances in prop::collection::vec(chance(), 0..600),
    ) {
        let rows = 40;
        let mut machine = Machine::new(pace(), 6, Resume { acked: 0, send_after: 0 });
        machine.connected(0, Some(window));
        let window = window.min(6);
        let mut model = Model {
            machine, rows, now: 0, queue: VecDeque::new(), ring: 0, window,
            flying: Vec::new(), taken: Vec::new(), told: Vec::new(), in_order: false,
            rows_first: false,
        };
        for chance in chances {
            model.step(chance);
        }
        model.finish();
        prop_assert_eq!(&model.told, &(1..=rows).collect::<Vec<_>>(), "each is told once, in order");
    }

    /// A broker that handles publishes in the order of arrival, as MQTT 5 section 4.6 demands, and
    /// a consumer that takes only the next number: it gets all of them.
    #[test]
    fn a_consumer_that_takes_only_the_next_number_gets_all(
        window in 1_u16..8,
        chances in prop::collection::vec(chance(), 0..600),
    ) {
        let rows = 40;
        let mut machine = Machine::new(pace(), 8, Resume { acked: 0, send_after: 0 });
        machine.connected(0, Some(window));
        let mut model = Model {
            machine, rows, now: 0, queue: VecDeque::new(), ring: 0, window,
            flying: Vec::new(), taken: Vec::new(), told: Vec::new(), in_order: true, rows_first: false,
        };
        for chance in chances {
            model.step(chance);
        }
        model.finish();
        let mut next = 1;
        for number in model.taken {
            if number == next {
                next += 1;
            }
        }
        prop_assert_eq!(next, rows + 1);
    }
}
