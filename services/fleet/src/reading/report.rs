//! Checks of a reported reading that need no records: every bad field at once.

use jiff::Timestamp;
use ringtrue_calibration::evaluation::Indication;
use ringtrue_calibration::plausibility::QuestionCode;
use ringtrue_calibration::rings::{MAX_DIAMETERS, MAX_RINGS};

use super::{
    MeasuredRing, Method, RawMethod, RawReport, Report, RingMeasurement, ThermocoupleMeasurement,
};
use crate::event::{in_words, past};
use crate::key::{BatchId, GaugeKey, SiteId};
use crate::violation::Violations;

/// Position of a ring or thermocouple whose report names none.
const USUAL_POSITION: &str = "centre";

/// Most characters of a position.
const MOST_POSITION: usize = 40;

impl RawReport {
    /// Checks everything that needs no records.
    pub fn checked(self, now: Timestamp) -> Result<Report, Violations> {
        let mut violations = Violations::default();
        match &self.programme {
            None => violations.add(
                "reading.programme",
                "REQUIRED",
                "is missing; name the programme that was fired",
            ),
            Some(programme) if programme.furnace != self.furnace => violations.add(
                "reading.programme",
                "PROGRAMME_OF_ANOTHER_FURNACE",
                format!(
                    "belongs to {}, but the reading is for {}; name a programme of this furnace",
                    programme.furnace.name(),
                    self.furnace.name()
                ),
            ),
            Some(_) => {}
        }
        if let Some(setpoint_c) = self.setpoint_c {
            check_setpoint(setpoint_c, &mut violations);
        }
        past("reading.fire_time", self.fired_at, now, &mut violations);
        let is_thermocouple = matches!(self.method, Some(RawMethod::Thermocouple { .. }));
        let measured_at = if is_thermocouple {
            self.measured_at.or(self.fired_at)
        } else {
            self.measured_at
        };
        past("reading.measure_time", measured_at, now, &mut violations);
        if let (Some(fired), Some(measured)) = (self.fired_at, measured_at)
            && measured < fired
        {
            violations.add(
                "reading.measure_time",
                "MEASURED_BEFORE_FIRED",
                format!(
                    "lies {} before the end of the firing; check both",
                    in_words(fired.duration_since(measured))
                ),
            );
        }
        violations.text("reading.performed_by", &self.performed_by, 0, 40);
        violations.text("reading.note", &self.note, 0, 2000);
        if self.answered.len() > 32 || self.answered.iter().any(|code| code.len() > 63) {
            violations.add(
                "reading.answered_questions",
                "WRONG_COUNT",
                "send at most 32 question codes of at most 63 characters",
            );
        } else {
            check_answers(&self.answered, &mut violations);
        }
        let method = match self.method {
            None => {
                violations.add(
                    "reading.rings",
                    "REQUIRED",
                    "nothing was measured; send rings or a thermocouple",
                );
                None
            }
            Some(raw) => checked_method(raw, &self.furnace.site, &mut violations),
        };
        match (self.programme, method, self.fired_at, measured_at) {
            (Some(programme), Some(method), Some(fired_at), Some(measured_at)) => {
                violations.or(Report {
                    programme,
                    setpoint_c: self.setpoint_c,
                    method,
                    fired_at,
                    measured_at,
                    purpose: self.purpose,
                    performed_by: self.performed_by,
                    note: self.note,
                    answered: self.answered.into_iter().collect(),
                })
            }
            _ => Err(violations),
        }
    }
}

fn check_answers(answered: &[String], violations: &mut Violations) {
    for (at, code) in answered.iter().enumerate() {
        if QuestionCode::known(code).is_none() {
            violations.add(
                format!("reading.answered_questions[{at}]"),
                "UNKNOWN_QUESTION",
                format!(
                    "{code:?} is no question's code; send the codes of the questions that were asked, for example {}",
                    QuestionCode::HotRing.code()
                ),
            );
        }
    }
}

fn check_setpoint(setpoint_c: f64, violations: &mut Violations) {
    let as_celsius = (setpoint_c - 32.0) / 1.8;
    if setpoint_c > 1800.0 && (900.0..=1800.0).contains(&as_celsius) {
        violations.add(
            "reading.setpoint_c",
            "FAHRENHEIT",
            format!(
                "{setpoint_c} °C cannot be; {setpoint_c} °F would be {as_celsius:.0} °C: send °C"
            ),
        );
    } else {
        violations.number("reading.setpoint_c", setpoint_c, 900.0, 1800.0, "°C");
    }
}

