//! What is wrong with the values a caller sent, field by field, all at once.

use std::fmt;

/// One bad value.
#[derive(Debug, Clone, PartialEq)]
pub struct Violation {
    /// Path of the field in the request, for example `reading.rings.rings[0].diameters_mm[1]`.
    pub field: String,
    /// Stable code in UPPER_SNAKE.
    pub reason: &'static str,
    /// What is wrong and what to do next.
    pub message: String,
}

/// All bad values of one request; empty while nothing is wrong.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Violations(pub Vec<Violation>);

impl Violations {
    /// Adds one.
    pub fn add(
        &mut self,
        field: impl Into<String>,
        reason: &'static str,
        message: impl Into<String>,
    ) {
        self.0.push(Violation {
            field: field.into(),
            reason,
            message: message.into(),
        });
    }

    /// The value when nothing is wrong, all violations otherwise.
    pub fn or<T>(self, value: T) -> Result<T, Self> {
        if self.0.is_empty() {
            Ok(value)
        } else {
            Err(self)
        }
    }

    /// Checks that a number is finite and within limits, both included.
    pub fn number(&mut self, field: &str, value: f64, low: f64, high: f64, unit: &str) {
        if !value.is_finite() {
            self.add(
                field,
                "NOT_FINITE",
                format!("must be a number; send a value from {low} to {high} {unit}"),
            );
        } else if value < low || value > high {
            self.add(
                field,
                "OUT_OF_RANGE",
                format!("{value} is outside {low} to {high} {unit}; check the value and its unit"),
            );
        }
    }

    /// Checks a text's length in characters and that it holds no control characters but line feeds.
    pub fn text(&mut self, field: &str, value: &str, least: usize, most: usize) {
        let length = value.chars().count();
        if length < least {
            self.add(
                field,
                "REQUIRED",
                format!("is empty; send {least} to {most} characters"),
            );
        } else if length > most {
            self.add(
                field,
                "TOO_LONG",
                format!("has {length} characters; send at most {most}"),
            );
        } else if value.chars().any(|c| c.is_control() && c != '\n') {
            self.add(
                field,
                "CONTROL_CHARACTER",
                "holds control characters; send plain text",
            );
        }
    }
}

impl fmt::Display for Violations {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, violation) in self.0.iter().enumerate() {
            if at > 0 {
                f.write_str("; ")?;
            }
            write!(f, "{} {}", violation.field, violation.message)?;
        }
        Ok(())
    }
}
