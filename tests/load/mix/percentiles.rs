//! Latencies as high dynamic range histograms: exact to a thousandth from a microsecond to ten minutes.

use std::time::Duration;

use hdrhistogram::Histogram;

/// Longest latency told apart, µs: ten minutes, far beyond any call's deadline.
const LONGEST_US: u64 = 600_000_000;

/// Significant digits.
const DIGITS: u8 = 3;

/// Points of a curve for each factor of ten of 1/(1-q).
const POINTS: u32 = 24;

/// Latencies of many calls.
#[derive(Debug, Clone)]
pub(crate) struct Latencies(Histogram<u64>);

impl Latencies {
    /// Without any.
    pub(crate) fn none() -> Self {
        let empty = Histogram::new_with_bounds(1, LONGEST_US, DIGITS);
        Self(empty.expect("these bounds are in order"))
    }

    /// Takes one in.
    pub(crate) fn note(&mut self, latency: Duration) {
        let us = u64::try_from(latency.as_micros()).unwrap_or(LONGEST_US);
        self.0.saturating_record(us);
    }

    /// Takes all of others in.
    pub(crate) fn add(&mut self, others: &Self) {
        self.0
            .add(&others.0)
            .expect("both have the same bounds and digits");
    }

    /// Forgets all.
    pub(crate) fn clear(&mut self) {
        self.0.reset();
    }

    /// How many there are.
    pub(crate) fn count(&self) -> u64 {
        self.0.len()
    }

    /// The latency that this share of the calls, 0 to 1, did not exceed, ms.
    pub(crate) fn at_ms(&self, share: f64) -> f64 {
        ms(self.0.value_at_quantile(share))
    }

    /// The longest, ms.
    pub(crate) fn max_ms(&self) -> f64 {
        ms(self.0.max())
    }

    /// Points of the percentile curve: 1/(1-q) from 1 to the number of calls, and the latency at q in ms. Beyond
    /// that number a curve would show nothing but the longest call.
    pub(crate) fn curve(&self) -> Vec<(f64, f64)> {
        let mut curve = Vec::new();
        if self.0.is_empty() {
            return curve;
        }
        let last = whole(self.count());
        for point in 0.. {
            let one_in = 10.0_f64.powf(f64::from(point) / f64::from(POINTS));
            if one_in >= last {
                break;
            }
            curve.push((one_in, self.at_ms(1.0 - 1.0 / one_in)));
        }
        curve.push((last, self.max_ms()));
        curve
    }
}

fn ms(us: u64) -> f64 {
    whole(us) / 1000.0
}

/// A count as a number to reckon with.
#[expect(
    clippy::cast_precision_loss,
    reason = "counts and microseconds stay far below 2^53"
)]
pub(crate) fn whole(count: u64) -> f64 {
    count as f64
}

#[cfg(test)]
impl Latencies {
    /// How many took longer than this.
    pub(crate) fn slower_than_ms(&self, limit_ms: u64) -> u64 {
        let limit_us = limit_ms * 1000;
        if self.0.is_empty() || self.0.max() <= limit_us {
            return 0;
        }
        self.0.count_between(limit_us + 1, LONGEST_US)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of_ms(all: impl IntoIterator<Item = u64>) -> Latencies {
        let mut latencies = Latencies::none();
        for one in all {
            latencies.note(Duration::from_millis(one));
        }
        latencies
    }

    fn is_near(found: f64, wanted: f64) -> bool {
        (found - wanted).abs() <= wanted * 0.001
    }

    #[test]
    fn percentiles_of_a_thousand_even_latencies_are_those_latencies() {
        let latencies = of_ms(1..=1000);
        assert_eq!(latencies.count(), 1000);
        assert!(is_near(latencies.at_ms(0.5), 500.0));
        assert!(is_near(latencies.at_ms(0.99), 990.0));
        assert!(is_near(latencies.max_ms(), 1000.0));
        // The call of 900 ms itself cannot be told from one a little longer.
        assert!((100..=101).contains(&latencies.slower_than_ms(900)));
        assert_eq!(latencies.slower_than_ms(2000), 0);
    }

    #[test]
    fn percentiles_agree_with_those_of_sorted_latencies_of_very_different_sizes() {
        // Microseconds over six powers of ten, in no order.
        let mut all = Vec::new();
        let mut state = 1_u64;
        let mut latencies = Latencies::none();
        for _ in 0..10_000 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            let us = 10.0_f64.powf(whole(state >> 40) / whole(1 << 24) * 6.0 + 1.0);
            let latency = Duration::from_secs_f64(us / 1e6);
            latencies.note(latency);
            all.push(latency);
        }
        all.sort_unstable();
        for (share, rank) in [(0.5, 5000), (0.9, 9000), (0.99, 9900), (0.999, 9990)] {
            let exact = all[rank - 1].as_secs_f64() * 1e3;
            let found = latencies.at_ms(share);
            // A thousandth, and the microsecond that is the finest that is told apart.
            assert!(
                (found - exact).abs() <= exact * 0.001 + 0.001,
                "{found} {exact}"
            );
        }
    }

    #[test]
    fn a_curve_ends_with_the_longest_call_and_never_falls() {
        let curve = of_ms(1..=1000).curve();
        let last = curve.last().expect("a curve has an end");
        assert!(
            is_near(last.0, 1000.0) && is_near(last.1, 1000.0),
            "{last:?}"
        );
        for pair in curve.windows(2) {
            assert!(pair[0].0 < pair[1].0 && pair[0].1 <= pair[1].1, "{pair:?}");
        }
        assert!(Latencies::none().curve().is_empty());
    }
}
