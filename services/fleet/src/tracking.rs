//! A furnace's offset through time: readings and events in, what is known out.

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_calibration::charts::Side;
use ringtrue_calibration::drift::{Detector, DriftState, Innovation, Signal};
use ringtrue_calibration::evaluation::Counted;
use ringtrue_calibration::inference::{
    Chain, Components, Expectation, Firing, Gaussian, OffsetState, Scratch,
};

use crate::calendar::Calendar;
use crate::due::planned_on;
use crate::effect::Effect;
use crate::event::{EventKind, FurnaceEvent};
use crate::key::{BatchId, FurnaceKey, GaugeId, ReadingId};
use crate::knowledge::{ExpectedError, Knowledge, expected_variance_c2};
use crate::rule::{RuleBook, RulePlace};
use crate::schedule::early_day;
use crate::site::SiteDetails;
use crate::task::TaskKind;

/// One evaluated reading as the tracking sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct TrackPoint {
    /// The reading.
    pub reading: ReadingId,
    /// When its firing ended.
    pub fired_at: Timestamp,
    /// Setpoint of the firing, °C.
    pub setpoint_c: f64,
    /// Ring temperature minus setpoint, °C.
    pub observed_offset_c: f64,
    /// What a check of the gauge took off it, °C: with it the offset is what the gauge itself showed.
    pub removed_c: f64,
    /// Standard uncertainty of what no other reading repeats, °C.
    pub independent_c: f64,
    /// Standard uncertainty of the biases that other readings repeat, °C.
    pub shared_c: f64,
    /// The errors that other readings repeat.
    pub effects: Vec<PointEffect>,
    /// How far it was from what was expected when it was recorded; none at the first.
    pub surprise: Option<Surprise>,
    /// Mean raw diameter of the first ring, mm; 0 for a thermocouple. Shows copied values.
    pub mean_mm: f64,
    /// The rings' batch; none for a thermocouple.
    pub batch: Option<BatchId>,
    /// The gauge; none for a thermocouple.
    pub gauge: Option<GaugeId>,
}

/// How far a reading was from what was expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surprise {
    /// In standard deviations.
    pub z: f64,
    /// That standard deviation, °C.
    pub standard_deviation_c: f64,
    /// Weight that the reading then had in the offset, 0 to 1.
    pub gain: f64,
}

/// An error's part in a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct PointEffect {
    /// The error.
    pub effect: Effect,
    /// °C in the reading for one unit of the error.
    pub coefficient: f64,
    /// The error's expected standard deviation.
    pub sd_c: f64,
}

/// What is known of a furnace's offset after a reading. Derived: it can be worked out again from the
/// records with identical result.
#[derive(Debug, Clone, PartialEq)]
pub struct TrackedOffset {
    /// The furnace's own filter: its estimate as a function of the shared errors.
    pub chain: Chain,
    /// The shared errors, in the order of the chain's columns.
    pub columns: Vec<ExpectedError>,
    /// The number of the variance components that the chain used.
    pub components: i64,
    /// The reading taken into account last.
    pub last: TrackPoint,
    /// How many readings in a row, the last included, gave the same mean diameter to the last digit.
    pub same_mean_run: u32,
    /// What speaks for a drift, from how far readings were from what was expected.
    pub drift: DriftState,
    /// When readings last proved a drift; none when they never did, or before parts were replaced.
    pub drift_proved_at: Option<Timestamp>,
    /// The offset as the last evaluation found it; none after a replay. It stands until the next fit, which
    /// then knows all that it knew.
    pub evaluated: Option<AsEvaluated>,
}

/// An offset as an evaluation found it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AsEvaluated {
    /// The fit that it rested on.
    pub fit: i64,
    /// The offset just after the reading.
    pub state: OffsetState,
}

/// Longest time between two readings that confirm each other, days.
const CONFIRMING_DAYS: f64 = 14.0;

/// Shortest time between the ends of two firings, hours: heating up, the hold and cooling down take
/// longer (common practice, no source). Anything less is one firing reported twice.
const ANOTHER_FIRING_HOURS: f64 = 1.0;

const SECONDS_PER_WEEK: f64 = 604_800.0;

/// Weeks from one moment to another.
pub fn weeks_between(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64() / SECONDS_PER_WEEK
}

