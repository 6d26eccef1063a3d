//! A furnace's offset through time, taken from the protocol's message and made ready to be drawn.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{FurnaceHistory, Programme};

use super::scale::{Range, seconds};
use crate::quantity::{brief, signed};
use crate::{moment, names, words};

/// Standard deviations on each side of the band: about 95 % coverage (GUM, 6.3.3).
pub(crate) const COVERAGE_FACTOR: f64 = 2.0;

/// A furnace's offset through time. Moments are seconds since 1970, offsets °C.
#[derive(Debug, Clone)]
pub(crate) struct Track {
    /// The furnace's resource name.
    pub(crate) furnace: String,
    /// Temperature for which the offset holds, °C.
    pub(crate) at_temperature_c: f64,
    /// The site's zone.
    pub(crate) zone: TimeZone,
    /// Its name.
    pub(crate) zone_name: String,
    /// Readings, earliest first.
    pub(crate) readings: Vec<Dot>,
    /// What is expected, earliest first.
    pub(crate) outlook: Vec<Expected>,
    /// Where the offset may lie at the setpoint in force, stretch by stretch.
    pub(crate) corridor: Vec<Corridor>,
    /// Events, adjustments and changes of batch and gauge, earliest first.
    pub(crate) marks: Vec<Mark>,
}

/// One reading.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Dot {
    /// End of its firing.
    pub(crate) at: f64,
    /// Offset as the ring gave it, °C.
    pub(crate) observed_c: f64,
    /// The same without the biases of batch and gauge, °C.
    pub(crate) corrected_c: f64,
    /// Offset from the readings up to it, °C.
    pub(crate) tracked_c: f64,
    /// Half width of its band, °C.
    pub(crate) half_band_c: f64,
    /// Whether it counts at reduced weight.
    pub(crate) reduced: bool,
}

/// The offset expected at a moment.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Expected {
    /// The moment.
    pub(crate) at: f64,
    /// Expected offset, °C.
    pub(crate) offset_c: f64,
    /// Half width of its band, °C.
    pub(crate) half_band_c: f64,
}

/// Where the offset may lie for a while without the programme being out of tolerance.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Corridor {
    /// Beginning.
    pub(crate) from: f64,
    /// End.
    pub(crate) to: f64,
    /// Lowest offset, °C.
    pub(crate) low_c: f64,
    /// Highest offset, °C.
    pub(crate) high_c: f64,
}

/// What a mark stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum MarkKind {
    /// Something happened to the furnace.
    Event,
    /// A setpoint was changed.
    Adjustment,
    /// The batch or the gauge changed.
    Change,
}

/// A mark on the time axis.
#[derive(Debug, Clone)]
pub(crate) struct Mark {
    /// When.
    pub(crate) at: f64,
    /// What kind.
    pub(crate) kind: MarkKind,
    /// Short label, as `E1`.
    pub(crate) label: String,
    /// What it stands for.
    pub(crate) meaning: String,
}

impl Track {
    /// Takes a history apart. The programme is the one whose error counts; without it no tolerance is drawn.
    pub(crate) fn of(
        history: &FurnaceHistory,
        zone: &TimeZone,
        programme: Option<&Programme>,
    ) -> Self {
        let mut readings = Vec::new();
        for point in &history.points {
            let at = moment::received(point.fire_time.as_ref()).map(seconds);
            let finite = point.corrected_offset_c.is_finite()
                && point.observed_offset_c.is_finite()
                && point.tracked_offset_c.is_finite()
                && point.tracked_standard_uncertainty_c.is_finite();
            if let (Some(at), true) = (at, finite) {
                readings.push(Dot {
                    at,
                    observed_c: point.observed_offset_c,
                    corrected_c: point.corrected_offset_c,
                    tracked_c: point.tracked_offset_c,
                    half_band_c: COVERAGE_FACTOR * point.tracked_standard_uncertainty_c,
                    reduced: point.at_reduced_weight,
                });
            }
        }
        let mut outlook = Vec::new();
        for point in &history.outlook {
            let at = moment::received(point.time.as_ref()).map(seconds);
            let finite = point.offset_c.is_finite() && point.standard_uncertainty_c.is_finite();
            if let (Some(at), true) = (at, finite) {
                outlook.push(Expected {
                    at,
                    offset_c: point.offset_c,
                    half_band_c: COVERAGE_FACTOR * point.standard_uncertainty_c,
                });
            }
        }
        let mut track = Track {
            furnace: history.furnace.clone(),
            at_temperature_c: history.at_temperature_c,
            zone: zone.clone(),
            zone_name: history.time_zone.clone(),
            readings,
            outlook,
            corridor: Vec::new(),
            marks: marks(history),
        };
        track.corridor = corridor(history, programme, track.times());
        track
    }

    /// Gives the stretch of time to draw: from the first reading or mark to the end of the outlook.
    pub(crate) fn times(&self) -> Range {
        let readings = self.readings.iter().map(|dot| dot.at);
        let marks = self.marks.iter().map(|mark| mark.at);
        let outlook = self.outlook.iter().map(|expected| expected.at);
        let times = Range::of(readings.chain(marks).chain(outlook));
        // Half a day each side for a single moment; the rule of the scale would give half a second.
        if times.length() < 86_400.0 {
            let middle = f64::midpoint(times.low, times.high);
            return Range {
                low: middle - 43_200.0,
                high: middle + 43_200.0,
            };
        }
        times
    }

