//! Furnaces that drift.
//!
//! Two things speak for a drift: readings that lie farther and farther from what was expected (the chart of
//! `ringtrue_calibration::drift`), and a tracked drift that moves the offset by more than the action band
//! in eight weeks. Each must be seen at two readings in a row, and over all furnaces at most one finding in
//! twenty may be false.

use jiff::Timestamp;
use ringtrue_calibration::charts::Side;
use ringtrue_calibration::drift::{Detector, DriftState, Innovation, RampState, Rule};
use ringtrue_calibration::inference::OffsetState;

use super::probability::{as_number, size_exceeds, two_sided};
use super::{
    COVERAGE, Candidate, Evidence, FALSE_DISCOVERY_RATE, FindingKind, Strength, Subject, Tested,
    latest, rounded_probability,
};
use crate::event::FurnaceEvent;
use crate::key::{FurnaceKey, ReadingKey};
use crate::tracking::{happened, weeks_between};

/// Weeks over which a drift is judged.
const OVER_WEEKS: f64 = 8.0;

/// One reading with its distance from what was expected.
#[derive(Debug, Clone, PartialEq)]
pub struct Surprising {
    /// The reading.
    pub reading: ReadingKey,
    /// End of its firing.
    pub fired_at: Timestamp,
    /// Distance from what was expected, in standard deviations.
    pub z: f64,
    /// That standard deviation, °C.
    pub standard_deviation_c: f64,
    /// Weight that the reading had in the offset, 0 to 1.
    pub gain: f64,
    /// Staff code of who measured it; may be empty.
    pub performed_by: String,
}

/// How much an offset changes in eight weeks at the tracked drift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Movement {
    /// The change, °C.
    pub change_c: f64,
    /// Its standard uncertainty, °C.
    pub standard_uncertainty_c: f64,
}

impl Movement {
    /// Eight weeks at the drift of a state.
    pub fn of(state: &OffsetState) -> Self {
        Self {
            change_c: OVER_WEEKS * state.slope_c_per_week,
            standard_uncertainty_c: OVER_WEEKS * state.covariance[1][1].max(0.0).sqrt(),
        }
    }

    /// Whether it exceeds what is left alone, as far as one reading can show.
    pub(super) fn matters(&self, action_band_c: f64) -> bool {
        self.chance_within(action_band_c) <= FALSE_DISCOVERY_RATE
    }

    fn chance_within(&self, action_band_c: f64) -> f64 {
        1.0 - size_exceeds(self.change_c, self.standard_uncertainty_c, action_band_c)
    }
}

/// What the rule looks at of one furnace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftInput<'a> {
    /// The furnace.
    pub furnace: &'a FurnaceKey,
    /// What people call it.
    pub display_name: &'a str,
    /// Its readings of the last [`super::WEEKS_LOOKED_AT`] weeks, earliest first; those without a
    /// distance, such as the first, left out.
    pub readings: &'a [Surprising],
    /// Its events.
    pub events: &'a [FurnaceEvent],
    /// Change in eight weeks at the drift tracked after the last reading.
    pub movement: Option<Movement>,
    /// The same after the reading before.
    pub movement_before: Option<Movement>,
    /// Change in eight weeks that matters, °C: the site's action band.
    pub action_band_c: f64,
}

/// What speaks for a drift of one furnace.
struct Case {
    /// Probability of something as strong without a drift.
    p_value: f64,
    /// Whether two readings in a row show it.
    confirmed: bool,
    side: Side,
    chart: Option<Charted>,
}

/// What the chart shows.
#[derive(Clone, Copy)]
struct Charted {
    side: Side,
    score: f64,
    confirmed: bool,
    p_value: f64,
    /// Index of the first reading that spoke for it.
    from: usize,
}

/// Looks whether one furnace drifts; what speaks for it is one of the tests of [`super::discovered`].
pub fn drifting(furnace: &DriftInput) -> Tested {
    let case = case(furnace, &Detector::default());
    Tested {
        p_value: case.p_value,
        candidate: case.confirmed.then(|| candidate(furnace, &case)).flatten(),
    }
}

fn case(furnace: &DriftInput, detector: &Detector) -> Case {
    let chart = charted(furnace, detector);
    let still = |movement: Movement| movement.chance_within(furnace.action_band_c);
    let tracked = furnace.movement.map_or(1.0, still);
    let tracked_before = furnace.movement_before.map_or(1.0, still);
    let by_chart = chart.map_or(1.0, |chart| chart.p_value);
    let side = match (chart, furnace.movement) {
        (Some(chart), _) if by_chart <= tracked => chart.side,
        (_, Some(movement)) if movement.change_c < 0.0 => Side::Below,
        _ => Side::Above,
    };
    let by_tracking = tracked <= FALSE_DISCOVERY_RATE && tracked_before <= FALSE_DISCOVERY_RATE;
    Case {
        // Two looks at the same furnace: either may be by chance.
        p_value: (2.0 * by_chart.min(tracked)).min(1.0),
        confirmed: if by_chart <= tracked {
            chart.is_some_and(|chart| chart.confirmed)
        } else {
            by_tracking
        },
        side,
        chart: chart.filter(|chart| chart.side == side),
    }
}

