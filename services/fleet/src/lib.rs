//! The rules of a calibration fleet, as pure functions.
//!
//! Sites, furnaces, programmes, ring batches, gauges, readings and adjustments: what is a valid
//! one, what may happen to it, and what follows. Nothing here reads a clock, makes an id, draws a
//! random number or touches a database: the moment and the ids are arguments, and a function
//! returns what happened or why not.

pub mod act;
pub mod adjustment;
pub mod alert;
pub mod backtest;
pub mod calendar;
pub mod caller;
pub mod caution;
pub mod change;
pub mod credential;
pub mod delivery;
pub mod due;
pub mod effect;
pub mod enrolment;
pub mod event;
pub mod exposure;
pub mod finding;
pub mod firing;
pub mod fitting;
pub mod furnace;
pub mod gauge;
pub mod grant;
pub mod history;
pub mod key;
pub mod knowledge;
pub mod known_bias;
pub mod learning;
pub mod programme;
pub mod reading;
pub mod recurrence;
pub mod refusal;
pub mod ring_batch;
pub mod rule;
pub mod schedule;
pub mod sign_off;
pub mod site;
pub mod standing;
pub mod task;
pub mod tracking;
pub mod use_state;
pub mod versioned;
pub mod violation;
pub mod webhook;
