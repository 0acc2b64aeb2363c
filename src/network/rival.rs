//! Another client under our id: a broker lets the last one in and closes the other. Two stations
//! that both come back at once would take the id from each other for ever, so each waits longer
//! every time. PURE.

use super::Pace;
use super::report::Identity;
use super::session::Ending;
use std::time::Duration;

/// So many connections closed early and without a reason are taken for another client's doing.
const CLOSED_EARLY_MOST: u32 = 5;
/// The longest wait, in times of the first.
const WAIT_MOST: u32 = 8;

/// What speaks for another client under our id.
#[derive(Debug, Clone)]
pub struct Rival {
    pace: Pace,
    /// Connections in a row that stood and were soon closed without a reason.
    closed_early: u32,
    /// Times in a row that the id was taken.
    taken: u32,
}

impl Rival {
    /// Nobody yet.
    pub fn new(pace: Pace) -> Self {
        Self { pace, closed_early: 0, taken: 0 }
    }

    /// A connection ended; `stood`: the broker had let us in. Some: another client's doing, and
    /// how long to wait before the next.
    pub fn ended(&mut self, ending: &Ending, stood: bool, lasted: Duration) -> Option<Duration> {
        if lasted >= self.quiet() {
            self.gone();
        }
        let other = match ending {
            Ending::TakenOver => true,
            // Closed again soon after it was taken: the other one is back.
            Ending::Closed(_) if stood && self.taken > 0 => true,
            Ending::Closed(_) if stood && lasted < self.pace.settled => {
                self.closed_early += 1;
                self.closed_early >= CLOSED_EARLY_MOST
            }
            Ending::Closed(_) | Ending::Lost(_) => {
                if stood {
                    self.closed_early = 0;
                }
                false
            }
        };
        if !other {
            return None;
        }
        self.closed_early = 0;
        let wait = self.pace.taken_over.saturating_mul((1 << self.taken.min(16)).min(WAIT_MOST));
        self.taken = self.taken.saturating_add(1);
        Some(wait)
    }

    /// A connection that lasted this long shows that nobody else uses the id any more: longer
    /// than the other one waits.
    pub fn quiet(&self) -> Duration {
        match self.taken {
            0 => self.pace.settled,
            taken => self.pace.taken_over.saturating_mul((1 << taken.min(16)).min(WAIT_MOST)) * 2,
        }
    }

    /// Nobody else uses the id any more.
    pub fn gone(&mut self) {
        self.closed_early = 0;
        self.taken = 0;
    }

    /// What a person should know of it.
    pub fn in_words(ending: &Ending, identity: Identity, station: &str) -> String {
        let id = identity.client_id(station);
        if *ending == Ending::TakenOver {
            format!(
                "Another client uses the id {id} at the broker. Two stations with one id? It is left alone for a while"
            )
        } else {
            format!(
                "The broker closed the connection again and again soon after it stood, without a readable reason. \
                 Does another station use the id {id}? See the broker's log. It is left alone for a while"
            )
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;

    const SOON: Duration = Duration::from_millis(300);

    fn closed() -> Ending {
        Ending::Closed("closed".into())
    }

    #[test]
    fn two_stations_that_take_the_id_from_each_other_soon_leave_it_alone() {
        let pace = Pace::default();
        let mut rivals = [Rival::new(pace), Rival::new(pace)];
        // Each is let in, which closes the other; that one comes back after its wait.
        let (mut at, mut swaps, mut inside) = (Duration::ZERO, 0, 0);
        let mut since = Duration::ZERO;
        while at < Duration::from_hours(1) {
            let lasted = at.saturating_sub(since);
            let wait = rivals[inside].ended(&closed(), true, lasted).unwrap_or(SOON);
            inside = 1 - inside;
            since = at;
            at += wait;
            swaps += 1;
        }
        assert!(swaps < 30, "{swaps} connections in an hour");
    }

    #[test]
    fn a_line_that_breaks_is_no_other_client() {
        let mut rival = Rival::new(Pace::default());
        for _ in 0..100 {
            assert_eq!(rival.ended(&Ending::Lost("cable".into()), true, SOON), None);
            assert_eq!(rival.ended(&closed(), false, SOON), None);
        }
        for _ in 0..4 {
            assert_eq!(rival.ended(&closed(), true, SOON), None);
        }
        assert_eq!(rival.ended(&closed(), true, Duration::from_mins(1)), None, "one that lasted clears it");
        assert_eq!(rival.ended(&closed(), true, SOON), None);
    }

    #[test]
    fn once_it_is_quiet_the_waits_begin_anew() {
        let pace = Pace::default();
        let mut rival = Rival::new(pace);
        assert_eq!(rival.ended(&Ending::TakenOver, true, SOON), Some(pace.taken_over));
        assert_eq!(rival.ended(&Ending::TakenOver, true, SOON), Some(pace.taken_over * 2));
        let long = rival.quiet();
        assert_eq!(rival.ended(&closed(), true, long), None);
        assert_eq!(rival.ended(&Ending::TakenOver, true, SOON), Some(pace.taken_over));
    }
}
