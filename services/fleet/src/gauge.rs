//! Gauges and their checks on a reference block.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use ringtrue_calibration::gauge::{BlockCheck, Gauge as KnownGauge, Pooled};

use crate::key::{CheckKey, GaugeKey};
use crate::versioned::Versioned;
use crate::violation::Violations;

/// A caliper or micrometer.
pub type Gauge = Versioned<GaugeKey, GaugeDetails>;

/// What callers give of a gauge.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeDetails {
    /// What people call it.
    pub display_name: String,
    /// Kind of gauge; none when the caller gave no known kind.
    pub kind: Option<GaugeKind>,
    /// Display step, mm.
    pub resolution_mm: f64,
    /// Maximum permissible error, ±mm.
    pub maximum_permissible_error_mm: f64,
    /// Days after which a check is out of date.
    pub check_interval_days: i32,
    /// Serial or inventory number.
    pub serial_number: String,
    /// Whether it may be used.
    pub in_use: bool,
}

impl Default for GaugeDetails {
    fn default() -> Self {
        Self {
            display_name: String::new(),
            kind: None,
            resolution_mm: 0.0,
            maximum_permissible_error_mm: 0.0,
            check_interval_days: 365,
            serial_number: String::new(),
            in_use: true,
        }
    }
}

/// Kinds of gauges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GaugeKind {
    /// Caliper.
    Caliper,
    /// Micrometer.
    Micrometer,
}

/// A check as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeCheck {
    /// What tells it apart.
    pub key: CheckKey,
    /// What was found.
    pub details: CheckDetails,
    /// Mean measured minus nominal, mm.
    pub bias_mm: f64,
    /// Standard uncertainty of the bias, mm.
    pub standard_uncertainty_mm: f64,
    /// When the server stored it.
    pub received_at: Timestamp,
}

/// What callers give of a check.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckDetails {
    /// Length of the block, mm.
    pub nominal_mm: f64,
    /// What the gauge showed, mm.
    pub measured_mm: Vec<f64>,
    /// Standard uncertainty of the block, mm.
    pub block_standard_uncertainty_mm: f64,
    /// When the check was made.
    pub checked_at: Option<Timestamp>,
    /// Who made it.
    pub performed_by: String,
    /// Identification of the block and remarks.
    pub note: String,
}

/// Standard uncertainty of a reference block when the caller states none, mm (assumption).
pub const BLOCK_STANDARD_UNCERTAINTY_MM: f64 = 0.0005;

/// Most values in one check.
pub const MAX_CHECK_VALUES: usize = 24;

/// Largest difference from nominal that still looks like a bias, mm; more is a wrong block or unit.
const LARGEST_BIAS_MM: f64 = 0.5;

impl GaugeDetails {
    /// Checks every field; `path` is the request field that holds the gauge.
    pub fn check(&self, path: &str, violations: &mut Violations) {
        violations.text(&format!("{path}.display_name"), &self.display_name, 1, 120);
        if self.kind.is_none() {
            violations.add(
                format!("{path}.kind"),
                "REQUIRED",
                "is missing; say whether it is a caliper or a micrometer",
            );
        }
        violations.number(
            &format!("{path}.resolution_mm"),
            self.resolution_mm,
            0.0001,
            0.1,
            "mm",
        );
        violations.number(
            &format!("{path}.maximum_permissible_error_mm"),
            self.maximum_permissible_error_mm,
            0.0005,
            0.2,
            "mm",
        );
        if !(1..=1100).contains(&self.check_interval_days) {
            violations.add(
                format!("{path}.check_interval_days"),
                "OUT_OF_RANGE",
                format!("{} days is outside 1 to 1100", self.check_interval_days),
            );
        }
        violations.text(
            &format!("{path}.serial_number"),
            &self.serial_number,
            0,
            120,
        );
    }

    /// Day on which a check goes out of date, in the site's zone.
    pub fn check_due_on(&self, checked_at: Timestamp, zone: &TimeZone) -> Date {
        let day = checked_at.to_zoned_datetime(zone.clone()).date();
        day.checked_add(Span::new().days(self.check_interval_days))
            .unwrap_or(Date::MAX)
    }

    /// The gauge's part in the uncertainty of a diameter measured on `measured_on`, local date.
    pub fn known(
        &self,
        check: Option<&GaugeCheck>,
        pooled: Option<Pooled>,
        measured_on: Date,
        zone: &TimeZone,
    ) -> KnownGauge {
        let check = check.and_then(|check| {
            let checked_at = check.details.checked_at?;
            Some(BlockCheck {
                bias_mm: check.bias_mm,
                standard_uncertainty_mm: check.standard_uncertainty_mm,
                in_date: measured_on <= self.check_due_on(checked_at, zone),
            })
        });
        KnownGauge {
            resolution_mm: self.resolution_mm,
            maximum_permissible_error_mm: self.maximum_permissible_error_mm,
            check,
            repeatability: pooled,
        }
    }
}

