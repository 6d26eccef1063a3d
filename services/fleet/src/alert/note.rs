//! What people say about an alert.

use jiff::{SignedDuration, Timestamp};

use super::{Alert, AlertChange, AlertState, ChangeKind};
use crate::finding::Said;
use crate::refusal::Refusal;

/// Longest rest, hours.
pub const LONGEST_SNOOZE_H: i64 = 24;

/// Most rests of one alert.
pub const MOST_SNOOZES: i32 = 2;

/// Says that an alert was seen. Said again it takes the place of what was said before.
pub fn acknowledged(alert: &Alert, said: &Said, now: Timestamp) -> Result<AlertChange, Refusal> {
    still_open(alert)?;
    Ok(AlertChange {
        kind: ChangeKind::Acknowledged,
        alert: noted(alert, AlertState::Acknowledged, said, now),
    })
}

/// Lets an alert rest until a moment.
pub fn snoozed(
    alert: &Alert,
    until: Timestamp,
    said: &Said,
    now: Timestamp,
) -> Result<AlertChange, Refusal> {
    still_open(alert)?;
    let refused = |why: &str| {
        Err(Refusal::MayNotRest {
            alert: alert.id.clone(),
            why: why.to_owned(),
        })
    };
    let longest = now
        .checked_add(SignedDuration::from_hours(LONGEST_SNOOZE_H))
        .unwrap_or(Timestamp::MAX);
    if until <= now || until > longest {
        return refused("a rest ends within the next 24 hours; send such a moment");
    }
    if alert.snoozes >= MOST_SNOOZES {
        return refused("it rested twice already; do what it asks for, or acknowledge it");
    }
    match alert.snooze_limit {
        None => refused("work for patients may be at stake; mend the cause, or acknowledge it"),
        Some(limit) if until > limit => {
            refused("a rest never goes past the end of grace; choose an earlier moment")
        }
        Some(_) => Ok(AlertChange {
            kind: ChangeKind::Snoozed,
            alert: Alert {
                snoozed_until: Some(until),
                snoozes: alert.snoozes + 1,
                ..noted(alert, AlertState::Snoozed, said, now)
            },
        }),
    }
}

fn still_open(alert: &Alert) -> Result<(), Refusal> {
    if alert.state == AlertState::Closed {
        return Err(Refusal::AlertClosed {
            alert: alert.id.clone(),
        });
    }
    Ok(())
}

fn noted(alert: &Alert, state: AlertState, said: &Said, now: Timestamp) -> Alert {
    Alert {
        state,
        note: said.note.clone(),
        noted_by: said.noted_by.clone(),
        snoozed_until: None,
        updated_at: now,
        revision: alert.revision + 1,
        ..alert.clone()
    }
}