/// Follows the chart through the furnace's readings and gives how it stands at the last one.
fn charted(furnace: &DriftInput, detector: &Detector) -> Option<Charted> {
    let Rule::Ramp(design) = detector.rule else {
        return None;
    };
    // The score is wanted as it is now, so nothing is reported on the way and nothing starts anew.
    let patient = Detector {
        confirmations: u32::MAX,
        ..*detector
    };
    let first = furnace.readings.first()?.fired_at;
    let mut state = DriftState::default();
    let mut before = RampState::default();
    let mut last: Option<Timestamp> = None;
    for reading in furnace.readings {
        before = state.ramp;
        let since = last.map_or(0.0, |last| weeks_between(last, reading.fired_at));
        let events = last.map(|last| happened(furnace.events, last, reading.fired_at));
        let innovation = Innovation {
            weeks: weeks_between(first, reading.fired_at),
            weeks_since: since,
            z: reading.z,
            standard_deviation_c: reading.standard_deviation_c,
            gain: reading.gain,
            drawn_anew: events.is_some_and(|events| events.variance_c2 > 0.0),
        };
        (state, _) = patient.follow(state, &innovation);
        last = Some(reading.fired_at);
    }
    let (up, down) = (state.ramp.up, state.ramp.down);
    let (side, now, earlier) = if up.score >= down.score {
        (Side::Above, up, before.up)
    } else {
        (Side::Below, down, before.down)
    };
    let began = now.began_weeks?;
    let from = furnace
        .readings
        .iter()
        .position(|reading| weeks_between(first, reading.fired_at) > began)
        .unwrap_or(0);
    Some(Charted {
        side,
        score: now.score,
        confirmed: now.score > design.limit && earlier.score > design.warning,
        p_value: chance_of(now.score),
        from,
    })
}

/// Probability that a furnace which does not drift has a score as high at a given reading: twice the score
/// is the square of a normal variable (Wilks 1938, from memory). Simulated fleets raise one and a half to
/// two times fewer false alarms.
fn chance_of(score: f64) -> f64 {
    if score.is_nan() || score <= 0.0 {
        return 1.0;
    }
    two_sided((2.0 * score).sqrt())
}

fn candidate(furnace: &DriftInput, case: &Case) -> Option<Candidate> {
    let last = furnace.readings.last()?;
    let hotter = case.side == Side::Above;
    let mut evidence = Vec::new();
    let mut sentences = Vec::new();
    let mut shown_c_per_week = None;
    let name = furnace.display_name;
    let mut from = 0;
    if let Some(chart) = case.chart.filter(|chart| chart.confirmed) {
        from = chart.from;
        let run = furnace.readings.get(from..).unwrap_or_default();
        let mut moved_c = 0.0;
        for reading in run {
            moved_c += reading.gain.clamp(0.0, 1.0) * reading.z * reading.standard_deviation_c;
        }
        let weeks = run.first().map_or(0.0, |reading| {
            weeks_between(reading.fired_at, last.fired_at)
        });
        let direction = if hotter { "hotter" } else { "colder" };
        // They moved it since the reading before the first of them.
        let before = from.checked_sub(1).and_then(|at| furnace.readings.get(at));
        let since_weeks = before.map_or(weeks, |before| {
            weeks_between(before.fired_at, last.fired_at)
        });
        let moved = if since_weeks >= 1.0 {
            let rate_c = moved_c / since_weeks;
            shown_c_per_week = Some(rate_c);
            format!("{moved_c:+.1} °C, that is {rate_c:+.1} °C a week, beyond what was foreseen")
        } else {
            format!("{moved_c:+.1} °C beyond what was foreseen")
        };
        sentences.push(format!(
            "The last {} readings of {name}, over {weeks:.0} weeks, lie {direction} and {direction} than \
             expected: they moved its offset by {moved}.",
            run.len(),
        ));
        evidence.push(Evidence::of(
            "readings of the drift",
            as_number(run.len()),
            0,
            "",
        ));
        evidence.push(Evidence::of("unforeseen change", moved_c, 1, "°C"));
        evidence.push(Evidence::of("score of the drift chart", chart.score, 1, ""));
    }
    if let Some(movement) = furnace.movement {
        let rate = movement.change_c / OVER_WEEKS;
        let u = movement.standard_uncertainty_c / OVER_WEEKS;
        let expanded = COVERAGE * u;
        if sentences.is_empty() {
            sentences.push(format!(
                "{name} becomes {} by {:.2} ± {expanded:.2} °C a week: {:.1} °C in eight weeks, and ±{:.1} °C \
                 would be left alone.",
                if hotter { "hotter" } else { "colder" },
                rate.abs(),
                movement.change_c.abs(),
                furnace.action_band_c
            ));
        }
        // What was tracked takes a furnace to drift as its like do, and follows a fast drift late.
        if shown_c_per_week.is_some_and(|shown: f64| (shown - rate).abs() > expanded) {
            sentences.push(format!(
                "The tracked drift, {rate:+.2} °C a week, lags behind that; dates and chances allow for it, \
                 and are vague."
            ));
        }
        evidence.push(Evidence::of("tracked drift", rate, 2, "°C/week"));
        evidence.push(Evidence::of("its standard uncertainty", u, 2, "°C/week"));
    }
    evidence.push(Evidence::of("chance without a drift", case.p_value, 6, ""));
    Some(Candidate {
        kind: FindingKind::FurnaceDrifting,
        subject: Subject::Furnace(furnace.furnace.clone()),
        strength: Strength::Clear,
        probability: rounded_probability(1.0 - case.p_value),
        p_value: Some(case.p_value),
        statement: sentences.join(" "),
        next_step: "Fire one ring within a week and adjust as it advises. If the drift goes on, have heating \
                    elements and control thermocouple looked at by qualified service: the chamber is hot and \
                    the supply dangerous, and the maker's instructions come first."
            .to_owned(),
        evidence,
        readings: latest(
            furnace
                .readings
                .get(from..)
                .unwrap_or_default()
                .iter()
                .map(|reading| &reading.reading),
        ),
        seen_at: last.fired_at,
    })
}
