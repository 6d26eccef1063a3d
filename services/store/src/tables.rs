//! One file per table: its row, what a row means, and every statement that touches it.

pub(crate) mod adjustments;
pub(crate) mod events;
pub(crate) mod findings;
pub(crate) mod fits;
pub(crate) mod furnaces;
pub(crate) mod gauges;
pub(crate) mod leases;
pub(crate) mod of_late;
pub(crate) mod programmes;
pub(crate) mod readings;
pub(crate) mod ring_batches;
pub(crate) mod sites;
pub(crate) mod tracked;