    /// Gives the offsets to draw, °C. The outlook may widen what has been measured by half of it at each
    /// side, no more: far ahead it knows little, and would press everything else flat.
    pub(crate) fn offsets(&self) -> Range {
        let mut values = Vec::new();
        for dot in &self.readings {
            values.push(dot.observed_c);
            values.push(dot.corrected_c);
            values.push(dot.tracked_c - dot.half_band_c);
            values.push(dot.tracked_c + dot.half_band_c);
        }
        for stretch in &self.corridor {
            values.push(stretch.low_c);
            values.push(stretch.high_c);
        }
        let mut range = Range::of(values);
        let ahead = Range::of(self.outlook.iter().flat_map(|expected| {
            [
                expected.offset_c - expected.half_band_c,
                expected.offset_c + expected.half_band_c,
            ]
        }));
        if !self.outlook.is_empty() {
            let most = range.widened(0.5);
            range = range.with(Range {
                low: ahead.low.max(most.low).min(range.high),
                high: ahead.high.min(most.high).max(range.low),
            });
        }
        // Zero belongs in the picture unless it would take half of it.
        let with_zero = range.with(Range {
            low: 0.0,
            high: 0.0,
        });
        if with_zero.length() < 2.0 * range.length() {
            range = with_zero;
        }
        range.widened(0.04)
    }
}

/// Gives where the offset may lie: the present setpoint is the programme's, and each adjustment back in
/// time moves the corridor by what it changed. The target is taken as it is now.
fn corridor(
    history: &FurnaceHistory,
    programme: Option<&Programme>,
    times: Range,
) -> Vec<Corridor> {
    let (Some(programme), Some(standing)) = (programme, &history.standing) else {
        return Vec::new();
    };
    let tolerance_c = standing.tolerance_c;
    let mut centre_c = programme.target_c - programme.setpoint_c;
    if tolerance_c <= 0.0 || !tolerance_c.is_finite() || !centre_c.is_finite() {
        return Vec::new();
    }
    let mut corridor = Vec::new();
    let mut to = times.high;
    for adjustment in history.adjustments.iter().rev() {
        if adjustment.programme != standing.programme {
            continue;
        }
        let Some(at) = moment::received(adjustment.adjust_time.as_ref()).map(seconds) else {
            continue;
        };
        let at = at.clamp(times.low, to);
        corridor.push(Corridor {
            from: at,
            to,
            low_c: centre_c - tolerance_c,
            high_c: centre_c + tolerance_c,
        });
        centre_c += adjustment.to_c - adjustment.from_c;
        to = at;
    }
    corridor.push(Corridor {
        from: times.low,
        to,
        low_c: centre_c - tolerance_c,
        high_c: centre_c + tolerance_c,
    });
    corridor.reverse();
    corridor
}

fn marks(history: &FurnaceHistory) -> Vec<Mark> {
    let mut marks = Vec::new();
    for event in &history.events {
        let Some(at) = moment::received(event.event_time.as_ref()).map(seconds) else {
            continue;
        };
        let mut meaning = words::word(words::EVENTS, event.kind()).replace('-', " ");
        if let Some(shift) = event.offset_shift_c {
            meaning = format!("{meaning}, {} °C", signed(shift, 1));
        }
        let label = String::new();
        let kind = MarkKind::Event;
        marks.push(Mark {
            at,
            kind,
            label,
            meaning,
        });
    }
    for adjustment in &history.adjustments {
        let Some(at) = moment::received(adjustment.adjust_time.as_ref()).map(seconds) else {
            continue;
        };
        marks.push(Mark {
            at,
            kind: MarkKind::Adjustment,
            label: String::new(),
            meaning: format!(
                "{} from {} to {} °C",
                names::id(&adjustment.programme),
                brief(adjustment.from_c, 1),
                brief(adjustment.to_c, 1)
            ),
        });
    }
    let (mut batch, mut gauge) = ("", "");
    for point in &history.points {
        let Some(at) = moment::received(point.fire_time.as_ref()).map(seconds) else {
            continue;
        };
        let mut changed = |meaning: String| {
            marks.push(Mark {
                at,
                kind: MarkKind::Change,
                label: String::new(),
                meaning,
            });
        };
        if !point.ring_batch.is_empty() {
            if !batch.is_empty() && batch != point.ring_batch {
                changed(format!("batch {}", names::id(&point.ring_batch)));
            }
            batch = &point.ring_batch;
        }
        if !point.gauge.is_empty() {
            if !gauge.is_empty() && gauge != point.gauge {
                changed(format!("gauge {}", names::id(&point.gauge)));
            }
            gauge = &point.gauge;
        }
    }
    marks.sort_by(|one, other| one.at.total_cmp(&other.at));
    let mut counts = [0_usize; 3];
    for mark in &mut marks {
        let (letter, place) = match mark.kind {
            MarkKind::Event => ('E', 0),
            MarkKind::Adjustment => ('A', 1),
            MarkKind::Change => ('C', 2),
        };
        counts[place] += 1;
        mark.label = format!("{letter}{}", counts[place]);
    }
    marks
}
