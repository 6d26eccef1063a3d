//! An invented fleet drawn from a seed: furnaces whose offsets wander, drift and jump, gauges and ring
//! batches with biases of their own, and rings that are fired and measured.
//!
//! What a furnace does, when it is calibrated and what a ring shows on a day each come from a stream of
//! their own. A ring fired on another day, or one more ring, therefore changes nothing else, so that
//! policies are compared on the same fleet.

use anyhow::Context as _;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng as _;
use rand_distr::{Distribution as _, StandardNormal, StandardUniform};
use ringtrue_calibration::ring_table::{Entry, RingTable};

/// Setpoint of every calibration firing, °C.
pub(crate) const SETPOINT_C: f64 = 1500.0;

/// Slope at which gauges' biases are stated, °C/mm.
pub(crate) const NOMINAL_SLOPE_C_PER_MM: f64 = -200.0;

/// Standard deviation of the step that an event makes, °C.
pub(crate) const EVENT_SD_C: f64 = 8.0;

/// Standard deviation of a batch's bias, °C.
pub(crate) const BATCH_SD_C: f64 = 2.0;

/// Variance that an offset gains in a week, °C²/week.
pub(crate) const WANDER_C2_PER_WEEK: f64 = 0.36;

/// Standard deviation of a furnace's offset on the first day, °C.
pub(crate) const INITIAL_SD_C: f64 = 12.0;

/// Week from which what a setting injects (ramps, shifts) acts.
pub(crate) const INJECTED_WEEK: u32 = 60;

/// Standard deviation of one ring against its batch, °C.
const RING_SD_C: f64 = 1.5;

/// Standard deviation of one diameter, mm.
const REPEAT_SD_MM: f64 = 0.012;

/// Step of the gauge's display, mm.
const RESOLUTION_MM: f64 = 0.01;

/// Standard deviation of a gross reading, °C.
const GROSS_SD_C: f64 = 20.0;

/// A batch is released every so many weeks.
const BATCH_EVERY_WEEKS: f64 = 6.0;

/// Streams of the generator: what is drawn for the fleet, a furnace's path, its calendar, one firing.
const FLEET_STREAM: u64 = 0;
const PATH_STREAM: u64 = 1 << 40;
const CALENDAR_STREAM: u64 = 2 << 40;
const FIRING_STREAM: u64 = 3 << 40;

/// How a fleet is drawn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Settings {
    /// Sites.
    pub(crate) sites: usize,
    /// Weeks simulated.
    pub(crate) weeks: u32,
    /// Share of furnaces that drift steadily, N(0, 0.25 °C/week).
    pub(crate) drifting_share: f64,
    /// Events a year and furnace; four of five are recorded.
    pub(crate) events_per_year: f64,
    /// Standard deviation of a gauge's bias, mm.
    pub(crate) gauge_sd_mm: f64,
    /// Share of readings that are grossly wrong.
    pub(crate) gross_share: f64,
    /// The batch of this number has this bias, °C.
    pub(crate) forced_batch: Option<(usize, f64)>,
    /// From the injected week on every site uses one new batch with this bias, °C.
    pub(crate) everyone_switches_c: Option<f64>,
    /// From the injected week on every fifth furnace drifts by this, °C/week.
    pub(crate) ramp_c_per_week: f64,
    /// At every second site with two gauges the second one has exactly this bias, mm.
    pub(crate) second_gauge_mm: Option<f64>,
    /// From the injected week on the gauge of every third site with one gauge reads this off, mm.
    pub(crate) gauge_shift_mm: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            sites: 400,
            weeks: 104,
            drifting_share: 0.25,
            events_per_year: 0.35,
            gauge_sd_mm: 0.015,
            gross_share: 0.0,
            forced_batch: None,
            everyone_switches_c: None,
            ramp_c_per_week: 0.0,
            second_gauge_mm: None,
            gauge_shift_mm: 0.0,
        }
    }
}

impl Settings {
    /// The same fleet in which furnaces only wander.
    pub(crate) fn calm(self) -> Self {
        Settings {
            drifting_share: 0.0,
            events_per_year: 0.0,
            ..self
        }
    }
}

/// A furnace as it truly is.
#[derive(Debug, Clone)]
pub(crate) struct Furnace {
    /// Its site.
    pub(crate) site: usize,
    /// Its steady drift, °C/week.
    pub(crate) slope_c_per_week: f64,
    /// True offset on every day, °C.
    pub(crate) offset_c: Vec<f64>,
    /// Events until each day, that day included.
    pub(crate) events: Vec<u16>,
    /// Recorded events until each day.
    pub(crate) recorded: Vec<u16>,
    /// True when a ramp was injected.
    pub(crate) ramps: bool,
}

