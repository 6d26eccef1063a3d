//! The calendar of a site: closures, times of the day, and how long things may stay silent or late.

use clap::Args;
use jiff::civil::{Date, Time};
use ringtrue_proto::v1::{Closure, Site};

use crate::day;

/// Days and times of a site, as far as they are to be set.
#[derive(Debug, Default, Args)]
pub(super) struct Calendar {
    /// Adds days on which the site is closed: 2026-12-24..2027-01-02=holidays; may be given again.
    #[arg(long, value_name = "FROM..UNTIL[=WHY]", value_parser = closure)]
    closure: Vec<Closure>,
    /// Takes out the closure that begins on a day; may be given again.
    #[arg(long, value_name = "FROM", value_parser = civil)]
    drop_closure: Vec<Date>,
    /// Time by which a ring is to be in the furnace on a calibration day, HH:MM.
    #[arg(long, value_name = "TIME", value_parser = clock)]
    firing_time: Option<String>,
    /// Hours in which alerts wait for the morning, 19:00-07:00, or off; those about furnaces outside
    /// tolerance never wait.
    #[arg(long, value_name = "FROM-UNTIL", value_parser = quiet)]
    quiet: Option<Quiet>,
    /// Days after its due date at which an alert goes to the manager as well (0 to 31).
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    manager_after: Option<i32>,
    /// Days after its due date at which it goes to quality control as well (0 to 62).
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    quality_after: Option<i32>,
    /// Days without any record after which the site counts as silent (1 to 366).
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    silent_after: Option<i32>,
}

/// Quiet hours of a day.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Quiet {
    from: String,
    until: String,
}

impl Calendar {
    /// Whether closures are to change, which the present ones are needed for.
    pub(super) fn changes_closures(&self) -> bool {
        !self.closure.is_empty() || !self.drop_closure.is_empty()
    }

    /// Writes what is named into a site; gives the paths of the fields written.
    ///
    /// # Errors
    /// A sentence for the person when a closure to be taken out is not there.
    pub(super) fn apply(self, site: &mut Site) -> Result<Vec<String>, String> {
        let mut paths = Vec::new();
        if self.changes_closures() {
            for from in &self.drop_closure {
                drop_closure(&mut site.closures, *from)?;
            }
            for closure in self.closure {
                if !site.closures.contains(&closure) {
                    site.closures.push(closure);
                }
            }
            site.closures.sort_by_key(first_day);
            paths.push("closures");
        }
        if let Some(time) = self.firing_time {
            site.firing_time = time;
            paths.push("firing_time");
        }
        if let Some(quiet) = self.quiet {
            site.quiet_from_time = quiet.from;
            site.quiet_until_time = quiet.until;
            paths.push("quiet_from_time");
            paths.push("quiet_until_time");
        }
        if let Some(days) = self.manager_after {
            site.manager_after_days = Some(days);
            paths.push("manager_after_days");
        }
        if let Some(days) = self.quality_after {
            site.quality_after_days = Some(days);
            paths.push("quality_after_days");
        }
        if let Some(days) = self.silent_after {
            site.silent_after_days = days;
            paths.push("silent_after_days");
        }
        Ok(paths.into_iter().map(str::to_owned).collect())
    }
}

fn first_day(closure: &Closure) -> Option<Date> {
    day::received(closure.from_date.as_ref())
}

fn last_day(closure: &Closure) -> Option<Date> {
    day::received(closure.until_date.as_ref()).or_else(|| first_day(closure))
}

fn drop_closure(closures: &mut Vec<Closure>, from: Date) -> Result<(), String> {
    let before = closures.len();
    closures.retain(|closure| first_day(closure) != Some(from));
    if closures.len() == before {
        return Err(format!(
            "No closure begins on {from}. `ringtrue site show` lists those that are to come."
        ));
    }
    Ok(())
}

fn civil(text: &str) -> Result<Date, String> {
    let text = text.trim();
    text.parse()
        .map_err(|_| format!("`{text}` is not a day; write it like 2026-12-24"))
}

fn closure(text: &str) -> Result<Closure, String> {
    let (days, reason) = text.split_once('=').unwrap_or((text, ""));
    let (from, until) = days.split_once("..").unwrap_or((days, days));
    let (from, until) = (civil(from)?, civil(until)?);
    if until < from {
        return Err(format!("it ends on {until}, before it begins on {from}"));
    }
    Ok(Closure {
        from_date: Some(day::sent(from)),
        until_date: Some(day::sent(until)),
        reason: reason.trim().to_owned(),
    })
}

fn clock(text: &str) -> Result<String, String> {
    let unclear = || {
        format!(
            "`{}` is not a time of day; write it like 15:00",
            text.trim()
        )
    };
    let (hour, minute) = text.trim().split_once(':').ok_or_else(unclear)?;
    let number = |part: &str| part.parse::<i8>().map_err(|_| unclear());
    let time = Time::new(number(hour)?, number(minute)?, 0, 0).map_err(|_| unclear())?;
    Ok(time.strftime("%H:%M").to_string())
}

fn quiet(text: &str) -> Result<Quiet, String> {
    if text.trim().eq_ignore_ascii_case("off") {
        return Ok(Quiet {
            from: "00:00".to_owned(),
            until: "00:00".to_owned(),
        });
    }
    let (from, until) = text
        .split_once('-')
        .ok_or_else(|| format!("`{text}` is not understood; write it like 19:00-07:00, or off"))?;
    Ok(Quiet {
        from: clock(from)?,
        until: clock(until)?,
    })
}

