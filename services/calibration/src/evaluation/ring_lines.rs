//! From measured rings to one temperature and the lines of its budget.

use std::borrow::Cow;

use super::{EvaluationError, Measured, RingObservation, Setting};
use crate::budget::{LineInput, Source};
use crate::decision::Reason;
use crate::gauge::Gauge;
use crate::hold::{self, HoldTreatment};
use crate::rings::{ASSUMED_REPEATABILITY_MM, Ring, RingSummary, count};

/// Standard deviation between rings of one batch fired together, °C.
const RING_TO_RING_C: f64 = 1.5;

/// Standard uncertainty of a batch without a stated one, °C.
const BATCH_BIAS_C: f64 = 2.0;

/// Standard uncertainty a check on a reference block usually leaves, mm.
const BLOCK_CHECK_MM: f64 = 0.005;

/// Half-width of what whole degrees in a table hide, °C.
const TABLE_ROUNDING_C: f64 = 0.5;

/// How far positions of a small chamber may differ when nobody measured the reference position, °C,
/// half-width (common practice, no source).
const UNKNOWN_POSITION_C: f64 = 5.0;

const ASSUMPTION: &str = "assumption until the network has learnt it";

/// Scatter of one diameter and where it is known from.
struct Repeatability {
    standard_deviation_mm: f64,
    degrees_of_freedom: f64,
    type_a: bool,
    basis: String,
}

/// The rings that stand for the work.
struct Reference {
    members: Vec<usize>,
    /// False when the furnace's reference position was asked for and no ring stood there.
    as_asked: bool,
}

/// Reads every ring from the table that fits the hold, and collects the budget's lines.
pub(super) fn measured<'a>(
    observation: &RingObservation<'a>,
    setting: &Setting,
) -> Result<Measured<'a>, EvaluationError> {
    let rings = observation.rings;
    let gauge = observation.gauge;
    let plan = hold::plan(
        observation.tables,
        setting.cycle,
        observation.accepts_assumed_energy,
    );
    let Some(table) = observation.tables.get(plan.table_index) else {
        return Err(EvaluationError::NoTable);
    };
    let bias_mm = gauge.check.map_or(0.0, |check| check.bias_mm);
    let repeatability = repeatability(gauge, rings);
    let screening_mm = screening_mm(gauge);
    let mut summaries = Vec::with_capacity(rings.len());
    for (ring, measured) in rings.iter().enumerate() {
        let summary = measured
            .summary(table, bias_mm, screening_mm)
            .map_err(|fault| EvaluationError::OutOfTable { ring, fault })?;
        summaries.push(summary);
    }
    let reference = reference(rings, setting.reference_position);
    let table_temperature_c = mean(&summaries, &reference.members, |s| s.table_temperature_c);
    // One correction for all rings: over the few degrees between them it changes by hundredths.
    let hold = hold::correction(
        &plan,
        observation.tables,
        setting.cycle,
        table_temperature_c,
    );
    for summary in &mut summaries {
        summary.temperature_c = summary.table_temperature_c + hold.correction_c;
    }
    let evaluable = !matches!(hold.treatment, HoldTreatment::NotEvaluable { .. });

    let mut notices = notices(gauge, &summaries, &reference, setting);
    if let Some(notice) = hold_notice(&hold) {
        notices.push(notice);
    }
    let slope = mean(&summaries, &reference.members, |s| s.slope_c_per_mm);
    let members = &reference.members;
    let mut lines = gauge_lines(gauge, &repeatability, &summaries, members, slope);
    lines.extend(batch_lines(
        observation.batch_expanded_uncertainty_c,
        members.len(),
    ));
    if hold.standard_uncertainty_c > 0.0 && evaluable {
        lines.push(degrees(
            Source::HoldCorrection,
            hold.standard_uncertainty_c,
            true,
            hold.explanation.clone(),
            Some(0.0),
        ));
    }
    if !reference.as_asked {
        lines.push(degrees(
            Source::PositionSpread,
            UNKNOWN_POSITION_C / 3.0_f64.sqrt(),
            true,
            format!(
                "reference position not measured; ±{UNKNOWN_POSITION_C} °C, rectangular (common \
                 practice, no source)"
            ),
            Some(0.0),
        ));
    }
    Ok(Measured {
        table: Some(table),
        temperature_c: table_temperature_c + hold.correction_c,
        evaluable,
        position_spread_c: position_spread_c(&summaries),
        rings: summaries,
        hold: Some(hold),
        lines,
        notices,
    })
}

