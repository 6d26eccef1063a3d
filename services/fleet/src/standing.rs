//! Where a furnace stands among others: its present error, its drift, the risk ahead, and the interval that
//! it deserves.
//!
//! Everything is worked out from what is on record and what the network knows at a moment that is passed
//! in; nothing here is kept. Errors are of the programme that is farthest from its target, because that is
//! the one whose work suffers.

mod interval;
mod order;
mod overview;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use ringtrue_calibration::decision::conformance_probability;
use ringtrue_calibration::inference::{Components, Estimate, OffsetState};
use ringtrue_calibration::passage::Outlook;

use crate::event::FurnaceEvent;
use crate::furnace::{Furnace, FurnaceState};
use crate::key::{FurnaceKey, ProgrammeKey, ReadingKey};
use crate::knowledge::Knowledge;
use crate::programme::Programme;
use crate::rule::RuleBook;
use crate::site::Site;
use crate::tracking::{TrackedOffset, due_on, offset_at, weeks_between};

pub use interval::{DeservedInterval, RELIABILITY_WANTED};
pub use order::{StandingOrder, sort};
pub use overview::{Overview, overview};

/// Probability with which a furnace is called conforming, or not conforming (JCGM 106:2012, 8.3.2: a guard
/// band of 1.64 standard uncertainties when the uncertainty is small beside the tolerance).
pub const CONFORMANCE_WANTED: f64 = 0.95;

/// How far ahead the leaving of the tolerance is looked for, weeks: two years.
pub const HORIZON_WEEKS: f64 = 104.0;

/// Temperature difference over which the coefficient of an offset is stated, °C.
const COEFFICIENT_SPAN_C: f64 = 100.0;

/// All that a furnace's standing follows from.
#[derive(Debug, Clone, Copy)]
pub struct StandingInput<'a> {
    /// The furnace.
    pub furnace: &'a Furnace,
    /// Its site.
    pub site: &'a Site,
    /// The rules by which its next calibration is due.
    pub rules: &'a RuleBook,
    /// All its programmes.
    pub programmes: &'a [Programme],
    /// Its offset; none before the first evaluated reading.
    pub tracked: Option<&'a TrackedOffset>,
    /// Its events; those before the last reading are passed over.
    pub events: &'a [FurnaceEvent],
    /// When the counted firing before the last one ended; none when there was none.
    pub fired_before_at: Option<Timestamp>,
    /// Findings about it that are not resolved.
    pub open_findings: u32,
}

/// One furnace among others.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// The furnace.
    pub furnace: FurnaceKey,
    /// What people call it.
    pub display_name: String,
    /// What people call its site.
    pub site_display_name: String,
    /// Whether it is in use.
    pub state: FurnaceState,
    /// Tolerance, ±°C.
    pub tolerance_c: f64,
    /// Whether it conforms to that.
    pub conformity: Conformity,
    /// How wrong it is and will be; none without an evaluated reading or without a programme.
    pub error: Option<PresentError>,
    /// How fast it drifts; none without an evaluated reading.
    pub drift: Option<Drift>,
    /// What is foreseen; none where the error is none, and in a [`glance`].
    pub foreseen: Option<Foreseen>,
    /// Day by which the next calibration is due, local.
    pub next_due_on: Date,
    /// Whether that day has come.
    pub due: bool,
    /// End of the last firing that counts.
    pub last_fired_at: Option<Timestamp>,
    /// That firing's reading.
    pub last_reading: Option<ReadingKey>,
    /// Readings behind the estimate.
    pub readings: u32,
    /// Findings about it that are not resolved.
    pub open_findings: u32,
}

/// Whether a furnace conforms to its tolerance (JCGM 106:2012, 7.3 and 8.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Conformity {
    /// Within tolerance with at least the probability wanted.
    In,
    /// Outside tolerance with at least that probability.
    Out,
    /// Neither can be said.
    Undecided,
    /// No evaluated reading, or no programme that says what is wanted.
    Unknown,
}

