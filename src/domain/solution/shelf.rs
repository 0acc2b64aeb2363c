//! The recipes, the batches and the bottles in use of one bench: the fold.

use super::batch::{Batch, Taken};
use super::recipe::{Kind, Recipe};
use super::used::{BatchSeen, Use};
use super::{Doubt, Finished, Happened};
use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::shared::Shared;
use crate::domain::specimen::{Marked, Weighing};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Discarded batches that are kept in sight; all of them stay in the journal.
const KEPT_DISCARDED: usize = 12;
/// Changes of the bottle that are kept in sight: more than a specimen can span.
const KEPT_CHANGES: usize = 32;

/// All that stands on the shelf.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Shelf {
    /// Recipes by their identifier.
    pub recipes: Shared<BTreeMap<String, Recipe>>,
    /// Batches by their mark.
    pub batches: BTreeMap<String, Shared<Batch>>,
    /// Every mark that was ever given: none is given twice.
    pub marks: Shared<BTreeSet<String>>,
    /// Changes of the bottles in use, in the order of their instants.
    pub changes: Vec<Change>,
}

/// A bottle took the place of another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Change {
    /// Of stock or of working solution.
    pub of: Kind,
    /// The batch; `None`: no bottle is in use any more.
    pub batch: Option<String>,
    /// When and by whom.
    pub marked: Marked,
}

impl Shelf {
    /// Applies what has happened to the shelf. What specimens know of it, the bench applies.
    pub fn apply(&mut self, happened: &Happened) {
        match happened {
            Happened::RecipesAdopted { recipes } => {
                let named = |recipe: &Recipe| (recipe.id.clone(), recipe.clone());
                self.recipes = Shared::new(recipes.iter().map(named).collect());
            }
            Happened::BatchBegun { batch } | Happened::BatchReceived { batch } => {
                self.marks.insert(batch.id.clone());
                self.batches.insert(batch.id.clone(), (**batch).clone().into());
            }
            Happened::LotNoted { batch, component, lot } => self.on_part(batch, component, |part| {
                part.lot = Some(lot.clone());
            }),
            Happened::ComponentStated { batch, component, amount, with, further, marked } => {
                let taken = Taken::Stated { amount: *amount, with: with.clone(), marked: marked.clone() };
                self.on_part(batch, component, |part| part.take(taken, *further));
            }
            Happened::StepDone { batch, step, marked } => self.on_part(batch, step, |part| {
                part.done = Some(marked.clone());
            }),
            Happened::BatchFinished { batch, finished, doubts } => self.finish(batch, finished, doubts),
            Happened::BottleChanged { of, batch, marked } => {
                let after = |change: &Change| marked.moment.since(&change.marked.moment).ns >= 0;
                let at = self.changes.iter().rposition(after).map_or(0, |at| at + 1);
                self.changes.insert(at, Change { of: *of, batch: batch.clone(), marked: marked.clone() });
                let over = self.changes.len().saturating_sub(KEPT_CHANGES);
                self.changes.drain(..over);
            }
            Happened::BatchDiscarded { batch, reason, marked } => {
                if let Some(batch) = self.batches.get_mut(batch) {
                    batch.discarded = Some((reason.clone(), marked.clone()));
                }
                self.forget_discarded();
            }
        }
    }

    fn on_part(&mut self, batch: &str, part: &str, change: impl FnOnce(&mut super::Part)) {
        if let Some(part) = self.batches.get_mut(batch).and_then(|batch| batch.part_mut(part)) {
            change(part);
        }
    }

    fn finish(&mut self, id: &str, finished: &Finished, doubts: &[Doubt]) {
        let Some(batch) = self.batches.get_mut(id) else { return };
        batch.finished = Some(finished.clone());
        batch.doubts.extend_from_slice(doubts);
        let (from, drawn) = (batch.stock.as_ref().map(|stock| stock.id.clone()), batch.stock_ml());
        if let Some(stock) = from.and_then(|id| self.batches.get_mut(&id)) {
            stock.draw(drawn);
        }
    }

    /// The oldest discarded ones leave, but for those that are still in use.
    fn forget_discarded(&mut self) {
        let mut gone: Vec<(i64, String)> = self
            .batches
            .values()
            .filter_map(|batch| Some((batch.discarded.as_ref()?.1.moment.wall_ns, batch.id.clone())))
            .filter(|(_, id)| !self.is_in_use(id))
            .collect();
        gone.sort();
        let over = gone.len().saturating_sub(KEPT_DISCARDED);
        for (_, id) in gone.drain(..over) {
            self.batches.remove(&id);
        }
    }