/// A site as it truly is.
#[derive(Debug, Clone)]
pub(crate) struct Site {
    /// Biases of its gauges as they show in temperature at the nominal slope, °C.
    pub(crate) gauges_c: Vec<f64>,
    /// Furnaces.
    pub(crate) furnaces: usize,
    /// Days between planned calibrations.
    period_days: u32,
    /// Batch in use on every day.
    usage: Vec<u16>,
    /// True when its gauge shifts or its second gauge is off on purpose.
    pub(crate) injected: bool,
}

/// One ring that was fired and measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Reading {
    /// Day.
    pub(crate) day: u32,
    /// Furnace.
    pub(crate) furnace: usize,
    /// Site.
    pub(crate) site: usize,
    /// Gauge, counted within the site.
    pub(crate) gauge: usize,
    /// Batch.
    pub(crate) batch: usize,
    /// Diameters measured.
    pub(crate) diameters: u32,
    /// Ring temperature less setpoint, °C.
    pub(crate) offset_c: f64,
}

/// A fleet as it truly is.
#[derive(Debug, Clone)]
pub(crate) struct World {
    /// How it was drawn.
    pub(crate) settings: Settings,
    seed: u64,
    /// Days simulated.
    pub(crate) days: u32,
    /// Furnaces, site after site.
    pub(crate) furnaces: Vec<Furnace>,
    /// Sites.
    pub(crate) sites: Vec<Site>,
    /// Biases of batches, °C.
    pub(crate) batches_c: Vec<f64>,
    /// Coefficient of a gauge's bias: the table's slope at the diameter of the set temperature over the
    /// nominal slope.
    pub(crate) gauge_coefficient: f64,
    table: RingTable,
}

/// A source of chance for one purpose.
struct Chance(ChaCha8Rng);

impl Chance {
    fn new(seed: u64, stream: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream);
        Chance(generator)
    }

    fn normal(&mut self, sd: f64) -> f64 {
        let value: f64 = StandardNormal.sample(&mut self.0);
        sd * value
    }

    /// Uniform from 0 to 1.
    fn share(&mut self) -> f64 {
        StandardUniform.sample(&mut self.0)
    }

    /// One of 0 to `count` - 1.
    fn one_of(&mut self, count: u32) -> u32 {
        let value = (self.share() * f64::from(count)).floor();
        whole(value).min(count.saturating_sub(1))
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "small whole numbers by construction"
)]
fn whole(value: f64) -> u32 {
    value.max(0.0) as u32
}

fn place(value: u32) -> usize {
    usize::try_from(value).unwrap_or(usize::MAX)
}

/// Days of a number of weeks.
pub(crate) fn days_of(weeks: u32) -> u32 {
    weeks.saturating_mul(7)
}

/// Invented table: what a ring of a diameter says, to whole degrees.
fn ring_table() -> anyhow::Result<RingTable> {
    let mut entries = Vec::new();
    for step in 0..=80_u32 {
        let diameter_mm = (1920.0 + f64::from(step)) / 100.0;
        entries.push(Entry {
            diameter_mm,
            temperature_c: ring_temperature_c(diameter_mm).round(),
        });
    }
    RingTable::new(120.0, entries).context("the invented ring table")
}

/// True temperature of a ring of a diameter, °C.
fn ring_temperature_c(diameter_mm: f64) -> f64 {
    let z = diameter_mm - 19.47;
    1519.0 - 200.0 * z - 60.0 * z * z - 90.0 * z * z * z
}

/// True diameter of a ring that saw a temperature, mm.
fn ring_diameter_mm(temperature_c: f64) -> f64 {
    let mut z = 0.0;
    for _ in 0..20 {
        let excess = ring_temperature_c(19.47 + z) - temperature_c;
        z += excess / (200.0 + 120.0 * z + 270.0 * z * z);
    }
    19.47 + z
}

impl World {
    /// Draws a fleet.
    pub(crate) fn drawn(settings: &Settings, seed: u64) -> anyhow::Result<Self> {
        let table = ring_table()?;
        let at_setpoint_mm = table.diameter_at(SETPOINT_C)?;
        let gauge_coefficient = table.slope_c_per_mm(at_setpoint_mm)? / NOMINAL_SLOPE_C_PER_MM;
        let days = days_of(settings.weeks) + 1;
        let mut chance = Chance::new(seed, FLEET_STREAM);
        let (batches_c, released_week) = batches(settings, &mut chance);
        let mut world = World {
            settings: *settings,
            seed,
            days,
            furnaces: Vec::new(),
            sites: Vec::new(),
            batches_c,
            gauge_coefficient,
            table,
        };
        let (mut with_two, mut with_one) = (0_u32, 0_u32);
        for index in 0..settings.sites {
            let mut site = world.site(&released_week, &mut chance);
            if site.gauges_c.len() == 2 {
                site.injected = settings.second_gauge_mm.is_some() && with_two.is_multiple_of(2);
                if let (true, Some(bias_mm)) = (site.injected, settings.second_gauge_mm) {
                    site.gauges_c[1] = NOMINAL_SLOPE_C_PER_MM * bias_mm;
                }
                with_two += 1;
            } else {
                site.injected = settings.gauge_shift_mm.abs() > 0.0 && with_one.is_multiple_of(3);
                with_one += 1;
            }
            for _ in 0..site.furnaces {
                let furnace = world.furnace(index);
                world.furnaces.push(furnace);
            }
            world.sites.push(site);
        }
        Ok(world)
    }

