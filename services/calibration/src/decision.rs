//! What to do about a reading: leave alone, adjust, fire again, or call service (JCGM 106, with the
//! bounded adjustment of Box & Luceño, from memory).

use std::borrow::Cow;

use crate::coverage::normal_cdf;
use crate::inference::Estimate;

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Advice {
    /// The furnace is right within what can be known; a change now would follow noise.
    Leave,
    /// Enter the advised setpoint.
    Adjust,
    /// The reading is doubtful or the step too large to trust once.
    FireAgain,
    /// A setpoint cannot mend this.
    Service,
}

/// What the furnace and the programme allow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Step of the setpoint on the panel, °C.
    pub setpoint_step_c: f64,
    /// Lowest setpoint allowed, °C.
    pub lowest_setpoint_c: f64,
    /// Highest setpoint allowed, °C: the lower of the furnace's and the programme's.
    pub highest_setpoint_c: f64,
    /// Largest single step without a confirming firing, °C; 30 by default.
    pub largest_step_c: f64,
}

/// How a site decides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Policy {
    /// Tolerance around the target, °C.
    pub tolerance_c: f64,
    /// Errors within this band are left alone, °C; never below half a setpoint step.
    pub action_band_c: f64,
    /// Guard band in standard uncertainties (JCGM 106 8.3.2).
    pub guard_factor: f64,
    /// Conformance probability below which an adjustment is advised.
    pub conformance_wanted: f64,
    /// True in networks whose procedure demands plain compensation of every reading.
    pub full_compensation: bool,
}

impl Default for Policy {
    fn default() -> Self {
        Policy {
            tolerance_c: 10.0,
            action_band_c: 3.0,
            guard_factor: 1.64,
            conformance_wanted: 0.95,
            full_compensation: false,
        }
    }
}

/// A setpoint the panel can show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoundedSetpoint {
    /// The setpoint, °C.
    pub setpoint_c: f64,
    /// True when a limit, not the wish, decided it.
    pub limited: bool,
}

/// Why something is advised or noted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason {
    /// Stable code, UPPER_SNAKE.
    pub code: Cow<'static, str>,
    /// The reason in words, with units and what to do next.
    pub text: String,
}

/// What is decided, with its grounds.
#[derive(Debug, Clone, PartialEq)]
pub struct Decision {
    /// What to do.
    pub advice: Advice,
    /// Target less this reading's offset, unrounded, °C.
    pub plain_setpoint_c: f64,
    /// What the panel should show, °C; the current setpoint unless the advice is to adjust.
    pub advised_setpoint_c: f64,
    /// What would be advised if a second firing confirms, °C.
    pub provisional_setpoint_c: Option<f64>,
    /// Estimated offset at the target's temperature, °C.
    pub offset_c: f64,
    /// Its standard uncertainty, °C.
    pub offset_standard_uncertainty_c: f64,
    /// Present error: current setpoint + offset - target, °C.
    pub error_c: f64,
    /// Probability that the error lies within tolerance (JCGM 106 7.3).
    pub conformance_probability: f64,
    /// Guard band, °C.
    pub guard_band_c: f64,
    /// Errors up to this size are accepted, °C.
    pub acceptance_limit_c: f64,
    /// Why, the deciding ones first; never empty.
    pub reasons: Vec<Reason>,
}

/// Largest confirmed offset a setpoint may still mend, °C (an assumption of this program).
const LARGEST_OFFSET_C: f64 = 50.0;

/// Fastest drift a setpoint may still follow, °C/week (an assumption of this program).
const FASTEST_DRIFT_C_PER_WEEK: f64 = 3.0;

/// Beyond this many standard deviations from history a second firing is asked for.
pub const DOUBTFUL_Z: f64 = 3.5;

/// All that a decision rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Situation {
    /// On the panel now, °C.
    pub current_setpoint_c: f64,
    /// True temperature wanted, °C.
    pub target_c: f64,
    /// This reading's own offset with its standard uncertainty.
    pub reading: Estimate,
    /// Expanded uncertainty of this reading, °C.
    pub reading_expanded_c: f64,
    /// Offset at the target's temperature from all knowledge.
    pub estimate: Estimate,
    /// Distance between reading and prediction in standard deviations; none for a first reading.
    pub innovation_z: Option<f64>,
    /// True when a second firing agrees.
    pub confirmed: bool,
    /// Known drift, °C/week.
    pub drift_c_per_week: f64,
    /// Difference between the hottest and coldest position, °C.
    pub position_spread_c: Option<f64>,
    /// What furnace and programme allow.
    pub limits: Limits,
    /// How the site decides.
    pub policy: Policy,
}