/// How far two checks must differ, in standard uncertainties of their difference, to show that the gauge
/// has changed between them (an assumption of this program; 3 is the usual control limit).
const CHANGED_BEYOND: f64 = 3.0;

/// A time in which a gauge kept its bias, as far as its checks show.
#[derive(Debug, Clone, PartialEq)]
pub struct Epoch<'a> {
    /// 0 for the first; for others the second since 1970 in which they began, so that a check that is
    /// entered late changes the number of no other.
    pub number: u32,
    /// When the check that began it was made; none for the first.
    pub from: Option<Timestamp>,
    /// The checks made in it, earliest first.
    pub checks: Vec<&'a GaugeCheck>,
}

/// Splits a gauge's life where a check shows that it changed: dropped, zeroed anew, repaired. Readings
/// before its first check belong to the first epoch, so that a check also corrects what was measured before
/// it.
pub fn epochs(checks: &[GaugeCheck]) -> Vec<Epoch<'_>> {
    let mut in_order: Vec<(Timestamp, &GaugeCheck)> = checks
        .iter()
        .filter_map(|check| Some((check.details.checked_at?, check)))
        .collect();
    in_order.sort_by(|one, other| (one.0, &one.1.key.check).cmp(&(other.0, &other.1.key.check)));
    let mut epochs = vec![Epoch {
        number: 0,
        from: None,
        checks: Vec::new(),
    }];
    for (checked_at, check) in in_order {
        let Some(now) = epochs.last_mut() else {
            return epochs;
        };
        if now.checks.last().is_some_and(|last| differ(last, check)) {
            let began = u32::try_from(checked_at.as_second()).unwrap_or(0);
            let number = began.max(now.number.saturating_add(1));
            epochs.push(Epoch {
                number,
                from: Some(checked_at),
                checks: vec![check],
            });
        } else {
            now.checks.push(check);
        }
    }
    epochs
}

fn differ(one: &GaugeCheck, other: &GaugeCheck) -> bool {
    let variance = one.standard_uncertainty_mm.powi(2) + other.standard_uncertainty_mm.powi(2);
    (one.bias_mm - other.bias_mm).powi(2) > CHANGED_BEYOND.powi(2) * variance
}

/// The epoch of a number: that which began with it, or the one around it when a check that was entered
/// since shows that the change came earlier.
pub fn epoch_numbered<'e, 'a>(epochs: &'e [Epoch<'a>], number: u32) -> Option<&'e Epoch<'a>> {
    epochs.iter().rev().find(|epoch| epoch.number <= number)
}

/// The epoch to which a measurement belongs.
pub fn epoch_at<'e, 'a>(epochs: &'e [Epoch<'a>], measured_at: Timestamp) -> Option<&'e Epoch<'a>> {
    epochs
        .iter()
        .rev()
        .find(|epoch| epoch.from.is_none_or(|from| from <= measured_at))
}

impl CheckDetails {
    /// Checks every field; `path` is the request field that holds the check.
    pub fn check(&self, path: &str, now: Timestamp, violations: &mut Violations) {
        violations.number(
            &format!("{path}.nominal_mm"),
            self.nominal_mm,
            1.0,
            150.0,
            "mm",
        );
        if self.measured_mm.is_empty() || self.measured_mm.len() > MAX_CHECK_VALUES {
            violations.add(
                format!("{path}.measured_mm"),
                "WRONG_COUNT",
                format!(
                    "has {} values; send 1 to {MAX_CHECK_VALUES} of the same block",
                    self.measured_mm.len()
                ),
            );
        }
        for (at, value) in self.measured_mm.iter().enumerate() {
            let field = format!("{path}.measured_mm[{at}]");
            if !value.is_finite() {
                violations.add(field, "NOT_FINITE", "must be a number in mm");
            } else if (value - self.nominal_mm).abs() > LARGEST_BIAS_MM {
                violations.add(
                    field,
                    "NOT_THIS_BLOCK",
                    format!(
                        "{value} mm is more than {LARGEST_BIAS_MM} mm from the block's {} mm; check the \
                         block, the zero and the unit",
                        self.nominal_mm
                    ),
                );
            }
        }
        violations.number(
            &format!("{path}.block_standard_uncertainty_mm"),
            self.block_standard_uncertainty_mm,
            0.0,
            0.05,
            "mm",
        );
        crate::event::past(
            &format!("{path}.check_time"),
            self.checked_at,
            now,
            violations,
        );
        violations.text(&format!("{path}.performed_by"), &self.performed_by, 0, 40);
        violations.text(&format!("{path}.note"), &self.note, 0, 500);
    }

