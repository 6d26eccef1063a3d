//! How long until the next calibration: four ways of saying it, two of them by the names that auditors
//! know from ILAC-G24:2022 / OIML D 10:2022, Guidelines for the determination of recalibration
//! intervals of measuring equipment.
//!
//! Every way gives whole days within what the site allows, says what limited them, and explains itself
//! in words. None of them overrides an interval that a maker, a programme or an authority prescribes.

pub mod control_chart;
pub mod reliability;
pub mod staircase;
pub mod tracked;

/// The way in which an interval was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// ILAC-G24 method 1, automatic adjustment or "staircase" (calendar time).
    Staircase,
    /// ILAC-G24 method 2, control chart (calendar time).
    ControlChart,
    /// ILAC-G24 method 5, other statistical approaches: an exponential reliability target over a pooled
    /// fleet.
    ReliabilityTarget,
    /// ILAC-G24 method 5, other statistical approaches: from the tracked offset of this furnace.
    Tracked,
}

impl Method {
    /// Gives the name an auditor looks for.
    pub fn name(self) -> &'static str {
        match self {
            Method::Staircase => "method 1 of ILAC-G24, automatic adjustment (staircase)",
            Method::ControlChart => "method 2 of ILAC-G24, control chart",
            Method::ReliabilityTarget => {
                "method 5 of ILAC-G24, reliability target over the pooled fleet"
            }
            Method::Tracked => "method 5 of ILAC-G24, tracked offset of this furnace",
        }
    }
}

/// What a site allows and wants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IntervalPolicy {
    /// Shortest interval, days; below 1 counts as 1.
    pub shortest_days: u32,
    /// Longest interval, days; below the shortest counts as the shortest.
    pub longest_days: u32,
    /// Probability of still being within tolerance that is wanted at the next calibration.
    pub reliability: f64,
}

impl Default for IntervalPolicy {
    /// One week to thirteen, and 95 % (assumptions of this program).
    fn default() -> Self {
        IntervalPolicy {
            shortest_days: 7,
            longest_days: 91,
            reliability: 0.95,
        }
    }
}

impl IntervalPolicy {
    fn shortest(&self) -> u32 {
        self.shortest_days.max(1)
    }

    fn longest(&self) -> u32 {
        self.longest_days.max(self.shortest())
    }
}

/// What decided the length of an interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitedBy {
    /// The method's own figure.
    Method,
    /// The method gave less than the site's shortest interval.
    ShortestAllowed,
    /// The method gave more than the site's longest interval.
    LongestAllowed,
    /// Too little is known for the method; the interval in use, or the shortest one, stands.
    TooLittleKnown,
}

/// An advised interval.
#[derive(Debug, Clone, PartialEq)]
pub struct IntervalAdvice {
    /// How it was found.
    pub method: Method,
    /// Days from the last calibration to the next.
    pub days: u32,
    /// The method's own figure before limits and rounding, days; none when it has none, which is also
    /// so when nothing within the longest interval speaks for a calibration.
    pub computed_days: Option<f64>,
    /// What decided.
    pub limited_by: LimitedBy,
    /// The advice with its reason, for people.
    pub words: String,
}

/// Rounds down to whole days, keeps them within the policy and puts the advice into words: the reason
/// is a sentence without its stop. No days means that the method sees no end.
fn advice(
    method: Method,
    computed_days: Option<f64>,
    policy: &IntervalPolicy,
    reason: &str,
) -> IntervalAdvice {
    let (shortest, longest) = (policy.shortest(), policy.longest());
    let computed_days = computed_days.filter(|days| days.is_finite());
    // Rounding errors must not take a day away from a whole number of days.
    let whole = computed_days.map_or(f64::INFINITY, |days| (days + 1e-9).floor());
    let (days, limited_by) = if whole < f64::from(shortest) {
        (shortest, LimitedBy::ShortestAllowed)
    } else if whole > f64::from(longest) {
        (longest, LimitedBy::LongestAllowed)
    } else {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a whole number between two u32"
        )]
        let days = whole as u32;
        (days, LimitedBy::Method)
    };
    let limit = match limited_by {
        LimitedBy::ShortestAllowed => " (the shortest allowed)",
        LimitedBy::LongestAllowed => " (the longest allowed)",
        LimitedBy::Method | LimitedBy::TooLittleKnown => "",
    };
    IntervalAdvice {
        method,
        days,
        computed_days,
        limited_by,
        words: format!(
            "Calibrate again {} after the last calibration{limit}: {reason}. Found by {}.",
            in_days(days),
            method.name()
        ),
    }
}

/// What stands when a method cannot say: an interval kept within the policy.
fn too_little_known(
    method: Method,
    days: f64,
    policy: &IntervalPolicy,
    reason: &str,
) -> IntervalAdvice {
    let kept = if days.is_finite() { days } else { 0.0 };
    let mut found = advice(method, Some(kept), policy, reason);
    found.computed_days = None;
    found.limited_by = LimitedBy::TooLittleKnown;
    found
}

fn in_days(days: u32) -> String {
    if days == 1 {
        "1 day".to_owned()
    } else {
        format!("{days} days")
    }
}

#[cfg(test)]
mod tests;
