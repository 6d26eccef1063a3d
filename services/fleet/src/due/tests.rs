//! What is due: each rule by itself, and the traps of dates.

mod bench;
mod calibrations;
mod care;
mod plans;
mod signatures;