    /// Bias found and its standard uncertainty, both mm, for a gauge with this display step: block,
    /// resolution and spread of the values together (GUM 5.1).
    pub fn found(&self, resolution_mm: f64) -> (f64, f64) {
        let mut sum = 0.0;
        let mut count = 0.0;
        for value in &self.measured_mm {
            sum += value;
            count += 1.0;
        }
        let mean = sum / count;
        let mut squares = 0.0;
        for value in &self.measured_mm {
            squares += (value - mean) * (value - mean);
        }
        // A single value, or values that all agree, still carry the hand's repeatability: taken as
        // half a display step (assumption), so that one lucky value is not believed too well.
        let of_mean_mm = if count > 1.0 {
            (squares / (count - 1.0) / count).sqrt()
        } else {
            0.0
        };
        let floor_mm = 0.5 * resolution_mm / count.sqrt();
        let resolution_part_mm = resolution_mm / 12.0_f64.sqrt();
        let variance = self.block_standard_uncertainty_mm.powi(2)
            + resolution_part_mm.powi(2)
            + of_mean_mm.max(floor_mm).powi(2);
        (mean - self.nominal_mm, variance.sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::key::{CheckId, GaugeId, SiteId};

    fn check(id: &str, checked_at: &str, bias_mm: f64) -> GaugeCheck {
        GaugeCheck {
            key: CheckKey {
                gauge: GaugeKey {
                    site: SiteId::new("porto").expect("an id"),
                    gauge: GaugeId::new("k1").expect("an id"),
                },
                check: CheckId::new(id).expect("an id"),
            },
            details: CheckDetails {
                nominal_mm: 20.0,
                measured_mm: vec![20.0 + bias_mm],
                block_standard_uncertainty_mm: 0.0005,
                checked_at: checked_at.parse().ok(),
                performed_by: String::new(),
                note: String::new(),
            },
            bias_mm,
            standard_uncertainty_mm: 0.004,
            received_at: Timestamp::UNIX_EPOCH,
        }
    }

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a moment")
    }

    #[test]
    fn checks_that_agree_are_of_one_epoch_and_a_jump_begins_another() {
        let checks = [
            check("c3", "2026-09-01T08:00:00Z", 0.045),
            check("c1", "2026-01-10T08:00:00Z", 0.010),
            check("c2", "2026-05-10T08:00:00Z", 0.020),
        ];
        let epochs = epochs(&checks);
        assert_eq!(epochs.len(), 2);
        assert_eq!(epochs[0].checks.len(), 2);
        assert_eq!(epochs[1].from, Some(at("2026-09-01T08:00:00Z")));
        let number = |moment: &str| epoch_at(&epochs, at(moment)).map(|epoch| epoch.number);
        assert_eq!(number("2025-12-01T08:00:00Z"), Some(0));
        assert_eq!(number("2026-08-31T08:00:00Z"), Some(0));
        assert_eq!(number("2026-09-01T08:00:00Z"), Some(epochs[1].number));
    }

    #[test]
    fn a_check_entered_late_leaves_every_reading_with_the_bias_it_was_measured_with() {
        let january = check("c1", "2026-01-10T08:00:00Z", 0.0);
        let march = check("c2", "2026-03-10T08:00:00Z", 0.05);
        let two = [january.clone(), march.clone()];
        let measured_at = at("2026-04-01T08:00:00Z");
        let number = epoch_at(&epochs(&two), measured_at).map_or(0, |epoch| epoch.number);
        // Found in February: once another bias than before and after, once that of March already.
        for february_mm in [-0.05, 0.05] {
            let all = [
                january.clone(),
                march.clone(),
                check("c3", "2026-02-10T08:00:00Z", february_mm),
            ];
            let all = epochs(&all);
            let own = epoch_numbered(&all, number).expect("an epoch");
            assert!(own.checks.iter().any(|check| check.key == march.key));
            assert!(
                own.checks.iter().all(|check| check.bias_mm > 0.04),
                "{own:?}"
            );
            let before = epoch_numbered(&all, 0).expect("an epoch");
            assert_eq!(before.checks.len(), 1);
        }
    }

    #[test]
    fn a_gauge_that_was_never_checked_has_one_epoch() {
        let epochs = epochs(&[]);
        assert_eq!(epochs.len(), 1);
        assert!(epoch_at(&epochs, at("2026-08-31T08:00:00Z")).is_some());
    }
}