/// The error of the programme that is farthest from its target.
#[derive(Debug, Clone, PartialEq)]
pub struct PresentError {
    /// The programme.
    pub programme: ProgrammeKey,
    /// Setpoint + offset at the target's temperature - target, °C.
    pub error_c: f64,
    /// Its standard uncertainty, °C.
    pub standard_uncertainty_c: f64,
    /// Probability that the error is outside tolerance now.
    pub outside_probability: f64,
    /// Probability that it is outside tolerance at any time before the end of the day on which the next
    /// calibration is due.
    pub leaving_probability: f64,
}

/// When the error of [`PresentError`] will leave tolerance, and how long the next calibration can wait.
#[derive(Debug, Clone, PartialEq)]
pub struct Foreseen {
    /// Day by which tolerance is more likely left than not; none when that is beyond [`HORIZON_WEEKS`].
    pub leaving_on: Option<Date>,
    /// Day before which tolerance is left with a probability of 5 %; none likewise.
    pub earliest_leaving_on: Option<Date>,
    /// The interval that the furnace deserves.
    pub interval: DeservedInterval,
}

/// A drift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// °C/week; positive when the furnace runs hotter and hotter.
    pub c_per_week: f64,
    /// Its standard uncertainty, °C/week.
    pub standard_uncertainty_c_per_week: f64,
}

/// The offset expected at a future moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutlookPoint {
    /// The moment.
    pub at: Timestamp,
    /// Expected offset, °C.
    pub offset_c: f64,
    /// Its standard uncertainty, °C.
    pub standard_uncertainty_c: f64,
    /// Probability that the error is outside tolerance at that moment; none without a programme.
    pub outside_probability: Option<f64>,
}

/// Works out where a furnace stands at a moment.
///
/// The dates and the interval take some milliseconds; to put many furnaces in order, [`glance`] is enough.
pub fn standing(input: &StandingInput, knowledge: &Knowledge, now: Timestamp) -> Standing {
    let mut standing = glance(input, knowledge, now);
    standing.foreseen = foreseen(input, knowledge, now);
    standing
}

/// The same without what is foreseen: enough to count furnaces and to put them in any order.
pub fn glance(input: &StandingInput, knowledge: &Knowledge, now: Timestamp) -> Standing {
    let site = &input.site.details;
    let zone = site.zone();
    let today = now.to_zoned_datetime(zone.clone()).date();
    let tolerance_c = tolerance_c(input);
    let last_fired_at = input.tracked.map(|tracked| tracked.last.fired_at);
    let next_due_on = input.tracked.map_or(today, |tracked| {
        due_on(site, input.rules, &input.furnace.key, tracked)
    });
    let looked = Looked::ahead(input, knowledge, now);
    let mut conformity = Conformity::Unknown;
    let mut error = None;
    if let Some(looked) = &looked
        && let Some((programme, ahead)) = &looked.worst
    {
        let u = ahead.variance[0][0].max(0.0).sqrt();
        conformity = conformity_of(ahead.error_c, u, tolerance_c);
        let until_due_weeks = weeks_between(now, end_of_day(next_due_on, &zone)).max(0.0);
        error = Some(PresentError {
            programme: programme.key.clone(),
            error_c: ahead.error_c,
            standard_uncertainty_c: u,
            outside_probability: ahead.probability_outside(0.0),
            leaving_probability: ahead.probability_left_by(until_due_weeks),
        });
    }
    Standing {
        furnace: input.furnace.key.clone(),
        display_name: input.furnace.details.display_name.clone(),
        site_display_name: site.display_name.clone(),
        state: input.furnace.details.state,
        tolerance_c,
        conformity,
        error,
        drift: looked.as_ref().map(|looked| Drift {
            c_per_week: looked.state.slope_c_per_week,
            standard_uncertainty_c_per_week: looked.state.covariance[1][1].max(0.0).sqrt(),
        }),
        foreseen: None,
        next_due_on,
        due: next_due_on <= today,
        last_fired_at,
        last_reading: input.tracked.map(|tracked| ReadingKey {
            furnace: input.furnace.key.clone(),
            reading: tracked.last.reading.clone(),
        }),
        readings: looked.as_ref().map_or(0, |looked| looked.state.readings),
        open_findings: input.open_findings,
    }
}

