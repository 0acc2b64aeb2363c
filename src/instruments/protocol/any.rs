//! A shape of either kind: lines, or registers that are asked for.

use super::{Registers, Shape, ShapeFault, load};
use crate::domain::reading::InstrumentKind;
use crate::instruments::Line;
use std::sync::Arc;

/// How an instrument is talked with.
#[derive(Debug, Clone)]
pub enum AnyShape {
    /// It says lines or frames.
    Lines(Arc<Shape>),
    /// It holds registers.
    Registers(Arc<Registers>),
}

impl AnyShape {
    /// Parses and checks a shape file of either kind; `protocol` in the file says which.
    ///
    /// # Errors
    /// Every fault of the file, in order of lines.
    pub fn load(file: &str, text: &str) -> Result<Self, Vec<ShapeFault>> {
        if load::is_of_registers(text) {
            Registers::load(file, text).map(|registers| Self::Registers(Arc::new(registers)))
        } else {
            Shape::load(file, text).map(|shape| Self::Lines(Arc::new(shape)))
        }
    }

    /// Name, the same as the file's.
    pub fn id(&self) -> &str {
        match self {
            Self::Lines(shape) => &shape.id,
            Self::Registers(registers) => &registers.id,
        }
    }

    /// What it measures.
    pub fn kind(&self) -> InstrumentKind {
        match self {
            Self::Lines(shape) => shape.kind,
            Self::Registers(_) => InstrumentKind::SolutionProbe,
        }
    }

    /// Speed and framing.
    pub fn line(&self) -> Line {
        match self {
            Self::Lines(shape) => shape.line,
            Self::Registers(registers) => registers.line,
        }
    }
}
