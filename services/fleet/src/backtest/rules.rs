//! The ways of deciding a setpoint that are compared.

use ringtrue_calibration::decision::{Limits, Policy, rounded_setpoint_c};

/// A way of deciding a setpoint after each reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// Every reading is compensated in full.
    Plain,
    /// A reading is compensated in full when it is more than 5 °C off.
    PlainBeyond5,
    /// A reading is compensated in full when it is more than 10 °C off.
    PlainBeyond10,
    /// The furnace's own readings weighed together; biases of gauge and batch known only from them.
    Alone,
    /// All readings of the network weighed together.
    Fleet,
    /// The same, with errors inside the site's action band left alone.
    FleetBeyondBand,
    /// The setpoints that were really confirmed.
    Confirmed,
}

/// All rules, in the order in which they are shown.
pub const RULES: [Rule; 7] = [
    Rule::Plain,
    Rule::PlainBeyond5,
    Rule::PlainBeyond10,
    Rule::Alone,
    Rule::Fleet,
    Rule::FleetBeyondBand,
    Rule::Confirmed,
];

impl Rule {
    /// Its stable name, for programs.
    pub fn code(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::PlainBeyond5 => "plain-beyond-5",
            Self::PlainBeyond10 => "plain-beyond-10",
            Self::Alone => "furnace-alone",
            Self::Fleet => "fleet",
            Self::FleetBeyondBand => "fleet-beyond-band",
            Self::Confirmed => "confirmed",
        }
    }

    /// Errors up to this size are left alone, °C.
    fn band_c(self, policy: &Policy) -> f64 {
        match self {
            Self::PlainBeyond5 => 5.0,
            Self::PlainBeyond10 => 10.0,
            Self::FleetBeyondBand => policy.action_band_c,
            Self::Plain | Self::Alone | Self::Fleet | Self::Confirmed => 0.0,
        }
    }
}

/// What a reading shows of a furnace's offset, °C, as each kind of rule takes it; none when it says
/// nothing.
#[expect(clippy::struct_field_names, reason = "the unit belongs in every name")]
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Offsets {
    /// By the reading alone.
    pub plain_c: f64,
    /// By the furnace's own readings.
    pub alone_c: Option<f64>,
    /// By the network's readings.
    pub fleet_c: Option<f64>,
}

/// What bears on a decision besides the offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Setting {
    pub target_c: f64,
    pub limits: Limits,
    pub policy: Policy,
}

/// The setpoint that a rule leaves on the panel, °C. What was confirmed is on record and not decided here.
pub(super) fn decided_c(rule: Rule, current_c: f64, offsets: &Offsets, setting: &Setting) -> f64 {
    let offset_c = match rule {
        Rule::Plain | Rule::PlainBeyond5 | Rule::PlainBeyond10 => Some(offsets.plain_c),
        Rule::Alone => offsets.alone_c,
        Rule::Fleet | Rule::FleetBeyondBand => offsets.fleet_c,
        Rule::Confirmed => None,
    };
    let Some(offset_c) = offset_c else {
        return current_c;
    };
    let error_c = current_c + offset_c - setting.target_c;
    let band_c = rule
        .band_c(&setting.policy)
        .max(setting.limits.setpoint_step_c / 2.0);
    if error_c.abs() <= band_c {
        return current_c;
    }
    rounded_setpoint_c(setting.target_c - offset_c, current_c, &setting.limits).setpoint_c
}

#[cfg(test)]
mod tests {
    use super::*;

    const OFFSETS: Offsets = Offsets {
        plain_c: 19.0,
        alone_c: Some(16.0),
        fleet_c: Some(4.0),
    };

    fn setting() -> Setting {
        Setting {
            target_c: 1500.0,
            limits: Limits {
                setpoint_step_c: 1.0,
                lowest_setpoint_c: 900.0,
                highest_setpoint_c: 1600.0,
                largest_step_c: 30.0,
            },
            policy: Policy::default(),
        }
    }

    fn left_c(rule: Rule, current_c: f64, offsets: &Offsets) -> f64 {
        decided_c(rule, current_c, offsets, &setting())
    }

    #[test]
    fn set_to_1500_and_read_as_1519_means_1481() {
        // Target less what the ring says too much (common practice, no source).
        for rule in [Rule::Plain, Rule::PlainBeyond5, Rule::PlainBeyond10] {
            assert!((left_c(rule, 1500.0, &OFFSETS) - 1481.0).abs() < 1e-9);
        }
        assert!((left_c(Rule::Alone, 1500.0, &OFFSETS) - 1484.0).abs() < 1e-9);
        assert!((left_c(Rule::Fleet, 1500.0, &OFFSETS) - 1496.0).abs() < 1e-9);
    }

    #[test]
    fn an_error_inside_the_band_is_left_alone() {
        // The error is current + offset - target.
        assert!((left_c(Rule::PlainBeyond5, 1486.0, &OFFSETS) - 1486.0).abs() < 1e-9);
        assert!((left_c(Rule::PlainBeyond5, 1487.0, &OFFSETS) - 1481.0).abs() < 1e-9);
        assert!((left_c(Rule::PlainBeyond10, 1491.0, &OFFSETS) - 1491.0).abs() < 1e-9);
        assert!((left_c(Rule::FleetBeyondBand, 1499.0, &OFFSETS) - 1499.0).abs() < 1e-9);
        assert!((left_c(Rule::FleetBeyondBand, 1500.0, &OFFSETS) - 1496.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_not_known_or_not_allowed_moves_nothing_beyond_the_limits() {
        let nothing = Offsets {
            plain_c: f64::NAN,
            alone_c: None,
            fleet_c: None,
        };
        for rule in RULES {
            assert!(
                (left_c(rule, 1490.0, &nothing) - 1490.0).abs() < 1e-9,
                "{rule:?}"
            );
        }
        let cold = Offsets {
            plain_c: -150.0,
            ..OFFSETS
        };
        assert!((left_c(Rule::Plain, 1500.0, &cold) - 1600.0).abs() < 1e-9);
    }

    #[test]
    fn every_rule_has_a_name_of_its_own() {
        let mut codes: Vec<&str> = RULES.iter().map(|rule| rule.code()).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), RULES.len());
    }
}
