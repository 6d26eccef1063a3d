//! Readings as lines of a table, and what was measured as a card.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::thermocouple_measurement::Indication;
use ringtrue_proto::v1::{Advice, Evaluation, Reading};

use crate::quantity::{self, brief, fixed, signed};
use crate::{moment, names, output, words};

/// Headings of [`rows`].
pub(crate) const HEADINGS: [&str; 7] =
    ["fired", "programme", "set", "true", "error", "advice", "id"];

/// Draws readings as a table.
pub(crate) fn drawn(
    readings: &[Reading],
    zone: &TimeZone,
    with_furnace: bool,
    columns: u16,
) -> String {
    output::table(&HEADINGS, &rows(readings, zone, with_furnace), columns)
}

/// Gives one line per reading.
pub(crate) fn rows(readings: &[Reading], zone: &TimeZone, with_furnace: bool) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for reading in readings {
        let fired = moment::received(reading.fire_time.as_ref());
        let programme = names::id(&reading.programme);
        let furnace = names::id(names::parent(&reading.programme));
        let set = reading
            .setpoint_c
            .map(|set| format!("{} °C", brief(set, 1)));
        let (truth, error, advice) = match &reading.evaluation {
            Some(evaluation) if evaluation.evaluable => (
                ring_temperature_brief(evaluation),
                format!("{} °C", signed(evaluation.present_error_c, 1)),
                advice_brief(evaluation),
            ),
            Some(_) => (String::new(), String::new(), "not evaluated".to_owned()),
            None => (String::new(), String::new(), String::new()),
        };
        let amended = if reading.amended_by.is_empty() {
            ""
        } else {
            " (amended)"
        };
        rows.push(vec![
            fired.map(|at| moment::brief(at, zone)).unwrap_or_default(),
            if with_furnace {
                format!("{furnace}/{programme}")
            } else {
                programme.to_owned()
            },
            set.unwrap_or_default(),
            truth,
            error,
            advice,
            format!("{}{amended}", names::id(&reading.name)),
        ]);
    }
    rows
}

fn advice_brief(evaluation: &Evaluation) -> String {
    match evaluation.advice() {
        Advice::Leave => "leave".to_owned(),
        Advice::Adjust => format!("enter {} °C", brief(evaluation.advised_setpoint_c, 1)),
        Advice::FireAgain => "fire again".to_owned(),
        Advice::Service => "call service".to_owned(),
        Advice::Unspecified => "-".to_owned(),
    }
}

fn ring_temperature_brief(evaluation: &Evaluation) -> String {
    match &evaluation.budget {
        Some(budget) => format!(
            "{} ± {} °C",
            fixed(evaluation.ring_temperature_c, 1),
            fixed(budget.expanded_uncertainty_c, 1)
        ),
        None => format!("{} °C", fixed(evaluation.ring_temperature_c, 1)),
    }
}

/// Says the ring temperature with its expanded uncertainty.
pub(crate) fn ring_temperature(evaluation: &Evaluation) -> String {
    let brief = ring_temperature_brief(evaluation);
    if evaluation.budget.is_some() {
        format!("{brief} (about 95 % coverage)")
    } else {
        brief
    }
}

/// Says in a few words what came out: the ring temperature, or that nothing can be said of it.
pub(crate) fn outcome(evaluation: &Evaluation) -> String {
    if evaluation.evaluable {
        ring_temperature(evaluation)
    } else {
        format!(
            "not evaluated; the table reads {}",
            table_temperature(evaluation)
        )
    }
}

/// Says what the table gives for its own hold, which is no temperature of this firing.
pub(crate) fn table_temperature(evaluation: &Evaluation) -> String {
    let temperature = fixed(evaluation.ring_temperature_c, 1);
    match &evaluation.hold {
        Some(hold) if hold.table_hold_min > 0.0 => format!(
            "{temperature} °C, but for a hold of {} min",
            brief(hold.table_hold_min, 1)
        ),
        _ => format!("{temperature} °C"),
    }
}