fn checked_method(raw: RawMethod, site: &SiteId, violations: &mut Violations) -> Option<Method> {
    match raw {
        RawMethod::Rings {
            batch,
            gauge,
            rings,
            zero_mm,
            ring_temperature_c,
        } => {
            check_batch_and_gauge(batch.as_ref(), gauge.as_ref(), site, violations);
            let rings = checked_rings(rings, violations);
            if let Some(zero) = zero_mm {
                violations.number("reading.rings.zero_mm", zero, -1.0, 1.0, "mm");
            }
            if let Some(warm) = ring_temperature_c {
                violations.number(
                    "reading.rings.ring_temperature_c",
                    warm,
                    -20.0,
                    1800.0,
                    "°C",
                );
            }
            Some(Method::Rings(RingMeasurement {
                batch: batch?,
                gauge: gauge?,
                rings,
                zero_mm,
                ring_temperature_c,
            }))
        }
        RawMethod::Thermocouple {
            kind,
            indication,
            correction_c,
            expanded_uncertainty_c,
            position,
        } => {
            let path = "reading.thermocouple";
            if kind.is_none() {
                violations.add(
                    format!("{path}.type"),
                    "REQUIRED",
                    "is missing or not known here; send type B or S",
                );
            }
            check_indication(path, indication, violations);
            violations.number(
                &format!("{path}.correction_c"),
                correction_c,
                -50.0,
                50.0,
                "°C",
            );
            violations.number(
                &format!("{path}.expanded_uncertainty_c"),
                expanded_uncertainty_c,
                0.1,
                50.0,
                "°C",
            );
            violations.text(&format!("{path}.position"), &position, 0, MOST_POSITION);
            Some(Method::Thermocouple(ThermocoupleMeasurement {
                kind: kind?,
                indication: indication?,
                correction_c,
                expanded_uncertainty_c,
                position: named_position(&position),
            }))
        }
    }
}

fn check_batch_and_gauge(
    batch: Option<&BatchId>,
    gauge: Option<&GaugeKey>,
    site: &SiteId,
    violations: &mut Violations,
) {
    if batch.is_none() {
        violations.add(
            "reading.rings.ring_batch",
            "REQUIRED",
            "is missing; name the batch printed on the rings' package",
        );
    }
    match gauge {
        None => violations.add(
            "reading.rings.gauge",
            "REQUIRED",
            "is missing; name the gauge that measured the rings",
        ),
        Some(gauge) if &gauge.site != site => violations.add(
            "reading.rings.gauge",
            "GAUGE_OF_ANOTHER_SITE",
            format!(
                "belongs to {}; name a gauge of {}",
                gauge.site.name(),
                site.name()
            ),
        ),
        Some(_) => {}
    }
}

fn check_indication(path: &str, indication: Option<Indication>, violations: &mut Violations) {
    match indication {
        None => violations.add(
            format!("{path}.temperature_c"),
            "REQUIRED",
            "nothing was indicated; send emf_mv or temperature_c",
        ),
        Some(Indication::Millivolts {
            emf_mv,
            reference_junction_c,
        }) => {
            violations.number(&format!("{path}.emf_mv"), emf_mv, -0.3, 20.0, "mV");
            let field = format!("{path}.reference_junction_c");
            violations.number(&field, reference_junction_c, -20.0, 60.0, "°C");
        }
        Some(Indication::Celsius(temperature_c)) => {
            violations.number(
                &format!("{path}.temperature_c"),
                temperature_c,
                0.0,
                1800.0,
                "°C",
            );
        }
    }
}

fn checked_rings(rings: Vec<MeasuredRing>, violations: &mut Violations) -> Vec<MeasuredRing> {
    let path = "reading.rings.rings";
    if rings.is_empty() || rings.len() > MAX_RINGS {
        violations.add(
            path,
            "WRONG_COUNT",
            format!("has {} rings; send 1 to {MAX_RINGS}", rings.len()),
        );
    }
    let mut checked = Vec::with_capacity(rings.len().min(MAX_RINGS));
    for (at, measured) in rings.into_iter().take(MAX_RINGS).enumerate() {
        let field = format!("{path}[{at}]");
        violations.text(
            &format!("{field}.position"),
            &measured.ring.position,
            0,
            MOST_POSITION,
        );
        violations.text(
            &format!("{field}.serial_number"),
            &measured.serial_number,
            0,
            60,
        );
        check_diameters(
            &format!("{field}.diameters_mm"),
            &measured.ring.diameters_mm,
            violations,
        );
        let mut ring = measured.ring;
        ring.position = named_position(&ring.position);
        checked.push(MeasuredRing {
            ring,
            serial_number: measured.serial_number,
        });
    }
    checked
}

fn check_diameters(field: &str, diameters_mm: &[f64], violations: &mut Violations) {
    if diameters_mm.is_empty() || diameters_mm.len() > MAX_DIAMETERS {
        violations.add(
            field,
            "WRONG_COUNT",
            format!(
                "has {} values; send 1 to {MAX_DIAMETERS} diameters of the ring, best three at different angles",
                diameters_mm.len()
            ),
        );
        return;
    }
    for (at, &diameter) in diameters_mm.iter().enumerate() {
        let field = format!("{field}[{at}]");
        let as_mm = diameter * 25.4;
        if diameter > 0.0 && diameter < 5.0 && (5.0..=40.0).contains(&as_mm) {
            violations.add(
                field,
                "INCHES",
                format!(
                    "{diameter} mm cannot be a ring; {diameter} in would be {as_mm:.2} mm: send mm"
                ),
            );
        } else {
            violations.number(&field, diameter, 5.0, 40.0, "mm");
        }
    }
}

fn named_position(position: &str) -> String {
    let trimmed = position.trim();
    if trimmed.is_empty() {
        USUAL_POSITION.to_owned()
    } else {
        trimmed.to_owned()
    }
}
