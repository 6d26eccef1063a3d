//! From a checked report and what is known, to an evaluation, questions and advice.

mod effects;

use std::borrow::Cow;

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_calibration::charts::Side;
use ringtrue_calibration::decision::{Advice, Limits, Policy, Reason};
use ringtrue_calibration::evaluation::{Counted, Evaluation, EvaluationError};
use ringtrue_calibration::gauge::Pooled;
use ringtrue_calibration::hold;
use ringtrue_calibration::inference::{Components, Expectation};
use ringtrue_calibration::plausibility::{self, Prediction, QuestionCode, alternatives, questions};
use ringtrue_calibration::ring_table::RingTable;
use ringtrue_calibration::rings::Ring;

use super::{AskedQuestion, Inputs, Method, Purpose, Report, RingMeasurement, reproduced};
use crate::caution;
use crate::event::FurnaceEvent;
use crate::furnace::{Furnace, FurnaceState};
use crate::gauge::{Gauge, GaugeCheck};
use crate::key::{ReadingId, ReadingKey};
use crate::knowledge::Knowledge;
use crate::programme::Programme;
use crate::refusal::Refusal;
use crate::ring_batch::RingBatch;
use crate::rule::RuleBook;
use crate::site::Site;
use crate::tracking::{
    AsEvaluated, Placed, TrackPoint, TrackedOffset, confirms, drift_after, due_on, expectation,
    last_offset_shifted_c, offset_at, same_mean, step, suspected_drift,
};
use crate::violation::Violations;

/// Everything on record that bears on a reading, as of its firing.
#[derive(Debug, Clone)]
pub struct Known<'a> {
    /// The site.
    pub site: &'a Site,
    /// The furnace.
    pub furnace: &'a Furnace,
    /// The programme that was fired.
    pub programme: &'a Programme,
    /// What the controller was set to at the firing, °C, when an adjustment was confirmed since; the
    /// programme's setpoint otherwise.
    pub setpoint_in_force_c: Option<f64>,
    /// Batch and gauge; none for a thermocouple.
    pub rings: Option<KnownRings<'a>>,
    /// What the network knows of the errors that readings share.
    pub knowledge: Knowledge<'a>,
    /// The rules by which the next calibration is due: the network's, the site's, its furnaces'.
    pub rules: &'a RuleBook,
    /// What was known of the offset before this firing; none at a furnace's first reading.
    pub tracked: Option<&'a TrackedOffset>,
    /// Whether a later firing of this furnace is on record: then that one's advice stands.
    pub newer_reading: bool,
    /// The furnace's events since then, in order.
    pub events: &'a [FurnaceEvent],
    /// The site's other furnaces; needed only when [`Assessed::looks_strange`].
    pub twins: Vec<Twin>,
    /// A reading of the same furnace and programme fired within six hours, if there is one.
    pub same_firing: Option<SameFiring>,
}

/// What is known about the rings and what measured them.
#[derive(Debug, Clone)]
pub struct KnownRings<'a> {
    /// Their batch.
    pub batch: &'a RingBatch,
    /// The gauge.
    pub gauge: &'a Gauge,
    /// All its checks.
    pub checks: &'a [GaugeCheck],
    /// The latest of them made before the measurement.
    pub check: Option<&'a GaugeCheck>,
    /// Its pooled repeatability.
    pub pooled: Option<Pooled>,
    /// Other released batches of the network.
    pub other_batches: Vec<&'a RingBatch>,
    /// A ring of this reading that an earlier reading used already: its number and where it was seen.
    pub used_ring: Option<(String, ReadingKey)>,
}

/// Another furnace of the same site.
#[derive(Debug, Clone)]
pub struct Twin {
    /// What people call it.
    pub display_name: String,
    /// What is known of its offset.
    pub tracked: TrackedOffset,
}

/// An earlier reading that may be of the same firing.
#[derive(Debug, Clone, PartialEq)]
pub struct SameFiring {
    /// The earlier reading.
    pub reading: ReadingId,
    /// Who measured it.
    pub performed_by: String,
    /// When it was measured.
    pub measured_at: Timestamp,
}

/// Why a reading was not taken.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refused {
    /// Values are wrong.
    #[error("{0}")]
    Violations(Violations),
    /// Records forbid it.
    #[error(transparent)]
    Refusal(#[from] Refusal),
}