/// Says what was measured, how and when.
pub(crate) fn measured(reading: &Reading, zone: &TimeZone) -> Vec<(&'static str, String)> {
    let shown = |stamp: Option<&prost_types::Timestamp>| {
        let at = moment::received(stamp);
        at.map(|at| moment::shown(at, zone)).unwrap_or_default()
    };
    let setpoint = match reading.setpoint_c {
        Some(setpoint) => format!("{} °C", brief(setpoint, 2)),
        None => "the setpoint in force at the firing".to_owned(),
    };
    let mut lines = vec![
        ("Reading", reading.name.clone()),
        ("Programme", reading.programme.clone()),
        ("Controller at", setpoint),
        ("Firing ended", shown(reading.fire_time.as_ref())),
        ("Measured", shown(reading.measure_time.as_ref())),
        (
            "Purpose",
            words::word(words::PURPOSES, reading.purpose())
                .trim_matches('-')
                .to_owned(),
        ),
    ];
    match &reading.method {
        Some(Method::Rings(rings)) => {
            lines.push(("Batch", names::id(&rings.ring_batch).to_owned()));
            lines.push(("Gauge", names::id(&rings.gauge).to_owned()));
            if let Some(zero) = rings.zero_mm {
                lines.push(("Gauge closed", format!("{} mm", fixed(zero, 3))));
            }
            if let Some(temperature) = rings.ring_temperature_c {
                lines.push(("Rings at", format!("{} °C", brief(temperature, 1))));
            }
            for ring in &rings.rings {
                lines.push(("Ring", ring_line(ring)));
            }
        }
        Some(Method::Thermocouple(measured)) => {
            let kind = words::word(words::THERMOCOUPLES, measured.r#type());
            let shown = match measured.indication {
                Some(Indication::EmfMv(emf)) => format!(
                    "{} mV, reference junction at {} °C",
                    fixed(emf, 4),
                    brief(measured.reference_junction_c, 1)
                ),
                Some(Indication::TemperatureC(temperature)) => {
                    format!("{} °C", brief(temperature, 2))
                }
                None => "nothing".to_owned(),
            };
            lines.push(("Thermocouple", format!("type {kind} showed {shown}")));
            lines.push((
                "Its certificate",
                format!(
                    "correction {} °C, ±{} °C (k = 2)",
                    signed(measured.correction_c, 2),
                    brief(measured.expanded_uncertainty_c, 2)
                ),
            ));
        }
        None => {}
    }
    lines.push(("By", reading.performed_by.clone()));
    lines.push(("Note", reading.note.clone()));
    lines.push(("Confirmed", reading.answered_questions.join(", ")));
    lines.push(("Corrects", reading.amends.clone()));
    lines.push(("Corrected by", reading.amended_by.clone()));
    lines.push(("Why corrected", reading.amend_reason.clone()));
    lines
}

fn ring_line(ring: &ringtrue_proto::v1::Ring) -> String {
    let position = if ring.position.is_empty() {
        "centre"
    } else {
        &ring.position
    };
    let serial = if ring.serial_number.is_empty() {
        String::new()
    } else {
        format!(" #{}", ring.serial_number)
    };
    let mut values = Vec::new();
    for diameter in &ring.diameters_mm {
        values.push(brief(*diameter, 4));
    }
    let mean = match quantity::mean(&ring.diameters_mm) {
        Some(mean) => format!(", mean {} mm", fixed(mean, 3)),
        None => String::new(),
    };
    format!("{position}{serial}: {} mm{mean}", values.join("  "))
}

/// Draws each ring's part of the evaluation; empty without rings.
pub(crate) fn rings(reading: &Reading, columns: u16) -> String {
    let Some(evaluation) = &reading.evaluation else {
        return String::new();
    };
    let mut rows = Vec::new();
    for ring in &evaluation.rings {
        rows.push(vec![
            ring.position.clone(),
            format!("{} mm", fixed(ring.mean_diameter_mm, 3)),
            format!("{} mm", fixed(ring.corrected_diameter_mm, 3)),
            format!("{} mm", fixed(ring.ovality_mm, 3)),
            format!("{} °C", fixed(ring.table_temperature_c, 1)),
            if evaluation.evaluable {
                format!("{} °C", fixed(ring.temperature_c, 1))
            } else {
                "-".to_owned()
            },
            format!("{} °C", signed(ring.slope_c_per_hundredth_mm, 1)),
        ]);
    }
    if rows.is_empty() {
        return String::new();
    }
    let headings = [
        "ring",
        "mean",
        "corrected",
        "ovality",
        "table",
        "true",
        "per 0.01 mm",
    ];
    output::table(&headings, &rows, columns)
}
