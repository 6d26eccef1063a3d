//! Chambers whose positions differ.

use jiff::Timestamp;

use super::probability::{as_number, size_exceeds};
use super::{
    COVERAGE, Candidate, Evidence, FALSE_DISCOVERY_RATE, FindingKind, Strength, Subject, latest,
    rounded_probability,
};
use crate::key::{FurnaceKey, ReadingKey};

/// Fewest firings in which a position was compared with the reference.
const FEWEST_FIRINGS: usize = 3;

/// Standard deviation of a difference of two rings before anything is known, °C: two rings of 1.5 °C each
/// (an assumption of this program).
const EXPECTED_SD_C: f64 = 2.1;

/// That assumption counts as so many degrees of freedom.
const EXPECTED_DEGREES: f64 = 4.0;

/// How a position differed from the reference position in one firing.
#[derive(Debug, Clone, PartialEq)]
pub struct PositionDifference {
    /// The reading.
    pub reading: ReadingKey,
    /// End of its firing.
    pub fired_at: Timestamp,
    /// The position, as people wrote it.
    pub position: String,
    /// Its temperature less the reference position's, °C.
    pub difference_c: f64,
}

/// What the rule looks at of one furnace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChamberSeen<'a> {
    /// The furnace.
    pub furnace: &'a FurnaceKey,
    /// What people call it.
    pub display_name: &'a str,
    /// Tolerance, ±°C.
    pub tolerance_c: f64,
    /// Differences of the last [`super::WEEKS_LOOKED_AT`] weeks, earliest first.
    pub differences: &'a [PositionDifference],
}

/// One position over several firings.
struct Position<'a> {
    name: String,
    readings: Vec<&'a ReadingKey>,
    mean_c: f64,
    seen_at: Timestamp,
}

/// Finds the chambers whose mean difference between a position and the reference exceeds the tolerance with
/// a probability above 95 %. The scatter of a difference is pooled over all furnaces passed.
pub fn uneven(furnaces: &[ChamberSeen]) -> Vec<Candidate> {
    let mut squares_c2 = EXPECTED_DEGREES * EXPECTED_SD_C * EXPECTED_SD_C;
    let mut degrees = EXPECTED_DEGREES;
    let mut chambers = Vec::with_capacity(furnaces.len());
    for furnace in furnaces {
        let (positions, squares, freedom) = positions(furnace);
        squares_c2 += squares;
        degrees += freedom;
        chambers.push(positions);
    }
    // Student's t with so many degrees of freedom has this variance; a normal law with it is near enough
    // and on the safe side where it matters.
    let variance_c2 = squares_c2 / degrees * degrees / (degrees - 2.0);
    let mut candidates = Vec::new();
    for (furnace, positions) in furnaces.iter().zip(&chambers) {
        candidates.extend(candidate(furnace, positions, variance_c2));
    }
    candidates
}

/// The positions of a furnace with enough firings, in order of their names, and the scatter about the means
/// of all: squares and degrees of freedom.
fn positions<'a>(furnace: &ChamberSeen<'a>) -> (Vec<Position<'a>>, f64, f64) {
    let mut sorted: Vec<(String, &PositionDifference)> = Vec::new();
    for difference in furnace.differences {
        if difference.difference_c.is_finite() {
            sorted.push((difference.position.trim().to_lowercase(), difference));
        }
    }
    sorted.sort_by(|(name, one), (other_name, other)| {
        (name, one.fired_at, &one.reading).cmp(&(other_name, other.fired_at, &other.reading))
    });
    let mut positions = Vec::new();
    let (mut squares, mut freedom) = (0.0, 0.0);
    for own in sorted.chunk_by(|(one, _), (other, _)| one == other) {
        let count = as_number(own.len());
        let mut sum = 0.0;
        for (_, difference) in own {
            sum += difference.difference_c;
        }
        let mean_c = sum / count;
        for (_, difference) in own {
            squares += (difference.difference_c - mean_c).powi(2);
        }
        freedom += count - 1.0;
        let (Some((_, first)), Some((_, last))) = (own.first(), own.last()) else {
            continue;
        };
        if own.len() >= FEWEST_FIRINGS {
            positions.push(Position {
                name: first.position.trim().to_owned(),
                readings: own
                    .iter()
                    .map(|(_, difference)| &difference.reading)
                    .collect(),
                mean_c,
                seen_at: last.fired_at,
            });
        }
    }
    (positions, squares, freedom)
}

fn candidate(furnace: &ChamberSeen, positions: &[Position], variance_c2: f64) -> Option<Candidate> {
    let mut worst: Option<(&Position, f64, f64)> = None;
    let mut evidence = Vec::new();
    for position in positions {
        let u = (variance_c2 / as_number(position.readings.len())).sqrt();
        let probability = size_exceeds(position.mean_c, u, furnace.tolerance_c);
        let label = format!("{} less reference", position.name);
        evidence.push(Evidence::of(&label, position.mean_c, 1, "°C"));
        if worst.is_none_or(|(other, _, _)| position.mean_c.abs() > other.mean_c.abs()) {
            worst = Some((position, u, probability));
        }
    }
    let (worst, u, probability) = worst?;
    if probability <= 1.0 - FALSE_DISCOVERY_RATE {
        return None;
    }
    evidence.push(Evidence::of(
        "standard uncertainty of the worst",
        u,
        1,
        "°C",
    ));
    evidence.push(Evidence::of("tolerance", furnace.tolerance_c, 1, "°C"));
    let name = furnace.display_name;
    let direction = if worst.mean_c > 0.0 {
        "hotter"
    } else {
        "colder"
    };
    let position = &worst.name;
    let expanded = COVERAGE * u;
    let statement = format!(
        "In {name} the position {position} is {:.1} ± {expanded:.1} °C {direction} than the reference position, over \
         {} firings; the tolerance is ±{:.1} °C.",
        worst.mean_c.abs(),
        worst.readings.len(),
        furnace.tolerance_c
    );
    Some(Candidate {
        kind: FindingKind::ChamberUneven,
        subject: Subject::Furnace(furnace.furnace.clone()),
        strength: Strength::Clear,
        probability: rounded_probability(probability),
        p_value: None,
        statement,
        next_step: format!(
            "Do not fire restorations at {position} until this is mended. A setpoint cannot mend it: have \
             the heating elements, the insulation and the door looked at by qualified service, with the \
             furnace cold and off the mains; its fibre insulation gives off harmful dust. The maker's \
             instructions come first."
        ),
        evidence,
        readings: latest(worst.readings.iter().copied()),
        seen_at: worst.seen_at,
    })
}
