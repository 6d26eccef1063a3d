//! Symmetric positive definite systems, factored the same way on every machine.
//!
//! A linear-algebra library would choose its instructions by the processor it finds, and the same
//! record would give other last digits elsewhere; advice must be reproducible to the bit. The matrices
//! are small (a few gauges, a few hundred batches) and one factorisation is all that is needed.
//!
//! Packed storage is the lower triangle row by row: entry (i, j) with j ≤ i stands at i(i+1)/2 + j.

/// The matrix is not positive definite, or holds something that is not a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the readings do not fit together: the matrix of effects is not positive definite")]
pub struct NotPositiveDefinite;

/// Gives the place of entry (row, column) of a packed symmetric matrix, in either order.
pub fn packed(row: usize, column: usize) -> usize {
    if row >= column {
        row * (row + 1) / 2 + column
    } else {
        column * (column + 1) / 2 + row
    }
}

/// Gives the number of entries of a packed symmetric matrix.
pub fn packed_len(order: usize) -> usize {
    order * (order + 1) / 2
}

/// Lower triangular factor of a symmetric positive definite matrix.
#[derive(Debug, Clone, PartialEq)]
pub struct Cholesky {
    order: usize,
    /// Lower triangle, packed, diagonal included.
    lower: Vec<f64>,
}

impl Cholesky {
    /// Factors a packed symmetric matrix; entries beyond its order are ignored.
    pub fn of(order: usize, matrix: &[f64]) -> Result<Self, NotPositiveDefinite> {
        Self::factored(order, matrix, 0.0)
    }

    /// Factors the sum of the identity and a positive semi-definite matrix. Its pivots are at least 1
    /// in exact arithmetic, so rounding is not allowed to carry them below.
    pub fn above_identity(order: usize, matrix: &[f64]) -> Result<Self, NotPositiveDefinite> {
        Self::factored(order, matrix, 1.0)
    }

    fn factored(order: usize, matrix: &[f64], floor: f64) -> Result<Self, NotPositiveDefinite> {
        let mut lower = matrix
            .get(..packed_len(order))
            .ok_or(NotPositiveDefinite)?
            .to_vec();
        for i in 0..order {
            let (above, rest) = lower.split_at_mut(packed_len(i));
            let row = &mut rest[..=i];
            for j in 0..i {
                let other = &above[packed_len(j)..packed_len(j + 1)];
                row[j] = (row[j] - dot(&row[..j], &other[..j])) / other[j];
            }
            let pivot = row[i] - dot(&row[..i], &row[..i]);
            if !pivot.is_finite() {
                return Err(NotPositiveDefinite);
            }
            let pivot = pivot.max(floor);
            if pivot <= 0.0 {
                return Err(NotPositiveDefinite);
            }
            row[i] = pivot.sqrt();
        }
        Ok(Cholesky { order, lower })
    }

    /// Gives the natural logarithm of the matrix's determinant.
    pub fn log_determinant(&self) -> f64 {
        let mut sum = 0.0;
        for i in 0..self.order {
            sum += libm::log(self.lower[packed(i, i)]);
        }
        2.0 * sum
    }

    /// Solves the system in place; what is beyond the matrix's order is left as it is.
    pub fn solve(&self, right: &mut [f64]) {
        let order = self.order.min(right.len());
        for i in 0..order {
            let row = &self.lower[packed_len(i)..packed_len(i + 1)];
            right[i] = (right[i] - dot(&row[..i], &right[..i])) / row[i];
        }
        for i in (0..order).rev() {
            let row = &self.lower[packed_len(i)..packed_len(i + 1)];
            let (before, here) = right.split_at_mut(i);
            here[0] /= row[i];
            for (value, factor) in before.iter_mut().zip(row) {
                *value -= factor * here[0];
            }
        }
    }

    /// Gives the inverse of the matrix, packed.
    pub fn inverse(&self) -> Vec<f64> {
        let order = self.order;
        // The inverse of the factor, row by row, packed as the factor is.
        let mut factor = vec![0.0; self.lower.len()];
        let mut gathered = vec![0.0; order];
        for i in 0..order {
            let row = &self.lower[packed_len(i)..packed_len(i + 1)];
            gathered[..i].fill(0.0);
            for (k, weight) in row[..i].iter().enumerate() {
                let done = &factor[packed_len(k)..packed_len(k + 1)];
                for (sum, value) in gathered.iter_mut().zip(done) {
                    *sum += weight * value;
                }
            }
            let target = &mut factor[packed_len(i)..packed_len(i + 1)];
            for (value, sum) in target.iter_mut().zip(&gathered[..i]) {
                *value = -sum / row[i];
            }
            target[i] = 1.0 / row[i];
        }
        let mut inverse = vec![0.0; self.lower.len()];
        for k in 0..order {
            let row = &factor[packed_len(k)..packed_len(k + 1)];
            for (i, left) in row.iter().enumerate() {
                let target = &mut inverse[packed_len(i)..packed_len(i + 1)];
                for (value, right) in target.iter_mut().zip(row) {
                    *value += left * right;
                }
            }
        }
        inverse
    }
}

/// Sum of products in four interleaved parts: the order is fixed, and the processor is not kept waiting
/// for one addition before it starts the next.
pub(crate) fn dot(left: &[f64], right: &[f64]) -> f64 {
    let mut parts = [0.0; 4];
    let (left_fours, left_rest) = left.as_chunks::<4>();
    let (right_fours, right_rest) = right.as_chunks::<4>();
    for (a, b) in left_fours.iter().zip(right_fours) {
        parts[0] += a[0] * b[0];
        parts[1] += a[1] * b[1];
        parts[2] += a[2] * b[2];
        parts[3] += a[3] * b[3];
    }
    let mut rest = 0.0;
    for (a, b) in left_rest.iter().zip(right_rest) {
        rest += a * b;
    }
    (parts[0] + parts[1]) + (parts[2] + parts[3]) + rest
}
