//! Laboratories: their zone, their calibration day and their house rules.

use jiff::Timestamp;
use jiff::civil::{Date, Time, Weekday};
use jiff::tz::TimeZone;

use crate::key::SiteId;
use crate::reading::Purpose;
use crate::versioned::Versioned;
use crate::violation::Violations;

/// A laboratory location.
pub type Site = Versioned<SiteId, SiteDetails>;

/// What callers give of a site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteDetails {
    /// What people call it.
    pub display_name: String,
    /// IANA name of its time zone.
    pub time_zone: String,
    /// The fixed day on which it calibrates.
    pub calibration_day: Option<Weekday>,
    /// Longest time between calibrations, days.
    pub calibration_interval_days: i32,
    /// Weekdays on which nobody works.
    pub closed_days: Vec<Weekday>,
    /// Tolerance about the target, ±°C.
    pub tolerance_c: f64,
    /// Smallest error worth an adjustment, °C.
    pub action_band_c: f64,
    /// Largest change that one unconfirmed reading may advise, °C.
    pub largest_step_c: f64,
    /// Whether an assumed activation energy may correct a hold mismatch.
    pub accepts_assumed_hold_correction: bool,
    /// Whether every reading is compensated in full at once.
    pub full_compensation: bool,
    /// Holidays; closed like the closed days.
    pub closures: Vec<Closure>,
    /// Local time by which a ring is to be in the furnace on a calibration day.
    pub firing_time: Time,
    /// Local time from which alerts wait for the morning.
    pub quiet_from: Time,
    /// Local time from which they come again; equal to `quiet_from` for no quiet hours.
    pub quiet_until: Time,
    /// Days after its due date at which an alert goes to the manager as well.
    pub manager_after_days: i32,
    /// Days after its due date at which it goes to quality control as well.
    pub quality_after_days: i32,
    /// Days without any record after which the site counts as silent.
    pub silent_after_days: i32,
    /// From when on every reading waits for the signature of a second person; none when none does.
    pub readings_sign_off_since: Option<Timestamp>,
    /// From when on every adjustment does.
    pub adjustments_sign_off_since: Option<Timestamp>,
}

/// Days on which a site is closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Closure {
    /// First closed day.
    pub from: Date,
    /// Last closed day.
    pub until: Date,
    /// Why.
    pub reason: String,
}

impl Default for SiteDetails {
    /// The defaults that the protocol states for values left out.
    fn default() -> Self {
        Self {
            display_name: String::new(),
            time_zone: String::new(),
            calibration_day: None,
            calibration_interval_days: 28,
            closed_days: Vec::new(),
            tolerance_c: 10.0,
            action_band_c: 3.0,
            largest_step_c: 30.0,
            accepts_assumed_hold_correction: false,
            full_compensation: false,
            closures: Vec::new(),
            firing_time: Time::constant(15, 0, 0, 0),
            quiet_from: Time::constant(19, 0, 0, 0),
            quiet_until: Time::constant(7, 0, 0, 0),
            manager_after_days: 1,
            quality_after_days: 3,
            silent_after_days: 35,
            readings_sign_off_since: None,
            adjustments_sign_off_since: None,
        }
    }
}

/// Most closures of a site.
const MOST_CLOSURES: usize = 200;

/// Longest closure, days.
const LONGEST_CLOSURE_DAYS: i32 = 62;

impl SiteDetails {
    /// Checks every field; `path` is the request field that holds the site.
    pub fn check(&self, path: &str, violations: &mut Violations) {
        violations.text(&format!("{path}.display_name"), &self.display_name, 1, 120);
        if zone(&self.time_zone).is_none() {
            violations.add(
                format!("{path}.time_zone"),
                "UNKNOWN_TIME_ZONE",
                format!(
                    "`{}` is not an IANA time zone; send one such as `Europe/Lisbon` or `America/Bogota`",
                    crate::key::shown(&self.time_zone)
                ),
            );
        }
        if self.calibration_day.is_none() {
            violations.add(
                format!("{path}.calibration_day"),
                "REQUIRED",
                "is missing; send the weekday on which this laboratory calibrates",
            );
        }
        if !(1..=31).contains(&self.calibration_interval_days) {
            violations.add(
                format!("{path}.calibration_interval_days"),
                "OUT_OF_RANGE",
                format!(
                    "{} days is outside 1 to 31; calibrate at least monthly",
                    self.calibration_interval_days
                ),
            );
        }
        if let Some(day) = self.calibration_day
            && self.closed_days.contains(&day)
        {
            violations.add(
                format!("{path}.closed_days"),
                "CALIBRATION_DAY_CLOSED",
                "the calibration day is a closed day; choose another calibration day",
            );
        }
        violations.number(
            &format!("{path}.tolerance_c"),
            self.tolerance_c,
            2.0,
            50.0,
            "°C",
        );
        violations.number(
            &format!("{path}.action_band_c"),
            self.action_band_c,
            0.0,
            20.0,
            "°C",
        );
        violations.number(
            &format!("{path}.largest_step_c"),
            self.largest_step_c,
            1.0,
            100.0,
            "°C",
        );
        self.check_calendar(path, violations);
    }

