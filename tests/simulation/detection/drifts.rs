//! Furnaces that drift: charts side by side on the same fleets. Alarms of furnaces that only wander are
//! false.

use std::collections::BTreeSet;

use ringtrue_calibration::charts::Side;
use ringtrue_calibration::charts::ewma::EwmaState;
use ringtrue_calibration::drift::{Detector, DriftState, Innovation, RampDesign, Rule, Signal};
use ringtrue_calibration::inference::Components;

use super::{Believed, TEXTBOOK};
use crate::policies::{Fleet, Followed, OwnFilter, per_furnace};
use crate::report::{Goal, Report, Table, Wanted, count, mean, quantile};
use crate::world::{INJECTED_WEEK, NOMINAL_SLOPE_C_PER_MM, Reading, Settings, World, days_of};

/// Alarms of furnaces count from this week: charts then have a past.
const FIRST_COUNTED_WEEK: u32 = 30;

/// Alarms count as caused by a common switch of batch for so many weeks.
const AFTER_SWITCH_WEEKS: u32 = 20;

/// Readings from which a chart of raw offsets takes its centre.
const RAW_BASELINE: usize = 8;

/// A chart that says that a furnace drifts.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Alarm {
    furnace: usize,
    day: u32,
    side: Side,
}

/// Charts compared, in the order of the tables.
const CHARTS: [&str; 5] = [
    "average of raw offsets, furnace by itself",
    "average of its own filter's innovations",
    "average of the fleet's innovations",
    "ramp in the fleet's innovations",
    "the same, one ring within a week when suspected",
];

/// Alarms of all charts, and rings fired beyond the plan.
struct Watched {
    alarms: [Vec<Alarm>; 5],
    singles: usize,
    early_rings: usize,
}

fn watched(world: &World, detector: &Detector, components: Components, own: OwnFilter) -> Watched {
    let readings = world.planned();
    let gauge_sd_c = world.settings.gauge_sd_mm * NOMINAL_SLOPE_C_PER_MM;
    let mut fleet = Fleet::new(world, components, gauge_sd_c, None);
    let mut followed = Vec::with_capacity(readings.len());
    let mut singles = 0;
    let mut ramp = Vec::new();
    let mut states = vec![DriftState::default(); world.furnaces.len()];
    for reading in &readings {
        let Some(step) = fleet.take(world, reading) else {
            continue;
        };
        followed.push(step.z);
        match looked_at(detector, &mut states[reading.furnace], reading, &step) {
            Some(Signal::Drift { side, .. }) => ramp.push(alarm(reading, side)),
            Some(Signal::Single { .. }) => {
                singles += usize::from(reading.day >= days_of(FIRST_COUNTED_WEEK));
            }
            None => {}
        }
    }
    let mut own_z = Vec::with_capacity(readings.len());
    for step in per_furnace(world, &readings, own) {
        own_z.push(step.z);
    }
    let (early, early_rings) = with_early_rings(world, detector, components);
    Watched {
        alarms: [
            averaged(world, &readings, &raw_z(world, &readings)),
            averaged(world, &readings, &own_z),
            averaged(world, &readings, &followed),
            ramp,
            early,
        ],
        singles,
        early_rings,
    }
}

fn alarm(reading: &Reading, side: Side) -> Alarm {
    Alarm {
        furnace: reading.furnace,
        day: reading.day,
        side,
    }
}

fn looked_at(
    detector: &Detector,
    state: &mut DriftState,
    reading: &Reading,
    step: &Followed,
) -> Option<Signal> {
    let innovation = Innovation {
        weeks: f64::from(reading.day) / 7.0,
        weeks_since: step.weeks,
        z: step.z?,
        standard_deviation_c: step.spread_c,
        gain: step.gain,
        drawn_anew: step.eventful,
    };
    let (next, signal) = detector.follow(*state, &innovation);
    *state = next;
    signal
}

