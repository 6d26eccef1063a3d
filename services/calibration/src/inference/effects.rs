//! What is known of a few effects (biases of gauges and batches) together.

/// Normal distribution of a few effects.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Gaussian {
    /// Expected values, °C.
    pub mean: Vec<f64>,
    /// Covariance, full, row by row, °C².
    pub covariance: Vec<f64>,
}

impl Gaussian {
    /// Gives effects that are independent and expected to be zero.
    pub fn independent(variances_c2: &[f64]) -> Self {
        let order = variances_c2.len();
        let mut covariance = vec![0.0; order * order];
        for (i, variance) in variances_c2.iter().enumerate() {
            covariance[i * order + i] = *variance;
        }
        Gaussian {
            mean: vec![0.0; order],
            covariance,
        }
    }

    /// Gives the number of effects.
    pub fn order(&self) -> usize {
        self.mean.len()
    }

    /// Gives an expected value, °C; zero for an effect that is not among these.
    pub fn mean_c(&self, index: usize) -> f64 {
        self.mean.get(index).copied().unwrap_or(0.0)
    }

    /// Gives a covariance, °C²; zero when either effect is not among these.
    pub fn covariance_c2(&self, row: usize, column: usize) -> f64 {
        let order = self.order();
        if row >= order || column >= order {
            return 0.0;
        }
        self.covariance
            .get(row * order + column)
            .copied()
            .unwrap_or(0.0)
    }

    /// Takes in an observation of one effect itself (a gauge checked on a reference block): all effects
    /// move with it as far as they are correlated. An observation that is not a number, or of an effect
    /// that is not among these, changes nothing.
    pub fn observed(&mut self, index: usize, value_c: f64, variance_c2: f64) {
        let order = self.order();
        if index >= order || self.covariance.len() < order * order {
            return;
        }
        let total = self.covariance[index * order + index] + variance_c2.max(0.0);
        let innovation = value_c - self.mean[index];
        if !(total > 0.0 && total.is_finite() && innovation.is_finite()) {
            return;
        }
        let cover = self.covariance[index * order..(index + 1) * order].to_vec();
        for (i, c) in cover.iter().enumerate() {
            let gain = c / total;
            self.mean[i] += gain * innovation;
            let row = &mut self.covariance[i * order..(i + 1) * order];
            for (value, other) in row.iter_mut().zip(&cover) {
                *value -= gain * other;
            }
            row[i] = row[i].max(0.0);
        }
    }

    /// Adds an effect that nothing read so far depends on.
    pub fn append_independent(&mut self, mean_c: f64, variance_c2: f64) {
        let order = self.order();
        let mut covariance = vec![0.0; (order + 1) * (order + 1)];
        for i in 0..order {
            for j in 0..order {
                covariance[i * (order + 1) + j] = self.covariance_c2(i, j);
            }
        }
        covariance[order * (order + 1) + order] = variance_c2;
        self.mean.push(mean_c);
        self.covariance = covariance;
    }

    /// Variance of a weighted sum of the effects, °C².
    pub(crate) fn variance_along(&self, weights: &[f64]) -> f64 {
        let mut sum = 0.0;
        for (i, a) in weights.iter().enumerate() {
            if a.abs() > 0.0 {
                sum += a * self.covariance_along(weights, i);
            }
        }
        sum.max(0.0)
    }

    /// Covariance of a weighted sum of the effects with one effect, °C².
    pub(crate) fn covariance_along(&self, weights: &[f64], index: usize) -> f64 {
        let mut sum = 0.0;
        for (j, b) in weights.iter().enumerate() {
            sum += b * self.covariance_c2(index, j);
        }
        sum
    }

    /// Expected value of a weighted sum of the effects, °C.
    pub(crate) fn mean_along(&self, weights: &[f64]) -> f64 {
        let mut sum = 0.0;
        for (i, weight) in weights.iter().enumerate() {
            sum += weight * self.mean_c(i);
        }
        sum
    }
}
