//! Ways to turn readings into setpoints, on one and the same fleet, and what each does to the
//! temperatures in the chambers.
//!
//! A firing changes neither the furnace nor the next reading, so what a policy advises alters only the
//! error that is counted: true offset less the correction in force, day by day.

use ringtrue_calibration::inference::bulk::SiteRecords;
use ringtrue_calibration::inference::{
    Chain, Check, Column, Components, Firing, Gaussian, GlobalEffect, LocalEffect, Online, Scratch,
};

use crate::world::{
    BATCH_SD_C, EVENT_SD_C, INITIAL_SD_C, NOMINAL_SLOPE_C_PER_MM, Reading, SETPOINT_C,
    WANDER_C2_PER_WEEK, World, days_of, noise_c2,
};

/// Days before this week do not count: every policy then still starts.
const FIRST_COUNTED_WEEK: u32 = 12;

/// Distance from the mean that holds 95 % of a normal distribution, in standard deviations.
const Z_95: f64 = 1.959_963_984_540_054;

/// What is believed of a furnace's offset after a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Belief {
    pub(crate) offset_c: f64,
    pub(crate) variance_c2: f64,
}

/// What a reading did to the fleet's belief.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Followed {
    pub(crate) belief: Belief,
    /// Distance from what was expected, in standard deviations; none at a furnace's first reading.
    pub(crate) z: Option<f64>,
    /// Standard deviation of what was expected, the reading's noise included, °C.
    pub(crate) spread_c: f64,
    /// Weight of the reading in the offset.
    pub(crate) gain: f64,
    /// Weeks since the furnace's reading before.
    pub(crate) weeks: f64,
    /// True when an event was recorded since.
    pub(crate) eventful: bool,
}

/// How a policy fared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outcome {
    /// Root mean square of the chamber's error, °C.
    pub(crate) rms_c: f64,
    /// Error that 95 % of days stay below, °C.
    pub(crate) p95_c: f64,
    /// Share of days that are more than 5 °C off.
    pub(crate) over_5_c: f64,
    /// Setpoint changes a year and furnace.
    pub(crate) changes_per_year: f64,
    /// Share of 95 % intervals that hold the truth.
    pub(crate) coverage: f64,
}

/// Time and events since a furnace's reading before.
#[derive(Debug, Clone)]
struct Since {
    last_day: Vec<Option<u32>>,
}

impl Since {
    fn new(world: &World) -> Self {
        Since {
            last_day: vec![None; world.furnaces.len()],
        }
    }

    /// Weeks, recorded events and all events since the reading before.
    fn passed(&mut self, world: &World, reading: &Reading) -> (f64, u16, u16) {
        let furnace = &world.furnaces[reading.furnace];
        let Some(last) = self.last_day[reading.furnace].replace(reading.day) else {
            return (0.0, 0, 0);
        };
        let (from, to) = (last as usize, reading.day as usize);
        (
            f64::from(reading.day - last) / 7.0,
            furnace.recorded[to] - furnace.recorded[from],
            furnace.events[to] - furnace.events[from],
        )
    }
}

/// The fleet's posterior, kept up reading by reading.
#[derive(Debug, Clone)]
pub(crate) struct Fleet {
    pub(crate) online: Online,
    since: Since,
}

/// What checks of gauges on a reference block said.
#[derive(Debug, Clone)]
pub(crate) struct BlockChecks {
    /// By site and gauge, °C at the nominal slope.
    pub(crate) found_c: Vec<Vec<f64>>,
    /// Standard uncertainty of each, °C.
    pub(crate) standard_uncertainty_c: f64,
}

impl BlockChecks {
    /// Checks every gauge of a fleet once.
    pub(crate) fn of(world: &World, standard_uncertainty_mm: f64) -> Self {
        BlockChecks {
            found_c: world.block_checks_c(standard_uncertainty_mm),
            standard_uncertainty_c: standard_uncertainty_mm * NOMINAL_SLOPE_C_PER_MM.abs(),
        }
    }
}

impl Fleet {
    /// Registers sites, gauges, furnaces and batches. `gauge_sd_c` is what is believed of a gauge
    /// before anything is read.
    pub(crate) fn new(
        world: &World,
        components: Components,
        gauge_sd_c: f64,
        checks: Option<&BlockChecks>,
    ) -> Self {
        let mut online = Online::new(components);
        for (index, site) in world.sites.iter().enumerate() {
            online.add_site();
            for place in 0..site.gauges_c.len() {
                let mut effect = gauge(gauge_sd_c);
                if let Some(checks) = checks {
                    effect.checks.push(Check {
                        value_c: checks.found_c[index][place],
                        variance_c2: checks.standard_uncertainty_c * checks.standard_uncertainty_c,
                    });
                }
                online.add_local(index, effect);
            }
        }
        for furnace in &world.furnaces {
            online.add_furnace(furnace.site);
        }
        for batch in batches(world) {
            online.add_global(batch);
        }
        Fleet {
            online,
            since: Since::new(world),
        }
    }

