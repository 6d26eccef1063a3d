//! A furnace's filter, as bytes: it is read and written with every recording, so it is compact. Derived: a
//! shape that is no longer understood is worked out again from the records.

use jiff::Timestamp;
use ringtrue_calibration::charts::Side;
use ringtrue_calibration::charts::cusum::CusumState;
use ringtrue_calibration::charts::ewma::EwmaState;
use ringtrue_calibration::drift::{DriftState, Evidence, RampState};
use ringtrue_calibration::inference::Chain;
use ringtrue_fleet::effect::Effect;
use ringtrue_fleet::key::{BatchId, GaugeId, ReadingId};
use ringtrue_fleet::knowledge::ExpectedError;
use ringtrue_fleet::tracking::{AsEvaluated, PointEffect, Surprise, TrackPoint, TrackedOffset};
use serde::{Deserialize, Serialize};

use super::fit::triangle;
use super::inputs::StateDocument;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct TrackedDocument {
    chain: ChainDocument,
    columns: Vec<(String, f64, u32)>,
    last: PointDocument,
    same_mean_run: u32,
    drift: DriftDocument,
    drift_proved_at: Option<i64>,
    evaluated: Option<(i64, StateDocument)>,
}

/// Evidence of a drift: score, deficit °C, and the week in which it began to show.
type EvidenceDocument = (f64, f64, Option<f64>);

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct DriftDocument {
    up: EvidenceDocument,
    down: EvidenceDocument,
    average: (f64, u32),
    sums: (f64, f64),
    beyond: u32,
    is_above: Option<bool>,
    first_beyond_weeks: Option<f64>,
    turned_weeks: Option<f64>,
}

impl From<&DriftState> for DriftDocument {
    fn from(state: &DriftState) -> Self {
        let evidence = |of: &Evidence| (of.score, of.deficit_c, of.began_weeks);
        Self {
            up: evidence(&state.ramp.up),
            down: evidence(&state.ramp.down),
            average: (state.average.value, state.average.points),
            sums: (state.sums.high, state.sums.low),
            beyond: state.beyond,
            is_above: state.side.map(|side| side == Side::Above),
            first_beyond_weeks: state.first_beyond_weeks,
            turned_weeks: state.turned_weeks,
        }
    }
}

