//! When mail is due: which changes are told at once, when a digest is made, when a mail is tried again.

use jiff::civil::Time;
use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::alert::{AlertKind, AlertState, ChangeKind};
use ringtrue_fleet::calendar::Calendar;
use ringtrue_fleet::delivery::Subscription;
use ringtrue_store::LoggedChange;

/// Wait before the second attempt; it doubles with each further one.
const FIRST_WAIT: SignedDuration = SignedDuration::from_mins(1);

/// Longest wait between two attempts.
const LONGEST_WAIT: SignedDuration = SignedDuration::from_hours(1);

/// How long a mail is tried. RFC 5321, 4.5.4.1 gives 4 to 5 days to servers among themselves; here somebody
/// waits for the news.
const TRIED_FOR: SignedDuration = SignedDuration::from_hours(3 * 24);

/// Whether a change of an alert is news for a recipient: the alert is of their place, has reached their
/// level, and now wants somebody.
pub fn is_news(change: &LoggedChange, subscription: &Subscription) -> bool {
    let alert = &change.alert.alert;
    let of_their_place = match &subscription.key.site {
        None => true,
        Some(site) => alert.site.as_ref() == Some(site),
    };
    let wants_somebody = match change.kind {
        ChangeKind::Raised | ChangeKind::Escalated | ChangeKind::Reopened => {
            alert.state != AlertState::Closed
        }
        ChangeKind::Updated => alert.state == AlertState::Open,
        ChangeKind::Acknowledged | ChangeKind::Snoozed | ChangeKind::Closed => false,
    };
    // Mail that does not get through is no news for the one whom it does not reach.
    let about_themselves =
        alert.kind == AlertKind::DeliveryFailing && alert.subject == subscription.key.name();
    of_their_place && wants_somebody && alert.level >= subscription.level && !about_themselves
}

/// Whether a digest is to be made: it is a working day, the quiet hours are over, and none was made since
/// that `morning`.
pub fn is_digest_due(calendar: &Calendar, morning: Time, last: Timestamp, now: Timestamp) -> bool {
    let today = calendar.day_of(now);
    let morning = calendar.at(today, morning);
    calendar.is_open(today) && now >= morning && last < morning
}

/// When a mail that did not leave is tried again: after 1 minute, doubled with each attempt up to 1 hour, of
/// which `share` of 1 varies the last half, so that many do not come back together. None once it was tried for
/// three days.
pub fn next_attempt(
    attempts: i64,
    made_at: Timestamp,
    now: Timestamp,
    share: f64,
) -> Option<Timestamp> {
    if now.duration_since(made_at) >= TRIED_FOR {
        return None;
    }
    let doublings = u32::try_from(attempts.clamp(0, 16)).unwrap_or(0);
    let wait = FIRST_WAIT
        .checked_mul(1 << doublings)
        .map_or(LONGEST_WAIT, |wait| wait.min(LONGEST_WAIT));
    let varied = wait.as_secs_f64() * (0.5 + 0.5 * share.clamp(0.0, 1.0));
    now.checked_add(SignedDuration::from_secs_f64(varied)).ok()
}

#[cfg(test)]
mod tests;
