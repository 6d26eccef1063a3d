//! Batches and gauges that are off: after how many readings they are named, and how often one is that is
//! not off.

use ringtrue_calibration::charts::Side;
use ringtrue_calibration::charts::ewma::{EwmaDesign, EwmaState};
use ringtrue_calibration::coverage::normal_cdf;
use ringtrue_calibration::inference::{Column, Components};

use super::{Believed, TEXTBOOK};
use crate::policies::Fleet;
use crate::report::{Goal, Report, Table, Wanted, count, mean, quantile};
use crate::world::{BATCH_SD_C, INJECTED_WEEK, NOMINAL_SLOPE_C_PER_MM, Settings, World};

/// Beyond this many standard deviations an effect is suspect: 1 % by chance (two-sided).
const SUSPECT_Z: f64 = 2.576;

/// The chart of a site: wider, because it is charted every week in which the site fires.
const OF_A_SITE: EwmaDesign = EwmaDesign {
    limit: 3.4,
    ..TEXTBOOK
};

/// The batch that is off where one is.
const BAD_BATCH: usize = 10;

/// What was found of one batch.
#[derive(Debug, Clone, Copy, Default)]
struct BatchFound {
    readings: u32,
    suspect_after: Option<u32>,
    confirmed_after: Option<u32>,
}

/// Fleets in which one batch is off.
pub(super) fn bad_batch(believed: &Believed) -> anyhow::Result<Report> {
    let mut report = Report::default();
    let mut table = Table {
        title: "A batch that is 6 °C off: readings of it until it is named".to_owned(),
        columns: vec![
            "found",
            "p50",
            "p90",
            "confirmed",
            "p50",
            "p90",
            "false, ever",
            "false, at end",
        ],
        rows: Vec::new(),
    };
    let components = believed.components(&Settings::default())?;
    let (large, small) = (believed.sites, believed.sites.min(30));
    for (sites, repeats, goal) in [
        (large, 7 * believed.seeds, (7.0, 18.0)),
        (small, 30 * believed.seeds, (13.0, 49.0)),
    ] {
        let settings = Settings {
            sites,
            weeks: believed.weeks,
            forced_batch: Some((BAD_BATCH, 6.0)),
            ..Settings::default()
        };
        let (mut suspect, mut confirmed) = (Vec::new(), Vec::new());
        let (mut false_ever, mut false_at_end) = (Vec::new(), Vec::new());
        for seed in 0..repeats {
            let world = World::drawn(&settings, 500 + seed)?;
            let (found, stands) = batches_found(&world, components);
            for (batch, found) in found.iter().enumerate() {
                if found.readings < 2 {
                    continue;
                }
                if batch == BAD_BATCH {
                    suspect.push(found.suspect_after.map_or(f64::INFINITY, f64::from));
                    confirmed.push(found.confirmed_after.map_or(f64::INFINITY, f64::from));
                } else if batch >= 2 {
                    false_ever.push(f64::from(u8::from(found.suspect_after.is_some())));
                    false_at_end.push(f64::from(u8::from(stands[batch])));
                }
            }
        }
        let share = |values: &[f64]| {
            let mut n_found = 0;
            for value in values {
                n_found += usize::from(value.is_finite());
            }
            count(n_found) / count(values.len())
        };
        let (p50, p90) = (quantile(&suspect, 0.5), quantile(&suspect, 0.9));
        table.rows.push((
            format!("{sites} sites, {repeats} fleets"),
            vec![
                share(&suspect),
                p50,
                p90,
                share(&confirmed),
                quantile(&confirmed, 0.5),
                quantile(&confirmed, 0.9),
                mean(&false_ever),
                mean(&false_at_end),
            ],
        ));
        for (what, found, wanted) in [("median", p50, goal.0), ("90 %", p90, goal.1)] {
            report.goals.push(Goal::new(
                &format!("readings until a +6 °C batch is named, {sites} sites, {what}"),
                found,
                Wanted::AtMost(wanted),
            ));
        }
    }
    report.tables.push(table);
    Ok(report)
}

