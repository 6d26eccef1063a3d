//! How measurements and evaluations are written as JSON: shapes of this crate's own, so that no change
//! of a type elsewhere silently changes what is on disk.
//!
//! JSON has no infinity, but degrees of freedom may be infinite: they are written as `null` or left out.

pub(crate) mod evaluation;
pub(crate) mod fit;
pub(crate) mod inputs;
pub(crate) mod measurement;
pub(crate) mod tracked;

use serde::{Deserialize, Serialize};

/// A number that may be infinite.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub(crate) struct MaybeInfinite(Option<f64>);

impl MaybeInfinite {
    pub(crate) fn is_infinite(&self) -> bool {
        self.0.is_none()
    }
}

impl From<f64> for MaybeInfinite {
    fn from(value: f64) -> Self {
        Self(value.is_finite().then_some(value))
    }
}

impl From<MaybeInfinite> for f64 {
    fn from(value: MaybeInfinite) -> Self {
        value.0.unwrap_or(f64::INFINITY)
    }
}
