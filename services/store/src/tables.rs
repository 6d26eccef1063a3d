//! One file per table: its row, what a row means, and every statement that touches it.

pub(crate) mod acts;
pub(crate) mod adjustments;
pub(crate) mod agenda;
pub(crate) mod alerts;
pub(crate) mod credentials;
pub(crate) mod enrolments;
pub(crate) mod events;
pub(crate) mod feeds;
pub(crate) mod findings;
pub(crate) mod fits;
pub(crate) mod furnaces;
pub(crate) mod gauges;
pub(crate) mod leases;
pub(crate) mod mail;
pub(crate) mod of_late;
pub(crate) mod programmes;
pub(crate) mod readings;
pub(crate) mod ring_batches;
pub(crate) mod rules;
pub(crate) mod site_groups;
pub(crate) mod site_records;
pub(crate) mod sites;
pub(crate) mod subscriptions;
pub(crate) mod tracked;
pub(crate) mod wishes;
pub(crate) mod work_runs;
