//! Ring batches: what their papers say and whether they may be used.

use jiff::civil::Date;
use ringtrue_calibration::ring_table::RingTable;

use crate::key::BatchId;
use crate::refusal::Refusal;
use crate::versioned::Versioned;
use crate::violation::Violations;

/// Test rings of one production lot.
pub type RingBatch = Versioned<BatchId, BatchDetails>;

/// What is known of a batch.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchDetails {
    /// The code printed on the package.
    pub code: String,
    /// One table per hold, by rising hold.
    pub tables: Vec<RingTable>,
    /// Expanded uncertainty (k = 2) of the table, °C, when its papers state one.
    pub stated_expanded_uncertainty_c: Option<f64>,
    /// Last day on which the rings may be fired.
    pub expires_on: Option<Date>,
    /// Where the table comes from.
    pub provenance: String,
    /// Whether it may be used.
    pub state: BatchState,
    /// Why it is on hold or withdrawn.
    pub state_reason: String,
}

/// Whether a batch may be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BatchState {
    /// May be used.
    Released,
    /// Doubtful; takes no readings for now.
    OnHold,
    /// Withdrawn for good.
    Withdrawn,
}

/// Most tables of a batch.
pub const MAX_TABLES: usize = 8;

/// How near two holds may be before they count as the same table, min.
const SAME_HOLD_MIN: f64 = 0.5;

impl BatchDetails {
    /// Checks every field but the tables themselves, which cannot be made wrong.
    pub fn check(&self, path: &str, violations: &mut Violations) {
        violations.text(&format!("{path}.code"), &self.code, 1, 60);
        violations.text(&format!("{path}.provenance"), &self.provenance, 0, 2000);
        if let Some(stated) = self.stated_expanded_uncertainty_c {
            violations.number(
                &format!("{path}.stated_expanded_uncertainty_c"),
                stated,
                0.1,
                50.0,
                "°C",
            );
        }
        if self.tables.is_empty() || self.tables.len() > MAX_TABLES {
            violations.add(
                format!("{path}.tables"),
                "WRONG_COUNT",
                format!(
                    "has {} tables; send 1 to {MAX_TABLES}, one per hold time",
                    self.tables.len()
                ),
            );
        }
        for (at, table) in self.tables.iter().enumerate() {
            let twice = self.tables[..at]
                .iter()
                .any(|other| (other.hold_min() - table.hold_min()).abs() < SAME_HOLD_MIN);
            if twice {
                violations.add(
                    format!("{path}.tables[{at}].hold_min"),
                    "DUPLICATE_HOLD",
                    format!("the batch has a table for {} min already", table.hold_min()),
                );
            }
        }
    }

    /// Whether rings of this batch may be used for a firing that ended on `fired_on`, local date.
    pub fn usable(&self, batch: &BatchId, fired_on: Date) -> Result<(), Refusal> {
        match self.state {
            BatchState::Released => {}
            BatchState::OnHold | BatchState::Withdrawn => {
                return Err(Refusal::BatchNotReleased {
                    batch: batch.clone(),
                    withdrawn: self.state == BatchState::Withdrawn,
                    reason: self.state_reason.clone(),
                });
            }
        }
        match self.expires_on {
            Some(expires_on) if expires_on < fired_on => Err(Refusal::BatchExpired {
                batch: batch.clone(),
                expires_on,
                fired_on,
            }),
            _ => Ok(()),
        }
    }

    /// Whether the batch may change to another state.
    pub fn check_state_change(&self, batch: &BatchId, wanted: BatchState) -> Result<(), Refusal> {
        if self.state == BatchState::Withdrawn && wanted != BatchState::Withdrawn {
            return Err(Refusal::BatchNotReleased {
                batch: batch.clone(),
                withdrawn: true,
                reason: self.state_reason.clone(),
            });
        }
        Ok(())
    }
}
