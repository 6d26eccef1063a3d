//! Calendars beside programs that share nothing with ours.

mod recurrences;
mod soon;
