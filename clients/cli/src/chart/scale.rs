//! Where the ticks of an axis stand: round values, and days as the site's calendar has them.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};

/// A stretch of an axis, its lower end first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Range {
    /// Lower end.
    pub(crate) low: f64,
    /// Upper end; always above the lower one.
    pub(crate) high: f64,
}

impl Range {
    /// Gives the range of some values; a range of one unit around zero when there are none.
    pub(crate) fn of(values: impl IntoIterator<Item = f64>) -> Self {
        let mut low = f64::INFINITY;
        let mut high = f64::NEG_INFINITY;
        for value in values {
            if value.is_finite() {
                low = low.min(value);
                high = high.max(value);
            }
        }
        if low > high {
            return Range {
                low: -0.5,
                high: 0.5,
            };
        }
        Range { low, high }.widened(0.0)
    }

    /// Gives the range with a share of its length more at each end, and never an empty one.
    pub(crate) fn widened(self, share: f64) -> Self {
        let mut more = share * (self.high - self.low);
        // An axis of no length has no place for anything.
        if self.high - self.low < 1e-6 * self.high.abs().max(1.0) {
            more = more.max(0.5);
        }
        Range {
            low: self.low - more,
            high: self.high + more,
        }
    }

    /// Gives the smallest range that holds both.
    pub(crate) fn with(self, other: Range) -> Self {
        Range {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }

    /// Gives the length.
    pub(crate) fn length(self) -> f64 {
        self.high - self.low
    }

    /// Gives where a value lies: 0 at the lower end, 1 at the upper end.
    pub(crate) fn share(self, value: f64) -> f64 {
        (value - self.low) / self.length()
    }

    /// Says whether a value lies inside.
    pub(crate) fn holds(self, value: f64) -> bool {
        value >= self.low && value <= self.high
    }
}

/// A tick and what stands at it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tick {
    /// Its place on the axis.
    pub(crate) at: f64,
    /// Its label.
    pub(crate) label: String,
}

/// Gives at most `most` ticks at round values (1, 2 or 5 times a power of ten).
pub(crate) fn round(range: Range, most: usize) -> Vec<Tick> {
    let wanted = range.length() / count(most.max(1));
    let power = 10.0_f64.powf(wanted.log10().floor());
    let mut step = 10.0 * power;
    for factor in [1.0, 2.0, 5.0] {
        if factor * power >= wanted * 0.999_999 {
            step = factor * power;
            break;
        }
    }
    let mut decimals = 0;
    while decimals < 6 && (step * 10.0_f64.powi(decimals)).fract().abs() > 1e-6 {
        decimals += 1;
    }
    let decimals = usize::try_from(decimals).unwrap_or(0);
    let first = (range.low / step).ceil();
    let mut ticks = Vec::new();
    // Bounded, whatever the range: the step is a share of it.
    for place in 0..=most {
        let at = (first + count(place)) * step;
        if at > range.high + step * 1e-9 {
            break;
        }
        let label = crate::quantity::signed(at, decimals);
        ticks.push(Tick { at, label });
    }
    ticks
}

/// Distances between days on an axis.
#[derive(Debug, Clone, Copy)]
enum Stride {
    Days(i64),
    Months(i64),
    Years(i64),
}

const STRIDES: [Stride; 12] = [
    Stride::Days(1),
    Stride::Days(7),
    Stride::Days(14),
    Stride::Months(1),
    Stride::Months(2),
    Stride::Months(3),
    Stride::Months(6),
    Stride::Years(1),
    Stride::Years(2),
    Stride::Years(5),
    Stride::Years(10),
    Stride::Years(50),
];

/// Gives at most `most` ticks at the starts of days, Mondays, months or years of a zone; the axis counts
/// seconds since 1970.
pub(crate) fn days(range: Range, zone: &TimeZone, most: usize) -> Vec<Tick> {
    for stride in STRIDES {
        if let Some(ticks) = strided(range, zone, stride, most) {
            return ticks;
        }
    }
    Vec::new()
}

/// Gives the ticks of one stride; none when they are more than wanted.
fn strided(range: Range, zone: &TimeZone, stride: Stride, most: usize) -> Option<Vec<Tick>> {
    let mut day = first_day(local_day(range.low, zone)?, stride)?;
    let mut ticks = Vec::new();
    // The first day may lie before the range, so one more is looked at.
    for _ in 0..most + 2 {
        let at = seconds_at(day, zone)?;
        if at > range.high {
            return Some(ticks);
        }
        if at >= range.low {
            ticks.push(Tick {
                at,
                label: match stride {
                    Stride::Days(_) => day.to_string(),
                    Stride::Months(_) => day.strftime("%Y-%m").to_string(),
                    Stride::Years(_) => day.strftime("%Y").to_string(),
                },
            });
        }
        if ticks.len() > most {
            return None;
        }
        let step = match stride {
            Stride::Days(count) => count.days(),
            Stride::Months(count) => count.months(),
            Stride::Years(count) => count.years(),
        };
        day = day.checked_add(step).ok()?;
    }
    None
}

