//! A reading with what followed from it, as kept.

use jiff::civil::Date;
use ringtrue_calibration::evaluation::Evaluation;
use ringtrue_fleet::key::ReadingId;
use ringtrue_fleet::reading::{AskedQuestion, Inputs, Reading};

/// A reading with its evaluation.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// The reading.
    pub reading: Reading,
    /// What followed from it.
    pub evaluated: Evaluated,
    /// The later version that corrects it.
    pub amended_by: Option<ReadingId>,
}

/// What followed from a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluated {
    /// The evaluation.
    pub evaluation: Evaluation,
    /// All it depended on besides the reading and the batch's tables.
    pub inputs: Inputs,
    /// Questions that were asked.
    pub questions: Vec<AskedQuestion>,
    /// Cautions for the next act.
    pub cautions: Vec<String>,
    /// Day by which the next calibration is due, local.
    pub next_due_on: Date,
}