/// The gauge's pooled history, else the scatter of these rings, else the assumed figure.
fn repeatability(gauge: &Gauge, rings: &[Ring]) -> Repeatability {
    if let Some(pooled) = gauge.repeatability
        && pooled.degrees_of_freedom >= 1.0
    {
        return Repeatability {
            standard_deviation_mm: pooled.standard_deviation_mm,
            degrees_of_freedom: pooled.degrees_of_freedom,
            type_a: true,
            basis: format!(
                "{:.4} mm pooled over this gauge's history, {:.0} degrees of freedom (GUM H.3.6)",
                pooled.standard_deviation_mm, pooled.degrees_of_freedom
            ),
        };
    }
    let mut squares = 0.0;
    let mut freedom = 0.0;
    for ring in rings {
        let (ring_squares, ring_freedom) = ring.scatter();
        squares += ring_squares;
        freedom += ring_freedom;
    }
    if freedom > 0.0 {
        let standard_deviation_mm = f64::sqrt(squares / freedom);
        return Repeatability {
            standard_deviation_mm,
            degrees_of_freedom: freedom,
            type_a: true,
            basis: format!(
                "{standard_deviation_mm:.4} mm from these diameters, {freedom:.0} degrees of freedom"
            ),
        };
    }
    Repeatability {
        standard_deviation_mm: ASSUMED_REPEATABILITY_MM,
        degrees_of_freedom: f64::INFINITY,
        type_a: false,
        basis: format!("{ASSUMED_REPEATABILITY_MM} mm, {ASSUMPTION}"),
    }
}

/// Scatter that screening expects of one diameter, mm.
fn screening_mm(gauge: &Gauge) -> f64 {
    match gauge.repeatability {
        Some(pooled) if pooled.degrees_of_freedom >= 1.0 => pooled.standard_deviation_mm,
        _ => ASSUMED_REPEATABILITY_MM,
    }
}

/// The rings at the asked position, else those at the first ring's.
fn reference(rings: &[Ring], asked: Option<&str>) -> Reference {
    if let Some(position) = asked {
        let members = standing_at(rings, position);
        if !members.is_empty() {
            return Reference {
                members,
                as_asked: true,
            };
        }
    }
    let first = rings.first().map_or("", |ring| ring.position.as_str());
    Reference {
        members: standing_at(rings, first),
        as_asked: asked.is_none(),
    }
}

fn standing_at(rings: &[Ring], position: &str) -> Vec<usize> {
    let mut members = Vec::new();
    for (index, ring) in rings.iter().enumerate() {
        if same_position(&ring.position, position) {
            members.push(index);
        }
    }
    members
}

/// People write the same position with other capitals and spaces.
fn same_position(one: &str, other: &str) -> bool {
    let (one, other) = (one.trim(), other.trim());
    one == other || one.to_lowercase() == other.to_lowercase()
}

fn mean(summaries: &[RingSummary], members: &[usize], figure: fn(&RingSummary) -> f64) -> f64 {
    let mut sum = 0.0;
    for member in members {
        sum += figure(&summaries[*member]);
    }
    sum / count(members.len())
}