/// Gives the day at or before another where a stride begins, so that ticks do not move with the data.
fn first_day(day: Date, stride: Stride) -> Option<Date> {
    match stride {
        Stride::Days(count) => {
            // 5 January 1970 was a Monday.
            let since = (seconds_at(day, &TimeZone::UTC)? / 86_400.0).round() - 4.0;
            let mut back = 0;
            while back < count && since.rem_euclid(count_of(count)) > count_of(back) {
                back += 1;
            }
            day.checked_sub(back.days()).ok()
        }
        Stride::Months(count) => {
            let since = i64::from(day.month() - 1).rem_euclid(count);
            let month = i8::try_from(i64::from(day.month()) - since).ok()?;
            Date::new(day.year(), month, 1).ok()
        }
        Stride::Years(count) => {
            let since = i64::from(day.year()).rem_euclid(count);
            let year = i16::try_from(i64::from(day.year()) - since).ok()?;
            Date::new(year, 1, 1).ok()
        }
    }
}

fn local_day(at: f64, zone: &TimeZone) -> Option<Date> {
    Some(moment(at)?.to_zoned_datetime(zone.clone()).date())
}

fn seconds_at(day: Date, zone: &TimeZone) -> Option<f64> {
    let midnight = day.to_datetime(Time::midnight());
    let start = zone.to_ambiguous_timestamp(midnight).compatible().ok()?;
    Some(seconds(start))
}

/// Gives the place of a moment on a time axis: seconds since 1970.
#[expect(
    clippy::cast_precision_loss,
    reason = "seconds of any year that people live in are far below 2^53"
)]
pub(crate) fn seconds(moment: Timestamp) -> f64 {
    moment.as_second() as f64
}

/// Gives the moment at a place on a time axis; none outside the years that a calendar knows.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a cast of a number that is too large gives the largest, which no calendar knows"
)]
pub(crate) fn moment(at: f64) -> Option<Timestamp> {
    Timestamp::from_second(at.round() as i64).ok()
}

/// Gives the day at a place on a time axis, as `2026-11-20`.
pub(crate) fn day_at(at: f64, zone: &TimeZone) -> String {
    match local_day(at, zone) {
        Some(day) => day.to_string(),
        None => String::new(),
    }
}

/// Gives a count as a number to calculate with.
#[expect(
    clippy::cast_precision_loss,
    reason = "points and characters of one chart are few"
)]
pub(crate) fn count(things: usize) -> f64 {
    things as f64
}

/// Gives a count of days as a number to calculate with.
#[expect(clippy::cast_precision_loss, reason = "days of a stride are few")]
fn count_of(days: i64) -> f64 {
    days as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(ticks: &[Tick]) -> Vec<&str> {
        ticks.iter().map(|tick| tick.label.as_str()).collect()
    }

    fn at(text: &str) -> f64 {
        seconds(text.parse().expect("a moment"))
    }

    fn days_between(from: &str, to: &str, most: usize) -> Vec<Tick> {
        let zone = TimeZone::get("Europe/Lisbon").expect("a zone of the tz database");
        let range = Range {
            low: at(from),
            high: at(to),
        };
        days(range, &zone, most)
    }

    #[test]
    fn ticks_stand_at_round_values() {
        let range = Range {
            low: -3.2,
            high: 11.0,
        };
        assert_eq!(labels(&round(range, 5)), ["0", "+5", "+10"]);
        assert_eq!(
            labels(&round(range, 8)),
            ["-2", "0", "+2", "+4", "+6", "+8", "+10"]
        );
        let small = Range {
            low: 0.01,
            high: 0.04,
        };
        assert_eq!(
            labels(&round(small, 4)),
            ["+0.01", "+0.02", "+0.03", "+0.04"]
        );
    }

    #[test]
    fn a_range_without_length_or_values_still_has_a_place_for_things() {
        assert!(Range::of([4.0]).length() > 0.9);
        assert!(Range::of([]).length() > 0.9);
        assert!(Range::of([f64::NAN, f64::INFINITY]).length() > 0.9);
    }

    #[test]
    fn days_are_those_of_the_sites_calendar() {
        // Summer time in Lisbon ends on 25 October 2026 (IANA tz database): midnight is at 23:00 UTC before.
        let ticks = days_between("2026-10-23T12:00:00Z", "2026-10-27T12:00:00Z", 6);
        assert_eq!(
            labels(&ticks),
            ["2026-10-24", "2026-10-25", "2026-10-26", "2026-10-27"]
        );
        assert!((ticks[0].at - at("2026-10-23T23:00:00Z")).abs() < 0.5);
        assert!((ticks[2].at - at("2026-10-26T00:00:00Z")).abs() < 0.5);
    }

    #[test]
    fn weeks_begin_on_mondays_and_longer_strides_with_the_month() {
        let weeks = days_between("2026-10-23T12:00:00Z", "2026-11-20T12:00:00Z", 5);
        assert_eq!(
            labels(&weeks),
            ["2026-10-26", "2026-11-02", "2026-11-09", "2026-11-16"]
        );
        let months = days_between("2026-05-20T12:00:00Z", "2026-11-20T12:00:00Z", 7);
        assert_eq!(months[0].label, "2026-06");
        assert_eq!(months.len(), 6);
        let years = days_between("2020-05-20T12:00:00Z", "2026-11-20T12:00:00Z", 7);
        assert_eq!(years[0].label, "2021");
    }
}