    fn site(&self, released_week: &[f64], chance: &mut Chance) -> Site {
        let mut furnaces = 1;
        while furnaces < 10 && chance.share() > 0.38 {
            furnaces += 1;
        }
        let gauges = if chance.share() < 0.4 { 2 } else { 1 };
        let mut gauges_c = Vec::new();
        for _ in 0..gauges {
            gauges_c.push(NOMINAL_SLOPE_C_PER_MM * chance.normal(self.settings.gauge_sd_mm));
        }
        let period_days = 14 + 7 * chance.one_of(3);
        Site {
            gauges_c,
            furnaces,
            period_days,
            usage: self.usage(released_week, chance),
            injected: false,
        }
    }

    /// A site uses one of the two batches released last for ten to sixteen weeks.
    fn usage(&self, released_week: &[f64], chance: &mut Chance) -> Vec<u16> {
        let mut usage: Vec<u16> = Vec::new();
        while usage.len() < place(self.days) {
            let week = f64::from(u32::try_from(usage.len()).unwrap_or(u32::MAX)) / 7.0;
            let mut batch = 0_u16;
            for (index, released) in released_week.iter().enumerate() {
                if *released <= week {
                    batch = u16::try_from(index).unwrap_or(u16::MAX);
                }
            }
            if chance.share() >= 0.6 {
                batch = batch.saturating_sub(1);
            }
            let life_days = whole(7.0 * (10.0 + 6.0 * chance.share()));
            for _ in 0..life_days {
                usage.push(batch);
            }
        }
        usage.truncate(place(self.days));
        if self.settings.everyone_switches_c.is_some() {
            let new = u16::try_from(self.batches_c.len() - 1).unwrap_or(u16::MAX);
            for batch in usage.iter_mut().skip(place(days_of(INJECTED_WEEK))) {
                *batch = new;
            }
        }
        usage
    }

    /// Draws a furnace's true offset day by day.
    fn furnace(&self, site: usize) -> Furnace {
        let index = self.furnaces.len();
        let mut chance = Chance::new(self.seed, PATH_STREAM + index as u64);
        let mut offset_c = chance.normal(INITIAL_SD_C);
        let slope_c_per_week = if chance.share() < self.settings.drifting_share {
            chance.normal(0.25)
        } else {
            0.0
        };
        let ramps = self.settings.ramp_c_per_week.abs() > 0.0 && index.is_multiple_of(5);
        let mut furnace = Furnace {
            site,
            slope_c_per_week,
            offset_c: vec![offset_c],
            events: vec![0],
            recorded: vec![0],
            ramps,
        };
        let daily_sd_c = (WANDER_C2_PER_WEEK / 7.0).sqrt();
        let (mut events, mut recorded) = (0, 0);
        for day in 1..self.days {
            offset_c += chance.normal(daily_sd_c) + slope_c_per_week / 7.0;
            let happens = chance.share() < self.settings.events_per_year / 365.0;
            let (step_c, told) = (chance.normal(EVENT_SD_C), chance.share() < 0.8);
            if happens && day > 14 {
                offset_c += step_c;
                events += 1;
                recorded += u16::from(told);
            }
            if ramps && day > days_of(INJECTED_WEEK) {
                offset_c += self.settings.ramp_c_per_week / 7.0;
            }
            furnace.offset_c.push(offset_c);
            furnace.events.push(events);
            furnace.recorded.push(recorded);
        }
        furnace
    }

