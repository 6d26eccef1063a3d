//! Furnace events: what may have moved an offset, and by how much that widens what is known of it.

use jiff::Timestamp;

use crate::key::EventKey;
use crate::violation::Violations;

/// An event as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct FurnaceEvent {
    /// What tells it apart.
    pub key: EventKey,
    /// What happened.
    pub details: EventDetails,
    /// When the server stored it.
    pub received_at: Timestamp,
}

/// What callers give of an event.
#[derive(Debug, Clone, PartialEq)]
pub struct EventDetails {
    /// What happened; none when the caller gave no known kind.
    pub kind: Option<EventKind>,
    /// When; none when the caller gave no moment.
    pub happened_at: Option<Timestamp>,
    /// Change of the controller's offset parameter, °C.
    pub offset_shift_c: Option<f64>,
    /// What was done.
    pub note: String,
    /// Who did it.
    pub performed_by: String,
}

/// Kinds of furnace events.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EventKind {
    /// Heating elements replaced.
    ElementsReplaced,
    /// Control thermocouple replaced.
    ThermocoupleReplaced,
    /// Controller or firmware changed.
    ControllerChanged,
    /// Controller offset parameter changed by a known amount.
    ControllerOffsetChanged,
    /// Furnace moved.
    Moved,
    /// Work on the mains.
    MainsWork,
    /// Other repair.
    Repair,
    /// Work came out discoloured; says nothing about the offset.
    DiscolouredWork,
}

impl EventKind {
    /// Standard deviation that the event adds to the furnace's offset, °C. Assumptions until the
    /// network has learnt them: 8 °C for elements and thermocouple, less for the rest.
    pub fn offset_standard_deviation_c(self) -> f64 {
        match self {
            Self::ElementsReplaced | Self::ThermocoupleReplaced | Self::ControllerChanged => 8.0,
            Self::Repair | Self::Moved => 5.0,
            Self::MainsWork => 3.0,
            Self::ControllerOffsetChanged => 0.5,
            Self::DiscolouredWork => 0.0,
        }
    }

    /// The event in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::ElementsReplaced => "heating elements replaced",
            Self::ThermocoupleReplaced => "control thermocouple replaced",
            Self::ControllerChanged => "controller changed",
            Self::ControllerOffsetChanged => "controller offset changed",
            Self::Moved => "furnace moved",
            Self::MainsWork => "mains work",
            Self::Repair => "repair",
            Self::DiscolouredWork => "discoloured work",
        }
    }
}

impl EventDetails {
    /// Checks every field; `path` is the request field that holds the event.
    pub fn check(&self, path: &str, now: Timestamp, violations: &mut Violations) {
        if self.kind.is_none() {
            violations.add(
                format!("{path}.kind"),
                "REQUIRED",
                "is missing; say what happened",
            );
        }
        past(
            &format!("{path}.event_time"),
            self.happened_at,
            now,
            violations,
        );
        match (self.kind, self.offset_shift_c) {
            (Some(EventKind::ControllerOffsetChanged), None) => violations.add(
                format!("{path}.offset_shift_c"),
                "REQUIRED",
                "is missing; send by how many °C hotter the furnace now runs for the same setpoint",
            ),
            (Some(EventKind::ControllerOffsetChanged), Some(shift)) => {
                violations.number(
                    &format!("{path}.offset_shift_c"),
                    shift,
                    -200.0,
                    200.0,
                    "°C",
                );
            }
            (_, Some(_)) => violations.add(
                format!("{path}.offset_shift_c"),
                "NOT_WANTED",
                "belongs only to a changed controller offset; leave it out",
            ),
            (_, None) => {}
        }
        violations.text(&format!("{path}.note"), &self.note, 0, 2000);
        violations.text(&format!("{path}.performed_by"), &self.performed_by, 0, 40);
    }
}

/// How far a device's clock may be ahead of the server's before a moment counts as future, minutes.
pub const CLOCK_SKEW_MIN: i64 = 10;

/// Checks that a moment is given, not in the future and not before records can have begun.
pub fn past(field: &str, moment: Option<Timestamp>, now: Timestamp, violations: &mut Violations) {
    let Some(moment) = moment else {
        violations.add(
            field,
            "REQUIRED",
            "is missing; send the moment with its zone",
        );
        return;
    };
    let ahead = moment.duration_since(now);
    if ahead > jiff::SignedDuration::from_mins(CLOCK_SKEW_MIN) {
        violations.add(
            field,
            "IN_THE_FUTURE",
            format!(
                "lies {} in the future; check date, time and zone",
                in_words(ahead)
            ),
        );
    }
    // 2000-01-01: no record of this trade's checks is older than the machines that keep them.
    if moment.as_second() < 946_684_800 {
        violations.add(
            field,
            "TOO_LONG_AGO",
            "lies before the year 2000; check the date",
        );
    }
}

/// A length of time for people. A site's zone is not known where values are checked, and a moment in
/// another zone misleads; how far off it is does not.
pub(crate) fn in_words(time: jiff::SignedDuration) -> String {
    let minutes = time.as_mins().abs();
    let (days, hours) = (minutes / (24 * 60), minutes / 60);
    match (days, hours) {
        (2.., _) => format!("{days} days"),
        (_, 2..) => format!("{hours} h {} min", minutes % 60),
        _ => format!("{} min", minutes.max(1)),
    }
}