    /// Takes a reading in; none when its furnace is unknown.
    pub(crate) fn take(&mut self, world: &World, reading: &Reading) -> Option<Followed> {
        let (weeks, recorded, _) = self.since.passed(world, reading);
        let effects = effects(world, reading);
        let firing = Firing {
            weeks,
            event_variance_c2: EVENT_SD_C * EVENT_SD_C * f64::from(recorded),
            effects: &effects,
            ..firing(reading.offset_c, noise_c2(reading.diameters))
        };
        let taken = self.online.take(reading.furnace, &firing)?;
        let expected = taken.expectation;
        let predicted = expected.predicted_offset(SETPOINT_C);
        let own = taken.step.noise_c2;
        let spread_c2 = own + predicted.map_or(0.0, |p| p.standard_uncertainty_c.powi(2));
        let level_c2 = expected.state.map_or(0.0, |state| state.covariance[0][0]);
        let widened = taken.step.widened_c2;
        let gain = (level_c2 + expected.covariance_c2[0] + widened)
            / (spread_c2 + taken.step.inflation_c2 + widened);
        let estimate = taken.state.estimate(SETPOINT_C);
        Some(Followed {
            belief: Belief {
                offset_c: estimate.offset_c,
                variance_c2: estimate.standard_uncertainty_c.powi(2),
            },
            z: taken.fleet_z,
            spread_c: spread_c2.sqrt(),
            gain,
            weeks,
            eventful: recorded > 0,
        })
    }
}

/// Effects of a reading with their coefficients.
fn effects(world: &World, reading: &Reading) -> [(Column, f64); 2] {
    [
        (Column::Local(reading.gauge), world.gauge_coefficient),
        (Column::Global(reading.batch), 1.0),
    ]
}

/// The record of a fleet as variance components are learnt from it.
pub(crate) fn records(world: &World, readings: &[Reading]) -> Vec<SiteRecords> {
    let mut of_furnaces = vec![Vec::new(); world.furnaces.len()];
    for reading in readings {
        of_furnaces[reading.furnace].push(*reading);
    }
    let gauge_sd_c = world.settings.gauge_sd_mm * NOMINAL_SLOPE_C_PER_MM;
    let mut sites = Vec::with_capacity(world.sites.len());
    for site in &world.sites {
        sites.push(SiteRecords::new(vec![
            gauge(gauge_sd_c);
            site.gauges_c.len()
        ]));
    }
    let mut since = Since::new(world);
    for (furnace, readings) in world.furnaces.iter().zip(&of_furnaces) {
        let site = &mut sites[furnace.site];
        site.push_furnace();
        for reading in readings {
            let (weeks, recorded, _) = since.passed(world, reading);
            site.push(&Firing {
                weeks,
                event_variance_c2: EVENT_SD_C * EVENT_SD_C * f64::from(recorded),
                effects: &effects(world, reading),
                ..firing(reading.offset_c, noise_c2(reading.diameters))
            });
        }
    }
    sites
}

/// Batches as they are believed to be before anything is read.
pub(crate) fn batches(world: &World) -> Vec<GlobalEffect> {
    vec![
        GlobalEffect {
            prior_variance_c2: BATCH_SD_C * BATCH_SD_C,
            scaled: true,
        };
        world.batches_c.len()
    ]
}

fn gauge(sd_c: f64) -> LocalEffect {
    LocalEffect {
        prior_variance_c2: sd_c * sd_c,
        scaled: true,
        checks: Vec::new(),
    }
}

/// A firing with nothing but its reading.
fn firing<C>(offset_c: f64, variance_c2: f64) -> Firing<'static, C> {
    Firing {
        weeks: 0.0,
        setpoint_c: SETPOINT_C,
        offset_c,
        variance_c2,
        event_variance_c2: 0.0,
        redraws_slope: false,
        shift_c: 0.0,
        effects: &[],
    }
}

