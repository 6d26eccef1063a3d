//! A year of a network's life, drawn from a seed: offsets that wander and drift, batches and gauges with
//! biases of their own, rings that differ, people who follow the advice.

use std::collections::BTreeSet;

use jiff::civil::{Time, time};
use jiff::{Span, Timestamp};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Normal};
use ringtrue_calibration::decision::Advice;
use ringtrue_calibration::rings::Ring;
use ringtrue_fleet::adjustment::AdjustmentDetails;
use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::event::{EventDetails, EventKind};
use ringtrue_fleet::gauge::{CheckDetails, GaugeKind};
use ringtrue_fleet::key::{
    BatchId, FurnaceId, FurnaceKey, GaugeId, GaugeKey, ProgrammeId, ProgrammeKey, SiteId,
};
use ringtrue_fleet::reading::{MeasuredRing, Purpose, RawMethod, RawReport};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::ring_batch::BatchDetails;
use ringtrue_store::{Recorded, Request, Store};

use super::scenario::{
    Delivered, FAILING, NEW_FURNACE, NEW_GAUGE, SITES, batches, furnace, gauge, programme,
};
use crate::app::{self, App, Because};
use crate::clock::Clock;
use crate::ids::Ids;
use crate::lifecycle::Lifecycle;

/// What was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Made {
    /// Sites.
    pub sites: usize,
    /// Furnaces.
    pub furnaces: usize,
    /// Ring batches.
    pub batches: usize,
    /// Readings.
    pub readings: usize,
    /// Adjustments.
    pub adjustments: usize,
}

/// Weeks that the simulated year has.
const WEEKS: i64 = 52;

/// Weeks between calibrations.
const EVERY_WEEKS: i64 = 2;

/// When rings are fired on the calibration day; the firing ends at this local time.
const FIRED_AT: Time = time(19, 0, 0, 0);

/// When they are measured on the next working day.
const MEASURED_AT: Time = time(8, 15, 0, 0);

/// A furnace as it truly is.
struct TrueFurnace {
    key: FurnaceKey,
    gauge: GaugeKey,
    /// True minus set temperature now, °C.
    offset_c: f64,
    /// Steady drift, °C a week.
    drift_c_per_week: f64,
    /// Drift that begins in a week: the week, °C a week.
    failing: Option<(i64, f64)>,
    /// Week in which its elements are replaced, if any.
    replaced_in_week: Option<i64>,
    /// What its site's gauge shows too much, mm.
    gauge_bias_mm: f64,
    gauge_step_mm: f64,
    /// Setpoint on the controller, °C.
    setpoint_c: f64,
}

struct Draw {
    random: ChaCha8Rng,
}

impl Draw {
    fn normal(&mut self, standard_deviation: f64) -> f64 {
        // A standard deviation that is finite and not negative always makes a distribution.
        Normal::new(0.0, standard_deviation).map_or(0.0, |normal| normal.sample(&mut self.random))
    }
}

/// Makes the network in an empty store, its year ending at `now`; tells how far it has come.
pub async fn simulate(
    store: &Store,
    now: Timestamp,
    seed: u64,
    progress: impl Fn(f64) + Send + Sync,
) -> anyhow::Result<Made> {
    let start = now - Span::new().hours(WEEKS * 7 * 24);
    let lifecycle = Lifecycle::new();
    let clock = Clock::manual(start);
    let app = App::start(store.clone(), clock, Ids::seeded(seed), &lifecycle);
    let mut year = Year {
        app: app.clone(),
        caller: Caller::local(Some("demo")),
        draw: Draw {
            random: ChaCha8Rng::seed_from_u64(seed),
        },
        made: Made::default(),
        batches: Vec::new(),
        furnaces: Vec::new(),
    };
    year.set_up(now).await?;
    for week in (0..WEEKS).step_by(usize::try_from(EVERY_WEEKS)?) {
        year.fortnight(start, now, week).await?;
        app::refit(&app.store, &app.clock, "demo", Because::Changes).await?;
        app::find(&app.store, &app.clock, &app.ids, "demo").await?;
        #[expect(clippy::cast_precision_loss, reason = "at most 52 weeks")]
        progress((week + EVERY_WEEKS) as f64 / WEEKS as f64);
    }
    year.finish(now).await?;
    let made = year.made;
    drop(year);
    lifecycle.drain.cancel();
    let work = app.into_work();
    work.close();
    work.wait().await;
    Ok(made)
}