/// What happened to a furnace between two moments, as its offset feels it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Happened {
    /// Variance that events add to the level, °C², before it is scaled.
    pub variance_c2: f64,
    /// What was entered in the controller, °C.
    pub shift_c: f64,
    /// Whether a part that ages was replaced, so that its drift begins anew.
    pub redraws_slope: bool,
}

/// What the events between two moments did.
pub fn happened(events: &[FurnaceEvent], after: Timestamp, until: Timestamp) -> Happened {
    let mut all = Happened::default();
    for (kind, shift_c) in between(events, after, until) {
        all.variance_c2 += kind.offset_standard_deviation_c().powi(2);
        all.shift_c += shift_c;
        all.redraws_slope |= matches!(
            kind,
            EventKind::ElementsReplaced | EventKind::ThermocoupleReplaced
        );
    }
    all
}

fn between(
    events: &[FurnaceEvent],
    after: Timestamp,
    until: Timestamp,
) -> impl Iterator<Item = (EventKind, f64)> {
    events.iter().filter_map(move |event| {
        let at = event.details.happened_at?;
        let kind = event.details.kind?;
        (at > after && at <= until).then_some((kind, event.details.offset_shift_c.unwrap_or(0.0)))
    })
}

/// A reading as the filter sees it: how its errors answer to the columns, new columns last.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// Column and coefficient of each error.
    pub entries: Vec<(usize, f64)>,
    /// All columns after the reading.
    pub columns: Vec<ExpectedError>,
    /// Time and events since the reading before.
    pub since: Happened,
    /// Weeks since the reading before; 0 at the first.
    pub weeks: f64,
}

impl Placed {
    /// Finds the columns of a reading's errors among those that the furnace has.
    pub fn of(before: Option<&TrackedOffset>, events: &[FurnaceEvent], point: &TrackPoint) -> Self {
        let mut columns = before.map_or(Vec::new(), |tracked| tracked.columns.clone());
        let mut entries = Vec::with_capacity(point.effects.len());
        for part in &point.effects {
            let known = columns
                .iter()
                .position(|column| column.effect == part.effect);
            let column = known.unwrap_or_else(|| {
                columns.push(ExpectedError {
                    effect: part.effect.clone(),
                    sd_c: part.sd_c,
                    readings: 0,
                });
                columns.len() - 1
            });
            if let Some(used) = columns.get_mut(column) {
                used.readings = used.readings.saturating_add(1);
            }
            entries.push((column, part.coefficient));
        }
        let (since, weeks) = before.map_or((Happened::default(), 0.0), |tracked| {
            let last = tracked.last.fired_at;
            (
                happened(events, last, point.fired_at),
                weeks_between(last, point.fired_at),
            )
        });
        Self {
            entries,
            columns,
            since,
            weeks,
        }
    }

    /// The reading for the filter.
    pub fn firing(&self, point: &TrackPoint) -> Firing<'_> {
        Firing {
            weeks: self.weeks,
            setpoint_c: point.setpoint_c,
            offset_c: point.observed_offset_c + point.removed_c,
            variance_c2: point.independent_c * point.independent_c,
            event_variance_c2: self.since.variance_c2,
            redraws_slope: self.since.redraws_slope,
            shift_c: self.since.shift_c,
            effects: &self.entries,
        }
    }
}

/// Expected variances of some errors before anything is known, °C², as the filter's bound on far readings
/// takes them: a gauge's permissible error bounds it whether it was checked or not.
pub fn prior_variances_c2(columns: &[ExpectedError], components: &Components) -> Vec<f64> {
    columns
        .iter()
        .map(|column| expected_variance_c2(&column.effect, column.sd_c, false, components))
        .collect()
}

