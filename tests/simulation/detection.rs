//! How soon what is wrong is found, and how often something is found that is not wrong.

mod biases;
mod drifts;

use ringtrue_calibration::charts::ewma::{EwmaDesign, EwmaLimits};
use ringtrue_calibration::inference::Components;

pub(crate) use drifts::drift;

use crate::learning::Before;
use crate::report::Report;
use crate::world::Settings;

/// The textbook average of weight 0.25 whose false alarms come once in 500 points (Lucas & Saccucci 1990).
const TEXTBOOK: EwmaDesign = EwmaDesign {
    lambda: 0.25,
    limit: 2.998,
    limits: EwmaLimits::Asymptotic,
};

/// Size of the detection runs, and what is believed of fleets before.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Believed {
    pub(crate) before: Before,
    /// Evidence beyond which a furnace is said to drift.
    pub(crate) drift_limit: f64,
    pub(crate) sites: usize,
    pub(crate) weeks: u32,
    pub(crate) seeds: u64,
}

impl Believed {
    /// Components learnt from a fleet of a kind, in the size of the runs.
    fn components(&self, kind: &Settings) -> anyhow::Result<Components> {
        let settings = Settings {
            sites: self.sites,
            weeks: self.weeks,
            ..*kind
        };
        Ok(self.before.learnt(&settings, 998)?.components)
    }
}

/// Runs everything.
pub(crate) fn all(believed: &Believed) -> anyhow::Result<Report> {
    let mut report = drift(believed)?;
    report.extend(biases::bad_batch(believed)?);
    report.extend(biases::gauges(believed)?);
    Ok(report)
}