    /// A laboratory that noted no batch keeps no list.
    pub fn is_kept(&self) -> bool {
        !self.marks.is_empty()
    }

    /// The batch whose bottle is in use.
    pub fn in_use(&self, of: Kind) -> Option<&Batch> {
        let change = self.changes.iter().rfind(|change| change.of == of)?;
        self.batches.get(change.batch.as_ref()?).map(|batch| &**batch)
    }

    /// A bottle of this batch is in use.
    pub fn is_in_use(&self, id: &str) -> bool {
        [Kind::Stock, Kind::Working].into_iter().any(|of| self.in_use(of).is_some_and(|b| b.id == id))
    }

    /// The batch whose bottle was in use at an instant.
    pub fn in_use_at(&self, of: Kind, at: &Moment) -> Option<&Batch> {
        let before = |change: &&Change| change.of == of && at.since(&change.marked.moment).ns >= 0;
        let change = self.changes.iter().rev().find(before)?;
        self.batches.get(change.batch.as_ref()?).map(|batch| &**batch)
    }

    /// The kind of solution that is used at a step of a method: what the bottle in use says, else
    /// any recipe. `None`: none is.
    pub fn kind_used_at(&self, step: &str) -> Option<Kind> {
        let kinds = [Kind::Working, Kind::Stock];
        let by_bottle = kinds.into_iter().find(|of| {
            self.in_use(*of).is_some_and(|batch| batch.recipe.uses.iter().any(|used| used.step == step))
        });
        by_bottle.or_else(|| self.recipes.values().find(|r| r.is_used_at(step)).map(|recipe| recipe.kind))
    }

    /// What a specimen knows of the solution that it meets at a step.
    pub fn use_at(&self, of: Kind, step: &str, moment: &Moment) -> Use {
        let batch = self.in_use_at(of, moment);
        Use {
            step: step.to_owned(),
            of,
            moment: *moment,
            drawn_ml: batch.map_or(Decimal::ZERO, |batch| batch.draws_ml(step)),
            batch: batch.map(|batch| BatchSeen::of(batch, moment)),
        }
    }

    /// Counts what a use drew from its batch, or gives it back where it was another's.
    pub fn count(&mut self, used: &Use, back: bool) {
        let Some(seen) = &used.batch else { return };
        if let Some(batch) = self.batches.get_mut(&seen.id) {
            let first = batch.recipe.uses.first().is_some_and(|first| first.step == used.step);
            if back {
                batch.draw(-used.drawn_ml);
                batch.fillings = batch.fillings.saturating_sub(u32::from(first));
            } else {
                batch.draw(used.drawn_ml);
                batch.fillings = batch.fillings.saturating_add(u32::from(first));
            }
        }
    }

    /// The balance's mass of a component.
    pub fn give(&mut self, batch: &str, component: &str, further: bool, weighing: Weighing) {
        let taken = Taken::Weighed { weighing: Box::new(weighing) };
        self.on_part(batch, component, |part| part.take(taken, further));
    }

    /// Takes a mass from a component again.
    pub fn take_back(&mut self, batch: &str, component: &str, weighing: uuid::Uuid) -> Option<Weighing> {
        let part = self.batches.get_mut(batch)?.part_mut(component)?;
        part.take_back(weighing)
    }

    /// A component still takes a mass.
    pub fn may_take_mass(&self, batch: &str, component: &str) -> bool {
        let batch = self.batches.get(batch).filter(|batch| batch.is_under_way());
        batch.and_then(|batch| batch.part(component)).is_some_and(|part| part.mass.is_some())
    }

    /// Weighings of batches under way, with what each is of.
    pub fn weighings(&self) -> impl Iterator<Item = &Weighing> {
        let under_way = self.batches.values().filter(|batch| batch.is_under_way());
        under_way.flat_map(|batch| &batch.parts).flat_map(|part| &part.taken).filter_map(
            |taken| match taken {
                Taken::Weighed { weighing } => Some(&**weighing),
                Taken::Stated { .. } => None,
            },
        )
    }
}

impl Batch {
    fn draw(&mut self, millilitres: Decimal) {
        self.drawn_ml = self.drawn_ml.checked_add(millilitres).unwrap_or(self.drawn_ml);
    }

    /// About how much is left, for people.
    pub fn left(&self) -> Option<Quantity> {
        let left = self.left_ml()?;
        if left >= Decimal::ONE_THOUSAND {
            let litres = Quantity::new(left, Unit::Millilitre).convert(Unit::Litre)?;
            return Some(Quantity::new(litres.value.round_dp(1), Unit::Litre));
        }
        Some(Quantity::new(left.round_dp(0), Unit::Millilitre))
    }
}