fn foreseen(input: &StandingInput, knowledge: &Knowledge, now: Timestamp) -> Option<Foreseen> {
    let (programme, ahead) = Looked::ahead(input, knowledge, now)?.worst?;
    let zone = input.site.details.zone();
    // Having left by then is asked for, not being outside at that moment: it is the work fired in between
    // that counts.
    let [earliest, even] = ahead.left_with_each([0.05, 0.5], HORIZON_WEEKS);
    let on = |weeks: Option<f64>| day_in(now, weeks?, &zone);
    Some(Foreseen {
        leaving_on: on(even),
        earliest_leaving_on: on(earliest),
        interval: interval::deserved(
            input,
            input.tracked?,
            programme,
            ahead.tolerance_c,
            knowledge,
        ),
    })
}

/// A furnace's offset at a moment, and the programme with the largest error with its error to come.
struct Looked<'a> {
    state: OffsetState,
    worst: Option<(&'a Programme, Outlook)>,
}

/// How long a proved drift makes the outlook less certain, weeks.
const PROVED_FOR_WEEKS: f64 = 13.0;

/// By how much a furnace whose drift is proved may drift faster or slower than is tracked, °C/week: the
/// drift that the chart looks for.
const PROVED_DRIFT_C_PER_WEEK: f64 = 0.7;

impl<'a> Looked<'a> {
    fn ahead(input: &StandingInput<'a>, knowledge: &Knowledge, now: Timestamp) -> Option<Self> {
        let tracked = input.tracked?;
        let mut state = offset_at(tracked, input.events, now, knowledge);
        // The tracked drift follows a proved one slowly, as most furnaces hardly drift: until it has, as
        // much more is possible.
        let proved = tracked
            .drift_proved_at
            .is_some_and(|at| weeks_between(at, now) <= PROVED_FOR_WEEKS);
        if proved {
            state.covariance[1][1] += PROVED_DRIFT_C_PER_WEEK * PROVED_DRIFT_C_PER_WEEK;
        }
        let components = &knowledge.fit.components;
        let worst = worst(input.programmes, &state);
        Some(Self {
            state,
            worst: worst.map(|worst| (worst, ahead(&state, worst, tolerance_c(input), components))),
        })
    }
}

/// Looks ahead week by week from now, this moment first. Offsets are given for the temperature of the target
/// of the programme with the largest error, or of the last firing when there is no programme.
pub fn outlook(
    input: &StandingInput,
    knowledge: &Knowledge,
    now: Timestamp,
    weeks: u32,
) -> Vec<OutlookPoint> {
    let (Some(looked), Some(at_c)) = (
        Looked::ahead(input, knowledge, now),
        shown_at_c(input, knowledge, now),
    ) else {
        return Vec::new();
    };
    let components = &knowledge.fit.components;
    let mut points = Vec::new();
    for week in 0..=weeks {
        let Ok(at) = now.checked_add(Span::new().hours(i64::from(week) * 7 * 24)) else {
            break;
        };
        let ahead_weeks = f64::from(week);
        let state = looked
            .state
            .predicted(ahead_weeks, 0.0, false, 0.0, components);
        let expected = state.estimate(at_c);
        points.push(OutlookPoint {
            at,
            offset_c: expected.offset_c,
            standard_uncertainty_c: expected.standard_uncertainty_c,
            outside_probability: looked
                .worst
                .as_ref()
                .map(|(_, error)| error.probability_outside(ahead_weeks)),
        });
    }
    points
}

