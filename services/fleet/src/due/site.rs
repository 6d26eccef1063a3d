//! What is due at a whole site.

use jiff::Timestamp;
use jiff::civil::Date;

use super::dates::Dates;
use super::furnace::{Place, of_furnace};
use super::{Due, DueState, DueSubject, GaugeRecords, Reason, SiteRecords, StockRecords};
use crate::calendar::{Calendar, Shift, plus};
use crate::furnace::FurnaceState;
use crate::rule::{InForce, Plan, RulePlace};
use crate::task::TaskKind;

/// Works out what is due, and remembers dates that many furnaces share.
#[derive(Debug, Default)]
pub struct Planner {
    dates: Dates,
}

/// What is due at a site at a moment, soonest first; tasks that are not due yet as well. The same records and
/// the same moment always give the same.
pub fn due_tasks(records: &SiteRecords, now: Timestamp) -> Vec<Due> {
    Planner::default().due_tasks(records, now)
}

/// Days before rings run out or expire at which new ones are to be ordered (an assumption of this program).
const DELIVERY_DAYS: i32 = 14;

/// Days after a gauge was added by which it is checked for the first time (an assumption of this program).
const FIRST_CHECK_DAYS: i32 = 7;

impl Planner {
    /// As [`due_tasks`], for one site after the other.
    pub fn due_tasks(&mut self, records: &SiteRecords, now: Timestamp) -> Vec<Due> {
        let calendar = Calendar::of(&records.site.details);
        let place = Place {
            site: &records.site.details,
            today: calendar.day_of(now),
            calendar: &calendar,
        };
        let mut all = Vec::new();
        for furnace in &records.furnaces {
            for task in TaskKind::OF_FURNACES {
                let rule = InForce::of(records, furnace, task);
                all.extend(of_furnace(&place, furnace, &rule, &mut self.dates));
            }
        }
        let at = RulePlace::Site(records.site.key.clone());
        let rule = records.rules.in_force(&at, TaskKind::GaugeCheck);
        for gauge in &records.gauges {
            all.extend(of_gauge(&place, gauge, &rule));
        }
        let rule = records.rules.in_force(&at, TaskKind::RingStock);
        all.extend(of_stock(&place, records, &rule));
        all.sort_by(|one, other| {
            (one.act_on(), one.task, &one.subject).cmp(&(
                other.act_on(),
                other.task,
                &other.subject,
            ))
        });
        all
    }

    /// The dates of a furnace's task after its due date, until a day, at most so many. Only fixed dates are
    /// known beforehand: what counts from the last time depends on when that will be.
    pub fn planned_after(
        &mut self,
        records: &SiteRecords,
        due: &Due,
        until: Date,
        most: usize,
    ) -> Vec<Date> {
        let DueSubject::Furnace(key) = &due.subject else {
            return Vec::new();
        };
        let rule = records
            .rules
            .in_force(&RulePlace::Furnace(key.clone()), due.task);
        if !matches!(rule.details.plan, Plan::FixedDates(_)) {
            return Vec::new();
        }
        let site = &records.site.details;
        let calendar = Calendar::of(site);
        let mut days = Vec::new();
        let mut last = due.due_on;
        while days.len() < most {
            let next = self
                .dates
                .planned(rule.details, site, &calendar, Some(last), last);
            match next {
                Some(next) if next > last && next <= until => {
                    days.push(next);
                    last = next;
                }
                _ => break,
            }
        }
        days
    }
}

fn of_gauge(place: &Place<'_>, gauge: &GaugeRecords, rule: &InForce<'_>) -> Option<Due> {
    if !gauge.details.in_use || rule.details.plan == Plan::Off {
        return None;
    }
    let added_on = place.calendar.day_of(gauge.created_at);
    let (last_day, text) = match gauge.checked_at {
        Some(at) => (
            gauge.details.check_due_on(at, place.calendar.zone()),
            format!(
                "Checked on {}; the check holds {} days.",
                place.calendar.day_of(at),
                gauge.details.check_interval_days
            ),
        ),
        None => (
            plus(added_on, FIRST_CHECK_DAYS),
            "Never checked: its readings are only as sure as its maker's permissible error."
                .to_owned(),
        ),
    };
    let after = gauge
        .checked_at
        .map_or(added_on, |at| place.calendar.day_of(at));
    let due_on = place
        .calendar
        .shifted(last_day, rule.details.shift, Some(after));
    Some(settled(
        place,
        rule,
        About {
            subject: DueSubject::Gauge(gauge.key.clone()),
            display_name: gauge.details.display_name.clone(),
            last_done_at: gauge.checked_at,
            interval: Some(gauge.details.check_interval_days),
        },
        due_on,
        Reason {
            code: "GAUGE_CHECK",
            text,
        },
        "Measure a reference block with it and record the check.",
    ))
}

