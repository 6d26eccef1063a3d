//! Proofs of the inference: against dense solves, published records and each other.

mod bad_input;
mod dense_solve;
mod expectations;
mod golden_fleet;
mod invented_fleet;
mod online;
mod published;
mod robust_step;
mod separability;
mod set_temperature;

/// Numbers that look random and are the same everywhere: a linear congruential generator with Knuth's
/// multiplier (The Art of Computer Programming 2, 3.3.4, from memory).
struct Dice(u64);

impl Dice {
    fn new(seed: u64) -> Self {
        let mut dice = Dice(seed ^ 0x9E37_79B9_7F4A_7C15);
        for _ in 0..3 {
            dice.uniform();
        }
        dice
    }

    /// A number from 0 to 1.
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let upper = u32::try_from(self.0 >> 32).expect("the upper half");
        (f64::from(upper) + 0.5) / 4_294_967_296.0
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// A whole number below `count`.
    fn below(&mut self, count: usize) -> usize {
        let limit = u32::try_from(count).expect("a small count");
        let mut index = 0;
        let value = self.uniform() * f64::from(limit);
        for step in 1..limit {
            if value >= f64::from(step) {
                index += 1;
            }
        }
        index
    }

    fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// A normal number (Box & Muller).
    fn normal(&mut self, deviation: f64) -> f64 {
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        deviation * radius * libm::cos(std::f64::consts::TAU * self.uniform())
    }
}

fn assert_close(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (found - expected).abs() <= tolerance * expected.abs().max(1.0),
        "{what}: {found} instead of {expected}"
    );
}
