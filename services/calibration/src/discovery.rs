//! Which of many findings to believe: among thousands of furnaces some look unusual by chance, so what
//! is reported is chosen such that only a stated part of the reports is false.

/// Gives which hypotheses are rejected when at most the part `rate` of the rejections may be false on
/// average: the step-up procedure of Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300,
/// valid for independent (and positively dependent) tests.
///
/// Takes the probability of each result under "nothing is wrong"; the answer is in the same order. A
/// probability that is not within 0 to 1 belongs to no test: it is never rejected and not counted.
/// Equal probabilities are treated alike. A rate that is not above 0 rejects nothing.
pub fn benjamini_hochberg(probabilities: &[f64], rate: f64) -> Vec<bool> {
    let sorted = sorted_probabilities(probabilities);
    let mut limit = None;
    let tests = as_number(sorted.len());
    for (index, probability) in sorted.iter().enumerate() {
        if rate > 0.0 && probability * tests <= rate * as_number(index + 1) {
            limit = Some(*probability);
        }
    }
    up_to(probabilities, limit)
}

/// Gives which findings are believed when the mean probability of being wrong among them may be at
/// most `rate`: the largest such set (Bayesian false discovery rate; Müller, Parmigiani & Rice 2006,
/// from memory).
///
/// Takes the posterior probability of each finding being wrong; the answer is in the same order. What
/// is not within 0 to 1 is never believed. Findings with equal probabilities are believed together or
/// not at all, because nothing speaks for one before the other. A rate that is not a number or below
/// 0 believes nothing.
pub fn believed(error_probabilities: &[f64], rate: f64) -> Vec<bool> {
    let sorted = sorted_probabilities(error_probabilities);
    let mut limit = None;
    let mut sum = 0.0;
    for (index, probability) in sorted.iter().enumerate() {
        sum += probability;
        let last_of_its_size = sorted
            .get(index + 1)
            .is_none_or(|next| next.total_cmp(probability).is_gt());
        if last_of_its_size && sum <= rate * as_number(index + 1) {
            limit = Some(*probability);
        }
    }
    up_to(error_probabilities, limit)
}

/// The probabilities among the figures, smallest first. Negative zero counts as zero.
fn sorted_probabilities(figures: &[f64]) -> Vec<f64> {
    let mut sorted = Vec::with_capacity(figures.len());
    for figure in figures {
        if (0.0..=1.0).contains(figure) {
            sorted.push(figure.abs());
        }
    }
    sorted.sort_by(f64::total_cmp);
    sorted
}

/// Which figures are probabilities up to the limit.
fn up_to(figures: &[f64], limit: Option<f64>) -> Vec<bool> {
    let mut within = Vec::with_capacity(figures.len());
    for figure in figures {
        within.push(limit.is_some_and(|limit| (0.0..=limit).contains(figure)));
    }
    within
}

fn as_number(count: usize) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        reason = "a count of furnaces is far below 2^53"
    )]
    let number = count as f64;
    number
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The fifteen probabilities of the example of Benjamini & Hochberg 1995, section 4 (from memory).
    const MYOCARDIAL: [f64; 15] = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
        0.5719, 0.6528, 0.7590, 1.000,
    ];

    fn count(chosen: &[bool]) -> usize {
        chosen.iter().filter(|chosen| **chosen).count()
    }

    #[test]
    fn four_of_the_fifteen_published_hypotheses_are_rejected() {
        // Benjamini & Hochberg 1995, section 4: at 0.05 the four smallest; a Bonferroni bound, three.
        let rejected = benjamini_hochberg(&MYOCARDIAL, 0.05);
        assert_eq!(count(&rejected), 4);
        assert!(rejected[..4].iter().all(|one| *one));
        let bonferroni = MYOCARDIAL.iter().filter(|p| **p <= 0.05 / 15.0).count();
        assert_eq!(bonferroni, 3);
    }

    #[test]
    fn a_later_success_carries_the_earlier_ones() {
        // Step-up: 0.04 > 0.05/2 alone, but both lie below 0.05.
        assert_eq!(benjamini_hochberg(&[0.04, 0.045], 0.05), [true, true]);
        assert_eq!(benjamini_hochberg(&[0.04, 0.06], 0.05), [false, false]);
    }

    #[test]
    fn order_does_not_matter_and_equals_are_treated_alike() {
        let rejected = benjamini_hochberg(&[0.9, 0.01, 0.5, 0.01, 0.01], 0.05);
        assert_eq!(rejected, [false, true, false, true, true]);
    }

    #[test]
    fn what_is_no_probability_is_neither_chosen_nor_counted() {
        let figures = [f64::NAN, 0.03, -0.1, 1.5, f64::INFINITY];
        let alone = [false, true, false, false, false];
        assert_eq!(benjamini_hochberg(&figures, 0.05), alone);
        assert_eq!(believed(&figures, 0.05), alone);
        assert_eq!(benjamini_hochberg(&[], 0.05), Vec::<bool>::new());
        for rate in [0.0, -1.0, f64::NAN] {
            assert_eq!(benjamini_hochberg(&[0.0, 0.2], rate), [false, false]);
        }
        assert_eq!(believed(&[0.0, 0.2], f64::NAN), [false, false]);
        assert_eq!(believed(&[0.0, 0.2], 0.0), [true, false]);
    }

    #[test]
    fn the_mean_of_what_is_believed_is_held_and_not_its_worst() {
        // Means of the sorted: 0.01, 0.02, 0.04, 0.055: three are believed although 0.08 > 0.05.
        let errors = [0.08, 0.01, 0.1, 0.03];
        assert_eq!(believed(&errors, 0.05), [true, true, false, true]);
    }

    #[test]
    fn equal_doubts_are_believed_together_or_not_at_all() {
        // 0 and one 0.08 would have a mean of 0.04, but nothing tells which of the two it is to be.
        assert_eq!(believed(&[0.08, 0.0, 0.08], 0.05), [false, true, false]);
        assert_eq!(believed(&[0.08, 0.0, 0.08], 0.06), [true, true, true]);
    }

    proptest! {
        #[test]
        fn a_higher_rate_only_adds(
            figures in proptest::collection::vec(0.0..0.3_f64, 0..40),
            rate in 0.0..0.5_f64, more in 0.0..0.5_f64,
        ) {
            for choose in [benjamini_hochberg, believed] {
                let few = choose(&figures, rate);
                let many = choose(&figures, rate + more);
                for (few, many) in few.iter().zip(&many) {
                    prop_assert!(*many || !*few);
                }
            }
        }

        #[test]
        fn what_is_chosen_lies_below_what_is_not(
            figures in proptest::collection::vec(0.0..1.0_f64, 0..40), rate in 0.0..1.0_f64,
        ) {
            for choose in [benjamini_hochberg, believed] {
                let chosen = choose(&figures, rate);
                for (one, in_set) in figures.iter().zip(&chosen) {
                    for (other, out_of_set) in figures.iter().zip(&chosen) {
                        prop_assert!(!in_set || *out_of_set || one < other);
                    }
                }
            }
        }

        #[test]
        fn any_figures_are_taken(
            figures in proptest::collection::vec(any::<f64>(), 0..9), rate in any::<f64>(),
        ) {
            prop_assert_eq!(benjamini_hochberg(&figures, rate).len(), figures.len());
            prop_assert_eq!(believed(&figures, rate).len(), figures.len());
        }
    }
}