struct Year {
    app: App,
    caller: Caller,
    draw: Draw,
    made: Made,
    /// Id, share of the year from which it is used, content, bias °C.
    batches: Vec<(BatchId, f64, BatchDetails, f64)>,
    furnaces: Vec<TrueFurnace>,
}

impl Year {
    async fn deliver_batches(&mut self, now: Timestamp) -> anyhow::Result<()> {
        let expires_on = (now + Span::new().hours(400 * 24))
            .to_zoned_datetime(jiff::tz::TimeZone::UTC)
            .date();
        for Delivered {
            id,
            from,
            bias_c,
            details,
        } in batches(expires_on)
        {
            let id = BatchId::new(id)?;
            app::create_ring_batch(
                &self.app,
                &self.caller,
                details.clone(),
                Some(id.clone()),
                false,
                &Request::NONE,
            )
            .await?;
            self.batches.push((id, from, details, bias_c));
            self.made.batches += 1;
        }
        Ok(())
    }

    async fn set_up(&mut self, now: Timestamp) -> anyhow::Result<()> {
        self.deliver_batches(now).await?;
        for site in SITES {
            let site_id = SiteId::new(site.id)?;
            app::create_site(
                &self.app,
                &self.caller,
                site.details(),
                Some(site_id.clone()),
                &Request::NONE,
            )
            .await?;
            self.made.sites += 1;
            let (gauge_id, gauge) = site.gauge();
            let gauge_key = GaugeKey {
                site: site_id.clone(),
                gauge: GaugeId::new(gauge_id)?,
            };
            let gauge_step_mm = gauge.resolution_mm;
            let gauge_bias_mm = self
                .draw
                .normal(if site.micrometer { 0.002 } else { 0.015 });
            app::create_gauge(
                &self.app,
                &self.caller,
                &site_id,
                gauge,
                Some(gauge_key.gauge.clone()),
                &Request::NONE,
            )
            .await?;
            if site.checked {
                self.check_gauge(&gauge_key, gauge_bias_mm, gauge_step_mm)
                    .await?;
            }
            for id in site.furnaces {
                let key = FurnaceKey {
                    site: site_id.clone(),
                    furnace: FurnaceId::new(id)?,
                };
                app::create_furnace(
                    &self.app,
                    &self.caller,
                    &site_id,
                    furnace(id),
                    Some(key.furnace.clone()),
                    &Request::NONE,
                )
                .await?;
                app::create_programme(
                    &self.app,
                    &self.caller,
                    &key,
                    programme(1500.0),
                    Some(ProgrammeId::new("standard")?),
                    &Request::NONE,
                )
                .await?;
                self.made.furnaces += 1;
                if (site.id, *id) == NEW_FURNACE {
                    continue;
                }
                let number = self.furnaces.len();
                self.furnaces.push(TrueFurnace {
                    key,
                    gauge: gauge_key.clone(),
                    offset_c: self.draw.normal(12.0),
                    drift_c_per_week: if number % 5 == 1 { 0.35 } else { 0.0 },
                    failing: ((site.id, *id) == (FAILING.0, FAILING.1))
                        .then_some((FAILING.2, FAILING.3)),
                    replaced_in_week: (number % 7 == 3).then_some(30),
                    gauge_bias_mm,
                    gauge_step_mm,
                    setpoint_c: 1500.0,
                });
            }
        }
        Ok(())
    }

    /// The new furnace's own micrometer arrives and is checked.
    async fn finish(&mut self, now: Timestamp) -> anyhow::Result<()> {
        self.app.clock.set(now - Span::new().hours(2 * 24))?;
        let site = SiteId::new(NEW_FURNACE.0)?;
        let key = GaugeKey {
            site: site.clone(),
            gauge: GaugeId::new(NEW_GAUGE)?,
        };
        let details = gauge(GaugeKind::Micrometer, "Micrometer 9");
        let id = Some(key.gauge.clone());
        app::create_gauge(&self.app, &self.caller, &site, details, id, &Request::NONE).await?;
        self.record_check(&key, vec![20.0, 20.0, 20.0]).await
    }

    async fn check_gauge(
        &mut self,
        gauge: &GaugeKey,
        bias_mm: f64,
        step_mm: f64,
    ) -> anyhow::Result<()> {
        let measured_mm = (0..3)
            .map(|_| rounded(20.0 + bias_mm + self.draw.normal(0.3 * step_mm), step_mm))
            .collect();
        self.record_check(gauge, measured_mm).await
    }

