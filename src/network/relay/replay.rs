//! A replay that a consumer asked for: documents that were sent before go out again, with the same
//! id and number and in order, beside the new ones. PURE.
//!
//! It runs until it has caught up with what is sent for the first time, however much that has
//! grown meanwhile: whoever takes only the next number then has no gap left. It never holds the
//! new ones up, and takes at most half of the window.

use super::machine::Machine;
use crate::network::Pace;
use std::collections::VecDeque;

/// One replay.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Replay {
    /// The last number that was sent on this connection.
    cursor: u64,
    /// Every number of the replay up to here is acknowledged.
    acked: u64,
    /// What is in flight, in order, with whether it is acknowledged.
    pass: VecDeque<(u64, bool)>,
    /// Nothing goes out before this, milliseconds.
    until: u64,
    /// Refusals in a row.
    tries: u32,
}

impl Replay {
    /// A replay of what comes after a number.
    fn after(number: u64) -> Self {
        Self { cursor: number, acked: number, ..Self::default() }
    }

    /// Up to where it is done.
    fn taken(&mut self, number: u64) {
        if let Some(pass) = self.pass.iter_mut().find(|(n, _)| *n == number) {
            pass.1 = true;
            self.tries = 0;
        }
        while let Some((number, _)) = self.pass.pop_front_if(|(_, acked)| *acked) {
            self.acked = number;
        }
    }

    /// A refused document goes out again after a pause, and all after it.
    fn refused(&mut self, now: u64, number: u64, pace: &Pace) {
        if number > self.cursor {
            return; // It goes out again after an earlier one.
        }
        self.hold(now, pace);
        self.cursor = number.saturating_sub(1);
        self.pass.retain(|(n, _)| *n < number);
    }

    fn hold(&mut self, now: u64, pace: &Pace) {
        let pause = pace.hold_first.saturating_mul(1 << self.tries.min(16)).min(pace.hold_most);
        self.tries = self.tries.saturating_add(1);
        self.until = now.saturating_add(super::machine::ms(pause));
    }
}

impl Machine {
    /// A consumer asked for the documents from `number` on. One that is lower than what a replay
    /// at work has reached takes its place; a higher one comes along with it.
    pub fn replay_from(&mut self, number: u64) {
        let after = number.saturating_sub(1);
        if self.replay.as_ref().is_none_or(|replay| after < replay.acked) {
            self.replay = Some(Replay::after(after));
        }
    }

    /// The rows wanted now for a replay: those after a number, and how many.
    pub fn wants_replay(&mut self, now: u64) -> Option<(u64, usize)> {
        let sent = self.cursor()?;
        let replay = self.replay.as_ref()?;
        if replay.cursor >= sent {
            if replay.pass.is_empty() {
                tracing::info!(through = sent, "a replay has caught up");
                self.replay = None;
            }
            return None;
        }
        if now < replay.until {
            return None;
        }
        let flying = u64::try_from(replay.pass.len()).unwrap_or(u64::MAX);
        let room = self.room().min((self.limit() / 2).max(1).saturating_sub(flying));
        let most = room.min(sent - replay.cursor);
        (most > 0).then(|| (replay.cursor, usize::try_from(most).unwrap_or(usize::MAX)))
    }

    /// A row of a replay was given to the connection.
    pub fn queued_replay(&mut self, now: u64, number: u64) {
        if let Some(replay) = &mut self.replay {
            replay.cursor = number;
            replay.pass.push_back((number, false));
            self.push_replay(now, number);
        }
    }

    /// What a replay wants next cannot be read, or not be sent: it pauses there.
    pub(super) fn hold_replay(&mut self, now: u64) {
        let pace = self.pace;
        if let Some(replay) = &mut self.replay {
            replay.hold(now, &pace);
        }
    }

    /// A row of a replay was refused.
    pub fn refuse_replay(&mut self, now: u64, number: u64) {
        let pace = self.pace;
        if let Some(replay) = &mut self.replay {
            replay.refused(now, number, &pace);
        }
    }

    pub(super) fn replay_taken(&mut self, number: u64) {
        if let Some(replay) = &mut self.replay {
            replay.taken(number);
        }
    }

    /// A new connection: what was in flight goes out again.
    pub(super) fn replay_anew(&mut self) {
        if let Some(replay) = &mut self.replay {
            replay.cursor = replay.acked;
            replay.pass.clear();
        }
    }

    /// When a held replay goes on.
    pub(super) fn replay_until(&self) -> Option<u64> {
        self.replay.as_ref().map(|replay| replay.until)
    }
}