/// Gives the probability that the true error lies within plus and minus the tolerance, for a normal
/// distribution around `error_c` (JCGM 106 7.3.2 and 7.4). Without uncertainty it is 1 or 0; 0 also
/// when a figure is not a number, because then nothing is shown.
pub fn conformance_probability(error_c: f64, standard_uncertainty_c: f64, tolerance_c: f64) -> f64 {
    if error_c.is_nan() || standard_uncertainty_c.is_nan() || tolerance_c.is_nan() {
        return 0.0;
    }
    if standard_uncertainty_c <= 0.0 {
        return if error_c.abs() <= tolerance_c {
            1.0
        } else {
            0.0
        };
    }
    let upper = normal_cdf((tolerance_c - error_c) / standard_uncertainty_c);
    let lower = normal_cdf((-tolerance_c - error_c) / standard_uncertainty_c);
    let probability = upper - lower;
    if probability.is_nan() {
        0.0
    } else {
        probability.clamp(0.0, 1.0)
    }
}

/// Rounds a wanted setpoint to the panel's step and keeps it within the limits.
///
/// Steps are counted from 0 °C. Half way between two steps the one nearer to `current_c` wins,
/// because the smaller change does less harm. When the limits are not whole steps the result stays
/// inside them; when no step fits between them it is the current setpoint moved inside.
pub fn rounded_setpoint_c(wanted_c: f64, current_c: f64, limits: &Limits) -> RoundedSetpoint {
    let (low, high) = (limits.lowest_setpoint_c, limits.highest_setpoint_c);
    if wanted_c.is_nan() || low.is_nan() || high.is_nan() || low > high {
        return RoundedSetpoint {
            setpoint_c: current_c,
            limited: true,
        };
    }
    let step = limits.setpoint_step_c;
    let (nearest, lowest, highest) = if step > 0.0 && step.is_finite() {
        let lowest = (low / step - STEP_SLACK).ceil() * step;
        let highest = (high / step + STEP_SLACK).floor() * step;
        (nearest_step(wanted_c, current_c, step), lowest, highest)
    } else {
        (wanted_c, low, high)
    };
    if lowest > highest {
        return RoundedSetpoint {
            setpoint_c: current_c.max(low).min(high),
            limited: true,
        };
    }
    let limited = nearest < lowest || nearest > highest;
    let kept = nearest.max(lowest).min(highest);
    RoundedSetpoint {
        setpoint_c: without_dust(kept).max(low).min(high),
        limited,
    }
}

/// Part of a step that is rounding error of the division, not a wish.
const STEP_SLACK: f64 = 1e-9;

fn nearest_step(wanted_c: f64, current_c: f64, step: f64) -> f64 {
    let steps = wanted_c / step;
    let below = steps.floor();
    let above = below + 1.0;
    let past = steps - below;
    if past < 0.5 - STEP_SLACK {
        return below * step;
    }
    if past > 0.5 + STEP_SLACK {
        return above * step;
    }
    if (below * step - current_c).abs() <= (above * step - current_c).abs() {
        below * step
    } else {
        above * step
    }
}

/// A multiple of 0.1 is seldom the nearest number to its decimal figure; a panel shows the figure.
fn without_dust(setpoint_c: f64) -> f64 {
    if setpoint_c.abs() < 1e9 {
        (setpoint_c * 1e6).round() / 1e6
    } else {
        setpoint_c
    }
}