    async fn record_check(&self, gauge: &GaugeKey, measured_mm: Vec<f64>) -> anyhow::Result<()> {
        let details = CheckDetails {
            nominal_mm: 20.0,
            measured_mm,
            block_standard_uncertainty_mm: 0.0005,
            checked_at: Some(self.app.clock.now()),
            performed_by: "q1".to_owned(),
            note: "Reference block 20 mm".to_owned(),
        };
        app::record_gauge_check(&self.app, &self.caller, gauge, details, &Request::NONE).await?;
        Ok(())
    }

    /// Two weeks: every furnace wanders, and every site fires and measures on its calibration day.
    async fn fortnight(
        &mut self,
        start: Timestamp,
        end: Timestamp,
        week: i64,
    ) -> anyhow::Result<()> {
        let mut due: Vec<(Timestamp, Timestamp, usize)> = Vec::new();
        for at in 0..self.furnaces.len() {
            let wander_c = self.draw.normal(0.6 * 2.0_f64.sqrt());
            let step_c = self.draw.normal(8.0);
            let furnace = &mut self.furnaces[at];
            let failing_c = match furnace.failing {
                Some((from, c_per_week)) if week >= from => c_per_week,
                _ => 0.0,
            };
            furnace.offset_c += wander_c + 2.0 * (furnace.drift_c_per_week + failing_c);
            if furnace.replaced_in_week == Some(week) {
                furnace.offset_c += step_c;
                self.replace_elements(at, start, week).await?;
            }
            if let Some((fired_at, measured_at)) = moments(&self.furnaces[at].key, start, week)?
                && measured_at < end
            {
                due.push((measured_at, fired_at, at));
            }
        }
        due.sort_unstable();
        for (measured_at, fired_at, at) in due {
            self.app.clock.set(measured_at)?;
            let recorded = self.read(at, fired_at, measured_at, week).await?;
            self.made.readings += 1;
            self.follow(at, &recorded, measured_at).await?;
        }
        Ok(())
    }

    async fn replace_elements(
        &mut self,
        at: usize,
        start: Timestamp,
        week: i64,
    ) -> anyhow::Result<()> {
        let happened_at = start + Span::new().hours(week * 7 * 24);
        if happened_at > self.app.clock.now() {
            self.app.clock.set(happened_at)?;
        }
        let details = EventDetails {
            kind: Some(EventKind::ElementsReplaced),
            happened_at: Some(happened_at),
            offset_shift_c: None,
            note: "All elements of the set replaced.".to_owned(),
            performed_by: "s2".to_owned(),
        };
        let key = self.furnaces[at].key.clone();
        app::record_furnace_event(&self.app, &self.caller, &key, details, &Request::NONE).await?;
        Ok(())
    }

    /// Fires and measures one ring, answers what is asked, and records it.
    async fn read(
        &mut self,
        at: usize,
        fired_at: Timestamp,
        measured_at: Timestamp,
        week: i64,
    ) -> anyhow::Result<Recorded> {
        #[expect(clippy::cast_precision_loss, reason = "at most 52 weeks")]
        let share = week as f64 / WEEKS as f64;
        let (batch, table, bias_c) = {
            let used = self
                .batches
                .iter()
                .rev()
                .find(|(_, from, _, _)| *from <= share);
            let (id, _, details, bias_c) =
                used.ok_or_else(|| anyhow::anyhow!("no ring batch is in use"))?;
            let table = details
                .tables
                .iter()
                .find(|table| (table.hold_min() - 120.0).abs() < 0.5)
                .ok_or_else(|| anyhow::anyhow!("no table for two hours"))?;
            (id.clone(), table.clone(), *bias_c)
        };
        let ring_noise_c = self.draw.normal(1.5);
        let furnace = &self.furnaces[at];
        let (low, high) = table.temperature_range_c();
        let ring_c =
            (furnace.setpoint_c + furnace.offset_c + bias_c + ring_noise_c).clamp(low, high);
        let true_mm = table.diameter_at(ring_c)?;
        let (smallest, largest) = table.diameter_range_mm();
        let (bias_mm, step_mm) = (furnace.gauge_bias_mm, furnace.gauge_step_mm);
        let repeat_mm = if step_mm < 0.005 { 0.003 } else { 0.012 };
        let diameters_mm: Vec<f64> = (0..3)
            .map(|_| {
                let shown = true_mm + bias_mm + self.draw.normal(repeat_mm);
                rounded(shown.clamp(smallest, largest), step_mm)
            })
            .collect();
        let furnace = &self.furnaces[at];
        let mut report = RawReport {
            furnace: furnace.key.clone(),
            programme: Some(programme_key(&furnace.key)?),
            setpoint_c: Some(furnace.setpoint_c),
            method: Some(RawMethod::Rings {
                batch: Some(batch),
                gauge: Some(furnace.gauge.clone()),
                rings: vec![MeasuredRing {
                    ring: Ring {
                        position: "centre".to_owned(),
                        diameters_mm,
                    },
                    serial_number: String::new(),
                }],
                zero_mm: Some(0.0),
                ring_temperature_c: Some(22.0),
            }),
            fired_at: Some(fired_at),
            measured_at: Some(measured_at),
            purpose: Purpose::Routine,
            performed_by: "t1".to_owned(),
            note: String::new(),
            answered: Vec::new(),
        };
        match app::record_reading(&self.app, &self.caller, report.clone(), &Request::NONE).await {
            Ok(recorded) => Ok(recorded),
            Err(app::Error::Refused(Refusal::OpenQuestions { questions })) => {
                let codes: BTreeSet<&str> = questions
                    .iter()
                    .map(|asked| asked.question.code.code())
                    .collect();
                report.answered = codes.into_iter().map(str::to_owned).collect();
                Ok(app::record_reading(&self.app, &self.caller, report, &Request::NONE).await?)
            }
            Err(fault) => Err(fault.into()),
        }
    }

