//! Waiting for a mass: at which balance, and whether another person waits there already.

use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::specimen::{By, Target};

impl Deciding<'_> {
    /// From now on the next stable mass of a balance is for this.
    ///
    /// With several balances it is said which one: a mass that came from another would go to the
    /// wrong thing, and nobody would see it. Whoever asked before is not pushed aside without a word.
    pub(super) fn wait_for_mass(&mut self, target: Target, by: By) -> Result<(), Refusal> {
        let balance = self.balance_of_act()?;
        if balance.is_none() && self.bench.balances().nth(1).is_some() {
            let balances = self.bench.balances().map(str::to_owned).collect();
            return Err(Refusal::WhichBalance { what: self.bench.target_text(&target), balances });
        }
        let others = self.bench.awaited.of_others(&target, balance.as_deref(), &by);
        let other = others.into_iter().find(|wait| self.bench.may_take_mass(&wait.target));
        if let (Some(other), false) = (other, self.take_over) {
            let at = other.balance.as_ref().map_or_else(String::new, |at| format!(" of {at}"));
            let question = format!(
                "the next mass{at} is waited for by {}, for {}: take it over?",
                other.who(),
                self.bench.target_text(&other.target)
            );
            return Err(Refusal::Waited { question });
        }
        self.emit(Event::MassAwaited { target: Some(target), by, balance });
        Ok(())
    }

    /// Nothing is waited for any more: at the balance that is named, or at all.
    pub(super) fn stop_awaiting(&mut self, by: By) -> Decided {
        let balance = self.balance_of_act()?;
        let at = balance.as_ref().map_or_else(String::new, |at| format!(" of {at}"));
        self.emit(Event::MassAwaited { target: None, by, balance });
        Ok(Outcome::done(format!("no mass{at} is waited for")))
    }

    /// The balance that the act names, if it names one.
    fn balance_of_act(&self) -> Result<Option<String>, Refusal> {
        let Some(named) = &self.balance else { return Ok(None) };
        if self.bench.balances().any(|known| known == named) {
            return Ok(Some(named.clone()));
        }
        Err(unknown("balance", named, self.bench.balances().map(str::to_owned)))
    }
}