    fn check_calendar(&self, path: &str, violations: &mut Violations) {
        if self
            .closed_days
            .iter()
            .collect::<std::collections::HashSet<_>>()
            .len()
            >= 7
        {
            violations.add(
                format!("{path}.closed_days"),
                "ALWAYS_CLOSED",
                "every day is closed; leave at least one working day",
            );
        }
        if self.closures.len() > MOST_CLOSURES {
            violations.add(
                format!("{path}.closures"),
                "TOO_MANY",
                format!(
                    "{} closures are too many; send at most {MOST_CLOSURES} and leave out past ones",
                    self.closures.len()
                ),
            );
        }
        for (at, closure) in self.closures.iter().enumerate().take(MOST_CLOSURES) {
            let field = format!("{path}.closures[{at}]");
            let days = closure
                .until
                .since(closure.from)
                .map_or(i32::MAX, |span| span.get_days());
            if !(0..LONGEST_CLOSURE_DAYS).contains(&days) {
                violations.add(
                    format!("{field}.until_date"),
                    "OUT_OF_RANGE",
                    format!(
                        "a closure ends on or after its first day and lasts at most \
                         {LONGEST_CLOSURE_DAYS} days; check the dates"
                    ),
                );
            }
            violations.text(&format!("{field}.reason"), &closure.reason, 0, 120);
        }
        if (1..3).contains(&self.firing_time.hour()) {
            violations.add(
                format!("{path}.firing_time"),
                "OUT_OF_RANGE",
                "lies between 01:00 and 03:00, which some days lack or have twice; choose another time",
            );
        }
        for (field, days, least, most) in [
            ("manager_after_days", self.manager_after_days, 0, 31),
            ("quality_after_days", self.quality_after_days, 0, 62),
            ("silent_after_days", self.silent_after_days, 1, 366),
        ] {
            if !(least..=most).contains(&days) {
                violations.add(
                    format!("{path}.{field}"),
                    "OUT_OF_RANGE",
                    format!("{days} days is outside {least} to {most}"),
                );
            }
        }
        if self.quality_after_days < self.manager_after_days {
            violations.add(
                format!("{path}.quality_after_days"),
                "BEFORE_MANAGER",
                "quality control would hear before the manager; send at least as many days",
            );
        }
    }

    /// Whether the site's policy asks for a second person's signature on a reading. Practice decides nothing and
    /// waits for nobody.
    pub fn reading_needs_sign_off(&self, purpose: Purpose, recorded_at: Timestamp) -> bool {
        purpose != Purpose::Practice
            && self
                .readings_sign_off_since
                .is_some_and(|since| recorded_at >= since)
    }

    /// The site's zone; UTC should the zone database have lost it since the site was added.
    pub fn zone(&self) -> TimeZone {
        zone(&self.time_zone).unwrap_or(TimeZone::UTC)
    }
}

/// A zone by its IANA name; names of fixed offsets and the like are not zones of a laboratory.
fn zone(name: &str) -> Option<TimeZone> {
    let is_plain = name == "UTC" || name.contains('/');
    if !is_plain || name.len() > 64 {
        return None;
    }
    TimeZone::get(name).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn valid() -> SiteDetails {
        SiteDetails {
            display_name: "North bench".to_owned(),
            time_zone: "Europe/Lisbon".to_owned(),
            calibration_day: Some(Weekday::Friday),
            ..SiteDetails::default()
        }
    }

    #[test]
    fn a_site_with_the_stated_defaults_is_valid() {
        let mut violations = Violations::default();
        valid().check("site", &mut violations);
        assert_eq!(violations, Violations::default());
    }

    #[test]
    fn every_bad_field_is_named_at_once() {
        let mut violations = Violations::default();
        SiteDetails {
            display_name: "x".repeat(10_000),
            time_zone: "Mars/Olympus".to_owned(),
            calibration_interval_days: 90,
            tolerance_c: f64::NAN,
            ..SiteDetails::default()
        }
        .check("site", &mut violations);
        let fields: Vec<&str> = violations.0.iter().map(|v| v.field.as_str()).collect();
        assert_eq!(
            fields,
            [
                "site.display_name",
                "site.time_zone",
                "site.calibration_day",
                "site.calibration_interval_days",
                "site.tolerance_c"
            ]
        );
    }
}
