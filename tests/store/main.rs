//! The store through its public door, on a real database file: what it keeps, to whom it shows it, and
//! what it makes of failures and of damage.

mod amounts;
mod content;
mod every_method;
mod findings;
mod fits;
mod laboratory;
mod leases;
mod of_late;
mod promises;
mod records;
mod scopes;
mod transactions;
mod verification;