/// What follows from a reading, before anything is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessed {
    /// Setpoint of the firing, °C.
    pub setpoint_c: f64,
    /// Everything the evaluation depends on besides the report and the batch's tables, kept so that
    /// it can be reproduced.
    pub inputs: Inputs,
    /// The evaluation.
    pub evaluation: Evaluation,
    /// All questions, answered or not.
    pub questions: Vec<AskedQuestion>,
    /// Cautions for the next act.
    pub cautions: Vec<String>,
    /// Day by which the next calibration is due, local; a reading that does not count does not move it.
    pub next_due_on: Date,
    /// What the tracking takes from this reading; none when it is not evaluable or for practice.
    pub point: Option<TrackPoint>,
    /// The furnace's offset after this reading; none as above.
    pub tracked: Option<TrackedOffset>,
}

/// Before a reading's own errors are known, nothing can be expected of it.
const NOTHING_EXPECTED: Expectation = Expectation {
    state: None,
    bias_c: 0.0,
    bias_variance_c2: 0.0,
    covariance_c2: [0.0; 3],
};

/// Beyond this many standard deviations from what was expected a reading may be another furnace's.
const STRANGE_Z: f64 = 2.5;

/// Beyond this offset a furnace's first reading may be another furnace's, °C.
const STRANGE_FIRST_OFFSET_C: f64 = 40.0;

impl Assessed {
    /// Whether the reading is so far from what was expected that it may be another furnace's. Then it
    /// is worth loading the site's other furnaces and assessing it again with them.
    pub fn looks_strange(&self) -> bool {
        match self.evaluation.innovation_z {
            Some(z) => z.abs() > STRANGE_Z,
            None => self.evaluation.observed_offset_c.abs() > STRANGE_FIRST_OFFSET_C,
        }
    }

    /// The refusal when a question is still open.
    pub fn settled(self) -> Result<Self, Refusal> {
        let open: Vec<AskedQuestion> = self
            .questions
            .iter()
            .filter(|asked| !asked.answered)
            .cloned()
            .collect();
        if open.is_empty() {
            Ok(self)
        } else {
            Err(Refusal::OpenQuestions { questions: open })
        }
    }
}

/// Evaluates a report against what is known. Changes nothing.
pub fn assess(known: &Known, report: &Report, key: &ReadingId) -> Result<Assessed, Refused> {
    check_usable(known, report)?;
    let programme = &known.programme.details;
    let setpoint_c = report
        .setpoint_c
        .or(known.setpoint_in_force_c)
        .unwrap_or(programme.setpoint_c);
    let mut inputs = before_anything_is_known(known, report, setpoint_c);
    let tables: &[RingTable] = known
        .rings
        .as_ref()
        .map_or(&[], |rings| rings.batch.details.tables.as_slice());
    let work_out = |inputs: &Inputs| {
        reproduced(inputs, &report.method, tables)
            .map_err(|fault| refused(&fault, known, inputs, report, tables))
    };
    let mut evaluation = work_out(&inputs)?;
    let mut point = track_point(known, key, report, setpoint_c, &evaluation);
    let mut tracked = None;
    // What is expected of a reading, and how it counts, is known only once its own offset and errors are.
    if evaluation.evaluable {
        inputs.confirmed = known
            .tracked
            .is_some_and(|before| confirms(before, known.events, &point));
        inputs.expectation = expectation(known.tracked, known.events, &point, &known.knowledge);
        let fit = known.knowledge.fit;
        let (mut after, counted) = step(
            known.tracked,
            known.events,
            point.clone(),
            &fit.components,
            fit.components_number,
        );
        inputs.counted = counted;
        evaluation = work_out(&inputs)?;
        point.surprise = effects::surprise(&evaluation);
        after.last.surprise = point.surprise;
        let placed = Placed::of(known.tracked, known.events, &point);
        (after.drift, after.drift_proved_at) = drift_after(known.tracked, &placed, &point);
        after.evaluated = evaluation.state.map(|state| AsEvaluated {
            fit: fit.number,
            state,
        });
        tracked = Some(after);
    }
    add_notices(known, report, setpoint_c, &inputs, &mut evaluation);
    evaluation
        .notices
        .extend(tracked.as_ref().and_then(drift_notice));
    let questions = asked(known, report, &inputs, &evaluation, &point);
    let raises = evaluation
        .decision
        .as_ref()
        .is_some_and(|decision| decision.advised_setpoint_c > inputs.current_setpoint_c);
    let advice: Option<Advice> = evaluation.decision.as_ref().map(|decision| decision.advice);
    let counts = evaluation.evaluable && report.purpose != Purpose::Practice;
    let point = counts.then_some(point);
    let tracked = tracked.filter(|_| counts);
    Ok(Assessed {
        setpoint_c,
        inputs,
        evaluation,
        questions,
        cautions: caution::after(advice, raises),
        next_due_on: due_after(known, report, tracked.as_ref()),
        point,
        tracked,
    })
}

