//! The invented laboratories: their calendars, their rules, their furnaces.

use jiff::civil::{Date, Time, Weekday, date};
use ringtrue_fleet::calendar::{Calendar, Shift, plus};
use ringtrue_fleet::event::EventKind;
use ringtrue_fleet::furnace::{FurnaceDetails, HeatingElement, ThermocoupleType};
use ringtrue_fleet::gauge::{GaugeDetails, GaugeKind};
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, GaugeId, GaugeKey, SiteId};
use ringtrue_fleet::programme::{ProgrammeDetails, ProgrammeKind};
use ringtrue_fleet::recurrence::Recurrence;
use ringtrue_fleet::rule::{Plan, RuleDetails};
use ringtrue_fleet::site::{Closure, SiteDetails};
use ringtrue_fleet::task::TaskKind;

use ringtrue_calibration::programme::Segment;

use crate::draw::Draw;
use crate::steps::ZONES;

/// A laboratory before anything is done there.
pub(crate) struct Laboratory {
    pub(crate) id: SiteId,
    pub(crate) details: SiteDetails,
    pub(crate) gauge: GaugeKey,
    pub(crate) furnaces: Vec<FurnaceKey>,
    /// Its rule for calibrations; none for the built-in one.
    pub(crate) rule: Option<RuleDetails>,
    /// Days between firings that its people have in mind.
    pub(crate) usual_days: i64,
    /// Whether its people count firings.
    pub(crate) counts_use: bool,
}

/// First day of the year.
pub(crate) const FIRST_DAY: Date = date(2023, 7, 3);

impl Laboratory {
    /// The laboratory of a number.
    pub(crate) fn of(seed: u64, number: usize) -> Self {
        let mut draw = Draw::of(seed, &format!("laboratory {number}"));
        let id = SiteId::new(&format!("s{number:03}")).expect("an id");
        let details = site(&mut draw, number);
        let (rule, usual_days, counts_use) = rule(&mut draw, number / ZONES.len(), &details);
        let furnaces = if number.is_multiple_of(16) { 2 } else { 1 };
        Self {
            gauge: GaugeKey {
                site: id.clone(),
                gauge: GaugeId::new("g1").expect("an id"),
            },
            furnaces: (1..=furnaces)
                .map(|at| FurnaceKey {
                    site: id.clone(),
                    furnace: FurnaceId::new(&format!("k{at}")).expect("an id"),
                })
                .collect(),
            id,
            details,
            rule,
            usual_days,
            counts_use,
        }
    }

    /// Its calendar as it is at the beginning.
    pub(crate) fn calendar(&self) -> Calendar {
        Calendar::of(&self.details)
    }
}

fn site(draw: &mut Draw, number: usize) -> SiteDetails {
    use Weekday::{Friday, Monday, Saturday, Sunday, Thursday, Tuesday, Wednesday};
    let closed: Vec<Weekday> = draw.one(&[
        vec![Saturday, Sunday],
        vec![Saturday, Sunday],
        vec![Saturday, Sunday],
        vec![Sunday],
        vec![Friday, Saturday],
        vec![Saturday, Sunday, Monday],
        vec![],
    ]);
    let open: Vec<Weekday> = [Monday, Tuesday, Wednesday, Thursday, Friday]
        .into_iter()
        .filter(|day| !closed.contains(day))
        .collect();
    let mut closures = vec![closure(date(2023, 12, 25), draw.between(1, 9))];
    for _ in 0..draw.between(0, 4) {
        let from = plus(FIRST_DAY, i32_of(draw.between(5, 355)));
        closures.push(closure(from, draw.between(1, 3)));
    }
    if draw.chance(0.3) {
        let from = plus(FIRST_DAY, i32_of(draw.between(10, 340)));
        closures.push(closure(from, draw.between(10, 24)));
    }
    // Around a change of the clocks in many zones: the end of October or of March.
    if draw.chance(0.2) {
        let from = draw.one(&[date(2023, 10, 27), date(2024, 3, 29), date(2024, 4, 5)]);
        closures.push(closure(from, draw.between(2, 6)));
    }
    let (quiet_from, quiet_until) = draw.one(&[
        (time(19, 0), time(7, 0)),
        (time(19, 0), time(7, 0)),
        (time(22, 0), time(6, 0)),
        (time(0, 0), time(0, 0)),
        (time(0, 0), time(8, 30)),
        (time(12, 0), time(13, 0)),
        (time(18, 0), time(2, 30)),
    ]);
    let manager_after_days = i32_of(draw.between(0, 2));
    SiteDetails {
        display_name: format!("Bench {number}"),
        time_zone: ZONES[number % ZONES.len()].to_owned(),
        calibration_day: Some(draw.one(&open)),
        calibration_interval_days: draw.one(&[28, 28, 28, 14, 21, 31, 7, 10]),
        closed_days: closed,
        closures,
        quiet_from,
        quiet_until,
        manager_after_days,
        quality_after_days: manager_after_days + i32_of(draw.between(0, 4)),
        silent_after_days: draw.one(&[35, 35, 20, 60]),
        ..SiteDetails::default()
    }
}