/// Follows the fleet with rings beyond the plan: where drift is suspected, one is fired seven days
/// later unless one is planned until then.
fn with_early_rings(
    world: &World,
    detector: &Detector,
    components: Components,
) -> (Vec<Alarm>, usize) {
    let gauge_sd_c = world.settings.gauge_sd_mm * NOMINAL_SLOPE_C_PER_MM;
    let mut fleet = Fleet::new(world, components, gauge_sd_c, None);
    let mut states = vec![DriftState::default(); world.furnaces.len()];
    let mut due: BTreeSet<(u32, usize)> = world.calendar().into_iter().collect();
    let (mut alarms, mut early_rings) = (Vec::new(), 0);
    while let Some((day, furnace)) = due.pop_first() {
        let reading = world.fired(furnace, day);
        let Some(step) = fleet.take(world, &reading) else {
            continue;
        };
        let state = &mut states[furnace];
        if let Some(Signal::Drift { side, .. }) = looked_at(detector, state, &reading, &step) {
            alarms.push(alarm(&reading, side));
        }
        let soon = day + 7;
        let mut planned = soon >= world.days;
        for other in day + 1..=soon {
            planned |= due.contains(&(other, furnace));
        }
        if detector.suspicion(state).is_some() && !planned {
            due.insert((soon, furnace));
            early_rings += usize::from(day >= days_of(FIRST_COUNTED_WEEK));
        }
    }
    (alarms, early_rings)
}

/// Raw offsets from the mean of a furnace's first readings, in standard deviations estimated from the
/// moving ranges of the whole fleet (d2 = 1.128).
fn raw_z(world: &World, readings: &[Reading]) -> Vec<Option<f64>> {
    let mut last = vec![None; world.furnaces.len()];
    let mut ranges_c = Vec::new();
    for reading in readings {
        if let Some(before) = last[reading.furnace].replace(reading.offset_c) {
            ranges_c.push(f64::abs(reading.offset_c - before));
        }
    }
    let sd_c = mean(&ranges_c) / 1.128;
    let mut baselines = vec![(0, 0.0); world.furnaces.len()];
    let mut all = Vec::with_capacity(readings.len());
    for reading in readings {
        let (taken, sum_c) = &mut baselines[reading.furnace];
        if *taken < RAW_BASELINE {
            *taken += 1;
            *sum_c += reading.offset_c;
            all.push(None);
        } else {
            all.push(Some(
                (reading.offset_c - *sum_c / count(RAW_BASELINE)) / sd_c,
            ));
        }
    }
    all
}

fn averaged(world: &World, readings: &[Reading], z: &[Option<f64>]) -> Vec<Alarm> {
    let mut states = vec![EwmaState::default(); world.furnaces.len()];
    let mut alarms = Vec::new();
    for (reading, z) in readings.iter().zip(z) {
        let Some(z) = z else { continue };
        let state = &mut states[reading.furnace];
        *state = state.follow(*z, &TEXTBOOK);
        if let Some(side) = state.signal(&TEXTBOOK) {
            alarms.push(alarm(reading, side));
            *state = EwmaState::default();
        }
    }
    alarms
}

/// Alarms a year and furnace between two weeks.
fn rate(world: &World, alarms: &[Alarm], from_week: u32, to_week: u32) -> f64 {
    let days = days_of(from_week)..days_of(to_week);
    let mut n_alarms = 0;
    for alarm in alarms {
        n_alarms += usize::from(days.contains(&alarm.day));
    }
    let years = f64::from(to_week.saturating_sub(from_week)) * 7.0 / 365.25;
    count(n_alarms) / (count(world.furnaces.len()) * years)
}

/// Weeks from the start of the ramp to the first alarm above, for every furnace with one; the weeks left
/// when there was none.
fn delays(world: &World, alarms: &[Alarm]) -> Vec<f64> {
    let begins = days_of(INJECTED_WEEK);
    let mut first = vec![world.days; world.furnaces.len()];
    for alarm in alarms {
        if alarm.day >= begins && alarm.side == Side::Above {
            first[alarm.furnace] = first[alarm.furnace].min(alarm.day);
        }
    }
    let mut weeks = Vec::new();
    for (furnace, day) in world.furnaces.iter().zip(first) {
        if furnace.ramps {
            weeks.push(f64::from(day.saturating_sub(begins)) / 7.0);
        }
    }
    weeks
}

