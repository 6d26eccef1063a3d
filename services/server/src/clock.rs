//! The clock: the only place that reads the wall time of this machine.
//!
//! A use case reads the clock once, at its start, and passes the moment on as a value. Waiting is a
//! different thing and uses tokio's timers.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use jiff::{SignedDuration, Timestamp};

/// A handle that tells the time; clones tell the same time.
#[derive(Clone, Debug)]
pub struct Clock(Source);

#[derive(Clone, Debug)]
enum Source {
    System,
    /// Microseconds since 1970-01-01T00:00:00Z.
    Manual(Arc<AtomicI64>),
}

/// Why a clock could not be moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ClockFault {
    /// The clock follows this machine.
    #[error("this clock follows the machine's time and cannot be set; use a manual clock")]
    FollowsMachine,
    /// The moment lies outside the years -9999 to 9999.
    #[error("the clock cannot be moved beyond the years -9999 to 9999")]
    OutOfRange,
}

impl Clock {
    /// Follows the wall time of this machine.
    pub fn system() -> Self {
        Self(Source::System)
    }

    /// Stands still at a moment until it is set or advanced; for demo data and tests.
    pub fn manual(at: Timestamp) -> Self {
        Self(Source::Manual(Arc::new(AtomicI64::new(
            at.as_microsecond(),
        ))))
    }

    /// Tells the moment, truncated to microseconds, the resolution at which moments are stored.
    #[expect(
        clippy::disallowed_methods,
        reason = "the one place that reads the wall clock"
    )]
    pub fn now(&self) -> Timestamp {
        match &self.0 {
            Source::System => in_microseconds(Timestamp::now().as_microsecond()),
            Source::Manual(at) => in_microseconds(at.load(Ordering::SeqCst)),
        }
    }

    /// Moves a manual clock to a moment, forwards or backwards.
    ///
    /// Fails with [`ClockFault::FollowsMachine`] on the system clock.
    pub fn set(&self, to: Timestamp) -> Result<(), ClockFault> {
        match &self.0 {
            Source::System => Err(ClockFault::FollowsMachine),
            Source::Manual(at) => {
                at.store(to.as_microsecond(), Ordering::SeqCst);
                Ok(())
            }
        }
    }

    /// Moves a manual clock by a span; a negative one moves it back.
    ///
    /// Fails with [`ClockFault::FollowsMachine`] on the system clock, and with
    /// [`ClockFault::OutOfRange`] when the moment reached has no date.
    pub fn advance(&self, by: SignedDuration) -> Result<(), ClockFault> {
        let Source::Manual(at) = &self.0 else {
            return Err(ClockFault::FollowsMachine);
        };
        let by_us = i64::try_from(by.as_micros()).map_err(|_| ClockFault::OutOfRange)?;
        let moved = at.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |now_us| {
            let then_us = now_us.checked_add(by_us)?;
            moment(then_us).ok().map(|_| then_us)
        });
        moved.map(|_| ()).map_err(|_| ClockFault::OutOfRange)
    }
}

/// Gives the moment of a count of microseconds that came from a moment.
fn in_microseconds(us: i64) -> Timestamp {
    moment(us).expect("a count taken from a timestamp is in range")
}

/// Gives the moment of a count of microseconds since 1970.
fn moment(us: i64) -> Result<Timestamp, jiff::Error> {
    // `Timestamp::from_microsecond` refuses the last second of the calendar, which
    // `as_microsecond` can give.
    let rest_us = i32::try_from(us % 1_000_000).expect("a remainder below a million fits");
    Timestamp::new(us / 1_000_000, rest_us * 1_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noon() -> Timestamp {
        "2026-03-02T12:00:00Z".parse().expect("a valid moment")
    }

    #[test]
    fn a_manual_clock_stands_still_until_it_is_moved_and_its_clones_move_with_it() {
        let clock = Clock::manual(noon());
        let clone = clock.clone();
        assert_eq!(clock.now(), noon());
        clock
            .advance(SignedDuration::from_mins(90))
            .expect("a manual clock moves");
        assert_eq!(clone.now().to_string(), "2026-03-02T13:30:00Z");
        clone
            .advance(SignedDuration::from_mins(-90))
            .expect("a manual clock moves back");
        assert_eq!(clock.now(), noon());
        clock
            .set(Timestamp::UNIX_EPOCH)
            .expect("a manual clock is set");
        assert_eq!(clone.now(), Timestamp::UNIX_EPOCH);
    }

    #[test]
    fn moments_are_truncated_to_microseconds() {
        let fine: Timestamp = "2026-03-02T12:00:00.123456789Z"
            .parse()
            .expect("a valid moment");
        assert_eq!(
            Clock::manual(fine).now().to_string(),
            "2026-03-02T12:00:00.123456Z"
        );
        assert_eq!(Clock::system().now().as_nanosecond() % 1000, 0);
    }

    #[test]
    fn the_system_clock_refuses_to_be_moved() {
        let clock = Clock::system();
        assert_eq!(clock.set(noon()), Err(ClockFault::FollowsMachine));
        assert_eq!(
            clock.advance(SignedDuration::from_secs(1)),
            Err(ClockFault::FollowsMachine)
        );
    }

    #[test]
    fn a_clock_refuses_to_leave_the_calendar_and_stays_where_it_was() {
        let clock = Clock::manual(Timestamp::MAX);
        let last = clock.now();
        assert_eq!(
            clock.advance(SignedDuration::from_hours(1)),
            Err(ClockFault::OutOfRange)
        );
        assert_eq!(
            clock.advance(SignedDuration::MAX),
            Err(ClockFault::OutOfRange)
        );
        assert_eq!(clock.now(), last);
    }
}