/// The whole reading is taken for the furnace's offset; its interval is the usual budget of one reading
/// (GUM 5.1.2), biases of gauge and batch included.
pub(crate) fn plain(
    world: &World,
    readings: &[Reading],
    checks: Option<&BlockChecks>,
) -> Vec<Belief> {
    let mut beliefs = Vec::with_capacity(readings.len());
    let gauge_sd_c = match checks {
        Some(checks) => checks.standard_uncertainty_c,
        None => world.settings.gauge_sd_mm * NOMINAL_SLOPE_C_PER_MM,
    };
    for reading in readings {
        let found_c = checks.map_or(0.0, |checks| checks.found_c[reading.site][reading.gauge]);
        beliefs.push(Belief {
            offset_c: reading.offset_c - world.gauge_coefficient * found_c,
            variance_c2: noise_c2(reading.diameters)
                + gauge_sd_c * gauge_sd_c
                + BATCH_SD_C * BATCH_SD_C,
        });
    }
    beliefs
}

/// Every furnace followed by itself, biases of gauges and batches taken for noise.
pub(crate) fn per_furnace(world: &World, readings: &[Reading], fitted: OwnFilter) -> Vec<Followed> {
    let components = fitted.components();
    let mut chains = vec![Chain::unread(); world.furnaces.len()];
    let mut since = Since::new(world);
    let mut scratch = Scratch::default();
    let mut all = Vec::with_capacity(readings.len());
    for reading in readings {
        let (weeks, recorded, _) = since.passed(world, reading);
        let chain = &mut chains[reading.furnace];
        let firing = Firing {
            weeks,
            event_variance_c2: EVENT_SD_C * EVENT_SD_C * f64::from(recorded),
            ..firing(reading.offset_c, fitted.noise_c2)
        };
        let step = chain.follow(&firing, &[], &components, &mut scratch);
        let variance_c2 = chain.covariance[0][0];
        all.push(Followed {
            belief: Belief {
                offset_c: chain.states[0][0],
                variance_c2,
            },
            z: step.z,
            spread_c: step.variance_c2.sqrt(),
            gain: variance_c2 / step.noise_c2,
            weeks,
            eventful: recorded > 0,
        });
    }
    all
}

/// Variances of the filter that knows nothing but its own furnace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OwnFilter {
    wander_c2_per_week: f64,
    noise_c2: f64,
}

impl OwnFilter {
    /// Chooses the variances that make a fleet's readings likeliest, so that the filter is compared at
    /// its best.
    pub(crate) fn fitted(world: &World, readings: &[Reading]) -> Self {
        let mut best = OwnFilter {
            wander_c2_per_week: 0.7,
            noise_c2: 6.5,
        };
        let mut likelihood = best.log_likelihood(world, readings);
        let mut factor = 2.0_f64;
        while factor > 1.02 {
            let mut moved = false;
            for (wander, noise) in [
                (factor, 1.0),
                (1.0 / factor, 1.0),
                (1.0, factor),
                (1.0, 1.0 / factor),
            ] {
                let tried = OwnFilter {
                    wander_c2_per_week: best.wander_c2_per_week * wander,
                    noise_c2: best.noise_c2 * noise,
                };
                let value = tried.log_likelihood(world, readings);
                if value > likelihood {
                    (best, likelihood, moved) = (tried, value, true);
                }
            }
            if !moved {
                factor = factor.sqrt();
            }
        }
        best
    }

    fn components(self) -> Components {
        Components {
            wander_c2_per_week: self.wander_c2_per_week,
            slope_sd_c_per_week: 0.0,
            bound_z: f64::INFINITY,
            ..Components::default()
        }
    }

    fn log_likelihood(self, world: &World, readings: &[Reading]) -> f64 {
        let components = self.components();
        let mut chains = vec![Chain::unread(); world.furnaces.len()];
        let mut since = Since::new(world);
        let mut scratch = Scratch::default();
        for reading in readings {
            let (weeks, recorded, _) = since.passed(world, reading);
            let firing = Firing {
                weeks,
                event_variance_c2: EVENT_SD_C * EVENT_SD_C * f64::from(recorded),
                ..firing(reading.offset_c, self.noise_c2)
            };
            chains[reading.furnace].follow(&firing, &[], &components, &mut scratch);
        }
        let mut sum = 0.0;
        for chain in &chains {
            sum -= 0.5 * (chain.sums[0] + chain.log_determinant);
        }
        sum
    }
}

