//! Requests to come, as a Poisson process gives them, and a clock that sends each at its moment whatever became of
//! those before.

use std::time::{Duration, Instant};

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Exp};
use tokio_util::sync::CancellationToken;

/// Longest sleep before it is looked again whether to go on.
const LOOK_AGAIN: Duration = Duration::from_millis(50);

/// One request to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Arrival {
    /// When, counted from the beginning.
    pub(crate) at: Duration,
    /// What is asked: the place in the table of weights.
    pub(crate) operation: usize,
    /// Chance for whatever the operation has to choose.
    pub(crate) draw: u64,
}

/// Requests without end. The same seed gives the same ones.
#[derive(Debug, Clone)]
pub(crate) struct Arrivals {
    chance: ChaCha8Rng,
    gap: Exp<f64>,
    at_s: f64,
    weights: Vec<u32>,
    total: u32,
}

impl Arrivals {
    /// So many a second on average, chosen by weight.
    pub(crate) fn new(rate_per_s: f64, weights: &[u32], seed: u64) -> anyhow::Result<Self> {
        let total: u32 = weights.iter().sum();
        anyhow::ensure!(total > 0, "no operation has a weight");
        anyhow::ensure!(
            rate_per_s > 0.0 && rate_per_s.is_finite(),
            "{rate_per_s} requests a second is no rate; give one above 0"
        );
        Ok(Self {
            chance: ChaCha8Rng::seed_from_u64(seed),
            gap: Exp::new(rate_per_s)?,
            at_s: 0.0,
            weights: weights.to_vec(),
            total,
        })
    }

    fn choice(&mut self) -> usize {
        let mut left = self.chance.random_range(0..self.total);
        for (place, weight) in self.weights.iter().enumerate() {
            if left < *weight {
                return place;
            }
            left -= weight;
        }
        unreachable!("the draw lies below the sum of the weights")
    }
}

impl Iterator for Arrivals {
    type Item = Arrival;

    fn next(&mut self) -> Option<Arrival> {
        // Gaps of a Poisson process are exponential.
        self.at_s += self.gap.sample(&mut self.chance);
        Some(Arrival {
            at: Duration::from_secs_f64(self.at_s),
            operation: self.choice(),
            draw: self.chance.random(),
        })
    }
}

/// Sends what arrives before `until`, each at its own moment, until the end or until it is stopped; gives how long that
/// was. `send` is told the moment that was intended and must not wait.
///
/// To be called on a thread of its own: a runtime's timers go by whole milliseconds, which would be half of a fast
/// call's latency.
pub(crate) fn send_on_time(
    arrivals: impl Iterator<Item = Arrival>,
    start: Instant,
    until: Duration,
    stop: &CancellationToken,
    mut send: impl FnMut(Arrival, Instant),
) -> Duration {
    for arrival in arrivals {
        let is_over = arrival.at >= until;
        let moment = start + arrival.at.min(until);
        loop {
            if stop.is_cancelled() {
                return start.elapsed().min(until);
            }
            let left = moment.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            std::thread::sleep(left.min(LOOK_AGAIN));
        }
        if is_over {
            break;
        }
        send(arrival, moment);
    }
    until
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_arrivals_and_another_one_others() {
        let drawn = |seed| -> Vec<Arrival> {
            let arrivals = Arrivals::new(50.0, &[3, 1], seed).expect("a rate");
            arrivals.take(200).collect()
        };
        assert_eq!(drawn(7), drawn(7));
        assert_ne!(drawn(7), drawn(8));
    }

    #[test]
    fn arrivals_keep_rate_and_weights_and_come_in_bursts_as_chance_has_it() {
        let arrivals = Arrivals::new(200.0, &[3, 0, 1], 1).expect("a rate");
        let all: Vec<Arrival> = arrivals
            .take_while(|arrival| arrival.at < Duration::from_secs(100))
            .collect();
        // The count of a Poisson process has the root of its mean as standard deviation: 20,000 ± 141.
        assert!((19_400..20_600).contains(&all.len()), "{}", all.len());
        let first = all.iter().filter(|arrival| arrival.operation == 0).count();
        let share = first * 100 / all.len();
        assert!((73..=77).contains(&share), "{share} %");
        assert!(all.iter().all(|arrival| arrival.operation != 1));
        // A share of 1 - 1/e of exponential gaps is below the mean; of even gaps none or all would be.
        let mut below = 0;
        for pair in all.windows(2) {
            below += usize::from(pair[1].at.saturating_sub(pair[0].at) < Duration::from_millis(5));
        }
        let share = below * 100 / all.len();
        assert!((61..=65).contains(&share), "{share} %");
    }

    #[test]
    fn a_rate_of_nothing_and_a_table_without_weights_are_refused() {
        assert!(Arrivals::new(0.0, &[1], 1).is_err());
        assert!(Arrivals::new(f64::NAN, &[1], 1).is_err());
        assert!(Arrivals::new(10.0, &[0, 0], 1).is_err());
    }
}
