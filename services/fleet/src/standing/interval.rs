//! The calibration interval that a furnace deserves, by the names that auditors know (ILAC-G24:2022 / OIML
//! D 10:2022).

use jiff::Timestamp;
use ringtrue_calibration::interval::staircase::{Steps, staircase};
use ringtrue_calibration::interval::tracked::tracked as advised;
use ringtrue_calibration::interval::{IntervalAdvice, IntervalPolicy, LimitedBy};

use super::{StandingInput, ahead};
use crate::knowledge::Knowledge;
use crate::programme::Programme;
use crate::tracking::{TrackedOffset, happened, offset_then, weeks_between};

/// Probability of staying within tolerance until the next calibration that is asked for (an assumption of
/// this program, and the usual figure of interval policies).
pub const RELIABILITY_WANTED: f64 = 0.95;

/// Shortest interval that is advised, days; a furnace that needs less needs an adjustment or a repair.
const SHORTEST_DAYS: u32 = 7;

const DAYS_A_WEEK: f64 = 7.0;

/// An interval with its reason.
#[derive(Debug, Clone, PartialEq)]
pub struct DeservedInterval {
    /// Days from the last calibration; never more than the site's own interval.
    pub days: u32,
    /// The method, named as in the guide.
    pub method: &'static str,
    /// Probability of staying within tolerance that was asked for.
    pub reliability_target: f64,
    /// What decided, in words.
    pub reason: String,
    /// Whether the site's own interval decided: the furnace would bear a longer one.
    pub limited_by_site: bool,
    /// What the staircase rule would say, days.
    pub staircase_days: u32,
}

/// The interval from the last counted firing on. It is looked ahead from then, at the setpoint of now: what
/// happened to the furnace since counts as if it had happened right after, because nothing has been
/// measured since.
pub(super) fn deserved(
    input: &StandingInput,
    tracked: &TrackedOffset,
    programme: &Programme,
    tolerance_c: f64,
    knowledge: &Knowledge,
) -> DeservedInterval {
    let components = &knowledge.fit.components;
    let site_days = u32::try_from(input.site.details.calibration_interval_days).unwrap_or(1);
    let policy = IntervalPolicy {
        shortest_days: SHORTEST_DAYS.min(site_days),
        longest_days: site_days,
        reliability: RELIABILITY_WANTED,
    };
    let since = happened(input.events, tracked.last.fired_at, Timestamp::MAX);
    let then = offset_then(tracked, knowledge);
    let state = then.predicted(
        0.0,
        since.variance_c2,
        since.redraws_slope,
        since.shift_c,
        components,
    );
    let advice: IntervalAdvice =
        advised(&ahead(&state, programme, tolerance_c, components), &policy);
    // As found: what the last firing met, before anything was changed because of it.
    let fired_c = tracked.last.setpoint_c;
    let met_c = fired_c + then.estimate(fired_c).offset_c;
    let found_c = met_c - nearest_target_c(input.programmes, met_c).unwrap_or(met_c);
    let interval_days = input
        .fired_before_at
        .map(|before| weeks_between(before, tracked.last.fired_at) * DAYS_A_WEEK)
        .filter(|days| *days >= 1.0)
        .unwrap_or(f64::from(site_days));
    let stairs = staircase(
        interval_days,
        found_c,
        tolerance_c,
        &Steps::default(),
        &policy,
    );
    DeservedInterval {
        days: advice.days,
        method: advice.method.name(),
        reliability_target: policy.reliability,
        limited_by_site: advice.limited_by == LimitedBy::LongestAllowed,
        reason: advice.words,
        staircase_days: stairs.days,
    }
}

/// The target that a firing most probably aimed at, °C.
fn nearest_target_c(programmes: &[Programme], met_c: f64) -> Option<f64> {
    let mut nearest: Option<f64> = None;
    for programme in programmes {
        let target_c = programme.details.target_c();
        if nearest.is_none_or(|other_c| (target_c - met_c).abs() < (other_c - met_c).abs()) {
            nearest = Some(target_c);
        }
    }
    nearest
}
