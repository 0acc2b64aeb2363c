//! Two pictures: the levels drawn on each cylinder, and the solution's temperature over time.

mod cylinder;
mod warmth;

use super::Told;
use crate::paper::drawing::Drawing;
use crate::paper::sheet::Block;

/// Room across, tenths of a point: the narrower of the papers, less its margins.
const ROOM: i32 = 5230;
/// Room between two drawings, tenths of a point.
pub(in crate::paper) const GAP: i32 = 80;
/// Height of a picture, tenths of a point.
const HEIGHT: i32 = 960;
/// Narrowest picture of the temperature that is still worth its room, tenths of a point.
const NARROWEST: i32 = 2200;
/// Stretches of time that are drawn, at most.
const WATCHES_MOST: usize = 6;

impl Told<'_> {
    /// The pictures; nothing where there is nothing to draw.
    pub(super) fn figures(&self) -> Vec<Block> {
        let mut drawings: Vec<Drawing> = self.cylinders();
        let taken: i32 = drawings.iter().map(|drawing| drawing.width + GAP).sum();
        let watches = &self.facts.watches;
        // Beside the cylinders if there is room, else on a row of its own.
        let beside = ROOM - taken;
        let width = if watches.len() == 1 && beside >= NARROWEST { beside } else { ROOM };
        drawings.extend(watches.iter().take(WATCHES_MOST).map(|watch| self.warmth(watch, width)));
        if drawings.is_empty() {
            return Vec::new();
        }
        let mut blocks = vec![
            Block::heading("Levels in the cylinders, and the solution's temperature"),
            Block::Figures { drawings },
        ];
        let removed: usize = watches.iter().map(|watch| watch.removed).sum();
        if removed > 0 {
            blocks.push(Block::quiet(format!(
                "{removed} temperatures of this time are no longer kept; they show as gaps. The table holds \
                 what was counted of them."
            )));
        }
        if watches.len() > WATCHES_MOST {
            let more = watches.len() - WATCHES_MOST;
            blocks.push(Block::quiet(format!(
                "{more} more stretches of time are in the journal and not drawn."
            )));
        }
        blocks
    }
}
