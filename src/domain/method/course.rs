//! The way from the bag to the tins as data: courses that a laboratory may follow step by step.
//!
//! A laboratory that follows none notes what it did (`prepare`) and weighs what it likes; nothing
//! of a course is asked of it then.

use super::{Confidence, Method};
use serde::{Deserialize, Serialize};

/// One way to prepare a sample.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CourseRule {
    /// Short name, unique in the method.
    pub name: String,
    /// For people.
    pub title: String,
    /// Its stages, in order.
    pub steps: Vec<CourseStep>,
    /// Where it was found.
    pub source: String,
    /// How well it is known.
    pub confidence: Confidence,
}

/// One stage of a course.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CourseStep {
    /// The trade's word, unique in the course.
    pub name: String,
    /// What to do, in a sentence or two.
    pub instruction: String,
    /// It may be skipped, with a reason.
    pub optional: bool,
    /// What kind of stage it is.
    pub kind: CourseKind,
}

/// The kinds of stage that the bench knows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum CourseKind {
    /// One press says that it is done.
    Done {
        /// The word under which it stands in the sample's list of what was done.
        noted_as: Option<Noted>,
    },
    /// A mass of the sample, by the name that the method gives it.
    Weigh {
        /// Name of the weighing.
        weighing: String,
    },
    /// The moisture is judged by a squeezed cast, until one is accepted.
    Cast,
    /// The portion stands covered, if its moisture was changed.
    Temper,
    /// Tins are filled and struck off, as many as the sample wants.
    Tins {
        /// The portion is mixed before each tin.
        remix: bool,
        /// The method's step that the filling of a tin marks on its specimen.
        marks: Option<String>,
    },
    /// The filled tins are dried to constant mass.
    Dry {
        /// They are cooled to room temperature afterwards.
        cooled: bool,
    },
}

/// What a press of a course notes in the sample's list of what was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Noted {
    /// Passed over the method's sieve.
    Sieved,
    /// Reduced by splitting or quartering.
    Reduced,
    /// The moisture is right as it is.
    MoistureRight,
}

/// How a change of mass is held to the figure of constant mass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bound {
    /// The change must be less than the figure.
    Under,
    /// The change may be as large as the figure.
    AtMost,
}

impl Method {
    /// A course by its name.
    pub fn course(&self, name: &str) -> Option<&CourseRule> {
        self.preparation.courses.iter().find(|course| course.name == name)
    }
}

impl CourseRule {
    /// Position of a step by its name.
    pub fn step_index(&self, name: &str) -> Option<usize> {
        self.steps.iter().position(|step| step.name == name)
    }

    /// Whether the portion is mixed before each tin.
    pub fn remixes(&self) -> bool {
        self.steps.iter().any(|step| matches!(step.kind, CourseKind::Tins { remix: true, .. }))
    }
}