/// Hottest less coldest position; rings at one position count as their mean.
fn position_spread_c(summaries: &[RingSummary]) -> Option<f64> {
    let mut means: Vec<f64> = Vec::new();
    for (index, summary) in summaries.iter().enumerate() {
        let mut members = Vec::new();
        for (other, candidate) in summaries.iter().enumerate() {
            if same_position(&candidate.position, &summary.position) {
                members.push(other);
            }
        }
        if members.first() == Some(&index) {
            means.push(mean(summaries, &members, |s| s.temperature_c));
        }
    }
    if means.len() < 2 {
        return None;
    }
    let mut hottest = f64::NEG_INFINITY;
    let mut coldest = f64::INFINITY;
    for position in means {
        hottest = hottest.max(position);
        coldest = coldest.min(position);
    }
    Some(hottest - coldest)
}

/// Repeatability, resolution and bias of the gauge, in mm.
fn gauge_lines(
    gauge: &Gauge,
    repeatability: &Repeatability,
    summaries: &[RingSummary],
    members: &[usize],
    slope_c_per_mm: f64,
) -> Vec<LineInput> {
    let mut inverse_counts = 0.0;
    let mut inverse_counts_with_three_more = 0.0;
    for member in members {
        let measurements = count(summaries[*member].measurements);
        inverse_counts += 1.0 / measurements;
        inverse_counts_with_three_more += 1.0 / (measurements + 3.0);
    }
    let averaging = inverse_counts.sqrt() / count(members.len());
    let more_averaging = inverse_counts_with_three_more.sqrt() / count(members.len());
    let deviation = repeatability.standard_deviation_mm;
    // Scatter of half a step or more makes the rounding of one diameter independent of the next, so
    // it averages like scatter; with less, every diameter is rounded the same way and it stays whole.
    let step = gauge.resolution_mm;
    let (rounding, rounding_basis) = if deviation >= step / 2.0 {
        (
            averaging,
            "rectangular, averaged with the diameters (GUM F.2.2.1)",
        )
    } else {
        (
            1.0,
            "rectangular, not averaged because all diameters round alike (GUM F.2.2.1)",
        )
    };
    let bias = gauge_bias_line(gauge, slope_c_per_mm);
    vec![
        LineInput {
            source: Source::Repeatability,
            standard_uncertainty: deviation * averaging,
            unit: "mm",
            sensitivity: slope_c_per_mm,
            degrees_of_freedom: repeatability.degrees_of_freedom,
            shared: false,
            type_a: repeatability.type_a,
            basis: repeatability.basis.clone(),
            within_reach: Some(deviation * more_averaging),
        },
        LineInput {
            source: Source::Resolution,
            standard_uncertainty: step / 12.0_f64.sqrt() * rounding,
            unit: "mm",
            sensitivity: slope_c_per_mm,
            degrees_of_freedom: f64::INFINITY,
            shared: false,
            type_a: false,
            basis: format!("display step {step} mm, {rounding_basis}"),
            within_reach: None,
        },
        bias,
    ]
}

fn gauge_bias_line(gauge: &Gauge, slope_c_per_mm: f64) -> LineInput {
    let permissible = gauge.maximum_permissible_error_mm;
    let from_permissible = permissible / 3.0_f64.sqrt();
    let (standard_uncertainty, basis, checked) = match gauge.check {
        Some(check) if check.in_date => (
            check.standard_uncertainty_mm,
            format!(
                "checked on a reference block, {:.4} mm",
                check.standard_uncertainty_mm
            ),
            true,
        ),
        Some(_) => (
            from_permissible,
            format!(
                "block check out of date: maximum permissible error {permissible} mm, rectangular \
                 (GUM 4.3.7)"
            ),
            false,
        ),
        None => (
            from_permissible,
            format!("maximum permissible error {permissible} mm, rectangular (GUM 4.3.7)"),
            false,
        ),
    };
    let helps = !checked && standard_uncertainty > BLOCK_CHECK_MM;
    LineInput {
        source: Source::GaugeBias,
        standard_uncertainty,
        unit: "mm",
        sensitivity: slope_c_per_mm,
        degrees_of_freedom: f64::INFINITY,
        shared: true,
        type_a: false,
        basis,
        within_reach: helps.then_some(BLOCK_CHECK_MM),
    }
}