/// After how many of its readings every batch was suspect and confirmed, and whether it is suspect at
/// the end.
fn batches_found(world: &World, components: Components) -> (Vec<BatchFound>, Vec<bool>) {
    let gauge_sd_c = world.settings.gauge_sd_mm * NOMINAL_SLOPE_C_PER_MM;
    let mut fleet = Fleet::new(world, components, gauge_sd_c, None);
    let mut found = vec![BatchFound::default(); world.batches_c.len()];
    let prior_c2 = components.global_prior_c2(BATCH_SD_C * BATCH_SD_C, true);
    let mut stands = vec![false; found.len()];
    for reading in world.planned() {
        if fleet.take(world, &reading).is_none() {
            continue;
        }
        let batch = &mut found[reading.batch];
        batch.readings += 1;
        let solution = fleet.online.solution();
        let variance_c2 = solution.covariance_c2(reading.batch, reading.batch);
        let bias_c = solution.mean_c(reading.batch);
        stands[reading.batch] = suspect_batch(bias_c, variance_c2, prior_c2);
        if batch.readings < 2 {
            continue;
        }
        if batch.suspect_after.is_none() && stands[reading.batch] {
            batch.suspect_after = Some(batch.readings);
        }
        if batch.confirmed_after.is_none() && surely_off(bias_c, variance_c2, 0.99) {
            batch.confirmed_after = Some(batch.readings);
        }
    }
    let solution = fleet.online.solution();
    for (batch, stands) in stands.iter_mut().enumerate() {
        *stands = suspect_batch(
            solution.mean_c(batch),
            solution.covariance_c2(batch, batch),
            prior_c2,
        );
    }
    (found, stands)
}

/// Whether a batch is named: it is far from zero by its prior, or more than 3 °C off with 95 %. The first
/// alone finds a batch of three standard deviations late or never, because its limit lies so near.
fn suspect_batch(mean_c: f64, variance_c2: f64, prior_c2: f64) -> bool {
    suspect(mean_c, variance_c2, prior_c2) || surely_off(mean_c, variance_c2, 0.95)
}

/// Whether an effect is more than 3 °C off with a probability.
fn surely_off(mean_c: f64, variance_c2: f64, probability: f64) -> bool {
    let sd_c = variance_c2.sqrt().max(1e-9);
    let above = normal_cdf((mean_c - 3.0) / sd_c);
    let below = normal_cdf((-3.0 - mean_c) / sd_c);
    above + below > probability
}

/// Whether an effect is further from zero than its prior lets it be by chance. The posterior mean of an
/// effect that obeys its prior has the variance that was learnt: prior less posterior.
fn suspect(mean_c: f64, variance_c2: f64, prior_c2: f64) -> bool {
    let learnt_c2 = (prior_c2 - variance_c2).max(1e-9);
    mean_c.abs() > SUSPECT_Z * learnt_c2.sqrt()
}

/// Sites with two gauges of which one is off, and gauges that shift.
pub(super) fn gauges(believed: &Believed) -> anyhow::Result<Report> {
    let mut report = Report::default();
    let mut table = Table {
        title: "Two gauges at a site, one of them off".to_owned(),
        columns: vec!["found", "false", "readings p50"],
        rows: Vec::new(),
    };
    let components = believed.components(&Settings::default())?;
    for bias_mm in [0.03, 0.05] {
        let settings = Settings {
            sites: believed.sites,
            weeks: believed.weeks,
            gauge_sd_mm: 0.01,
            second_gauge_mm: Some(bias_mm),
            ..Settings::default()
        };
        let (mut after, mut wrong) = (Vec::new(), Vec::new());
        for seed in 0..believed.seeds {
            let world = World::drawn(&settings, 700 + seed)?;
            for (site, first) in world.sites.iter().zip(pairs_found(&world, components)) {
                if site.injected {
                    after.push(first.map_or(f64::INFINITY, f64::from));
                } else if site.gauges_c.len() == 2 {
                    wrong.push(f64::from(u8::from(first.is_some())));
                }
            }
        }
        let mut n_found = 0;
        for readings in &after {
            n_found += usize::from(readings.is_finite());
        }
        let share = count(n_found) / count(after.len());
        table.rows.push((
            format!("{bias_mm} mm"),
            vec![share, mean(&wrong), quantile(&after, 0.5)],
        ));
        if bias_mm > 0.04 {
            report.goals.push(Goal::new(
                "share of sites where a gauge 0.05 mm off beside another is found",
                share,
                Wanted::AtLeast(0.85),
            ));
        }
    }
    report.tables.push(table);
    report.extend(shifted_gauge(believed)?);
    Ok(report)
}

