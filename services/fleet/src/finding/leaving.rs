//! Furnaces that are likely to leave tolerance before they are calibrated again.

use super::{COVERAGE, Candidate, Evidence, FindingKind, Strength, Subject, rounded_probability};
use crate::furnace::FurnaceState;
use crate::standing::{Conformity, Standing};

/// Probability of leaving tolerance from which it is said: more likely than not.
const LIKELY: f64 = 0.5;

/// What a furnace's standing says about leaving tolerance before the end of its next due date; none when it
/// was never read or is not in use.
///
/// The probability is the finding's own (first passage). No bound on the share of false ones is set over
/// all furnaces: a furnace with a probability of a half is worth a ring, whatever the others do. Findings
/// are ordered by it.
pub fn leaving(standing: &Standing) -> Option<Candidate> {
    if standing.state != FurnaceState::InUse {
        return None;
    }
    let error = standing.error.as_ref()?;
    let seen_at = standing.last_fired_at?;
    let name = &standing.display_name;
    let tolerance_c = standing.tolerance_c;
    let probability = error.leaving_probability;
    let now = format!(
        "{name} is {:+.1} ± {:.1} °C from its target now, with a tolerance of ±{tolerance_c:.1} °C.",
        error.error_c,
        COVERAGE * error.standard_uncertainty_c
    );
    let ahead = if standing.conformity == Conformity::Out {
        format!(
            "It is outside tolerance with a probability of {}.",
            per_cent(error.outside_probability)
        )
    } else if standing.due {
        format!(
            "Its calibration was due by {}; it is outside tolerance with a probability of {}.",
            standing.next_due_on,
            per_cent(probability)
        )
    } else {
        format!(
            "It leaves tolerance before its next calibration is due, on {}, with a probability of {}.",
            standing.next_due_on,
            per_cent(probability)
        )
    };
    let mut evidence = vec![
        Evidence::of("present error", error.error_c, 1, "°C"),
        Evidence::of(
            "its standard uncertainty",
            error.standard_uncertainty_c,
            1,
            "°C",
        ),
        Evidence::of("tolerance", tolerance_c, 1, "°C"),
        Evidence::of(
            "probability outside tolerance now",
            rounded_probability(error.outside_probability),
            2,
            "",
        ),
    ];
    if let Some(drift) = standing.drift {
        evidence.push(Evidence::of("drift", drift.c_per_week, 2, "°C/week"));
    }
    Some(Candidate {
        kind: FindingKind::FurnaceLeavingTolerance,
        subject: Subject::Furnace(standing.furnace.clone()),
        strength: if probability >= LIKELY {
            Strength::Clear
        } else {
            Strength::Faint
        },
        probability: rounded_probability(probability),
        p_value: None,
        statement: format!("{now} {ahead}"),
        next_step: if standing.conformity == Conformity::Out {
            "Fire no work in it until it is adjusted: enter the setpoint that its last reading advised and \
             confirm it, then fire a ring to see that it is right. Restorations fired in the meantime are \
             for a qualified person to judge by the material's instructions."
        } else {
            "Fire a ring before the next work that must be right, and adjust as it advises. Restorations \
             fired in the meantime are for a qualified person to judge by the material's instructions."
        }
        .to_owned(),
        evidence,
        readings: standing.last_reading.iter().cloned().collect(),
        seen_at,
    })
}

/// A probability in words; nothing that readings show is certain.
fn per_cent(probability: f64) -> String {
    if probability > 0.995 {
        "more than 99 %".to_owned()
    } else if probability < 0.005 {
        "less than 1 %".to_owned()
    } else {
        format!("{:.0} %", 100.0 * probability)
    }
}