/// What rings and tables bring, in °C.
fn batch_lines(stated_expanded_c: Option<f64>, rings: usize) -> Vec<LineInput> {
    let rings = count(rings);
    let (batch_c, batch_basis) = match stated_expanded_c {
        Some(expanded) => (
            expanded / 2.0,
            format!("stated expanded uncertainty {expanded} °C, coverage factor 2"),
        ),
        None => (BATCH_BIAS_C, format!("{BATCH_BIAS_C} °C, {ASSUMPTION}")),
    };
    vec![
        degrees(
            Source::RingToRing,
            RING_TO_RING_C / rings.sqrt(),
            false,
            format!("{RING_TO_RING_C} °C between rings, mean of {rings}; {ASSUMPTION}"),
            Some(RING_TO_RING_C / (rings + 1.0).sqrt()),
        ),
        degrees(Source::BatchBias, batch_c, true, batch_basis, None),
        degrees(
            Source::TableRounding,
            TABLE_ROUNDING_C / 3.0_f64.sqrt(),
            true,
            "table in whole degrees, rectangular".to_owned(),
            None,
        ),
    ]
}

fn degrees(
    source: Source,
    standard_uncertainty: f64,
    shared: bool,
    basis: String,
    within_reach: Option<f64>,
) -> LineInput {
    LineInput {
        source,
        standard_uncertainty,
        unit: "°C",
        sensitivity: 1.0,
        degrees_of_freedom: f64::INFINITY,
        shared,
        type_a: false,
        basis,
        within_reach,
    }
}

/// What people should know about gauge, rings and positions.
fn notices(
    gauge: &Gauge,
    summaries: &[RingSummary],
    reference: &Reference,
    setting: &Setting,
) -> Vec<Reason> {
    let mut notices = Vec::new();
    for (index, summary) in summaries.iter().enumerate() {
        for suspect in &summary.suspect_diameters {
            notices.push(Reason {
                code: Cow::Borrowed("SUSPECT_DIAMETER"),
                text: format!(
                    "Diameter {} of ring {} lies far from the ring's other diameters; it is counted. \
                     Measure it again and amend the reading if it was wrong.",
                    suspect + 1,
                    index + 1
                ),
            });
        }
    }
    if gauge.check.is_some_and(|check| !check.in_date) {
        notices.push(Reason {
            code: Cow::Borrowed("GAUGE_CHECK_OVERDUE"),
            text: "The gauge's check on a reference block is out of date; its correction is kept, \
                   but the uncertainty is that of an unchecked gauge. Check the gauge."
                .to_owned(),
        });
    }
    if !reference.as_asked {
        let asked = setting.reference_position.unwrap_or_default();
        notices.push(Reason {
            code: Cow::Borrowed("REFERENCE_POSITION_NOT_MEASURED"),
            text: format!(
                "No ring stood at the reference position \"{asked}\"; the first ring's position is \
                 used at a larger uncertainty. Place a ring at \"{asked}\" next time."
            ),
        });
    }
    notices
}

fn hold_notice(hold: &hold::HoldCorrection) -> Option<Reason> {
    let code = match &hold.treatment {
        HoldTreatment::Matched => return None,
        HoldTreatment::Fitted { .. } => "HOLD_CORRECTED_FROM_TABLES",
        HoldTreatment::Assumed { .. } => "HOLD_CORRECTED_BY_ASSUMPTION",
        HoldTreatment::NotEvaluable { reason } => {
            let mut text = reason.clone();
            for statement in &hold.statements_still_valid {
                text.push(' ');
                text.push_str(statement);
            }
            return Some(Reason {
                code: Cow::Borrowed("HOLD_NOT_EVALUABLE"),
                text,
            });
        }
    };
    Some(Reason {
        code: Cow::Borrowed(code),
        text: hold.explanation.clone(),
    })
}