    /// Fires a ring in a furnace on a day and measures it.
    pub(crate) fn fired(&self, furnace: usize, day: u32) -> Reading {
        let stream = FIRING_STREAM + ((furnace as u64) << 16) + u64::from(day);
        let mut chance = Chance::new(self.seed, stream);
        let truth = &self.furnaces[furnace];
        let site = &self.sites[truth.site];
        let gauge = place(chance.one_of(u32::try_from(site.gauges_c.len()).unwrap_or(1)));
        let batch = usize::from(site.usage[place(day)]);
        let diameters = 2 + chance.one_of(3);
        let ring_c = SETPOINT_C
            + truth.offset_c[place(day)]
            + self.batches_c[batch]
            + chance.normal(RING_SD_C);
        let mut bias_mm = site.gauges_c[gauge] / NOMINAL_SLOPE_C_PER_MM;
        if site.injected && site.gauges_c.len() == 1 && day >= days_of(INJECTED_WEEK) {
            bias_mm += self.settings.gauge_shift_mm;
        }
        let true_mm = ring_diameter_mm(ring_c);
        let mut mean_mm = 0.0;
        for _ in 0..diameters {
            let shown_mm = true_mm + bias_mm + chance.normal(REPEAT_SD_MM);
            mean_mm += (shown_mm / RESOLUTION_MM).round() * RESOLUTION_MM / f64::from(diameters);
        }
        let (gross, gross_c) = (chance.share(), chance.normal(GROSS_SD_C));
        if gross < self.settings.gross_share {
            mean_mm += gross_c / NOMINAL_SLOPE_C_PER_MM;
        }
        let (from_mm, to_mm) = self.table.diameter_range_mm();
        let read_c = self
            .table
            .temperature_at(mean_mm.clamp(from_mm, to_mm))
            .unwrap_or(SETPOINT_C);
        Reading {
            day,
            furnace,
            site: truth.site,
            gauge,
            batch,
            diameters,
            offset_c: read_c - SETPOINT_C,
        }
    }

    /// Days on which every furnace is planned to be calibrated: every 2, 3 or 4 weeks, give or take four
    /// days, one in twenty missed. Pairs of day and furnace, in order.
    pub(crate) fn calendar(&self) -> Vec<(u32, usize)> {
        let mut calendar = Vec::new();
        for (index, furnace) in self.furnaces.iter().enumerate() {
            let mut chance = Chance::new(self.seed, CALENDAR_STREAM + index as u64);
            let mut day = chance.one_of(7);
            while day < self.days {
                if chance.share() > 0.05 || day < 7 {
                    calendar.push((day, index));
                }
                let jittered = self.sites[furnace.site].period_days + chance.one_of(9);
                day += jittered.saturating_sub(4).max(5);
            }
        }
        calendar.sort_unstable();
        calendar
    }

    /// Fires all planned rings.
    pub(crate) fn planned(&self) -> Vec<Reading> {
        let mut readings = Vec::new();
        for (day, furnace) in self.calendar() {
            readings.push(self.fired(furnace, day));
        }
        readings
    }

    /// True offset of a furnace on a day, °C.
    pub(crate) fn truth_c(&self, furnace: usize, day: u32) -> f64 {
        self.furnaces[furnace].offset_c[place(day)]
    }

    /// Years simulated.
    pub(crate) fn years(&self) -> f64 {
        f64::from(self.days) / 365.25
    }

    /// What a check of every gauge on a reference block says, by site and gauge, °C at the nominal
    /// slope. `standard_uncertainty_mm` is the check's own.
    pub(crate) fn block_checks_c(&self, standard_uncertainty_mm: f64) -> Vec<Vec<f64>> {
        let mut chance = Chance::new(self.seed ^ 0x00b1_0c4b, FLEET_STREAM);
        let mut checks = Vec::new();
        for site in &self.sites {
            let mut found = Vec::new();
            for bias_c in &site.gauges_c {
                found.push(
                    bias_c + chance.normal(NOMINAL_SLOPE_C_PER_MM.abs() * standard_uncertainty_mm),
                );
            }
            checks.push(found);
        }
        checks
    }
}

/// Nominal variance of what the next reading of a furnace does not repeat: ring, diameters, the gauge's
/// step and the table's rounding, °C² (GUM 5.1.2).
pub(crate) fn noise_c2(diameters: u32) -> f64 {
    let slope = NOMINAL_SLOPE_C_PER_MM;
    let one_diameter_mm2 = REPEAT_SD_MM * REPEAT_SD_MM + RESOLUTION_MM * RESOLUTION_MM / 12.0;
    RING_SD_C * RING_SD_C
        + slope * slope * one_diameter_mm2 / f64::from(diameters.max(1))
        + 1.0 / 12.0
}

/// Biases of batches and the weeks in which they are released. Two are in use from the start; with a
/// common switch the last one belongs to it and is never released otherwise.
fn batches(settings: &Settings, chance: &mut Chance) -> (Vec<f64>, Vec<f64>) {
    let (mut biases_c, mut released_week) = (Vec::new(), Vec::new());
    let mut week = -2.0 * BATCH_EVERY_WEEKS;
    while week <= f64::from(settings.weeks) {
        biases_c.push(chance.normal(BATCH_SD_C));
        released_week.push(week);
        week += BATCH_EVERY_WEEKS;
    }
    if let Some((index, bias_c)) = settings.forced_batch
        && let Some(bias) = biases_c.get_mut(index)
    {
        *bias = bias_c;
    }
    if let Some(bias_c) = settings.everyone_switches_c {
        biases_c.push(bias_c);
    }
    (biases_c, released_week)
}