/// What an evaluation depends on, before what was to be expected of the reading is known.
fn before_anything_is_known(known: &Known, report: &Report, setpoint_c: f64) -> Inputs {
    let zone = known.site.details.zone();
    let programme = &known.programme.details;
    Inputs {
        cycle: programme.cycle(),
        setpoint_c,
        current_setpoint_c: current_setpoint_c(known, report, setpoint_c),
        target_c: programme.target_c(),
        limits: Limits {
            setpoint_step_c: known.furnace.details.setpoint_step_c,
            lowest_setpoint_c: programme.lowest_setpoint_c(),
            highest_setpoint_c: programme.highest_setpoint_c(&known.furnace.details),
            largest_step_c: known.site.details.largest_step_c,
        },
        policy: Policy {
            tolerance_c: known
                .furnace
                .details
                .tolerance_c
                .unwrap_or(known.site.details.tolerance_c),
            action_band_c: known.site.details.action_band_c,
            full_compensation: known.site.details.full_compensation,
            ..Policy::default()
        },
        expectation: NOTHING_EXPECTED,
        counted: Counted::default(),
        confirmed: false,
        components: components(known),
        reference_position: known.furnace.details.reference_position.clone(),
        gauge: known.rings.as_ref().map(|rings| {
            let measured_on = report.measured_at.to_zoned_datetime(zone.clone()).date();
            rings
                .gauge
                .details
                .known(rings.check, rings.pooled, measured_on, &zone)
        }),
        batch_expanded_uncertainty_c: known
            .rings
            .as_ref()
            .and_then(|rings| rings.batch.details.stated_expanded_uncertainty_c),
        accepts_assumed_energy: known.site.details.accepts_assumed_hold_correction,
        superseded: known.newer_reading,
    }
}

/// The variance components for a reading. A furnace's first reading is believed as it is, whatever the
/// network has learnt of the spread of offsets: its first advice is the plain setpoint.
fn components(known: &Known) -> Components {
    let learnt = known.knowledge.fit.components;
    Components {
        initial_sd_c: learnt.initial_sd_c.filter(|_| known.tracked.is_some()),
        ..learnt
    }
}

/// A reading that does not count leaves the furnace due when it was: counted from the reading before, or
/// at once when there is none.
fn due_after(known: &Known, report: &Report, after: Option<&TrackedOffset>) -> Date {
    let site = &known.site.details;
    match after.or(known.tracked) {
        Some(tracked) => due_on(site, known.rules, &known.furnace.key, tracked),
        None => report.measured_at.to_zoned_datetime(site.zone()).date(),
    }
}

/// A reading as a furnace's filter sees it.
fn track_point(
    known: &Known,
    key: &ReadingId,
    report: &Report,
    setpoint_c: f64,
    evaluation: &Evaluation,
) -> TrackPoint {
    let (batch, gauge) = match &report.method {
        Method::Rings(measured) => (
            Some(measured.batch.clone()),
            Some(measured.gauge.gauge.clone()),
        ),
        Method::Thermocouple(_) => (None, None),
    };
    TrackPoint {
        reading: key.clone(),
        fired_at: report.fired_at,
        setpoint_c,
        observed_offset_c: evaluation.observed_offset_c,
        removed_c: evaluation.shared.gauge.map_or(0.0, |gauge| gauge.removed_c),
        independent_c: evaluation.shared.own_c,
        shared_c: evaluation.budget.shared_c,
        effects: effects::effects(known, report, evaluation),
        surprise: None,
        mean_mm: evaluation.rings.first().map_or(0.0, |ring| ring.mean_mm),
        batch,
        gauge,
    }
}

