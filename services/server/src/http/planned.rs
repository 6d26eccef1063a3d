//! Dates after the next one, of furnaces whose tasks are planned for fixed dates: people make their own
//! plans around them.

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_fleet::calendar::{Calendar, plus};
use ringtrue_fleet::due::{Due, DueState, Planner, SiteRecords};

/// How far ahead, days.
const AHEAD_DAYS: i32 = 182;

/// Most dates of one furnace's task, those that are past included.
const MOST_DATES: usize = 60;

/// The planned dates after those that are due next.
pub(super) fn planned(
    planner: &mut Planner,
    records: &SiteRecords,
    dues: &[Due],
    now: Timestamp,
) -> Vec<Due> {
    let today = Calendar::of(&records.site.details).day_of(now);
    let until = plus(today, AHEAD_DAYS);
    let mut planned = Vec::new();
    for due in dues {
        let days = planner.planned_after(records, due, until, MOST_DATES);
        let ahead = days.into_iter().filter(|day| *day > today);
        planned.extend(ahead.map(|day| later(due, day)));
    }
    planned
}

/// The same task on a later date, of which no more is known than that it is planned.
fn later(due: &Due, day: Date) -> Due {
    Due {
        due_on: day,
        soon_on: day,
        grace_ends_on: day,
        state: DueState::Current,
        lapsed: false,
        steps: Vec::new(),
        reasons: Vec::new(),
        next_step: String::new(),
        ..due.clone()
    }
}
