//! What all readings of all sites say together: offsets of furnaces, biases of gauges and batches.
//!
//! A reading is the furnace's offset, which wanders, drifts and depends on the set temperature, plus the
//! bias of the gauge, which only its site shares, plus the bias of the batch, which all sites share,
//! plus noise. The joint distribution is normal and its precision has the shape of an arrow: furnaces,
//! then gauges of a site, then batches. They are eliminated in that order, exactly, with work that grows
//! with the number of readings ([`chain`] follows one furnace, [`site`] eliminates one site, [`network`]
//! solves the shared effects), and [`online`] keeps the same answer up to date reading by reading.
//!
//! Sums are formed in a fixed order and transcendental functions come from `libm`: the same record gives
//! the same bits everywhere.

pub mod bulk;
pub mod chain;
pub mod cholesky;
pub mod components;
pub mod effects;
pub mod network;
pub mod offset_state;
pub mod online;
pub mod separability;
pub mod site;
pub mod smoothing;
pub mod variances;

pub use bulk::{Refit, SiteRecords, refit};
pub use chain::{Chain, Column, Firing, Scratch, Step};
pub use cholesky::NotPositiveDefinite;
pub use components::Components;
pub use effects::Gaussian;
pub use network::{GlobalEffect, Network, Solution};
pub use offset_state::{Estimate, Expectation, OffsetState, Updated, Weighing};
pub use online::{Online, Taken};
pub use separability::{Possibilities, Remedy, Separability, separability};
pub use site::{Check, LocalEffect, SiteBlock, eliminated};
pub use smoothing::smoothed;
pub use variances::{Learnt, LearntQuantity, Plan, Quantity, learnt};

#[cfg(test)]
mod tests;