/// Readings of each site until the difference of its two gauges was suspect.
fn pairs_found(world: &World, components: Components) -> Vec<Option<u32>> {
    let gauge_sd_c = world.settings.gauge_sd_mm * NOMINAL_SLOPE_C_PER_MM;
    let mut fleet = Fleet::new(world, components, gauge_sd_c, None);
    let prior_c2 = 2.0 * components.local_prior_c2(gauge_sd_c * gauge_sd_c, true);
    let mut first = vec![None; world.sites.len()];
    let mut taken = vec![0_u32; world.sites.len()];
    let pair = [Column::Local(0), Column::Local(1)];
    for reading in world.planned() {
        fleet.take(world, &reading);
        let site = reading.site;
        taken[site] += 1;
        if world.sites[site].gauges_c.len() < 2 || first[site].is_some() {
            continue;
        }
        let Some(both) = fleet.online.joint(site, &pair) else {
            continue;
        };
        let difference_c = both.mean_c(0) - both.mean_c(1);
        let variance_c2 =
            both.covariance_c2(0, 0) + both.covariance_c2(1, 1) - 2.0 * both.covariance_c2(0, 1);
        if suspect(difference_c, variance_c2, prior_c2) {
            first[site] = Some(taken[site]);
        }
    }
    first
}

/// A single gauge that is dropped and reads 0.03 mm more from then on: all furnaces of the site seem to
/// move in one week. The site's chart is the average of weekly sums of innovations.
fn shifted_gauge(believed: &Believed) -> anyhow::Result<Report> {
    let settings = Settings {
        sites: believed.sites,
        weeks: believed.weeks,
        gauge_shift_mm: 0.03,
        ..Settings::default()
    }
    .calm();
    let components = believed.components(&Settings::default().calm())?;
    let mut delays = [Vec::new(), Vec::new(), Vec::new()];
    let (mut wrong, mut site_years) = (0, 0.0);
    for seed in 0..believed.seeds {
        let world = World::drawn(&settings, 800 + seed)?;
        let alarms = site_alarms(&world, components);
        for (site, alarms) in world.sites.iter().zip(&alarms) {
            if site.injected {
                let class = usize::from(site.furnaces >= 2) + usize::from(site.furnaces >= 4);
                let mut weeks = f64::from(world.settings.weeks.saturating_sub(INJECTED_WEEK));
                for (week, side) in alarms {
                    if *week >= INJECTED_WEEK && *side == Side::Below {
                        weeks = weeks.min(f64::from(week - INJECTED_WEEK));
                    }
                }
                delays[class].push(weeks);
            } else {
                for (week, _) in alarms {
                    wrong += usize::from(*week > 20);
                }
                site_years += f64::from(world.settings.weeks.saturating_sub(20)) * 7.0 / 365.25;
            }
        }
    }
    let mut table = Table {
        title: format!(
            "A single gauge that shifts by 0.03 mm: weeks until its site's chart says so ({:.3} false alarms a site-year)",
            count(wrong) / site_years
        ),
        columns: vec!["p50", "p90"],
        rows: Vec::new(),
    };
    for (name, weeks) in ["one furnace", "2 or 3 furnaces", "4 or more furnaces"]
        .iter()
        .zip(&delays)
    {
        table.rows.push((
            (*name).to_owned(),
            vec![quantile(weeks, 0.5), quantile(weeks, 0.9)],
        ));
    }
    let goal = Goal::new(
        "weeks until a gauge's shift of 0.03 mm is seen at a site of 4 furnaces or more, median",
        quantile(&delays[2], 0.5),
        Wanted::AtMost(2.0),
    );
    Ok(Report {
        tables: vec![table],
        goals: vec![goal],
    })
}

/// Weeks in which each site's chart signalled.
fn site_alarms(world: &World, components: Components) -> Vec<Vec<(u32, Side)>> {
    let gauge_sd_c = world.settings.gauge_sd_mm * NOMINAL_SLOPE_C_PER_MM;
    let mut fleet = Fleet::new(world, components, gauge_sd_c, None);
    let mut week_sums = vec![(0.0, 0_usize); world.sites.len()];
    let mut charts = vec![EwmaState::default(); world.sites.len()];
    let mut alarms = vec![Vec::new(); world.sites.len()];
    let mut current_week = 0;
    let mut close = |week: u32, week_sums: &mut Vec<(f64, usize)>| {
        for (site, (sum, n_readings)) in week_sums.iter_mut().enumerate() {
            if *n_readings > 0 {
                let chart = &mut charts[site];
                *chart = chart.follow(*sum / count(*n_readings).sqrt(), &OF_A_SITE);
                if let Some(side) = chart.signal(&OF_A_SITE) {
                    alarms[site].push((week, side));
                    *chart = EwmaState::default();
                }
            }
            (*sum, *n_readings) = (0.0, 0);
        }
    };
    for reading in world.planned() {
        let week = reading.day / 7;
        if week > current_week {
            close(current_week, &mut week_sums);
            current_week = week;
        }
        if let Some(z) = fleet.take(world, &reading).and_then(|step| step.z) {
            let (sum, n_readings) = &mut week_sums[reading.site];
            *sum += z;
            *n_readings += 1;
        }
    }
    close(current_week, &mut week_sums);
    alarms
}