/// Whether furnace, batch and gauge may be used for this reading.
fn check_usable(known: &Known, report: &Report) -> Result<(), Refusal> {
    if known.furnace.details.state == FurnaceState::Retired {
        return Err(Refusal::FurnaceRetired {
            furnace: known.furnace.key.clone(),
        });
    }
    if let Some(rings) = &known.rings {
        let fired_on = report
            .fired_at
            .to_zoned_datetime(known.site.details.zone())
            .date();
        rings.batch.details.usable(&rings.batch.key, fired_on)?;
        if !rings.gauge.details.in_use {
            return Err(Refusal::GaugeWithdrawn {
                gauge: rings.gauge.key.clone(),
            });
        }
    }
    Ok(())
}

/// What the controller shows now: the setpoint as found unless an adjustment was confirmed after
/// this firing.
fn current_setpoint_c(known: &Known, report: &Report, setpoint_c: f64) -> f64 {
    match known.programme.details.last_change {
        Some(change) if change.changed_at > report.fired_at => known.programme.details.setpoint_c,
        _ => setpoint_c,
    }
}

/// Tells that the next ring is wanted early, because the readings speak for a drift.
fn drift_notice(tracked: &TrackedOffset) -> Option<Reason> {
    let direction = match suspected_drift(tracked)? {
        Side::Above => "hotter and hotter",
        Side::Below => "colder and colder",
    };
    Some(Reason {
        code: Cow::Borrowed("DRIFT_SUSPECTED"),
        text: format!(
            "The last readings lie {direction} than was expected. Fire the next ring within a week: it \
             tells a drift from chance."
        ),
    })
}

fn add_notices(
    known: &Known,
    report: &Report,
    setpoint_c: f64,
    inputs: &Inputs,
    evaluation: &mut Evaluation,
) {
    let confirmed_c = known.programme.details.setpoint_c;
    let changed_since = known
        .programme
        .details
        .last_change
        .is_some_and(|change| change.changed_at > report.fired_at);
    if (setpoint_c - confirmed_c).abs() > 1e-9 && !changed_since {
        evaluation.notices.push(Reason {
            code: Cow::Borrowed("SETPOINT_NOT_AS_CONFIRMED"),
            text: format!(
                "The firing was at {setpoint_c} °C, but the setpoint confirmed last is {confirmed_c} °C; \
                 confirm an adjustment with what the panel shows."
            ),
        });
    }
    if let Some(notice) = effects::known_bias(inputs, evaluation) {
        evaluation.notices.push(notice);
    }
    if let (Some(rings), Some(gauge)) = (&known.rings, &inputs.gauge)
        && gauge.check.is_none()
    {
        evaluation.notices.push(Reason {
                code: Cow::Borrowed("GAUGE_NEVER_CHECKED"),
                text: format!(
                    "{} has no check on a reference block on record; a check is the cheapest gain in accuracy.",
                    rings.gauge.details.display_name
                ),
            });
    }
    if known.furnace.details.state == FurnaceState::InService {
        evaluation.notices.push(Reason {
            code: Cow::Borrowed("FURNACE_IN_SERVICE"),
            text: "The furnace is out for service; release it before patients' work is fired."
                .to_owned(),
        });
    }
    if report.purpose == Purpose::Practice {
        evaluation.notices.push(Reason {
            code: Cow::Borrowed("PRACTICE"),
            text: "A practice reading: kept, but not part of the furnace's offset. Do not adjust from it."
                .to_owned(),
        });
    }
}