/// The temperature for which a furnace's offsets are shown, °C: as in [`outlook`].
pub fn shown_at_c(input: &StandingInput, knowledge: &Knowledge, now: Timestamp) -> Option<f64> {
    let looked = Looked::ahead(input, knowledge, now)?;
    Some(match looked.worst {
        Some((programme, _)) => programme.details.target_c(),
        None => input.tracked?.last.setpoint_c,
    })
}

/// Tolerance of a furnace, ±°C: its own, else the site's.
fn tolerance_c(input: &StandingInput) -> f64 {
    input
        .furnace
        .details
        .tolerance_c
        .unwrap_or(input.site.details.tolerance_c)
}

/// The error of a programme, with its uncertainty.
fn error_of(programme: &Programme, state: &OffsetState) -> Estimate {
    let details = &programme.details;
    let target_c = details.target_c();
    let offset = state.estimate(target_c);
    Estimate {
        offset_c: details.setpoint_c + offset.offset_c - target_c,
        ..offset
    }
}

/// The programme with the largest error; among equals the first by its id, so that it does not change from
/// call to call.
fn worst<'a>(programmes: &'a [Programme], state: &OffsetState) -> Option<&'a Programme> {
    let mut worst: Option<(&Programme, f64)> = None;
    for programme in programmes {
        let size_c = error_of(programme, state).offset_c.abs();
        if size_c.is_nan() {
            continue;
        }
        let larger = match worst {
            None => true,
            Some((other, largest_c)) => match size_c.total_cmp(&largest_c) {
                std::cmp::Ordering::Greater => true,
                std::cmp::Ordering::Equal => programme.key < other.key,
                std::cmp::Ordering::Less => false,
            },
        };
        if larger {
            worst = Some((programme, size_c));
        }
    }
    worst.map(|(programme, _)| programme)
}

/// The error of a programme with all that is needed to look ahead.
fn ahead(
    state: &OffsetState,
    programme: &Programme,
    tolerance_c: f64,
    components: &Components,
) -> Outlook {
    let error = error_of(programme, state);
    let spans = (programme.details.target_c() - state.reference_c) / COEFFICIENT_SPAN_C;
    let p = &state.covariance;
    let level = error.standard_uncertainty_c * error.standard_uncertainty_c;
    let cross = p[0][1] + spans * p[1][2];
    Outlook {
        error_c: error.offset_c,
        slope_c_per_week: state.slope_c_per_week,
        variance: [[level, cross], [cross, p[1][1]]],
        wander_c2_per_week: components.wander_c2_per_week,
        slope_wander_c2_per_week3: components.slope_wander_c2_per_week3,
        tolerance_c,
    }
}

fn conformity_of(error_c: f64, u: f64, tolerance_c: f64) -> Conformity {
    let inside = conformance_probability(error_c, u, tolerance_c);
    if inside >= CONFORMANCE_WANTED {
        Conformity::In
    } else if inside <= 1.0 - CONFORMANCE_WANTED {
        Conformity::Out
    } else {
        Conformity::Undecided
    }
}

/// The end of a local day.
fn end_of_day(day: Date, zone: &TimeZone) -> Timestamp {
    day.checked_add(Span::new().days(1))
        .and_then(|next| next.to_zoned_datetime(zone.clone()))
        .map_or(Timestamp::MAX, |midnight| midnight.timestamp())
}

/// The local day in so many weeks.
fn day_in(now: Timestamp, weeks: f64, zone: &TimeZone) -> Option<Date> {
    const HOURS_A_WEEK: f64 = 168.0;
    #[expect(
        clippy::cast_possible_truncation,
        reason = "within the horizon of two years, and a cast saturates"
    )]
    let hours = (weeks * HOURS_A_WEEK).floor() as i64;
    let at = now.checked_add(Span::new().hours(hours)).ok()?;
    Some(at.to_zoned_datetime(zone.clone()).date())
}

#[cfg(test)]
mod tests;