/// Takes one more reading into account.
pub fn step(
    before: Option<&TrackedOffset>,
    events: &[FurnaceEvent],
    point: TrackPoint,
    components: &Components,
    components_number: i64,
) -> (TrackedOffset, Counted) {
    let placed = Placed::of(before, events, &point);
    let firing = placed.firing(&point);
    let variances = prior_variances_c2(&placed.columns, components);
    let mut counted = Counted::default();
    let chain = if let Some(tracked) = before {
        let mut chain = tracked.chain.clone();
        let step = chain.follow(&firing, &variances, components, &mut Scratch::default());
        counted = Counted {
            inflation_c2: step.inflation_c2,
            widened_c2: step.widened_c2,
        };
        chain
    } else {
        Chain::start(&firing, components)
    };
    let same_mean_run = match before {
        Some(tracked) if point.mean_mm > 0.0 && same_mean(point.mean_mm, tracked.last.mean_mm) => {
            tracked.same_mean_run.saturating_add(1)
        }
        _ => 1,
    };
    let (drift, drift_proved_at) = drift_after(before, &placed, &point);
    let after = TrackedOffset {
        chain,
        drift,
        drift_proved_at,
        columns: placed.columns,
        components: components_number,
        last: point,
        same_mean_run,
        evaluated: None,
    };
    (after, counted)
}

/// What speaks for a drift after a reading whose distance from what was expected is known, and when a
/// drift was last proved.
pub fn drift_after(
    before: Option<&TrackedOffset>,
    placed: &Placed,
    point: &TrackPoint,
) -> (DriftState, Option<Timestamp>) {
    let state = before.map_or(DriftState::default(), |tracked| tracked.drift);
    let drawn_anew = placed.since.variance_c2 > 0.0;
    let proved_at = before
        .and_then(|tracked| tracked.drift_proved_at)
        .filter(|_| !drawn_anew);
    let Some(surprise) = point.surprise else {
        return (state, proved_at);
    };
    let innovation = Innovation {
        weeks: weeks_between(Timestamp::UNIX_EPOCH, point.fired_at),
        weeks_since: placed.weeks,
        z: surprise.z,
        standard_deviation_c: surprise.standard_deviation_c,
        gain: surprise.gain,
        drawn_anew,
    };
    match Detector::default().follow(state, &innovation) {
        (state, Some(Signal::Drift { .. })) => (state, Some(point.fired_at)),
        (state, _) => (state, proved_at),
    }
}

/// What the history and the network's knowledge lead to expect of a reading.
pub fn expectation(
    before: Option<&TrackedOffset>,
    events: &[FurnaceEvent],
    point: &TrackPoint,
    knowledge: &Knowledge,
) -> Expectation {
    let placed = Placed::of(before, events, point);
    let effects = knowledge.of(&placed.columns);
    let firing = placed.firing(point);
    let unread = Chain::unread();
    before
        .map_or(&unread, |tracked| &tracked.chain)
        .expectation(&effects, &firing, &knowledge.fit.components)
}

/// Day by which a furnace's next calibration is due by the dates of its rule, or within a week of the last
/// firing when its readings speak for a drift. What happens after the firing, events and counted use, may
/// bring it forward (`crate::due`).
pub fn due_on(
    site: &SiteDetails,
    rules: &RuleBook,
    furnace: &FurnaceKey,
    tracked: &TrackedOffset,
) -> Date {
    let calendar = Calendar::of(site);
    let fired_on = calendar.day_of(tracked.last.fired_at);
    let rule = rules.in_force(&RulePlace::Furnace(furnace.clone()), TaskKind::Calibration);
    let planned = planned_on(rule.details, site, &calendar, fired_on);
    if suspected_drift(tracked).is_some() {
        planned.min(early_day(&calendar, fired_on))
    } else {
        planned
    }
}

/// Towards which side a furnace may drift, as far as its readings speak for it without proving it.
pub fn suspected_drift(tracked: &TrackedOffset) -> Option<Side> {
    Detector::default().suspicion(&tracked.drift)
}

/// What is known of the shared errors of a furnace, in the order of its columns.
pub fn shared_errors(tracked: &TrackedOffset, knowledge: &Knowledge) -> Gaussian {
    knowledge.of(&tracked.columns)
}

/// The offset just after the last reading.
pub fn offset_then(tracked: &TrackedOffset, knowledge: &Knowledge) -> OffsetState {
    match tracked.evaluated {
        Some(evaluated) if evaluated.fit == knowledge.fit.number => evaluated.state,
        _ => tracked.chain.offset(&shared_errors(tracked, knowledge)),
    }
}

/// The offset carried forward to a later moment, with the events in between.
pub fn offset_at(
    tracked: &TrackedOffset,
    events: &[FurnaceEvent],
    to: Timestamp,
    knowledge: &Knowledge,
) -> OffsetState {
    let last = tracked.last.fired_at;
    let since = happened(events, last, to);
    offset_then(tracked, knowledge).predicted(
        weeks_between(last, to).max(0.0),
        since.variance_c2,
        since.redraws_slope,
        since.shift_c,
        &knowledge.fit.components,
    )
}

