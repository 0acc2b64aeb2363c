//! Stock and working solutions in the fold of the bench: the shelf, and what specimens met of it.

use super::Bench;
use crate::domain::method::{Edge, Method};
use crate::domain::moment::Moment;
use crate::domain::solution::{Happened, Kind};
use crate::domain::specimen::Marked;
use uuid::Uuid;

impl Bench {
    /// Applies what has happened to the shelf. A bottle whose change was stated afterwards belongs
    /// to what was filled since.
    pub(super) fn apply_solution(&mut self, happened: &Happened, _: &Moment) {
        self.solutions.apply(happened);
        match happened {
            Happened::BottleChanged { of, .. } => self.review_uses(*of),
            Happened::BatchFinished { .. } | Happened::BatchDiscarded { .. } => {
                self.await_only_what_is_there();
            }
            _ => {}
        }
    }

    /// Notes which batch a specimen meets at a step that is marked now. Of a step with two ends
    /// the first one counts.
    pub(super) fn note_solution(&mut self, id: Uuid, method: &Method, at: (usize, Edge), marked: &Marked) {
        if !self.solutions.is_kept() {
            return;
        }
        let Some(step) = method.steps.get(at.0).map(|step| step.name.as_str()) else { return };
        let Some(of) = self.solutions.kind_used_at(step) else { return };
        let known = self.specimens.get(&id).and_then(|s| s.solutions.iter().position(|u| u.step == step));
        if known.is_none() || at.1 != Edge::End {
            self.set_use(id, of, step, &marked.moment);
        }
    }

    /// The time of a point was corrected: another bottle may have been in use then.
    pub(super) fn move_use(&mut self, id: Uuid, point: usize, to: &Marked) {
        let Some(specimen) = self.find(id) else { return };
        let Some((method, points)) = self.rule(specimen) else { return };
        let Some(point) = points.get(point) else { return };
        let Some(step) = method.steps.get(point.step).map(|step| step.name.clone()) else { return };
        let used = specimen.solutions.iter().find(|used| used.step == step);
        let other_end = points.iter().any(|other| other.step == point.step && other.edge == Edge::Begin);
        if let Some(of) = used.map(|used| used.of)
            && (point.edge != Edge::End || !other_end)
        {
            self.set_use(id, of, &step, &to.moment);
        }
    }

    /// What specimens at work met of a kind, seen again after a bottle was changed.
    fn review_uses(&mut self, of: Kind) {
        let uses: Vec<(Uuid, String, Moment)> = self
            .specimens
            .values()
            .filter(|specimen| !specimen.is_over())
            .flat_map(|specimen| specimen.solutions.iter().map(|used| (specimen.id, used)))
            .filter(|(_, used)| used.of == of)
            .filter(|(_, used)| {
                let now = self.solutions.in_use_at(of, &used.moment).map(|batch| batch.id.as_str());
                now != used.batch.as_ref().map(|batch| batch.id.as_str())
            })
            .map(|(id, used)| (id, used.step.clone(), used.moment))
            .collect();
        for (id, step, moment) in uses {
            self.set_use(id, of, &step, &moment);
        }
    }

    fn set_use(&mut self, id: Uuid, of: Kind, step: &str, moment: &Moment) {
        if self.find(id).is_none() {
            return;
        }
        let used = self.solutions.use_at(of, step, moment);
        self.solutions.count(&used, false);
        let Some(specimen) = self.find_mut(id) else { return };
        if let Some(known) = specimen.solutions.iter_mut().find(|known| known.step == step) {
            let before = std::mem::replace(known, used);
            self.solutions.count(&before, true);
        } else {
            specimen.solutions.push(used);
        }
    }
}
