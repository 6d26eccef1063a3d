//! The store through its public door, on a real database file: what it keeps, to whom it shows it, and
//! what it makes of failures and of damage.

mod agenda;
mod alerts;
mod amounts;
mod changes;
mod checkpoints;
mod content;
mod copies;
mod credentials;
mod deliveries;
mod enrolments;
mod every_method;
mod every_table;
mod findings;
mod firings;
mod fits;
mod laboratory;
mod leases;
mod of_late;
mod one_connection;
mod promises;
mod records;
mod rows_read;
mod schedules;
mod scopes;
mod sign_offs;
mod site_groups;
mod site_records;
mod standing_records;
mod transactions;
mod verification;
mod verification_of_schedules;
mod waking;
mod walls;
mod webhooks;