/// A closure of so many days.
pub(crate) fn closure(from: Date, days: i64) -> Closure {
    Closure {
        from,
        until: plus(from, i32_of(days - 1)),
        reason: "holiday".to_owned(),
    }
}

fn time(hour: i8, minute: i8) -> Time {
    Time::constant(hour, minute, 0, 0)
}

pub(crate) fn i32_of(number: i64) -> i32 {
    i32::try_from(number).expect("small numbers are drawn")
}

/// A rule of fixed dates that begins some days before the year.
pub(crate) fn fixed(text: &str, days_before: i32) -> Plan {
    let start = plus(FIRST_DAY, -days_before);
    Plan::FixedDates(Recurrence::parse(text, start).expect("the rule is valid"))
}

/// A rule that counts from the last time.
pub(crate) fn since(text: &str) -> Plan {
    Plan::SinceLast(Recurrence::parse(text, FIRST_DAY).expect("the rule is valid"))
}

/// The rule of a laboratory for calibrations, the days that its people have in mind, and whether they count
/// firings. Every kind comes in every zone as far as the numbers go.
fn rule(draw: &mut Draw, number: usize, site: &SiteDetails) -> (Option<RuleDetails>, i64, bool) {
    let own = i64::from(site.calibration_interval_days);
    let built_in = RuleDetails::built_in(TaskKind::Calibration);
    let month = |day: i8| Recurrence::monthly_on_day(day).expect("a day of the month");
    let nth = |nth: i8, day| Recurrence::monthly_on_weekday(nth, day).expect("a weekday");
    let (plan, usual_days, counts_use) = match number % 14 {
        0 => return (None, own, false),
        1 => (fixed("FREQ=DAILY;INTERVAL=9", 4), 9, false),
        2 => (fixed("FREQ=WEEKLY;INTERVAL=2;BYDAY=FR", 3), 14, false),
        3 => (fixed(&month(31), 40), 30, false),
        4 => (fixed(&month(29), 10), 30, false),
        5 => (fixed(&nth(-1, Weekday::Friday), 20), 30, false),
        6 => (fixed(&nth(2, Weekday::Tuesday), 0), 30, false),
        7 => (since("FREQ=WEEKLY;INTERVAL=3"), 21, false),
        8 => (since("FREQ=DAILY;INTERVAL=11"), 11, false),
        9 => (Plan::SiteInterval, own, true),
        10 => (since("FREQ=MONTHLY"), 30, false),
        11 => (fixed("FREQ=WEEKLY;BYDAY=MO,TH;INTERVAL=2", 2), 9, false),
        12 => (fixed("FREQ=MONTHLY;BYMONTHDAY=1,15", 33), 15, true),
        _ => (fixed("FREQ=WEEKLY;INTERVAL=4;BYDAY=SU", 1), 28, false),
    };
    let rule = RuleDetails {
        plan,
        after_firings: if counts_use && draw.chance(0.5) {
            60
        } else {
            0
        },
        after_hours_hot: if counts_use && draw.chance(0.4) {
            90.0
        } else {
            0.0
        },
        after_events: if draw.chance(0.7) {
            built_in.after_events
        } else {
            vec![EventKind::MainsWork, EventKind::Repair]
        },
        busy_firings_per_day: if draw.chance(0.7) { 2.0 } else { 0.0 },
        busy_interval_days: draw.one(&[14, 10]),
        shift: draw.one(&[Shift::Before, Shift::Before, Shift::After]),
        grace_days: draw.one(&[None, None, Some(0), Some(2), Some(5)]),
        lead_days: draw.one(&[None, None, Some(0), Some(3), Some(10)]),
        verify: draw.chance(0.3),
    };
    (Some(rule), usual_days, counts_use)
}

/// A furnace.
pub(crate) fn furnace(key: &FurnaceKey) -> FurnaceDetails {
    FurnaceDetails {
        display_name: key.furnace.as_str().to_uppercase(),
        maximum_setpoint_c: 1650.0,
        heating_element: HeatingElement::MolybdenumDisilicide,
        control_thermocouple: ThermocoupleType::B,
        ..FurnaceDetails::default()
    }
}

/// The programme of every furnace: true 1500 °C for two hours.
pub(crate) fn programme() -> ProgrammeDetails {
    let segment = |temperature_c, hold_min| Segment {
        ramp_c_per_min: 10.0,
        temperature_c,
        hold_min,
    };
    ProgrammeDetails {
        display_name: "Standard".to_owned(),
        segments: vec![segment(900.0, 30.0), segment(1500.0, 120.0)],
        material_target_c: 1500.0,
        setpoint_c: 1500.0,
        minimum_setpoint_c: 1350.0,
        maximum_setpoint_c: 1600.0,
        kind: ProgrammeKind::Standard,
        ..ProgrammeDetails::default()
    }
}

/// A micrometer whose check holds so many days.
pub(crate) fn gauge(check_interval_days: i32) -> GaugeDetails {
    GaugeDetails {
        display_name: "Micrometer".to_owned(),
        kind: Some(GaugeKind::Micrometer),
        resolution_mm: 0.001,
        maximum_permissible_error_mm: 0.004,
        check_interval_days,
        ..GaugeDetails::default()
    }
}