/// Gives the lines that show a site's calendar.
pub(super) fn lines(site: &Site, today: Date) -> Vec<(&'static str, String)> {
    let days = |count: i32| match count {
        0 => "of alerts on the due date".to_owned(),
        1 => "of alerts 1 day late".to_owned(),
        count => format!("of alerts {count} days late"),
    };
    let quiet = if site.quiet_from_time.is_empty() || site.quiet_from_time == site.quiet_until_time
    {
        "none".to_owned()
    } else {
        format!(
            "{} to {}; alerts about furnaces outside tolerance do not wait",
            site.quiet_from_time, site.quiet_until_time
        )
    };
    let silent = match site.silent_after_days {
        0 => String::new(),
        days => format!("{days} days without a record"),
    };
    vec![
        ("Closures", closures(&site.closures, today)),
        ("Ring in by", site.firing_time.clone()),
        ("Quiet hours", quiet),
        (
            "Manager told",
            site.manager_after_days.map(days).unwrap_or_default(),
        ),
        (
            "Quality told",
            site.quality_after_days.map(days).unwrap_or_default(),
        ),
        ("Silent after", silent),
    ]
}

/// Closures that are not over, one a line; those that are over are counted.
fn closures(all: &[Closure], today: Date) -> String {
    let mut lines = Vec::new();
    let mut over = 0;
    for closure in all {
        let (Some(from), Some(until)) = (first_day(closure), last_day(closure)) else {
            continue;
        };
        if until < today {
            over += 1;
            continue;
        }
        let mut line = day::shown(from, today);
        if until != from {
            line = format!("{line} to {}", day::shown(until, today));
        }
        if !closure.reason.is_empty() {
            line = format!("{line} ({})", closure.reason);
        }
        lines.push(line);
    }
    if over > 0 {
        lines.push(format!("and {over} that are over"));
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn today() -> Date {
        "2026-11-27".parse().expect("a day")
    }

    #[test]
    fn closures_are_read_with_and_without_an_end_and_a_reason() {
        let whole = closure("2026-12-24..2027-01-02=holidays = rest").expect("a closure");
        assert_eq!(
            first_day(&whole).map(|day| day.to_string()).as_deref(),
            Some("2026-12-24")
        );
        assert_eq!(
            last_day(&whole).map(|day| day.to_string()).as_deref(),
            Some("2027-01-02")
        );
        assert_eq!(whole.reason, "holidays = rest");
        let one = closure("2026-12-08").expect("a closure");
        assert_eq!(first_day(&one), last_day(&one));
        for (text, hint) in [
            ("24.12.2026", "2026-12-24"),
            ("2027-01-02..2026-12-24", "before it begins"),
            ("", "2026-12-24"),
        ] {
            assert!(closure(text).expect_err(text).contains(hint), "{text}");
        }
    }

    #[test]
    fn closures_are_added_and_taken_out_and_the_others_stay() {
        let mut site = Site {
            closures: vec![closure("2026-12-08=holiday").expect("a closure")],
            ..Site::default()
        };
        let adds = || Calendar {
            closure: vec![closure("2026-12-01").expect("a closure")],
            ..Calendar::default()
        };
        assert_eq!(adds().apply(&mut site), Ok(vec!["closures".to_owned()]));
        assert_eq!(
            closures(&site.closures, today()),
            "Tue 1 Dec\nTue 8 Dec (holiday)"
        );
        // The same again changes nothing, so that a repeat is the same request.
        adds().apply(&mut site).expect("added");
        assert_eq!(site.closures.len(), 2);
        let drops = || Calendar {
            drop_closure: vec!["2026-12-08".parse().expect("a day")],
            ..Calendar::default()
        };
        drops().apply(&mut site).expect("taken out");
        assert_eq!(closures(&site.closures, today()), "Tue 1 Dec");
        let refused = drops().apply(&mut site).expect_err("not there");
        assert!(refused.contains("site show"), "{refused}");
    }

    #[test]
    fn closures_that_are_over_are_only_counted() {
        let all = [
            closure("2026-08-01..2026-08-20").expect("a closure"),
            closure("2026-11-27..2027-01-02").expect("a closure"),
        ];
        assert_eq!(
            closures(&all, today()),
            "Fri 27 Nov to Sat 2 Jan 2027\nand 1 that are over"
        );
    }

    #[test]
    fn times_and_quiet_hours_are_read_and_shown() {
        assert_eq!(clock("7:05"), Ok("07:05".to_owned()));
        for text in ["25:00", "7", "07:60", "seven"] {
            assert!(clock(text).expect_err(text).contains("15:00"), "{text}");
        }
        let mut site = Site::default();
        let calendar = Calendar {
            quiet: Some(quiet("19:00-7:00").expect("hours")),
            firing_time: Some(clock("15:00").expect("a time")),
            manager_after: Some(1),
            quality_after: Some(3),
            silent_after: Some(35),
            ..Calendar::default()
        };
        let paths = calendar.apply(&mut site).expect("written");
        assert_eq!(paths.len(), 6, "{paths:?}");
        let shown: Vec<String> = lines(&site, today())
            .into_iter()
            .map(|line| line.1)
            .collect();
        assert_eq!(
            shown,
            [
                "",
                "15:00",
                "19:00 to 07:00; alerts about furnaces outside tolerance do not wait",
                "of alerts 1 day late",
                "of alerts 3 days late",
                "35 days without a record",
            ]
        );
        let off = quiet("off").expect("hours");
        assert_eq!(off.from, off.until);
        assert!(quiet("at night").is_err());
    }
}