/// The plausibility questions with their standing.
fn asked(
    known: &Known,
    report: &Report,
    inputs: &Inputs,
    evaluation: &Evaluation,
    point: &TrackPoint,
) -> Vec<AskedQuestion> {
    let measured = match &report.method {
        Method::Rings(measured) => Some(measured),
        Method::Thermocouple(_) => None,
    };
    let rings = known.rings.as_ref();
    let table = rings.and_then(|rings| {
        let tables = &rings.batch.details.tables;
        let plan = hold::plan(tables, &inputs.cycle, inputs.accepts_assumed_energy);
        tables.get(plan.table_index)
    });
    let plain_rings: Vec<Ring> = measured.map_or(Vec::new(), |m| {
        m.rings.iter().map(|r| r.ring.clone()).collect()
    });
    let others: Vec<(String, &RingTable)> = rings.map_or(Vec::new(), |rings| {
        rings
            .other_batches
            .iter()
            .filter_map(|other| {
                let tables = &other.details.tables;
                let plan = hold::plan(tables, &inputs.cycle, false);
                Some((other.details.code.clone(), tables.get(plan.table_index)?))
            })
            .collect()
    });
    let twins = predicted_twins(known, point);
    let context = plausibility::Context {
        rings: &plain_rings,
        table,
        other_batches: &others,
        indicated_c: measured.is_none().then_some(evaluation.ring_temperature_c),
        setpoint_c: inputs.setpoint_c,
        gauge_bias_mm: inputs
            .gauge
            .as_ref()
            .and_then(|g| g.check)
            .map_or(0.0, |check| check.bias_mm),
        hold_correction_c: evaluation
            .hold
            .as_ref()
            .map_or(0.0, |hold| hold.correction_c),
        prediction: prediction(&inputs.expectation, point).filter(|_| evaluation.evaluable),
        twins: &twins,
        hours_since_firing: measured.map(|_| {
            report
                .measured_at
                .duration_since(report.fired_at)
                .as_secs_f64()
                / 3600.0
        }),
        ring_temperature_c: measured.and_then(|m| m.ring_temperature_c),
        zero_mm: measured.and_then(|m| m.zero_mm),
        // Asking for a zero reading every time would train people to click past questions; a zero
        // that is recorded and off is asked about.
        zero_recorded: true,
        same_ring_seen: rings
            .and_then(|rings| rings.used_ring.as_ref())
            .map(|(serial, reading)| format!("ring {serial} in {}", reading.name())),
        same_firing: known
            .same_firing
            .as_ref()
            .map(|earlier| words_for(earlier, known.site)),
        last_change: last_change_since(known, report),
        previous_offset_c: known
            .tracked
            .filter(|_| evaluation.evaluable)
            .and_then(|tracked| last_offset_shifted_c(tracked, known.events, point)),
        measurement_uncertainty_c: evaluation.budget.independent_c,
        exact_repeats: measured.map_or(0, |measured| exact_repeats(known, measured)),
    };
    questions(&context)
        .into_iter()
        // What two firings agree on is far from history for a reason; it was asked about at the first.
        .filter(|question| !(inputs.confirmed && question.code == QuestionCode::FarFromHistory))
        .map(|mut question| {
            question.field = request_field(&question.field, &report.method);
            AskedQuestion {
                answered: report.answered.contains(question.code.code()),
                question,
            }
        })
        .collect()
}

/// What a furnace's history leads to expect to be shown. Biases that history and reading share move both
/// alike and say nothing about a slip; the expectation has them cancel.
fn prediction(expectation: &Expectation, point: &TrackPoint) -> Option<Prediction> {
    let expected = expectation.predicted_offset(point.setpoint_c)?;
    Some(Prediction {
        offset_c: expected.offset_c - point.removed_c,
        standard_uncertainty_c: expected.standard_uncertainty_c,
    })
}

/// What the histories of the site's other furnaces would lead to expect.
fn predicted_twins(known: &Known, point: &TrackPoint) -> Vec<(String, Prediction)> {
    let mut twins = Vec::with_capacity(known.twins.len());
    for twin in &known.twins {
        let expected = expectation(Some(&twin.tracked), &[], point, &known.knowledge);
        if let Some(prediction) = prediction(&expected, point) {
            twins.push((twin.display_name.clone(), prediction));
        }
    }
    twins
}

/// The change of setpoint confirmed between the reading before and this firing.
fn last_change_since(known: &Known, report: &Report) -> Option<plausibility::SetpointChange> {
    let change = known.programme.details.last_change?;
    let after_last = known
        .tracked
        .is_none_or(|tracked| change.changed_at > tracked.last.fired_at);
    (after_last && change.changed_at < report.fired_at).then_some(plausibility::SetpointChange {
        from_c: change.from_c,
        to_c: change.to_c,
    })
}

/// How often in a row, this reading included, the first ring gave the same mean to the last digit.
fn exact_repeats(known: &Known, measured: &RingMeasurement) -> u32 {
    let Some(first) = measured.rings.first() else {
        return 0;
    };
    let mut sum = 0.0;
    let mut count = 0.0;
    for diameter in &first.ring.diameters_mm {
        sum += diameter;
        count += 1.0;
    }
    let mean_mm: f64 = sum / count;
    match known.tracked {
        Some(tracked) if same_mean(tracked.last.mean_mm, mean_mm) => {
            tracked.same_mean_run.saturating_add(1)
        }
        _ => 1,
    }
}

