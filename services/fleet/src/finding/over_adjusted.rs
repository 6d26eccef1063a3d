//! Furnaces whose setpoint is changed after noise.
//!
//! Every change that follows a reading's noise adds that noise to the furnace (the funnel experiment, Deming
//! 1986; bounded adjustment, Box & Luceño 1997; both from memory).

use jiff::Timestamp;

use super::probability::as_number;
use super::{Candidate, Evidence, FindingKind, Strength, Subject, latest, rounded_probability};
use crate::key::{FurnaceKey, ReadingKey};
use crate::tracking::TrackedOffset;

/// Fewest adjustments in [`super::WEEKS_LOOKED_AT`] weeks that make a habit.
const FEWEST_ADJUSTMENTS: usize = 4;

/// Changes that follow noise alone have a root mean square of √2 times the noise of a reading, as each takes
/// back the one before; up to twice the noise counts as explained by it.
const EXPLAINED_BY: f64 = 2.0;

/// A confirmed change of a programme's setpoint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AdjustmentMade {
    /// When.
    pub adjusted_at: Timestamp,
    /// As found, °C.
    pub from_c: f64,
    /// As left, °C.
    pub to_c: f64,
}

/// The tracked offset just after a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct OffsetThen {
    /// The reading.
    pub reading: ReadingKey,
    /// End of its firing.
    pub fired_at: Timestamp,
    /// Offset at the target's temperature, °C.
    pub offset_c: f64,
    /// Its standard uncertainty, °C.
    pub standard_uncertainty_c: f64,
    /// Standard uncertainty of what no other reading repeats, °C: the noise of this reading.
    pub noise_c: f64,
}

/// What the rule looks at of one programme of a furnace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SettingHistory<'a> {
    /// The furnace.
    pub furnace: &'a FurnaceKey,
    /// What people call it.
    pub display_name: &'a str,
    /// What people call the programme.
    pub programme_display_name: &'a str,
    /// True temperature wanted, °C. Leave out what happened before it last changed.
    pub target_c: f64,
    /// Errors within this band are left alone, °C: the site's action band.
    pub action_band_c: f64,
    /// Adjustments of the last [`super::WEEKS_LOOKED_AT`] weeks, earliest first.
    pub adjustments: &'a [AdjustmentMade],
    /// Offsets after the readings of those weeks, earliest first.
    pub offsets: &'a [OffsetThen],
}

/// Whether adjustments are many and small enough to be looked at closely; what is kept of the furnace says how
/// large its readings' noise is.
pub(super) fn could_be_a_habit(made: &[AdjustmentMade], tracked: &TrackedOffset) -> bool {
    // Noise differs from reading to reading.
    const LOOSER: f64 = 1.5;
    let Some(most) = made.len().checked_sub(FEWEST_ADJUSTMENTS) else {
        return false;
    };
    let noise_c = LOOSER * EXPLAINED_BY * tracked.last.independent_c;
    (0..=most).any(|from| rms_step_c(made.get(from..).unwrap_or_default()) <= noise_c)
}

/// Root mean square of some changes, °C; 0 without any.
fn rms_step_c(made: &[AdjustmentMade]) -> f64 {
    let mut steps_c2 = 0.0;
    for adjustment in made {
        steps_c2 += (adjustment.to_c - adjustment.from_c).powi(2);
    }
    (steps_c2 / as_number(made.len().max(1))).sqrt()
}

/// What would have been without the adjustments from one of them on.
struct Held {
    setpoint_c: f64,
    adjustments: usize,
    largest_error_c: f64,
    rms_step_c: f64,
    rms_noise_c: f64,
    probability: f64,
    first: usize,
}

/// Finds whether a programme's setpoint was changed at least four times by no more than noise explains,
/// while the setpoint before would have kept the tracked error within the action band all the time.
pub fn over_adjusted(history: &SettingHistory) -> Option<Candidate> {
    let last = history.offsets.last()?;
    let most = history.adjustments.len().checked_sub(FEWEST_ADJUSTMENTS)?;
    // The first changes may have been right; then the habit began after them.
    let held = (0..=most).find_map(|from| held_from(history, from))?;
    let name = history.display_name;
    let programme = history.programme_display_name;
    let statement = format!(
        "The setpoint of {name}, programme {programme}, was changed {} times, by {:.1} °C in the root mean \
         square; readings scatter by {:.1} °C alone. Left at {:.1} °C, the tracked error would have stayed \
         within {:.1} °C, and up to ±{:.1} °C is left alone here.",
        held.adjustments,
        held.rms_step_c,
        held.rms_noise_c,
        held.setpoint_c,
        held.largest_error_c,
        history.action_band_c
    );
    Some(Candidate {
        kind: FindingKind::FurnaceOverAdjusted,
        subject: Subject::Furnace(history.furnace.clone()),
        strength: Strength::Clear,
        probability: rounded_probability(held.probability),
        p_value: None,
        statement,
        next_step:
            "Change the setpoint only when the advice is to adjust; a change after every reading \
                    follows its noise and makes the furnace worse."
                .to_owned(),
        evidence: vec![
            Evidence::of("adjustments", as_number(held.adjustments), 0, ""),
            Evidence::of("root mean square of the changes", held.rms_step_c, 1, "°C"),
            Evidence::of("noise of a reading", held.rms_noise_c, 1, "°C"),
            Evidence::of("largest error without them", held.largest_error_c, 1, "°C"),
            Evidence::of("action band", history.action_band_c, 1, "°C"),
        ],
        readings: latest(
            history
                .offsets
                .get(held.first..)
                .unwrap_or_default()
                .iter()
                .map(|offset| &offset.reading),
        ),
        seen_at: last.fired_at,
    })
}

/// Looks at the setpoint as it was before the adjustment `from`; none when holding it would not have done,
/// or the changes are larger than noise explains.
fn held_from(history: &SettingHistory, from: usize) -> Option<Held> {
    let made = history.adjustments.get(from..)?;
    let first_made = made.first()?;
    let setpoint_c = first_made.from_c;
    // The reading that advised the first change is judged too; it lies just before it.
    let first = history
        .offsets
        .iter()
        .rposition(|offset| offset.fired_at <= first_made.adjusted_at)
        .unwrap_or(0);
    let mut largest_error_c = 0.0_f64;
    let (mut noise_c2, mut within) = (0.0, 0.0);
    let judged = history.offsets.get(first..)?;
    for offset in judged {
        let error_c = setpoint_c + offset.offset_c - history.target_c;
        if error_c.is_nan() || error_c.abs() > history.action_band_c {
            return None;
        }
        largest_error_c = largest_error_c.max(error_c.abs());
        noise_c2 += offset.noise_c * offset.noise_c;
        within += 1.0
            - super::probability::size_exceeds(
                error_c,
                offset.standard_uncertainty_c,
                history.action_band_c,
            );
    }
    let rms_step_c = rms_step_c(made);
    let rms_noise_c = (noise_c2 / as_number(judged.len())).sqrt();
    let enough = judged.len() >= FEWEST_ADJUSTMENTS;
    let explained = rms_step_c > 0.0 && rms_step_c <= EXPLAINED_BY * rms_noise_c;
    (enough && explained).then(|| Held {
        setpoint_c,
        adjustments: made.len(),
        largest_error_c,
        rms_step_c,
        rms_noise_c,
        probability: within / as_number(judged.len()),
        first,
    })
}
