//! Tidy: the rules of this repository that a machine can check, one file per rule.
//!
//! A failing rule lists every offender at once and says how to mend it. A rule is changed on purpose, by editing its
//! table here in the same commit as the code that needs the change.

mod clock;
mod length;
mod migrations;
mod module_heads;
mod names;
mod paths;
mod sources;
mod sql;
mod top_level;
mod walls;
