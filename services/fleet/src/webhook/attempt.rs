//! What comes of an attempt to deliver an event, and when it is tried again.

use jiff::{SignedDuration, Timestamp};

/// How long an event is tried: after that it is a dead letter.
pub const TRIED_FOR: SignedDuration = SignedDuration::from_hours(72);

/// First pause, seconds; each further one is three times as long.
const FIRST_PAUSE_S: i64 = 5;

/// Longest pause: whoever comes back after days is found within it.
const LONGEST_PAUSE_S: i64 = 3_600;

/// Part of a pause that chance takes away, so that what failed together does not come back together.
const SPREAD: f64 = 0.25;

/// What an answer means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Meaning {
    /// The event arrived.
    Arrived,
    /// To be tried again.
    Failed,
    /// The receiver wants no more events at all.
    Gone,
}

/// What an HTTP status means: 2xx arrived, 410 no more; everything else, redirects included, failed.
pub fn meaning(status: u16) -> Meaning {
    match status {
        200..=299 => Meaning::Arrived,
        410 => Meaning::Gone,
        _ => Meaning::Failed,
    }
}

/// When an event is tried again that failed so often, this time included, and waits since a moment; none when it was
/// tried long enough. `share` is a random share of 1.
pub fn next_attempt(
    failures: i64,
    since: Timestamp,
    now: Timestamp,
    share: f64,
) -> Option<Timestamp> {
    if now.duration_since(since) >= TRIED_FOR {
        return None;
    }
    let doublings = u32::try_from(failures.clamp(1, 12) - 1).unwrap_or(0);
    let whole_s = FIRST_PAUSE_S
        .saturating_mul(3_i64.saturating_pow(doublings))
        .min(LONGEST_PAUSE_S);
    let whole = SignedDuration::from_secs(whole_s);
    let pause = whole.mul_f64(1.0 - SPREAD * share.clamp(0.0, 1.0));
    let end = since.checked_add(TRIED_FOR).ok()?;
    // The last attempt is made at the end and not before.
    Some(now.checked_add(pause).ok()?.min(end.max(now)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_second(1_800_000_000 + seconds).expect("a moment")
    }

    #[test]
    fn answers_mean_what_the_protocol_states() {
        for (status, wanted) in [
            (200, Meaning::Arrived),
            (204, Meaning::Arrived),
            (299, Meaning::Arrived),
            (199, Meaning::Failed),
            (301, Meaning::Failed),
            (307, Meaning::Failed),
            (404, Meaning::Failed),
            (410, Meaning::Gone),
            (429, Meaning::Failed),
            (500, Meaning::Failed),
        ] {
            assert_eq!(meaning(status), wanted, "{status}");
        }
    }

    #[test]
    fn pauses_grow_to_an_hour_and_vary_by_a_quarter() {
        let pause = |failures, share| {
            let next = next_attempt(failures, at(0), at(60), share).expect("again");
            next.duration_since(at(60)).as_secs()
        };
        let pauses: Vec<i64> = (1..=9).map(|failures| pause(failures, 0.0)).collect();
        assert_eq!(pauses, [5, 15, 45, 135, 405, 1215, 3600, 3600, 3600]);
        assert_eq!(pause(7, 1.0), 2700);
        assert_eq!(pause(i64::MAX, 0.5), 3150);
    }

    #[test]
    fn an_event_is_tried_for_three_days_and_a_last_time_at_their_end() {
        let days_s = TRIED_FOR.as_secs();
        let last = next_attempt(40, at(0), at(days_s - 10), 0.0);
        assert_eq!(last, Some(at(days_s)));
        assert_eq!(next_attempt(41, at(0), at(days_s), 0.0), None);
    }
}