/// Decides what to do.
///
/// A doubtful reading is fired again before anything else is concluded from it; what a setpoint
/// cannot mend goes to service; then the furnace is adjusted when its error is outside the action
/// band or not shown to be within tolerance; else it is left alone. The advised setpoint is the
/// target less the estimated offset, rounded and limited. A setpoint is never changed by an advice
/// other than [`Advice::Adjust`].
pub fn decide(situation: &Situation) -> Decision {
    let policy = &situation.policy;
    let current = situation.current_setpoint_c;
    let estimate = if policy.full_compensation {
        situation.reading
    } else {
        situation.estimate
    };
    let u = estimate.standard_uncertainty_c;
    let error = current + estimate.offset_c - situation.target_c;
    let rounded = rounded_setpoint_c(
        situation.target_c - estimate.offset_c,
        current,
        &situation.limits,
    );
    let guard_band = policy.guard_factor * u;
    let view = View {
        error,
        u,
        rounded,
        conformance: conformance_probability(error, u, policy.tolerance_c),
        band: policy
            .action_band_c
            .max(situation.limits.setpoint_step_c / 2.0),
        changes: (rounded.setpoint_c - current).abs() > 1e-9,
        offset: estimate.offset_c,
    };

    let doubts = doubts(situation, &view);
    let beyond = beyond_a_setpoint(situation, &view);
    let (adjusting, mut grounds) = grounds_for_adjusting(situation, &view);
    let mut provisional = None;
    let advice = if !doubts.is_empty() {
        if adjusting && beyond.is_empty() {
            provisional = Some(rounded.setpoint_c);
        }
        Advice::FireAgain
    } else if !beyond.is_empty() {
        Advice::Service
    } else if adjusting {
        Advice::Adjust
    } else {
        Advice::Leave
    };
    // Whatever else is doubtful, a setpoint that is not allowed is not advised.
    let advised = if advice == Advice::Adjust || is_outside(current, &situation.limits) {
        rounded.setpoint_c
    } else {
        current
    };
    let next = match (advice, provisional) {
        (Advice::Adjust, _) => format!("Enter {advised} °C and confirm what the panel then shows."),
        (Advice::FireAgain, Some(setpoint_c)) => {
            format!("If a second firing agrees, {setpoint_c} °C is to be entered.")
        }
        _ => String::new(),
    };
    if !next.is_empty() {
        grounds.text = format!("{} {next}", grounds.text);
    }
    let mut reasons = doubts;
    reasons.extend(beyond);
    if reasons.is_empty() || adjusting {
        reasons.push(grounds);
    }
    if advised.max(provisional.unwrap_or(advised)) > current {
        reasons.push(Reason {
            code: Cow::Borrowed("CAUTION_RAISING"),
            text: "Before raising a setpoint, check that it stays below the lowest maximum of \
                   furnace, heating elements, tray and material; their makers' instructions \
                   override this advice."
                .to_owned(),
        });
    }
    Decision {
        advice,
        plain_setpoint_c: situation.target_c - situation.reading.offset_c,
        advised_setpoint_c: advised,
        provisional_setpoint_c: provisional,
        offset_c: estimate.offset_c,
        offset_standard_uncertainty_c: u,
        error_c: error,
        conformance_probability: view.conformance,
        guard_band_c: guard_band,
        acceptance_limit_c: (policy.tolerance_c - guard_band).max(0.0),
        reasons,
    }
}

/// The figures every rule looks at.
struct View {
    error: f64,
    u: f64,
    rounded: RoundedSetpoint,
    conformance: f64,
    band: f64,
    changes: bool,
    offset: f64,
}

/// Why the reading should not be acted on before a second firing.
fn doubts(situation: &Situation, view: &View) -> Vec<Reason> {
    let mut reasons = Vec::new();
    let tolerance = situation.policy.tolerance_c;
    if let Some(z) = situation.innovation_z
        && z.abs() > DOUBTFUL_Z
        && !situation.confirmed
    {
        reasons.push(Reason {
            code: Cow::Borrowed("DISAGREES_WITH_HISTORY"),
            text: format!(
                "The reading lies {:.1} standard deviations from what this furnace's history leads \
                 to expect. Check the ring, the gauge and the furnace's name, then fire a second \
                 ring.",
                z.abs()
            ),
        });
    }
    // What is already known may decide even when this reading alone cannot.
    let reading_u = situation.reading.standard_uncertainty_c;
    let known = if reading_u > 0.0 {
        (view.u / reading_u).min(1.0)
    } else {
        1.0
    };
    let expanded = situation.reading_expanded_c * known;
    if expanded.is_nan() || view.error.is_nan() || expanded > tolerance {
        reasons.push(Reason {
            code: Cow::Borrowed("MEASUREMENT_CANNOT_DECIDE"),
            text: format!(
                "The uncertainty of ±{expanded:.1} °C is larger than the tolerance of \
                 ±{tolerance:.1} °C, so this measurement cannot decide. Improve the largest line \
                 of its budget, then fire again."
            ),
        });
    }
    let wanted = situation.target_c - view.offset;
    let step = if view.rounded.limited {
        wanted
    } else {
        view.rounded.setpoint_c
    } - situation.current_setpoint_c;
    if step.abs() > situation.limits.largest_step_c && !situation.confirmed {
        reasons.push(Reason {
            code: Cow::Borrowed("STEP_TOO_LARGE"),
            text: format!(
                "The setpoint would move by {step:+.1} °C, more than {:.0} °C at once. Fire a \
                 second ring before the step is made.",
                situation.limits.largest_step_c
            ),
        });
    }
    reasons
}

