//! The server through its front door: every call of the protocol, good and bad.

mod access;
mod adjustments;
mod alerts;
mod audit;
mod bad_readings;
mod bad_requests;
mod bad_tables;
mod care;
mod changes;
mod credentials;
mod deliveries;
mod enrolments;
mod exposures;
mod find;
mod firings;
mod fleet;
mod furnaces;
mod gate;
mod gauges;
mod health_reflection;
mod idempotency;
mod plain;
mod programmes;
mod questions;
mod readings;
mod refit;
mod refusals;
mod replicas;
mod ring_batches;
mod schedules;
mod sign_offs;
mod site_groups;
mod sites;
mod stories;
mod trying;

/// Fails unless two numbers agree within a tolerance.
#[track_caller]
fn close(found: f64, wanted: f64, within: f64) {
    assert!(
        (found - wanted).abs() <= within,
        "{found} is not {wanted} ± {within}"
    );
}
