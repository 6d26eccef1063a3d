//! Recurrences (RFC 5545): placeholder until the real ones are merged.

use jiff::civil::Date;

/// A recurrence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recurrence {
    text: String,
    starts_on: Date,
}

/// Not a recurrence.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("not a recurrence")]
pub struct NotARecurrence;

impl Recurrence {
    /// Parses.
    pub fn parse(text: &str, starts_on: Date) -> Result<Self, NotARecurrence> {
        Ok(Self {
            text: text.to_owned(),
            starts_on,
        })
    }
    /// Text.
    pub fn text(&self) -> &str {
        &self.text
    }
    /// First day.
    pub fn starts_on(&self) -> Date {
        self.starts_on
    }
    /// From another day.
    pub fn starting_on(&self, date: Date) -> Self {
        Self {
            text: self.text.clone(),
            starts_on: date,
        }
    }
    /// Occurrences.
    pub fn between(&self, _from: Date, _until: Date, _most: usize) -> Vec<Date> {
        Vec::new()
    }
    /// Next.
    pub fn first_after(&self, _day: Date) -> Option<Date> {
        None
    }
    /// Endless.
    pub fn is_endless(&self) -> bool {
        true
    }
    /// Gap.
    pub fn longest_gap_days(&self) -> Option<i32> {
        None
    }
    /// Words.
    pub fn words(&self) -> String {
        self.text.clone()
    }
}