/// Why no setpoint mends this.
fn beyond_a_setpoint(situation: &Situation, view: &View) -> Vec<Reason> {
    let mut reasons = Vec::new();
    let tolerance = situation.policy.tolerance_c;
    let wanting =
        view.error.abs() > view.band || view.conformance < situation.policy.conformance_wanted;
    if view.rounded.limited && wanting {
        reasons.push(Reason {
            code: Cow::Borrowed("SETPOINT_OUT_OF_LIMITS"),
            text: format!(
                "A setpoint of {:.1} °C would be needed; furnace and programme allow {} to {} °C. \
                 Have the furnace serviced by qualified persons, or have the programme's limits \
                 reviewed.",
                situation.target_c - view.offset,
                situation.limits.lowest_setpoint_c,
                situation.limits.highest_setpoint_c,
            ),
        });
    }
    if situation.confirmed && view.offset.abs() > LARGEST_OFFSET_C {
        reasons.push(Reason {
            code: Cow::Borrowed("OFFSET_TOO_LARGE"),
            text: format!(
                "Two firings agree on an offset of {:+.0} °C, more than {LARGEST_OFFSET_C:.0} °C. \
                 Have thermocouple, heating elements and controller checked by qualified persons.",
                view.offset
            ),
        });
    }
    if situation.drift_c_per_week.abs() > FASTEST_DRIFT_C_PER_WEEK {
        reasons.push(Reason {
            code: Cow::Borrowed("DRIFT_TOO_FAST"),
            text: format!(
                "The furnace drifts by {:+.1} °C a week, faster than a setpoint can follow \
                 ({FASTEST_DRIFT_C_PER_WEEK:.0} °C). Have it serviced by qualified persons.",
                situation.drift_c_per_week
            ),
        });
    }
    if let Some(spread) = situation.position_spread_c
        && spread > tolerance
    {
        reasons.push(Reason {
            code: Cow::Borrowed("POSITIONS_DIFFER"),
            text: format!(
                "The chamber's positions differ by {spread:.1} °C, more than the tolerance of \
                 {tolerance:.1} °C; no setpoint suits them all. Have heating elements and insulation \
                 checked by qualified persons, and use the reference position only."
            ),
        });
    }
    reasons
}

/// Whether a setpoint lies outside what furnace and programme allow.
fn is_outside(setpoint_c: f64, limits: &Limits) -> bool {
    setpoint_c < limits.lowest_setpoint_c || setpoint_c > limits.highest_setpoint_c
}

/// Whether the setpoint should move, and why or why not.
fn grounds_for_adjusting(situation: &Situation, view: &View) -> (bool, Reason) {
    let policy = &situation.policy;
    let expanded = 2.0 * view.u;
    let error = view.error;
    let current = situation.current_setpoint_c;
    if is_outside(current, &situation.limits) {
        let text = format!(
            "The setpoint of {current} °C lies outside what furnace and programme allow, {} to {} °C.",
            situation.limits.lowest_setpoint_c, situation.limits.highest_setpoint_c
        );
        return (
            view.changes,
            Reason {
                code: Cow::Borrowed("SETPOINT_OUTSIDE_LIMITS"),
                text,
            },
        );
    }
    if policy.full_compensation {
        let code = if view.changes {
            "PLAIN_COMPENSATION"
        } else {
            "NO_FINER_STEP"
        };
        let text = format!(
            "The network's procedure compensates every reading in full; this one is {error:+.1} °C \
             from the target."
        );
        return (
            view.changes,
            Reason {
                code: Cow::Borrowed(code),
                text,
            },
        );
    }
    if error.abs() > view.band {
        if !view.changes {
            let text = format!(
                "The estimated error is {error:+.1} °C, and no setpoint that may be entered brings \
                 it nearer to zero than {current} °C."
            );
            return (
                false,
                Reason {
                    code: Cow::Borrowed("NO_FINER_STEP"),
                    text,
                },
            );
        }
        let text = format!(
            "The estimated error is {error:+.1} °C ± {expanded:.1} °C, outside the action band of \
             ±{:.1} °C.",
            view.band
        );
        return (
            true,
            Reason {
                code: Cow::Borrowed("OUTSIDE_ACTION_BAND"),
                text,
            },
        );
    }
    if view.conformance < policy.conformance_wanted {
        let percent = view.conformance * 100.0;
        let next = if view.changes {
            ""
        } else {
            " No other setpoint is better; a more certain measurement is needed."
        };
        let text = format!(
            "The probability of being within ±{:.1} °C is {percent:.0} %, less than the {:.0} % \
             wanted, at an estimated error of {error:+.1} °C ± {expanded:.1} °C.{next}",
            policy.tolerance_c,
            policy.conformance_wanted * 100.0
        );
        return (
            view.changes,
            Reason {
                code: Cow::Borrowed("CONFORMANCE_NOT_SHOWN"),
                text,
            },
        );
    }
    let text = format!(
        "The estimated error is {error:+.1} °C ± {expanded:.1} °C, within the action band of \
         ±{:.1} °C. A change now would follow noise: leave the setpoint at {current} °C.",
        view.band
    );
    (
        false,
        Reason {
            code: Cow::Borrowed("WITHIN_NOISE"),
            text,
        },
    )
}

#[cfg(test)]
mod tests;
