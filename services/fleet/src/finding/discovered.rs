//! Which of many tests to believe.

use std::collections::BTreeMap;

use ringtrue_calibration::discovery::benjamini_hochberg;

use super::probability::false_shares;
use super::{Candidate, FALSE_DISCOVERY_RATE, FindingKind, Subject, rounded_probability};

/// One test among those of its rule.
#[derive(Debug, Clone, PartialEq)]
pub struct Tested {
    /// Probability of something as strong when nothing is wrong.
    pub p_value: f64,
    /// What is found if it is believed; none when it is not confirmed, whatever its probability.
    pub candidate: Option<Candidate>,
}

/// Gives the candidates of those tests of one rule that are believed: of all that are, at most one in twenty
/// is false on average ([`FALSE_DISCOVERY_RATE`]). Their probability becomes one less the share of false
/// ones among all as strong.
///
/// All tests of the network belong in it, also those that found nothing: leaving them out would make chance
/// look like a finding. About one subject the strongest candidate is given.
pub fn discovered(tests: Vec<Tested>) -> Vec<Candidate> {
    let mut p_values = Vec::with_capacity(tests.len());
    for test in &tests {
        p_values.push(test.p_value);
    }
    let believed = benjamini_hochberg(&p_values, FALSE_DISCOVERY_RATE);
    let shares = false_shares(&p_values);
    let mut strongest: BTreeMap<(FindingKind, Subject), (f64, Candidate)> = BTreeMap::new();
    for (at, test) in tests.into_iter().enumerate() {
        let (true, Some(mut candidate)) = (believed[at], test.candidate) else {
            continue;
        };
        candidate.probability = rounded_probability(1.0 - shares[at]);
        let what = (candidate.kind, candidate.subject.clone());
        let stronger = strongest
            .get(&what)
            .is_none_or(|(other, _)| test.p_value < *other);
        if stronger {
            strongest.insert(what, (test.p_value, candidate));
        }
    }
    let mut candidates = Vec::with_capacity(strongest.len());
    for (_, candidate) in strongest.into_values() {
        candidates.push(candidate);
    }
    candidates
}
