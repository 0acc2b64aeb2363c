//! The label that the laboratory's printer holds, and how wide a bar on it may be.

use serde::{Deserialize, Serialize};

/// The label in the printer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct LabelSheet {
    /// Width, millimetres.
    pub width_mm: u16,
    /// Height, millimetres.
    pub height_mm: u16,
    /// What the printer resolves, dots to the inch.
    pub dots_per_inch: u16,
}

/// Free margin at each edge, thousandths of a millimetre: what a label printer cannot reach.
pub const MARGIN_UM: u32 = 1500;

/// Narrowest module that a usual hand-held reader takes, thousandths of a millimetre (common
/// practice, no source).
const NARROWEST_UM: u32 = 165;
/// Widest that makes sense: wider bars only make the label longer (common practice, no source).
const WIDEST_UM: u32 = 500;

impl LabelSheet {
    /// The sheet with bounds kept: 30 to 210 mm wide, 20 to 297 mm high, 150 to 1200 dots.
    pub fn fault(&self) -> Option<(&'static str, String)> {
        let within = |key, value: u16, least: u16, most: u16, unit: &str| {
            (!(least..=most).contains(&value))
                .then(|| (key, format!("is {value}; give {least} to {most} {unit}")))
        };
        within("width-mm", self.width_mm, 30, 210, "mm")
            .or_else(|| within("height-mm", self.height_mm, 20, 297, "mm"))
            .or_else(|| within("dots-per-inch", self.dots_per_inch, 150, 1200, "dots to the inch"))
    }

    /// Width of one module, thousandths of a millimetre, if `modules` of them are to fit into
    /// `room_um`: a whole number of the printer's dots, so that no bar is rounded; `None`: a module
    /// that fits is too narrow to be read.
    pub fn module_um(&self, modules: u32, room_um: u32) -> Option<u32> {
        let dots = |um: u32| u64::from(um) * u64::from(self.dots_per_inch) / 25_400;
        let um = |dots: u64| u32::try_from(dots * 25_400 / u64::from(self.dots_per_inch.max(1))).ok();
        let fits = dots(room_um) / u64::from(modules.max(1));
        let wanted = fits.min(dots(WIDEST_UM).max(1));
        um(wanted).filter(|module| *module >= NARROWEST_UM)
    }

    /// Width between the margins, thousandths of a millimetre.
    pub fn room_um(&self) -> u32 {
        (u32::from(self.width_mm) * 1000).saturating_sub(2 * MARGIN_UM)
    }
}

#[cfg(test)]
mod test {
    use super::*;

    const SHEET: LabelSheet = LabelSheet { width_mm: 76, height_mm: 38, dots_per_inch: 203 };

    #[test]
    fn a_module_is_a_whole_number_of_the_printers_dots() {
        // 73 mm are 583 dots: 275 modules get 2 dots each, 0.2502 mm.
        assert_eq!(SHEET.module_um(275, SHEET.room_um()), Some(250));
        // 33 modules in 17 mm: 135 dots, 4 each, but no more than 0.5 mm: 3 dots of 0.1251 mm.
        assert_eq!(SHEET.module_um(33, 17_000), Some(375));
    }

    #[test]
    fn bars_that_no_reader_could_take_are_not_printed() {
        let narrow = LabelSheet { width_mm: 50, ..SHEET };
        assert_eq!(narrow.module_um(275, narrow.room_um()), None);
        // At 300 dots to the inch 2 dots are 0.169 mm, and 275 of them need 46.6 mm.
        let finer = LabelSheet { dots_per_inch: 300, ..narrow };
        assert_eq!(finer.module_um(275, finer.room_um()), Some(169));
    }

    #[test]
    fn a_sheet_that_no_printer_holds_is_told_with_its_key() {
        assert_eq!(SHEET.fault(), None);
        assert_eq!(LabelSheet { width_mm: 0, ..SHEET }.fault().unwrap().0, "width-mm");
        assert_eq!(LabelSheet { dots_per_inch: 72, ..SHEET }.fault().unwrap().0, "dots-per-inch");
    }
}