fn words_for(earlier: &SameFiring, site: &Site) -> String {
    let measured = earlier.measured_at.to_zoned_datetime(site.details.zone());
    let who = if earlier.performed_by.is_empty() {
        "somebody"
    } else {
        &earlier.performed_by
    };
    format!("{who} at {}", measured.strftime("%H:%M on %Y-%m-%d"))
}

/// Path in the request of a field that the mathematics names.
fn request_field(field: &str, method: &Method) -> String {
    match (field, method) {
        ("setpoint_c", _) => "reading.setpoint_c".to_owned(),
        ("firing" | "fired_at", _) => "reading.fire_time".to_owned(),
        ("hours_since_firing", _) => "reading.measure_time".to_owned(),
        ("furnace", _) => "parent".to_owned(),
        ("rings", Method::Thermocouple(_)) => "reading.thermocouple".to_owned(),
        _ => format!("reading.rings.{field}"),
    }
}

/// How far from what is expected another batch's temperature may lie to be worth naming, °C: without a
/// history offsets are 0 ± 30 °C.
const FITTING_WITHIN_C: f64 = 30.0;

/// Another open batch whose table makes an out-of-table ring a likely one: its code and what it gives.
/// Nothing is suggested when the ring's diameters disagree, as then a slip of the hand is likelier.
fn fitting_batch<'a>(
    known: &'a Known,
    inputs: &Inputs,
    ring: &Ring,
    expected_c: f64,
) -> Option<(&'a str, f64)> {
    let rings = known.rings.as_ref()?;
    let bias_mm = inputs.gauge.and_then(|gauge| gauge.check);
    let mean_mm = ring.mean_mm()? - bias_mm.map_or(0.0, |check| check.bias_mm);
    if ring.ovality_mm() > plausibility::WIDEST_SPREAD_MM + 1e-9 {
        return None;
    }
    let mut best: Option<(&str, f64)> = None;
    for other in &rings.other_batches {
        let plan = hold::plan(&other.details.tables, &inputs.cycle, false);
        let table = other.details.tables.get(plan.table_index);
        let Some(Ok(other_c)) = table.map(|table| table.temperature_at(mean_mm)) else {
            continue;
        };
        let away_c = (other_c - expected_c).abs();
        if away_c <= best.map_or(FITTING_WITHIN_C, |(_, best_c)| (best_c - expected_c).abs()) {
            best = Some((&other.details.code, other_c));
        }
    }
    best
}

/// Turns a fault of the mathematics into a violation of the request, with what may have been meant.
fn refused(
    fault: &EvaluationError,
    known: &Known,
    inputs: &Inputs,
    report: &Report,
    tables: &[RingTable],
) -> Refused {
    let (method, fired_at) = (&report.method, report.fired_at);
    let mut violations = Violations::default();
    let field = match method {
        Method::Rings(_) => request_field(&fault.field(), method),
        Method::Thermocouple(_) => format!("reading.thermocouple.{}", fault.field()),
    };
    let mut message = fault.to_string();
    if let (EvaluationError::OutOfTable { ring, .. }, Method::Rings(measured)) = (fault, method) {
        let plan = hold::plan(tables, &inputs.cycle, inputs.accepts_assumed_energy);
        let expected_c = known.tracked.map_or(inputs.setpoint_c, |tracked| {
            let state = offset_at(tracked, known.events, fired_at, &known.knowledge);
            inputs.setpoint_c + state.estimate(inputs.setpoint_c).offset_c
        });
        if let (Some(measured), Some(table)) =
            (measured.rings.get(*ring), tables.get(plan.table_index))
        {
            if let Some((code, other_c)) = fitting_batch(known, inputs, &measured.ring, expected_c)
            {
                message = format!(
                    "{message}. Batch {code} would give {other_c:.0} °C, which fits: is the ring of \
                     batch {code}?"
                );
            }
            for (at, &diameter) in measured.ring.diameters_mm.iter().enumerate() {
                let inside = table.temperature_at(diameter).is_ok();
                if let (false, Some(best)) =
                    (inside, alternatives(diameter, table, expected_c).first())
                {
                    let shown = best.value_mm;
                    let (value, meant_c) = (at + 1, best.temperature_c);
                    message = format!(
                        "{message}. Value {value} reads {diameter}: did you read {shown:.2} mm \
                         ({meant_c:.0} °C)?"
                    );
                }
            }
        }
    }
    violations.add(field, fault.reason(), message);
    Refused::Violations(violations)
}

#[cfg(test)]
mod tests;
