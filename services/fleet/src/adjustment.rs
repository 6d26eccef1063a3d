//! Adjustments: a setpoint as left, read back from the panel.

use jiff::Timestamp;

use crate::event::past;
use crate::furnace::Furnace;
use crate::key::{AdjustmentKey, ProgrammeKey, ReadingId, ReadingKey};
use crate::programme::{Programme, SetpointChange};
use crate::reading::Reading;
use crate::violation::Violations;

/// An adjustment as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjustment {
    /// What tells it apart.
    pub key: AdjustmentKey,
    /// What the caller reported.
    pub details: AdjustmentDetails,
    /// As found, °C.
    pub previous_setpoint_c: f64,
    /// What the reading had advised, °C.
    pub advised_setpoint_c: Option<f64>,
    /// When the server stored it.
    pub received_at: Timestamp,
}

/// What callers give of an adjustment.
#[derive(Debug, Clone, PartialEq)]
pub struct AdjustmentDetails {
    /// The programme; none when the caller named none.
    pub programme: Option<ProgrammeKey>,
    /// The reading that advised it.
    pub reading: Option<ReadingKey>,
    /// As left, °C.
    pub setpoint_c: f64,
    /// When it was read back from the panel.
    pub adjusted_at: Option<Timestamp>,
    /// Who entered it.
    pub performed_by: String,
    /// Why it differs from the advice.
    pub override_reason: String,
}

impl AdjustmentDetails {
    /// Checks what can be checked without records; `path` is the request field.
    pub fn check(
        &self,
        path: &str,
        parent: &crate::key::FurnaceKey,
        now: Timestamp,
        violations: &mut Violations,
    ) {
        match &self.programme {
            None => violations.add(
                format!("{path}.programme"),
                "REQUIRED",
                "is missing; name the programme whose setpoint was entered",
            ),
            Some(programme) if &programme.furnace != parent => violations.add(
                format!("{path}.programme"),
                "PROGRAMME_OF_ANOTHER_FURNACE",
                format!(
                    "belongs to {}, not to {}",
                    programme.furnace.name(),
                    parent.name()
                ),
            ),
            Some(_) => {}
        }
        if let Some(reading) = &self.reading
            && &reading.furnace != parent
        {
            violations.add(
                format!("{path}.reading"),
                "READING_OF_ANOTHER_FURNACE",
                format!(
                    "belongs to {}, not to {}",
                    reading.furnace.name(),
                    parent.name()
                ),
            );
        }
        violations.number(
            &format!("{path}.setpoint_c"),
            self.setpoint_c,
            900.0,
            1800.0,
            "°C",
        );
        past(
            &format!("{path}.adjust_time"),
            self.adjusted_at,
            now,
            violations,
        );
        violations.text(&format!("{path}.performed_by"), &self.performed_by, 0, 40);
        violations.text(
            &format!("{path}.override_reason"),
            &self.override_reason,
            0,
            500,
        );
    }
}

/// Checks that a reading may be named as the one that advised an adjustment.
pub fn check_advising(
    details: &AdjustmentDetails,
    reading: &Reading,
    amended_by: Option<&ReadingId>,
    path: &str,
    violations: &mut Violations,
) {
    let field = format!("{path}.reading");
    if Some(&reading.report.programme) != details.programme.as_ref() {
        violations.add(
            field,
            "READING_OF_ANOTHER_PROGRAMME",
            format!(
                "was fired with {}; name the reading that advised this programme, or none",
                reading.report.programme.name()
            ),
        );
    } else if let Some(later) = amended_by {
        violations.add(
            field,
            "READING_AMENDED",
            format!("was amended and its advice no longer stands; see its latest version {later}"),
        );
    } else if details
        .adjusted_at
        .is_some_and(|at| at < reading.report.fired_at)
    {
        violations.add(
            format!("{path}.adjust_time"),
            "BEFORE_THE_READING",
            format!(
                "lies before the end of the reading's firing, {}; check date and time",
                reading.report.fired_at
            ),
        );
    }
}

/// Confirms a setpoint: gives the record and the programme's new content.
pub fn confirm(
    furnace: &Furnace,
    programme: &Programme,
    advised_setpoint_c: Option<f64>,
    details: AdjustmentDetails,
    key: AdjustmentKey,
    path: &str,
    now: Timestamp,
) -> Result<(Adjustment, crate::programme::ProgrammeDetails), Violations> {
    let mut violations = Violations::default();
    let setpoint_c = details.setpoint_c;
    let lowest = programme.details.lowest_setpoint_c();
    let highest = programme.details.highest_setpoint_c(&furnace.details);
    if setpoint_c < lowest || setpoint_c > highest {
        violations.add(
            format!("{path}.setpoint_c"),
            "OUTSIDE_LIMITS",
            format!(
                "{setpoint_c} °C is outside the limits of programme and furnace, {lowest} to {highest} °C; \
                 check what the panel shows"
            ),
        );
    }
    let step = furnace.details.setpoint_step_c;
    let steps = setpoint_c / step;
    if (steps - steps.round()).abs() > 1e-6 {
        violations.add(
            format!("{path}.setpoint_c"),
            "NOT_A_STEP",
            format!("{setpoint_c} °C is not a multiple of this furnace's step of {step} °C; read the panel again"),
        );
    }
    if let Some(advised) = advised_setpoint_c
        && (advised - setpoint_c).abs() > 1e-6
        && details.override_reason.trim().is_empty()
    {
        violations.add(
            format!("{path}.override_reason"),
            "REQUIRED",
            format!("the reading advises {advised} °C, not {setpoint_c} °C; enter the advised setpoint or say why not"),
        );
    }
    let adjusted_at = details.adjusted_at.unwrap_or(now);
    if let Some(last) = programme.details.last_change
        && adjusted_at < last.changed_at
    {
        violations.add(
            format!("{path}.adjust_time"),
            "BEFORE_LAST_ADJUSTMENT",
            format!(
                "lies before the adjustment confirmed at {}; check date and time",
                last.changed_at
            ),
        );
    }
    let changed = crate::programme::ProgrammeDetails {
        setpoint_c,
        last_change: Some(SetpointChange {
            from_c: programme.details.setpoint_c,
            to_c: setpoint_c,
            changed_at: adjusted_at,
        }),
        ..programme.details.clone()
    };
    let adjustment = Adjustment {
        key,
        details,
        previous_setpoint_c: programme.details.setpoint_c,
        advised_setpoint_c,
        received_at: now,
    };
    violations.or((adjustment, changed))
}
