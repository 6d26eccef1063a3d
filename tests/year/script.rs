//! The whole year as it will be: what is set up, what the people do, and what is changed meanwhile.

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::calendar::{Shift, plus};
use ringtrue_fleet::rule::{Plan, RuleDetails, RuleKey, RulePlace};
use ringtrue_fleet::site::SiteDetails;
use ringtrue_fleet::task::TaskKind;

use crate::deed::{Deed, Doing};
use crate::draw::Draw;
use crate::laboratory::{FIRST_DAY, Laboratory, closure, fixed, gauge, i32_of, since};
use crate::people;
use crate::steps::start;

/// What is done at each moment, by its number; in an order that is always the same.
pub(crate) fn script(seed: u64, sites: usize, days: i64, steps: &[Timestamp]) -> Vec<Vec<Deed>> {
    let mut deeds = vec![at_start("batch", Doing::AddBatch)];
    deeds.extend(of_network());
    for number in 0..sites {
        let laboratory = Laboratory::of(seed, number);
        deeds.extend(set_up(&laboratory, seed));
        deeds.extend(people::year(&laboratory, seed, days));
        deeds.extend(changes(&laboratory, seed));
    }
    let mut all = vec![Vec::new(); steps.len()];
    // A stable sort: what is done at the same moment keeps its order.
    deeds.sort_by_key(|deed| deed.at);
    for deed in deeds {
        let step = steps.partition_point(|step| *step < deed.at);
        if let Some(at_step) = all.get_mut(step) {
            at_step.push(deed);
        }
    }
    all
}

fn at_start(words: &str, doing: Doing) -> Deed {
    Deed {
        at: start(),
        words: words.to_owned(),
        doing,
    }
}

fn days_on(days: i64) -> Timestamp {
    start() + SignedDuration::from_hours(24 * days)
}

/// A rule of care with these dates, otherwise as usual.
fn care(task: TaskKind, plan: Plan) -> RuleDetails {
    RuleDetails {
        plan,
        ..RuleDetails::built_in(task)
    }
}

fn set(at: Timestamp, place: RulePlace, task: TaskKind, rule: Option<RuleDetails>) -> Deed {
    let key = RuleKey { place, task };
    let words = format!("{} {at}", key.name());
    Deed {
        at,
        words,
        doing: Doing::SetRule(key, rule.map(Box::new)),
    }
}

/// Rules that all sites share; changed once, and taken away once.
fn of_network() -> Vec<Deed> {
    let bead = TaskKind::BeadReplacement;
    let place = || RulePlace::Network;
    let quarterly = care(bead, since("FREQ=WEEKLY;INTERVAL=10"));
    let sooner = care(bead, since("FREQ=WEEKLY;INTERVAL=7"));
    vec![
        set(start(), place(), bead, Some(quarterly)),
        set(days_on(120), place(), bead, Some(sooner)),
        set(days_on(250), place(), bead, None),
    ]
}

fn set_up(laboratory: &Laboratory, seed: u64) -> Vec<Deed> {
    let mut draw = Draw::of(seed, &format!("set up {}", laboratory.id));
    let id = &laboratory.id;
    let place = || RulePlace::Site(id.clone());
    let interval = draw.one(&[365, 180, 90]);
    let mut deeds = vec![
        at_start(
            &id.name(),
            Doing::AddSite(id.clone(), Box::new(laboratory.details.clone())),
        ),
        at_start(
            &laboratory.gauge.name(),
            Doing::AddGauge(laboratory.gauge.clone(), gauge(interval)),
        ),
    ];
    if let Some(rule) = &laboratory.rule {
        let task = TaskKind::Calibration;
        deeds.push(set(start(), place(), task, Some(rule.clone())));
    }
    let purge = TaskKind::PurgeFiring;
    let rule = match draw.between(0, 5) {
        0 => Some(RuleDetails {
            shift: Shift::After,
            lead_days: Some(2),
            ..care(purge, fixed("FREQ=MONTHLY;BYDAY=1MO", 12))
        }),
        1 => Some(RuleDetails {
            after_firings: 45,
            ..care(purge, Plan::NoDates)
        }),
        2 => Some(care(purge, Plan::Off)),
        _ => None,
    };
    if let Some(rule) = rule {
        deeds.push(set(start(), place(), purge, Some(rule)));
    }
    if draw.chance(0.3) {
        let task = TaskKind::GaugeCheck;
        let rule = RuleDetails {
            shift: Shift::After,
            lead_days: Some(3),
            ..RuleDetails::built_in(task)
        };
        deeds.push(set(start(), place(), task, Some(rule)));
    }
    deeds
}

/// What is changed meanwhile: a holiday nobody thought of, other hours, another rule, a rule of one furnace.
fn changes(laboratory: &Laboratory, seed: u64) -> Vec<Deed> {
    let mut draw = Draw::of(seed, &format!("changes {}", laboratory.id));
    let id = &laboratory.id;
    let mut deeds = Vec::new();
    if draw.chance(0.35) {
        let day = draw.between(30, 320);
        let mut details: SiteDetails = laboratory.details.clone();
        match draw.between(0, 2) {
            0 => {
                let from = plus(FIRST_DAY, i32_of(day + draw.between(1, 20)));
                details.closures.push(closure(from, draw.between(1, 6)));
            }
            1 => {
                details.manager_after_days += 1;
                details.quality_after_days += 2;
            }
            _ => details.calibration_interval_days = draw.one(&[14, 28]),
        }
        let at = days_on(day) + SignedDuration::from_hours(10);
        deeds.push(Deed {
            at,
            words: format!("{} changed", id.name()),
            doing: Doing::ChangeSite(id.clone(), Box::new(details)),
        });
    }
    if let Some(rule) = &laboratory.rule
        && draw.chance(0.15)
    {
        let at = days_on(draw.between(60, 300));
        let task = TaskKind::Calibration;
        let rule = draw.chance(0.6).then(|| RuleDetails {
            plan: since("FREQ=WEEKLY;INTERVAL=2"),
            grace_days: Some(1),
            ..rule.clone()
        });
        deeds.push(set(at, RulePlace::Site(id.clone()), task, rule));
    }
    if let Some(second) = laboratory.furnaces.get(1) {
        // It comes on the first day or later; its rule is set once it is there.
        let at = days_on(210);
        let rule = RuleDetails {
            shift: Shift::After,
            ..care(TaskKind::Calibration, since("FREQ=DAILY;INTERVAL=8"))
        };
        let place = || RulePlace::Furnace(second.clone());
        deeds.push(set(at, place(), TaskKind::Calibration, Some(rule)));
        deeds.push(set(days_on(300), place(), TaskKind::Calibration, None));
    }
    deeds
}
