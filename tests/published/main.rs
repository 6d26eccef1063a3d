//! Published figures, recomputed through the doors that the product uses: a whole evaluation, a
//! budget, an offset followed through its readings, a table read from its file.
//!
//! The source stands beside each check. Where a figure is from memory the comment says so.

mod budgets;
mod conformity;
mod interpolation;
mod setup;
mod straight_line;
mod thermal_work;
mod thermocouples;
mod worked_figures;
