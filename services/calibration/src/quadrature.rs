//! Nodes and weights of Gauss-Legendre quadrature. Own code, because the crates that offer them bring
//! a platform's trigonometry with them, and the same input must give the same bits everywhere.

use std::f64::consts::PI;

/// Newton steps after which a node has long converged; five are enough from the first guess.
const MOST_STEPS: u32 = 20;

/// Gives nodes and weights on -1 to 1, exact for polynomials up to degree 2 · `count` - 1.
///
/// Nodes are the zeros of Legendre's polynomial, found by Newton's method from the cosine guess
/// (Abramowitz & Stegun 22.16.6 and 25.4.29, from memory). Empty for a count of 0.
pub(crate) fn legendre_rule(count: u32) -> Vec<(f64, f64)> {
    let degree = f64::from(count);
    let mut rule = Vec::new();
    for index in 0..count {
        let mut node = -libm::cos(PI * (f64::from(index) + 0.75) / (degree + 0.5));
        let mut slope = 1.0;
        for _ in 0..MOST_STEPS {
            let (value, derivative) = legendre(count, node);
            slope = derivative;
            let step = value / derivative;
            node -= step;
            if step.abs() < 1e-15 {
                break;
            }
        }
        rule.push((node, 2.0 / ((1.0 - node * node) * slope * slope)));
    }
    rule
}

/// Legendre's polynomial of a degree and its derivative, inside -1 to 1.
fn legendre(degree: u32, x: f64) -> (f64, f64) {
    let mut before = 1.0;
    let mut value = x;
    for index in 2..=degree {
        let k = f64::from(index);
        let next = ((2.0 * k - 1.0) * x * value - (k - 1.0) * before) / k;
        before = value;
        value = next;
    }
    let derivative = f64::from(degree) * (before - x * value) / (1.0 - x * x);
    (value, derivative)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn five_nodes_are_those_of_the_table() {
        // Abramowitz & Stegun, Table 25.4, n = 5 (from memory).
        let wanted = [
            (-0.906_179_845_938_664, 0.236_926_885_056_189),
            (-0.538_469_310_105_683, 0.478_628_670_499_366),
            (0.0, 0.568_888_888_888_889),
            (0.538_469_310_105_683, 0.478_628_670_499_366),
            (0.906_179_845_938_664, 0.236_926_885_056_189),
        ];
        let rule = legendre_rule(5);
        assert_eq!(rule.len(), wanted.len());
        for ((node, weight), (wanted_node, wanted_weight)) in rule.iter().zip(wanted) {
            assert!((node - wanted_node).abs() < 1e-14, "{node}");
            assert!((weight - wanted_weight).abs() < 1e-14, "{weight}");
        }
    }

    #[test]
    fn a_polynomial_of_degree_nine_is_integrated_exactly_by_five_nodes() {
        let mut sum = 0.0;
        for (node, weight) in legendre_rule(5) {
            sum += weight * (libm::pow(node, 9.0) + libm::pow(node, 8.0));
        }
        assert!((sum - 2.0 / 9.0).abs() < 1e-14);
    }

    #[test]
    fn weights_of_every_count_sum_to_two() {
        for count in [1, 2, 3, 8, 64, 401] {
            let mut sum = 0.0;
            for (_, weight) in legendre_rule(count) {
                sum += weight;
            }
            assert!((sum - 2.0).abs() < 1e-12, "{count}: {sum}");
        }
        assert!(legendre_rule(0).is_empty());
    }
}
