//! Why a text is no rule for due dates.

use jiff::civil::Date;

/// Most characters of a rule's text.
pub const MOST_CHARACTERS: usize = 200;

/// Why a text is no rule for due dates, and what to send instead.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotARecurrence {
    /// Nothing was sent.
    #[error("the rule is empty; send one such as FREQ=WEEKLY;INTERVAL=2;BYDAY=FR")]
    Empty,
    /// More characters than any sensible rule has.
    #[error(
        "the rule has {n_characters} characters, at most {MOST_CHARACTERS} are read; send a shorter one"
    )]
    TooLong {
        /// How many were sent.
        n_characters: usize,
    },
    /// Something that is neither letter, digit nor sign of a rule.
    #[error(
        "the rule holds a character that no rule has (at place {place}); use letters, digits and = ; , + - only, such \
         as FREQ=WEEKLY;BYDAY=FR"
    )]
    StrangeCharacter {
        /// Its place in the text, from 1.
        place: usize,
    },
    /// A part without name or value.
    #[error("\"{part}\" is not NAME=VALUE; send a rule such as FREQ=MONTHLY;BYMONTHDAY=15")]
    NotAPart {
        /// The part as sent.
        part: String,
    },
    /// A part that RFC 5545 does not have.
    #[error(
        "a rule has no part {name}; parts are FREQ, INTERVAL, COUNT, UNTIL, BYMONTH, BYWEEKNO, BYYEARDAY, BYMONTHDAY, \
         BYDAY, BYSETPOS and WKST"
    )]
    UnknownPart {
        /// The part's name as sent.
        name: String,
    },
    /// A part of RFC 7529, which few programs read.
    #[error(
        "{name} is not read here; for \"this day or the last one of a shorter month\" send \
         FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1"
    )]
    NotReadHere {
        /// The part's name.
        name: String,
    },
    /// A part twice.
    #[error(
        "{name} is given twice; give it once, with several values separated by commas where it takes them"
    )]
    Repeated {
        /// The part's name.
        name: String,
    },
    /// No frequency.
    #[error(
        "the rule has no FREQ; begin it with FREQ=DAILY, FREQ=WEEKLY, FREQ=MONTHLY or FREQ=YEARLY"
    )]
    NoFrequency,
    /// A frequency or part that is about a time of day.
    #[error(
        "{what} is finer than a day, and a due date is a day; use FREQ=DAILY, WEEKLY, MONTHLY or YEARLY and set the \
         time of day elsewhere"
    )]
    FinerThanADay {
        /// The frequency or the part's name.
        what: String,
    },
    /// A value that its part cannot have.
    #[error("{part} cannot be \"{value}\"; send {expected}")]
    BadValue {
        /// The part's name.
        part: &'static str,
        /// The value as sent.
        value: String,
        /// What can be sent.
        expected: &'static str,
    },
    /// A part that its neighbours forbid.
    #[error("{part} cannot stand with {other}; {instead}")]
    NotWith {
        /// The part's name.
        part: &'static str,
        /// What it cannot stand with.
        other: &'static str,
        /// What to send instead.
        instead: &'static str,
    },
    /// Longer than ten years between two occurrences.
    #[error("INTERVAL={interval} is more than ten years; with this FREQ send at most {most}")]
    IntervalTooLong {
        /// The interval as sent.
        interval: u32,
        /// The longest that is taken.
        most: u16,
    },
    /// Its first day is outside the calendar that is known here.
    #[error("a rule cannot start on {starts_on}; let it start between the years 1900 and 2299")]
    StartOutOfRange {
        /// The first day.
        starts_on: Date,
    },
    /// It ends before it starts.
    #[error(
        "the rule ends on {until}, before it starts on {starts_on}; send a later UNTIL or an earlier start"
    )]
    UntilBeforeStart {
        /// Its last day.
        until: Date,
        /// Its first day.
        starts_on: Date,
    },
    /// No occurrence.
    #[error(
        "the rule has no day in the {years} years from {starts_on}; check that its parts can be true together, for \
         instance that the month has such a day"
    )]
    NeverOccurs {
        /// Its first day.
        starts_on: Date,
        /// How far was looked.
        years: i16,
    },
    /// An occurrence, and then none for years.
    #[error(
        "after {first} the rule has no day for {years} years; leave a part out so that it comes round more often, or \
         end it with COUNT or UNTIL"
    )]
    TooRare {
        /// The first occurrence.
        first: Date,
        /// How far was looked.
        years: i16,
    },
}
