//! When the next calibration is due by the site's own interval, in the site's zone.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::calendar::{Calendar, Shift, plus};
use crate::site::SiteDetails;

/// Day by which the next calibration is due after a firing: the last calibration day within the
/// site's interval, moved to the working day before when it falls on a closed day. At least monthly
/// and on a fixed day is common practice (no source).
pub fn next_due_on(site: &SiteDetails, fired_at: Timestamp) -> Date {
    let calendar = Calendar::of(site);
    interval_due_on(site, &calendar, calendar.day_of(fired_at), Shift::Before)
}

/// The same from the day of the last firing.
pub(crate) fn interval_due_on(
    site: &SiteDetails,
    calendar: &Calendar,
    fired_on: Date,
    shift: Shift,
) -> Date {
    let last = plus(fired_on, site.calibration_interval_days);
    let due = site
        .calibration_day
        .and_then(|day| {
            (0..7)
                .map(|back| plus(last, -back))
                .find(|candidate| candidate.weekday() == day && *candidate > fired_on)
        })
        .unwrap_or(last);
    calendar.shifted(due, shift, Some(fired_on))
}

/// Days within which the next ring is fired when readings speak for a drift that they do not prove.
const EARLY_DAYS: i32 = 7;

/// The working day within a week of a firing, on whichever weekday: when the furnace may drift, one more
/// reading tells a drift from chance (variable sampling interval; Reynolds et al. 1988, from memory).
pub(crate) fn early_day(calendar: &Calendar, fired_on: Date) -> Date {
    calendar.shifted(plus(fired_on, EARLY_DAYS), Shift::Before, Some(fired_on))
}

#[cfg(test)]
mod tests {
    use jiff::civil::{Weekday, date};

    use super::*;

    fn site(interval: i32, closed: &[Weekday]) -> SiteDetails {
        SiteDetails {
            time_zone: "Europe/Berlin".to_owned(),
            calibration_day: Some(Weekday::Friday),
            calibration_interval_days: interval,
            closed_days: closed.to_vec(),
            ..SiteDetails::default()
        }
    }

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a moment")
    }

    #[test]
    fn a_furnace_that_may_drift_is_due_within_a_week() {
        let open = Calendar::of(&site(28, &[]));
        assert_eq!(early_day(&open, date(2026, 11, 20)), date(2026, 11, 27));
        // A Friday that is closed gives way to the Thursday before.
        let closed = Calendar::of(&site(28, &[Weekday::Friday]));
        assert_eq!(early_day(&closed, date(2026, 11, 20)), date(2026, 11, 26));
    }

    #[test]
    fn a_friday_firing_is_due_again_on_the_friday_four_weeks_later() {
        assert_eq!(
            next_due_on(&site(28, &[]), at("2026-11-20T18:00:00Z")),
            date(2026, 12, 18)
        );
    }

    #[test]
    fn a_firing_on_another_day_falls_back_to_the_calibration_day() {
        // Monday evening; 28 days later is a Monday, so the Friday before it.
        assert_eq!(
            next_due_on(&site(28, &[]), at("2026-11-23T18:00:00Z")),
            date(2026, 12, 18)
        );
    }

    #[test]
    fn the_local_date_counts_not_the_one_in_utc() {
        // 23:30 UTC on Thursday is Friday in Berlin.
        assert_eq!(
            next_due_on(&site(7, &[]), at("2026-11-19T23:30:00Z")),
            date(2026, 11, 27)
        );
    }

    #[test]
    fn an_interval_shorter_than_a_week_is_due_within_it() {
        assert_eq!(
            next_due_on(&site(3, &[]), at("2026-11-20T12:00:00Z")),
            date(2026, 11, 23)
        );
    }

    #[test]
    fn a_closed_day_moves_the_due_date_to_the_working_day_before() {
        let closed = [Weekday::Saturday, Weekday::Sunday];
        // Wednesday + 3 days is Saturday; the Friday before is the calibration day and open.
        assert_eq!(
            next_due_on(&site(3, &closed), at("2026-11-18T12:00:00Z")),
            date(2026, 11, 20)
        );
        // Friday + 2 days is Sunday, closed like Saturday: nothing earlier is after the firing, so Monday.
        assert_eq!(
            next_due_on(&site(2, &closed), at("2026-11-20T12:00:00Z")),
            date(2026, 11, 23)
        );
    }
}