/// Charts of furnaces: false alarms in routine and when a batch that is off reaches every site, and how
/// soon a furnace that drifts is found.
pub(crate) fn drift(believed: &Believed) -> anyhow::Result<Report> {
    let calm = Settings {
        sites: believed.sites,
        weeks: believed.weeks,
        ..Settings::default()
    }
    .calm();
    let taught = believed.before.learnt(&calm, 998)?;
    let (components, own) = (taught.components, taught.own);
    let detector = Detector {
        rule: Rule::Ramp(RampDesign {
            limit: believed.drift_limit,
            ..RampDesign::default()
        }),
        ..Detector::default()
    };
    let mut rows = vec![vec![Vec::new(); 6]; CHARTS.len()];
    let (mut singles, mut early, mut furnace_years) = (0, 0, 0.0);
    let counted_weeks = f64::from(believed.weeks.saturating_sub(FIRST_COUNTED_WEEK));
    for seed in 0..believed.seeds {
        let routine = World::drawn(&calm, 31 + seed)?;
        let seen = watched(&routine, &detector, components, own);
        singles += seen.singles;
        early += seen.early_rings;
        furnace_years += count(routine.furnaces.len()) * counted_weeks * 7.0 / 365.25;
        let switched = Settings {
            everyone_switches_c: Some(6.0),
            ..calm
        };
        let switched = World::drawn(&switched, 31 + seed)?;
        let after = watched(&switched, &detector, components, own);
        for (chart, row) in rows.iter_mut().enumerate() {
            row[0].push(rate(
                &routine,
                &seen.alarms[chart],
                FIRST_COUNTED_WEEK,
                believed.weeks,
            ));
            row[1].push(rate(
                &switched,
                &after.alarms[chart],
                INJECTED_WEEK,
                INJECTED_WEEK + AFTER_SWITCH_WEEKS,
            ));
        }
        for (column, ramp_c_per_week) in [(2, 1.0), (4, 0.5)] {
            let ramping = Settings {
                ramp_c_per_week,
                ..calm
            };
            let ramping = World::drawn(&ramping, 41 + seed)?;
            let seen = watched(&ramping, &detector, components, own);
            for (chart, row) in rows.iter_mut().enumerate() {
                row[column].extend(delays(&ramping, &seen.alarms[chart]));
            }
        }
    }
    let mut report = drift_report(
        believed,
        &rows,
        count(singles) / furnace_years,
        count(early) / furnace_years,
    );
    report.tables.insert(0, taught.table("Drift"));
    Ok(report)
}

fn drift_report(
    believed: &Believed,
    rows: &[Vec<Vec<f64>>],
    singles_per_year: f64,
    early_per_year: f64,
) -> Report {
    let mut table = Table {
        title: format!(
            "Furnaces that drift ({} sites, {} seeds): false alarms a furnace-year, weeks until found",
            believed.sites, believed.seeds
        ),
        columns: vec![
            "routine",
            "+6 °C batch",
            "1 °C/wk p50",
            "1 °C/wk p90",
            "0.5 p50",
            "0.5 p90",
        ],
        rows: Vec::new(),
    };
    for (name, row) in CHARTS.iter().zip(rows) {
        table.rows.push((
            (*name).to_owned(),
            vec![
                mean(&row[0]),
                mean(&row[1]),
                quantile(&row[2], 0.5),
                quantile(&row[2], 0.9),
                quantile(&row[4], 0.5),
                quantile(&row[4], 0.9),
            ],
        ));
    }
    let unused = f64::NAN;
    table.rows.push((
        "single readings beyond 4 standard deviations".to_owned(),
        vec![singles_per_year, unused, unused, unused, unused, unused],
    ));
    table.rows.push((
        "rings fired early, a furnace-year".to_owned(),
        vec![early_per_year, unused, unused, unused, unused, unused],
    ));
    let found = |row: usize, column: usize| table.rows[row].1[column];
    let goals = vec![
        Goal::new(
            "false drift alarms after a +6 °C batch reached every site, share of the raw average's",
            found(3, 1) / found(0, 1),
            Wanted::AtMost(0.1),
        ),
        Goal::new(
            "weeks until a furnace that drifts 1 °C/week is found, median, with early rings",
            found(4, 2),
            Wanted::AtMost(12.0),
        ),
        Goal::new(
            "false drift alarms a furnace-year in routine, with early rings",
            found(4, 0),
            Wanted::AtMost(0.04),
        ),
    ];
    Report {
        tables: vec![table],
        goals,
    }
}
