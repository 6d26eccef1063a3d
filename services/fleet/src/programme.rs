//! Firing programmes: the true temperature wanted, apart from the setpoint entered to get it.

use jiff::Timestamp;
use ringtrue_calibration::programme::{Cycle, Segment};

use crate::furnace::FurnaceDetails;
use crate::key::ProgrammeKey;
use crate::versioned::Versioned;
use crate::violation::Violations;

/// A named firing schedule on a furnace.
pub type Programme = Versioned<ProgrammeKey, ProgrammeDetails>;

/// What is known of a programme.
#[derive(Debug, Clone, PartialEq)]
pub struct ProgrammeDetails {
    /// What people call it.
    pub display_name: String,
    /// Segments in firing order.
    pub segments: Vec<Segment>,
    /// Peak that the material's instructions ask for, °C.
    pub material_target_c: f64,
    /// Tuning for shade, °C; kept apart from the furnace's correction.
    pub shade_shift_c: f64,
    /// What is entered on the controller now, °C.
    pub setpoint_c: f64,
    /// Lowest setpoint of this programme, °C; 0 for none.
    pub minimum_setpoint_c: f64,
    /// Highest setpoint of this programme, °C; 0 for the furnace's alone.
    pub maximum_setpoint_c: f64,
    /// What it is for.
    pub kind: ProgrammeKind,
    /// The change of setpoint that was confirmed last, if any.
    pub last_change: Option<SetpointChange>,
}

impl Default for ProgrammeDetails {
    fn default() -> Self {
        Self {
            display_name: String::new(),
            segments: Vec::new(),
            material_target_c: 0.0,
            shade_shift_c: 0.0,
            setpoint_c: 0.0,
            minimum_setpoint_c: 0.0,
            maximum_setpoint_c: 0.0,
            kind: ProgrammeKind::Standard,
            last_change: None,
        }
    }
}

/// A confirmed change of a setpoint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SetpointChange {
    /// As found, °C.
    pub from_c: f64,
    /// As left, °C.
    pub to_c: f64,
    /// When it was read back from the panel.
    pub changed_at: Timestamp,
}

/// What a schedule is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProgrammeKind {
    /// The usual schedule.
    Standard,
    /// A short schedule for a few single pieces.
    Quick,
    /// A long schedule with slow cooling.
    Long,
}

/// Most segments of a programme.
pub const MAX_SEGMENTS: usize = 24;

/// Largest shade tuning in all, °C either way.
pub const LARGEST_SHADE_SHIFT_C: f64 = 40.0;

/// Largest change of the shade tuning at once, °C.
pub const LARGEST_SHADE_STEP_C: f64 = 20.0;

impl ProgrammeDetails {
    /// True peak temperature wanted, °C.
    pub fn target_c(&self) -> f64 {
        self.material_target_c + self.shade_shift_c
    }

    /// The schedule as the mathematics sees it.
    pub fn cycle(&self) -> Cycle {
        Cycle {
            segments: self.segments.clone(),
        }
    }

    /// Lowest setpoint that may be advised, °C.
    pub fn lowest_setpoint_c(&self) -> f64 {
        if self.minimum_setpoint_c > 0.0 {
            self.minimum_setpoint_c
        } else {
            900.0
        }
    }

    /// Highest setpoint that may be advised on this furnace, °C.
    pub fn highest_setpoint_c(&self, furnace: &FurnaceDetails) -> f64 {
        if self.maximum_setpoint_c > 0.0 {
            self.maximum_setpoint_c.min(furnace.maximum_setpoint_c)
        } else {
            furnace.maximum_setpoint_c
        }
    }

    /// Checks every field; `path` is the request field that holds the programme.
    pub fn check(&self, path: &str, furnace: &FurnaceDetails, violations: &mut Violations) {
        violations.text(&format!("{path}.display_name"), &self.display_name, 1, 120);
        violations.number(
            &format!("{path}.material_target_c"),
            self.material_target_c,
            900.0,
            1750.0,
            "°C",
        );
        violations.number(
            &format!("{path}.shade_shift_c"),
            self.shade_shift_c,
            -LARGEST_SHADE_SHIFT_C,
            LARGEST_SHADE_SHIFT_C,
            "°C",
        );
        violations.number(
            &format!("{path}.setpoint_c"),
            self.setpoint_c,
            900.0,
            1800.0,
            "°C",
        );
        self.check_segments(path, violations);
        for (field, value) in [
            ("minimum_setpoint_c", self.minimum_setpoint_c),
            ("maximum_setpoint_c", self.maximum_setpoint_c),
        ] {
            // Zero means no limit of the programme's own.
            if !value.is_finite() || value.abs() > 0.0 {
                violations.number(&format!("{path}.{field}"), value, 900.0, 1800.0, "°C");
            }
        }
        let lowest = self.lowest_setpoint_c();
        let highest = self.highest_setpoint_c(furnace);
        if lowest > highest {
            violations.add(
                format!("{path}.minimum_setpoint_c"),
                "LIMITS_CROSSED",
                format!("the lowest setpoint {lowest} °C lies above the highest {highest} °C"),
            );
        } else if self.setpoint_c < lowest || self.setpoint_c > highest {
            violations.add(
                format!("{path}.setpoint_c"),
                "OUTSIDE_LIMITS",
                format!(
                    "{} °C is outside the limits of programme and furnace, {lowest} to {highest} °C",
                    self.setpoint_c
                ),
            );
        }
    }

    fn check_segments(&self, path: &str, violations: &mut Violations) {
        if self.segments.is_empty() || self.segments.len() > MAX_SEGMENTS {
            violations.add(
                format!("{path}.segments"),
                "WRONG_COUNT",
                format!(
                    "has {} segments; send 1 to {MAX_SEGMENTS}",
                    self.segments.len()
                ),
            );
            return;
        }
        for (at, segment) in self.segments.iter().enumerate() {
            let field = format!("{path}.segments[{at}]");
            violations.number(
                &format!("{field}.ramp_c_per_min"),
                segment.ramp_c_per_min,
                0.1,
                500.0,
                "°C/min",
            );
            violations.number(
                &format!("{field}.temperature_c"),
                segment.temperature_c,
                20.0,
                1800.0,
                "°C",
            );
            violations.number(
                &format!("{field}.hold_min"),
                segment.hold_min,
                0.0,
                1440.0,
                "min",
            );
        }
        if let Some(peak) = self.cycle().peak()
            && (peak.temperature_c - self.material_target_c).abs() > 0.05
        {
            violations.add(
                format!("{path}.segments"),
                "PEAK_DIFFERS",
                format!(
                    "the hottest segment is at {} °C but material_target_c is {} °C; give the \
                     schedule as wanted, the setpoint is kept apart",
                    peak.temperature_c, self.material_target_c
                ),
            );
        }
    }

    /// Checks what may change at once from one version to the next.
    pub fn check_change(&self, before: &Self, path: &str, violations: &mut Violations) {
        if (self.setpoint_c - before.setpoint_c).abs() > 0.0 {
            violations.add(
                format!("{path}.setpoint_c"),
                "NOT_CHANGED_HERE",
                "a setpoint is changed only by confirming an adjustment; use ConfirmAdjustment",
            );
        }
        if (self.shade_shift_c - before.shade_shift_c).abs() > LARGEST_SHADE_STEP_C {
            violations.add(
                format!("{path}.shade_shift_c"),
                "STEP_TOO_LARGE",
                format!(
                    "changes by more than {LARGEST_SHADE_STEP_C} °C at once; calibrate, then tune in smaller steps"
                ),
            );
        }
    }
}
