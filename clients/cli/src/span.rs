//! A span of time on a command line: from a day or moment until another.

use clap::Args;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::failure::Stop;
use crate::session::Session;
use crate::{day, moment};

/// From when until when.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Span {
    /// From this day or moment on, in the site's zone: 2026-11-20, monday, "friday 18:00".
    #[arg(long, value_name = "WHEN")]
    pub(crate) from: Option<String>,
    /// Until this moment, or the end of this day; until now when left out.
    #[arg(long, value_name = "WHEN")]
    pub(crate) until: Option<String>,
}

impl Span {
    /// Whether anything of it was given.
    pub(crate) fn is_given(&self) -> bool {
        self.from.is_some() || self.until.is_some()
    }

    /// Reads both ends as somebody at a site means them; what was not given is none.
    ///
    /// # Errors
    /// [`Stop::Usage`] when one is not understood.
    pub(crate) async fn read(
        &self,
        site: &str,
        session: &mut Session<'_, '_>,
    ) -> Result<(Option<Timestamp>, Option<Timestamp>), Stop> {
        if !self.is_given() {
            return Ok((None, None));
        }
        let zone = session.zone(site).await?;
        let now = session.world.now;
        let from = self.from.as_deref();
        let from = from.map(|text| end(text, 0, now, &zone)).transpose()?;
        let until = self.until.as_deref();
        let until = until.map(|text| end(text, 1, now, &zone)).transpose()?;
        // The end of today is still to come, and nothing that was fired lies there.
        Ok((from, until.map(|until| until.min(now))))
    }
}

/// A moment, or the beginning of a day some days after the one that is named.
fn end(text: &str, days: i64, now: Timestamp, zone: &TimeZone) -> Result<Timestamp, Stop> {
    if let Ok(date) = day::past(text, day::of(now, zone)) {
        let midnight = day::after(date, days).at(0, 0, 0, 0);
        if let Ok(moment) = zone.to_ambiguous_timestamp(midnight).compatible() {
            return Ok(moment);
        }
    }
    moment::spoken(text, now, zone).map_err(|why| {
        Stop::Usage(format!(
            "{why}; or a day, `2026-11-20`, `yesterday`, `monday`"
        ))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_begin_and_end_at_the_sites_midnight() {
        let zone = TimeZone::get("America/Bogota").expect("a zone");
        let now: Timestamp = "2026-11-25T12:00:00Z".parse().expect("a moment");
        let read = |text: &str, days| end(text, days, now, &zone).map(|at| at.to_string());
        let midnight = "2026-11-23T05:00:00Z";
        assert_eq!(read("2026-11-23", 0).expect("a day"), midnight);
        assert_eq!(read("monday", 0).expect("a day"), midnight);
        assert_eq!(
            read("2026-11-23", 1).expect("its end"),
            "2026-11-24T05:00:00Z"
        );
        assert_eq!(
            read("monday 07:00", 1).expect("a moment"),
            "2026-11-23T12:00:00Z"
        );
        assert!(read("long ago", 0).is_err());
    }
}
