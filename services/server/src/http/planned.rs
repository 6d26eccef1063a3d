//! Dates after the next one, of furnaces whose calibrations are planned for fixed dates: people make their own
//! plans around them.

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_fleet::calendar::{Calendar, plus};
use ringtrue_fleet::due::{Due, DueState, DueSubject, SiteRecords};
use ringtrue_fleet::key::FurnaceKey;
use ringtrue_fleet::rule::{Plan, RuleBook, RuleDetails, RulePlace};
use ringtrue_fleet::task::TaskKind;

/// How far ahead, days.
const AHEAD_DAYS: i32 = 182;

/// Most dates of one furnace.
const MOST_DATES: usize = 26;

/// The planned dates after those that are due next.
pub(super) fn planned(records: &SiteRecords, dues: &[Due], now: Timestamp) -> Vec<Due> {
    let calendar = Calendar::of(&records.site.details);
    let today = calendar.day_of(now);
    let mut planned = Vec::new();
    for due in dues {
        let DueSubject::Furnace(furnace) = &due.subject else {
            continue;
        };
        let Some(rule) = rule(&records.rules, furnace, due.task) else {
            continue;
        };
        let Plan::FixedDates(recurrence) = &rule.plan else {
            continue;
        };
        let from = plus(due.due_on.max(today), 1);
        let mut last = due.due_on;
        for day in recurrence.between(from, plus(today, AHEAD_DAYS), MOST_DATES) {
            let day = calendar.shifted(day, rule.shift, Some(last));
            if day <= last || day <= today {
                continue;
            }
            last = day;
            planned.push(later(due, day));
        }
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

/// The rule that holds for a furnace: its own, its site's, or the network's; none for the built-in one.
fn rule<'b>(book: &'b RuleBook, furnace: &FurnaceKey, task: TaskKind) -> Option<&'b RuleDetails> {
    let places = [
        RulePlace::Furnace(furnace.clone()),
        RulePlace::Site(furnace.site.clone()),
        RulePlace::Network,
    ];
    places.iter().find_map(|place| {
        book.0
            .iter()
            .find(|rule| rule.key.place == *place && rule.key.task == task)
            .map(|rule| &rule.details)
    })
}