/// Everything known but the wandering and the noise: biases, drifts, events and all variances.
pub(crate) fn oracle(world: &World, readings: &[Reading]) -> Vec<Belief> {
    let components = Components {
        wander_c2_per_week: WANDER_C2_PER_WEEK,
        slope_sd_c_per_week: 0.0,
        initial_sd_c: Some(INITIAL_SD_C),
        bound_z: f64::INFINITY,
        ..Components::default()
    };
    let mut chains = vec![Chain::unread(); world.furnaces.len()];
    let mut since = Since::new(world);
    let mut scratch = Scratch::default();
    let mut beliefs = Vec::with_capacity(readings.len());
    for reading in readings {
        let (weeks, _, events) = since.passed(world, reading);
        let gauge_c = world.sites[reading.site].gauges_c[reading.gauge];
        let bias_c = world.gauge_coefficient * gauge_c + world.batches_c[reading.batch];
        let drifted_c =
            world.furnaces[reading.furnace].slope_c_per_week * f64::from(reading.day) / 7.0;
        let chain = &mut chains[reading.furnace];
        let firing = Firing {
            weeks,
            event_variance_c2: EVENT_SD_C * EVENT_SD_C * f64::from(events),
            ..firing(
                reading.offset_c - bias_c - drifted_c,
                noise_c2(reading.diameters),
            )
        };
        chain.follow(&firing, &[], &components, &mut scratch);
        let state = chain.offset(&Gaussian::default());
        beliefs.push(Belief {
            offset_c: state.level_c + drifted_c,
            variance_c2: state.covariance[0][0],
        });
    }
    beliefs
}

/// The whole fleet together, reading by reading, with what was known then and no more.
pub(crate) fn fleet(
    world: &World,
    readings: &[Reading],
    components: Components,
    checks: Option<&BlockChecks>,
) -> Vec<Belief> {
    let gauge_sd_c = world.settings.gauge_sd_mm * NOMINAL_SLOPE_C_PER_MM;
    let mut fleet = Fleet::new(world, components, gauge_sd_c, checks);
    let mut beliefs = Vec::with_capacity(readings.len());
    for reading in readings {
        if let Some(followed) = fleet.take(world, reading) {
            beliefs.push(followed.belief);
        }
    }
    beliefs
}

/// Follows the beliefs with setpoints in whole degrees: the first reading is followed at once, later
/// ones when the furnace is believed to be more than `band_c` off.
pub(crate) fn followed(
    world: &World,
    readings: &[Reading],
    beliefs: &[Belief],
    band_c: f64,
) -> Outcome {
    let mut in_force: Vec<Option<(u32, f64)>> = vec![None; world.furnaces.len()];
    let mut errors_c = Vec::new();
    let (mut changes, mut held, mut intervals) = (0_u32, 0_u32, 0_u32);
    let first_day = days_of(FIRST_COUNTED_WEEK);
    for (reading, belief) in readings.iter().zip(beliefs) {
        if reading.day >= first_day {
            let off_c = world.truth_c(reading.furnace, reading.day) - belief.offset_c;
            intervals += 1;
            held += u32::from(off_c.abs() < Z_95 * belief.variance_c2.sqrt());
        }
        let advised_c = belief.offset_c.round();
        let current = &mut in_force[reading.furnace];
        match *current {
            None => *current = Some((reading.day, advised_c)),
            Some((since, correction_c)) => {
                let differs = (advised_c - correction_c).abs() > 0.5;
                if differs && (belief.offset_c - correction_c).abs() > band_c {
                    count(
                        world,
                        reading.furnace,
                        since.max(first_day)..reading.day,
                        correction_c,
                        &mut errors_c,
                    );
                    *current = Some((reading.day, advised_c));
                    changes += 1;
                }
            }
        }
    }
    for (furnace, current) in in_force.iter().enumerate() {
        if let Some((since, correction_c)) = current {
            count(
                world,
                furnace,
                (*since).max(first_day)..world.days,
                *correction_c,
                &mut errors_c,
            );
        }
    }
    outcome(
        world,
        errors_c,
        changes,
        f64::from(held) / f64::from(intervals.max(1)),
    )
}

fn count(
    world: &World,
    furnace: usize,
    days: std::ops::Range<u32>,
    correction_c: f64,
    errors_c: &mut Vec<f64>,
) {
    for day in days {
        errors_c.push((world.truth_c(furnace, day) - correction_c).abs());
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts of days and furnaces")]
fn outcome(world: &World, mut errors_c: Vec<f64>, changes: u32, coverage: f64) -> Outcome {
    errors_c.sort_by(f64::total_cmp);
    let days = errors_c.len().max(1);
    let mut squares = 0.0;
    for error_c in &errors_c {
        squares += error_c * error_c;
    }
    let below_5 = errors_c.partition_point(|error_c| *error_c <= 5.0);
    Outcome {
        rms_c: (squares / days as f64).sqrt(),
        p95_c: errors_c.get(days * 95 / 100).copied().unwrap_or_default(),
        over_5_c: 1.0 - below_5 as f64 / days as f64,
        changes_per_year: f64::from(changes) / world.furnaces.len() as f64 / world.years(),
        coverage,
    }
}