/// Rings: the stock as a whole may run out, and each batch may expire.
fn of_stock(place: &Place<'_>, records: &SiteRecords, rule: &InForce<'_>) -> Vec<Due> {
    if rule.details.plan == Plan::Off {
        return Vec::new();
    }
    let left = |stock: &StockRecords| (stock.left_then - stock.fired_since).max(0);
    let usable = |stock: &&StockRecords| {
        stock.released && stock.expires_on.is_none_or(|day| day >= place.today)
    };
    let total: i32 = records.stocks.iter().filter(usable).map(left).sum();
    let mut all = Vec::new();
    let mut add = |stock: &StockRecords, out_on: Date, code, text: String| {
        let order_by = place
            .calendar
            .shifted(plus(out_on, -DELIVERY_DAYS), Shift::Before, None);
        let mut due = settled(
            place,
            rule,
            About {
                subject: DueSubject::Rings(stock.batch.clone()),
                display_name: stock.code.clone(),
                last_done_at: Some(stock.counted_at),
                interval: None,
            },
            order_by,
            Reason { code, text },
            "Order rings, and count them again when they have come.",
        );
        due.grace_ends_on = due.grace_ends_on.max(out_on);
        due.placed_in_time(place.today);
        all.push(due);
    };
    let furnaces = records
        .furnaces
        .iter()
        .filter(|furnace| furnace.state == FurnaceState::InUse)
        .count();
    let last_counted = records
        .stocks
        .iter()
        .max_by_key(|stock| (stock.counted_at, &stock.batch));
    if let (Some(stock), true) = (last_counted, furnaces > 0) {
        // One ring a furnace and interval, at the least.
        let furnaces = i32::try_from(furnaces).unwrap_or(i32::MAX);
        let rounds = total / furnaces;
        let days = rounds.saturating_mul(place.site.calibration_interval_days);
        // From the week's first day, so that the date does not move every day.
        let week = place.today.weekday().to_monday_zero_offset();
        let out_on = plus(place.today, days.min(10_000) - i32::from(week));
        add(
            stock,
            out_on,
            "RINGS_RUN_OUT",
            format!("{total} rings are left for {furnaces} furnaces: enough until about {out_on}."),
        );
    }
    for stock in records.stocks.iter().filter(|stock| left(stock) > 0) {
        if let Some(expires_on) = stock.expires_on {
            add(
                stock,
                expires_on,
                "RINGS_EXPIRE",
                format!(
                    "{} rings of this batch may be fired until {expires_on} only.",
                    left(stock)
                ),
            );
        }
    }
    // One entry a batch: the earlier of the two.
    all.sort_by(|one, other| (&one.subject, one.due_on).cmp(&(&other.subject, other.due_on)));
    all.dedup_by(|later, earlier| later.subject == earlier.subject);
    all
}

struct About {
    subject: DueSubject,
    display_name: String,
    last_done_at: Option<Timestamp>,
    interval: Option<i32>,
}

fn settled(
    place: &Place<'_>,
    rule: &InForce<'_>,
    about: About,
    due_on: Date,
    reason: Reason,
    next_step: &str,
) -> Due {
    let mut due = Due {
        task: rule.task,
        subject: about.subject,
        subject_display_name: about.display_name,
        due_on,
        soon_on: plus(due_on, -rule.details.lead(about.interval)),
        grace_ends_on: plus(due_on, rule.details.grace(about.interval)),
        state: DueState::Current,
        lapsed: false,
        steps: Vec::new(),
        reasons: vec![reason],
        next_step: next_step.to_owned(),
        rule_words: rule.details.words(rule.task, Some(place.site)),
        rule_name: rule.name(),
        last_done_at: about.last_done_at,
    };
    due.placed_in_time(place.today);
    if due.state == DueState::Current {
        due.next_step = format!("Nothing yet; {} is planned for {due_on}.", due.task.words());
    }
    due
}