impl From<DriftDocument> for DriftState {
    fn from(document: DriftDocument) -> Self {
        let evidence = |(score, deficit_c, began_weeks): EvidenceDocument| Evidence {
            score,
            deficit_c,
            began_weeks,
        };
        let (value, points) = document.average;
        let (high, low) = document.sums;
        Self {
            ramp: RampState {
                up: evidence(document.up),
                down: evidence(document.down),
            },
            average: EwmaState { value, points },
            sums: CusumState { high, low },
            beyond: document.beyond,
            side: document
                .is_above
                .map(|above| if above { Side::Above } else { Side::Below }),
            first_beyond_weeks: document.first_beyond_weeks,
            turned_weeks: document.turned_weeks,
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct ChainDocument {
    reference_c: f64,
    states: Vec<[f64; 3]>,
    covariance: [[f64; 3]; 3],
    sums: Vec<f64>,
    log_determinant: f64,
    counted: u32,
    readings: u32,
    lowest_setpoint_c: f64,
    highest_setpoint_c: f64,
    strike: i8,
    tilted: bool,
}

impl ChainDocument {
    /// Whether it can be calculated with: one damaged filter would otherwise stop the fit of all.
    fn fits(&self, columns: usize) -> bool {
        let states = self.states.len();
        let numbers = self
            .states
            .iter()
            .chain(&self.covariance)
            .flatten()
            .chain(&self.sums)
            .chain([&self.log_determinant, &self.reference_c]);
        (1..=columns + 1).contains(&states)
            && self.sums.len() == triangle(states)
            && numbers.into_iter().all(|number| number.is_finite())
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct PointDocument {
    reading: String,
    fired_at: i64,
    setpoint_c: f64,
    observed_offset_c: f64,
    removed_c: f64,
    independent_c: f64,
    shared_c: f64,
    effects: Vec<(String, f64, f64)>,
    surprise: Option<[f64; 3]>,
    mean_mm: f64,
    batch: Option<String>,
    gauge: Option<String>,
}

impl From<&Chain> for ChainDocument {
    fn from(chain: &Chain) -> Self {
        Self {
            reference_c: chain.reference_c,
            states: chain.states.clone(),
            covariance: chain.covariance,
            sums: chain.sums.clone(),
            log_determinant: chain.log_determinant,
            counted: chain.counted,
            readings: chain.readings,
            lowest_setpoint_c: chain.lowest_setpoint_c,
            highest_setpoint_c: chain.highest_setpoint_c,
            strike: chain.strike,
            tilted: chain.tilted,
        }
    }
}

impl From<ChainDocument> for Chain {
    fn from(document: ChainDocument) -> Self {
        Self {
            reference_c: document.reference_c,
            states: document.states,
            covariance: document.covariance,
            sums: document.sums,
            log_determinant: document.log_determinant,
            counted: document.counted,
            readings: document.readings,
            lowest_setpoint_c: document.lowest_setpoint_c,
            highest_setpoint_c: document.highest_setpoint_c,
            strike: document.strike,
            tilted: document.tilted,
        }
    }
}

impl From<&TrackPoint> for PointDocument {
    fn from(point: &TrackPoint) -> Self {
        Self {
            reading: point.reading.to_string(),
            fired_at: point.fired_at.as_microsecond(),
            setpoint_c: point.setpoint_c,
            observed_offset_c: point.observed_offset_c,
            removed_c: point.removed_c,
            independent_c: point.independent_c,
            shared_c: point.shared_c,
            effects: point
                .effects
                .iter()
                .map(|part| (part.effect.to_string(), part.coefficient, part.sd_c))
                .collect(),
            surprise: point
                .surprise
                .map(|surprise| [surprise.z, surprise.standard_deviation_c, surprise.gain]),
            mean_mm: point.mean_mm,
            batch: point.batch.as_ref().map(ToString::to_string),
            gauge: point.gauge.as_ref().map(ToString::to_string),
        }
    }
}

impl PointDocument {
    fn point(self) -> Option<TrackPoint> {
        let mut effects = Vec::with_capacity(self.effects.len());
        for (name, coefficient, sd_c) in self.effects {
            effects.push(PointEffect {
                effect: Effect::parse(&name).ok()?,
                coefficient,
                sd_c,
            });
        }
        Some(TrackPoint {
            reading: ReadingId::new(&self.reading).ok()?,
            fired_at: Timestamp::from_microsecond(self.fired_at).ok()?,
            setpoint_c: self.setpoint_c,
            observed_offset_c: self.observed_offset_c,
            removed_c: self.removed_c,
            independent_c: self.independent_c,
            shared_c: self.shared_c,
            effects,
            surprise: self
                .surprise
                .map(|[z, standard_deviation_c, gain]| Surprise {
                    z,
                    standard_deviation_c,
                    gain,
                }),
            mean_mm: self.mean_mm,
            batch: match self.batch {
                Some(batch) => Some(BatchId::new(&batch).ok()?),
                None => None,
            },
            gauge: match self.gauge {
                Some(gauge) => Some(GaugeId::new(&gauge).ok()?),
                None => None,
            },
        })
    }
}

impl From<&TrackedOffset> for TrackedDocument {
    fn from(tracked: &TrackedOffset) -> Self {
        Self {
            chain: ChainDocument::from(&tracked.chain),
            columns: tracked
                .columns
                .iter()
                .map(|column| (column.effect.to_string(), column.sd_c, column.readings))
                .collect(),
            last: PointDocument::from(&tracked.last),
            same_mean_run: tracked.same_mean_run,
            drift: DriftDocument::from(&tracked.drift),
            drift_proved_at: tracked.drift_proved_at.map(Timestamp::as_microsecond),
            evaluated: tracked
                .evaluated
                .map(|evaluated| (evaluated.fit, StateDocument::from(&evaluated.state))),
        }
    }
}

impl TrackedDocument {
    /// The tracked offset; none when a name in it cannot be read, or when the filter's parts do not fit
    /// together.
    pub(crate) fn tracked(self, components: i64) -> Option<TrackedOffset> {
        if !self.chain.fits(self.columns.len()) {
            return None;
        }
        let mut columns = Vec::with_capacity(self.columns.len());
        for (name, sd_c, readings) in self.columns {
            columns.push(ExpectedError {
                effect: Effect::parse(&name).ok()?,
                sd_c,
                readings,
            });
        }
        Some(TrackedOffset {
            chain: self.chain.into(),
            columns,
            components,
            last: self.last.point()?,
            same_mean_run: self.same_mean_run,
            drift: self.drift.into(),
            drift_proved_at: match self.drift_proved_at {
                Some(at) => Some(Timestamp::from_microsecond(at).ok()?),
                None => None,
            },
            evaluated: self.evaluated.map(|(fit, state)| AsEvaluated {
                fit,
                state: state.into(),
            }),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn document() -> TrackedDocument {
        let chain = Chain {
            states: vec![[1.0, 0.0, 0.0], [1.0, 0.0, 0.0]],
            sums: vec![4.0, 1.0, 2.0],
            readings: 2,
            ..Chain::unread()
        };
        let reading = uuid::Uuid::from_u128(7 << 76 | 2 << 62 | 1);
        let last = TrackPoint {
            reading: ReadingId::from_uuid(reading),
            fired_at: Timestamp::UNIX_EPOCH,
            setpoint_c: 1500.0,
            observed_offset_c: 1.0,
            removed_c: 0.0,
            independent_c: 2.0,
            shared_c: 2.0,
            effects: Vec::new(),
            surprise: None,
            mean_mm: 0.0,
            batch: None,
            gauge: None,
        };
        TrackedDocument::from(&TrackedOffset {
            chain,
            columns: vec![ExpectedError {
                effect: Effect::Thermocouple('B'),
                sd_c: 1.0,
                readings: 2,
            }],
            components: 0,
            last,
            same_mean_run: 1,
            drift: DriftState::default(),
            drift_proved_at: None,
            evaluated: None,
        })
    }

    #[test]
    fn a_filter_whose_parts_do_not_fit_together_is_not_understood() {
        assert!(document().tracked(0).is_some());
        let damages: [fn(&mut TrackedDocument); 6] = [
            |document| document.chain.states.clear(),
            |document| document.chain.states.push([0.0; 3]),
            |document| document.chain.sums.truncate(2),
            |document| document.columns.clear(),
            |document| document.chain.sums[1] = f64::NAN,
            |document| document.chain.covariance[2][0] = f64::INFINITY,
        ];
        for (at, damage) in damages.into_iter().enumerate() {
            let mut damaged = document();
            damage(&mut damaged);
            assert_eq!(damaged.tracked(0), None, "{at}");
        }
    }
}