    /// Does what the advice says.
    async fn follow(
        &mut self,
        at: usize,
        recorded: &Recorded,
        measured_at: Timestamp,
    ) -> anyhow::Result<()> {
        let Some(decision) = &recorded.evaluated.evaluation.decision else {
            return Ok(());
        };
        let furnace = &mut self.furnaces[at];
        if decision.advice != Advice::Adjust {
            return Ok(());
        }
        let details = AdjustmentDetails {
            programme: Some(programme_key(&furnace.key)?),
            reading: Some(recorded.reading.key.clone()),
            setpoint_c: decision.advised_setpoint_c,
            adjusted_at: Some(measured_at),
            performed_by: "t1".to_owned(),
            override_reason: String::new(),
        };
        let key = furnace.key.clone();
        furnace.setpoint_c = decision.advised_setpoint_c;
        app::confirm_adjustment(&self.app, &self.caller, &key, details, &Request::NONE).await?;
        self.made.adjustments += 1;
        Ok(())
    }
}

fn programme_key(furnace: &FurnaceKey) -> anyhow::Result<ProgrammeKey> {
    Ok(ProgrammeKey {
        furnace: furnace.clone(),
        programme: ProgrammeId::new("standard")?,
    })
}

/// End of the firing and moment of measuring in the given week at the furnace's site; none when the
/// calendar of the site has no such day.
fn moments(
    furnace: &FurnaceKey,
    start: Timestamp,
    week: i64,
) -> anyhow::Result<Option<(Timestamp, Timestamp)>> {
    let Some(site) = SITES.iter().find(|site| site.id == furnace.site.as_str()) else {
        return Ok(None);
    };
    let details = site.details();
    let zone = details.zone();
    let monday = (start + Span::new().hours(week * 7 * 24))
        .to_zoned_datetime(zone.clone())
        .date();
    let Some(fired_on) = (0..7)
        .filter_map(|ahead| monday.checked_add(Span::new().days(ahead)).ok())
        .find(|day| day.weekday() == site.day)
    else {
        return Ok(None);
    };
    let Some(measured_on) = (1..7)
        .filter_map(|ahead| fired_on.checked_add(Span::new().days(ahead)).ok())
        .find(|day| !details.closed_days.contains(&day.weekday()))
    else {
        return Ok(None);
    };
    let fired = fired_on
        .to_datetime(FIRED_AT)
        .to_zoned_datetime(zone.clone())?;
    let measured = measured_on
        .to_datetime(MEASURED_AT)
        .to_zoned_datetime(zone)?;
    Ok(Some((fired.timestamp(), measured.timestamp())))
}

/// A value as a display with this step shows it.
fn rounded(value_mm: f64, step_mm: f64) -> f64 {
    let shown = (value_mm / step_mm).round() * step_mm;
    // A display shows decimals, not binary fractions.
    (shown * 10_000.0).round() / 10_000.0
}
