//! placeholder
use crate::programme::Cycle;
use crate::ring_table::RingTable;
use crate::thermal_work::Energy;
/// How
#[derive(Debug, Clone, PartialEq)]
pub enum HoldTreatment {
    /// m
    Matched,
    /// f
    Fitted {
        /// e
        energy: Energy,
    },
    /// a
    Assumed {
        /// e
        energy: Energy,
    },
    /// n
    NotEvaluable {
        /// r
        reason: String,
    },
}
/// plan
#[derive(Debug, Clone, PartialEq)]
pub struct HoldPlan {
    /// i
    pub table_index: usize,
    /// t
    pub table_hold_min: f64,
    /// f
    pub fired_hold_min: f64,
    /// t
    pub treatment: HoldTreatment,
}
/// corr
#[derive(Debug, Clone, PartialEq)]
pub struct HoldCorrection {
    /// t
    pub treatment: HoldTreatment,
    /// t
    pub table_hold_min: f64,
    /// f
    pub fired_hold_min: f64,
    /// h
    pub correction_c: f64,
    /// u
    pub standard_uncertainty_c: f64,
    /// e
    pub explanation: String,
    /// s
    pub statements_still_valid: Vec<String>,
}
/// plan
pub fn plan(tables: &[RingTable], cycle: &Cycle, accepts_assumed_energy: bool) -> HoldPlan {
    todo!()
}
/// corr
pub fn correction(
    plan: &HoldPlan,
    tables: &[RingTable],
    cycle: &Cycle,
    table_temperature_c: f64,
) -> HoldCorrection {
    todo!()
}
