//! Pure numbers of furnace calibration: ring tables, readings, thermocouples, thermal work,
//! uncertainty budgets, offset tracking and decisions.
//!
//! Nothing in this crate knows a clock, an id, a database or a wire format: values come in, values
//! go out, and the same input gives the same bits on every machine (transcendental functions come
//! from `libm`, not from the platform). Temperatures are in °C, diameters in mm, holds in minutes,
//! and every name says so.

pub mod budget;
pub mod charts;
pub mod coverage;
pub mod decision;
pub mod discovery;
pub mod drift;
pub mod evaluation;
pub mod gauge;
pub mod hold;
pub mod inference;
pub mod interval;
pub mod passage;
pub mod plausibility;
pub mod programme;
mod quadrature;
pub mod ring_table;
pub mod rings;
pub mod thermal_work;
pub mod thermocouple;

/// Names the version of the mathematics; stored beside every evaluation so that past advice can be
/// reproduced. Raise it with every change that can alter a digit.
pub const METHOD_VERSION: &str = "1";