/// Whether two mean diameters, mm, are the same to the last digit; the order in which diameters were
/// typed changes a sum's last bits.
pub(crate) fn same_mean(one_mm: f64, other_mm: f64) -> bool {
    (one_mm - other_mm).abs() < 1e-9
}

/// The gauge of a reading and the time in which it kept its bias; none for a thermocouple.
fn gauge_then(point: &TrackPoint) -> Option<(&GaugeId, u32)> {
    point.effects.iter().find_map(|part| match &part.effect {
        Effect::Gauge { gauge, epoch, .. } => Some((gauge, *epoch)),
        _ => None,
    })
}

/// The offset that a reading would have shown with the same correction of the gauge as another: a check
/// between two readings of one gauge moves what is shown, not the furnace. A gauge that has changed
/// between them is another gauge, and each of its own corrections holds.
fn comparable_offset_c(reading: &TrackPoint, other: &TrackPoint) -> f64 {
    if gauge_then(reading) == gauge_then(other) {
        reading.observed_offset_c + reading.removed_c - other.removed_c
    } else {
        reading.observed_offset_c
    }
}

/// The offset the reading before showed, with what was entered in the controller since, °C; none when
/// something else happened to the furnace since.
pub(crate) fn last_offset_shifted_c(
    tracked: &TrackedOffset,
    events: &[FurnaceEvent],
    point: &TrackPoint,
) -> Option<f64> {
    let mut offset_c = comparable_offset_c(&tracked.last, point);
    for (kind, shift_c) in between(events, tracked.last.fired_at, point.fired_at) {
        if kind != EventKind::ControllerOffsetChanged {
            return None;
        }
        offset_c += shift_c;
    }
    Some(offset_c)
}

/// Works the offset out from all readings, in order of firing and then of id, and all events.
pub fn replayed(
    points: &[TrackPoint],
    events: &[FurnaceEvent],
    components: &Components,
    components_number: i64,
) -> Option<TrackedOffset> {
    let mut tracked: Option<TrackedOffset> = None;
    for point in points {
        let before = tracked.as_ref();
        let (after, _) = step(before, events, point.clone(), components, components_number);
        tracked = Some(after);
    }
    tracked
}

/// What a furnace's history says about one firing among its readings.
#[derive(Debug, Clone, PartialEq)]
pub struct AsOf {
    /// What was known of the offset just before the firing.
    pub tracked: Option<TrackedOffset>,
    /// Whether a later firing is on record.
    pub newer_reading: bool,
}

/// Looks at a furnace's history as of a firing: the readings before it, by end of firing and then by id,
/// without the reading that it corrects.
pub fn as_of(
    mut points: Vec<TrackPoint>,
    events: &[FurnaceEvent],
    fired_at: Timestamp,
    reading: &ReadingId,
    corrected: Option<&ReadingId>,
    components: &Components,
    components_number: i64,
) -> AsOf {
    points.retain(|point| Some(&point.reading) != corrected);
    let count = points.len();
    points.retain(|point| (point.fired_at, &point.reading) < (fired_at, reading));
    AsOf {
        tracked: replayed(&points, events, components, components_number),
        newer_reading: points.len() < count,
    }
}

/// Whether the reading before and this one are of two firings and agree closely enough, soon enough
/// and with no event between, for a large step to be trusted.
pub fn confirms(before: &TrackedOffset, events: &[FurnaceEvent], point: &TrackPoint) -> bool {
    let days = weeks_between(before.last.fired_at, point.fired_at) * 7.0;
    if !(ANOTHER_FIRING_HOURS / 24.0..=CONFIRMING_DAYS).contains(&days) {
        return false;
    }
    if between(events, before.last.fired_at, point.fired_at)
        .next()
        .is_some()
    {
        return false;
    }
    let spread_c = (point.independent_c.powi(2) + before.last.independent_c.powi(2)).sqrt();
    (point.observed_offset_c - comparable_offset_c(&before.last, point)).abs() <= 2.0 * spread_c
}

#[cfg(test)]
pub(crate) mod tests;
