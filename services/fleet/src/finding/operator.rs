//! Staff codes whose readings differ from those of others at the same site.
//!
//! Nobody is blamed: two people who hold a caliper differently, or take another position of the ring, differ
//! although both work with care. What helps is to measure one ring together.

use jiff::Timestamp;

use super::probability::{as_number, two_sided};
use super::{
    Candidate, Evidence, FindingKind, Strength, Subject, Surprising, Tested, latest,
    rounded_probability,
};
use crate::key::{ReadingKey, SiteId};

/// Fewest readings by a code, and by the others, that are compared.
const FEWEST_READINGS: usize = 8;

/// What rules on a site look at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteSeen<'a> {
    /// The site.
    pub site: &'a SiteId,
    /// What people call it.
    pub display_name: &'a str,
    /// The readings of all its furnaces of the last [`super::WEEKS_LOOKED_AT`] weeks, in any order.
    pub readings: &'a [Surprising],
}

/// One code beside the others of its site.
struct Compared {
    code: String,
    p_value: f64,
    difference_z: f64,
    difference_c: f64,
    own: usize,
    others: usize,
    readings: Vec<ReadingKey>,
    seen_at: Timestamp,
}

/// Compares every staff code of a site with the others there: one of the tests of [`super::discovered`] for
/// each code with enough readings. Of a site's codes the one that differs most makes the finding.
///
/// Readings without a code count for nobody. Distances from what was expected have a standard deviation of 1
/// when nothing is wrong, so the difference of two means has one of √(1/n + 1/m).
pub fn operator_patterns(site: &SiteSeen) -> Vec<Tested> {
    let mut tested = Vec::new();
    for code in compared(site) {
        tested.push(Tested {
            p_value: code.p_value,
            candidate: Some(candidate(site, code)),
        });
    }
    tested
}

/// A code as it is compared: people write it in capitals or not.
fn code_of(reading: &Surprising) -> String {
    reading.performed_by.trim().to_uppercase()
}

fn compared(site: &SiteSeen) -> Vec<Compared> {
    let mut readings: Vec<(String, &Surprising)> = Vec::new();
    for reading in site.readings {
        let code = code_of(reading);
        if !code.is_empty() && reading.z.is_finite() && reading.standard_deviation_c.is_finite() {
            readings.push((code, reading));
        }
    }
    readings.sort_by(|(code, one), (other_code, other)| {
        (code, one.fired_at, &one.reading).cmp(&(other_code, other.fired_at, &other.reading))
    });
    let (mut all_z, mut all_c) = (0.0, 0.0);
    for (_, reading) in &readings {
        all_z += reading.z;
        all_c += reading.z * reading.standard_deviation_c;
    }
    let mut codes = Vec::new();
    for own in readings.chunk_by(|(one, _), (other, _)| one == other) {
        let (count, others) = (own.len(), readings.len() - own.len());
        if count < FEWEST_READINGS || others < FEWEST_READINGS {
            continue;
        }
        let (mut own_z, mut own_c) = (0.0, 0.0);
        let mut seen_at = Timestamp::MIN;
        for (_, reading) in own {
            own_z += reading.z;
            own_c += reading.z * reading.standard_deviation_c;
            seen_at = seen_at.max(reading.fired_at);
        }
        let (n, m) = (as_number(count), as_number(others));
        let difference_z = own_z / n - (all_z - own_z) / m;
        codes.push(Compared {
            code: own
                .first()
                .map(|(code, _)| code.clone())
                .unwrap_or_default(),
            p_value: two_sided(difference_z / (1.0 / n + 1.0 / m).sqrt()),
            difference_z,
            difference_c: own_c / n - (all_c - own_c) / m,
            own: count,
            others,
            readings: latest(own.iter().map(|(_, reading)| &reading.reading)),
            seen_at,
        });
    }
    codes
}

fn candidate(site: &SiteSeen, code: Compared) -> Candidate {
    let direction = if code.difference_c >= 0.0 {
        "hotter"
    } else {
        "colder"
    };
    Candidate {
        kind: FindingKind::OperatorPattern,
        subject: Subject::Site(site.site.clone()),
        strength: Strength::Clear,
        probability: rounded_probability(1.0 - code.p_value),
        p_value: Some(code.p_value),
        statement: format!(
            "At {} the readings by staff code {} lie {:.1} °C {direction} than those by others ({} readings \
             beside {}). Ways of measuring differ although everyone works with care.",
            site.display_name,
            code.code,
            code.difference_c.abs(),
            code.own,
            code.others
        ),
        next_step: "Measure one ring together: same gauge, same places on the ring, same pressure. Agree on \
                    one way and write it down."
            .to_owned(),
        evidence: vec![
            Evidence::of("mean difference", code.difference_c, 1, "°C"),
            Evidence::of("mean difference in standard deviations", code.difference_z, 2, ""),
            Evidence::of("readings by the code", as_number(code.own), 0, ""),
            Evidence::of("readings by others", as_number(code.others), 0, ""),
            Evidence::of("chance without a difference", code.p_value, 6, ""),
        ],
        readings: code.readings,
        seen_at: code.seen_at,
    }
}
