//! A laboratory to work in: site, furnace, programme, ring batch and gauge, all invented, and a
//! reading that is right in every field, to be made wrong one field at a time.

use jiff::{SignedDuration, Timestamp};
use ringtrue_proto::v1;
use ringtrue_proto::v1::reading::Method;

use crate::Network;

/// An invented table, 19.20 to 20.00 mm, whole degrees, 1519 °C at 19.47 mm.
pub const TABLE_CSV: &str =
    include_str!("../../services/calibration/vectors/synthetic_ring_table.csv");

/// Hold for which [`TABLE_CSV`] is taken to be made, min.
pub const TABLE_HOLD_MIN: f64 = 120.0;

/// Hours between the end of a firing and its measurement; long enough to cool.
const COOLING_H: i64 = 14;

/// Resource names of what a test works with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bench {
    /// `sites/north`.
    pub site: String,
    /// `sites/north/furnaces/k2`.
    pub furnace: String,
    /// `sites/north/furnaces/k2/programmes/p1`: true 1500 °C for 120 min, set to 1500 °C.
    pub programme: String,
    /// `ringBatches/b1`, with the invented table for 120 min.
    pub batch: String,
    /// `sites/north/gauges/g1`: a micrometer whose check found no bias.
    pub gauge: String,
}

impl Network {
    /// Makes the usual bench: everything that a reading needs, and nothing read yet.
    pub async fn bench(&self) -> Bench {
        self.bench_with(|_| {}).await
    }

    /// Makes the usual bench under other house rules.
    pub async fn bench_with(&self, rules: impl FnOnce(&mut v1::Site)) -> Bench {
        let mut site = site();
        rules(&mut site);
        let site = self.site("north", site).await.name;
        let batch = self.batch("b1", batch()).await.name;
        self.furnished(site, batch).await
    }

    /// Makes another site with a gauge, a furnace and a programme of its own; the batch is the first bench's,
    /// as all sites share it.
    pub async fn bench_elsewhere(&self, id: &str, first: &Bench) -> Bench {
        let site = self.site(id, site()).await.name;
        self.furnished(site, first.batch.clone()).await
    }

    async fn furnished(&self, site: String, batch: String) -> Bench {
        let gauge = self.gauge(&site, "g1", micrometer()).await.name;
        self.check(&gauge, &[19.5; 3]).await;
        let furnace = self.furnace(&site, "k2", furnace()).await.name;
        let programme = self.programme(&furnace, "p1", programme()).await.name;
        Bench {
            site,
            furnace,
            programme,
            batch,
            gauge,
        }
    }

    /// Adds a site.
    pub async fn site(&self, id: &str, site: v1::Site) -> v1::Site {
        let ask = v1::CreateSiteRequest {
            site: Some(site),
            site_id: id.to_owned(),
            ..v1::CreateSiteRequest::default()
        };
        let made = self
            .remote
            .create_site(ask)
            .await
            .expect("the site is added");
        made.site.expect("the answer holds the site")
    }

    /// Adds a furnace to a site.
    pub async fn furnace(&self, site: &str, id: &str, furnace: v1::Furnace) -> v1::Furnace {
        let ask = v1::CreateFurnaceRequest {
            parent: site.to_owned(),
            furnace: Some(furnace),
            furnace_id: id.to_owned(),
            ..v1::CreateFurnaceRequest::default()
        };
        let made = self
            .remote
            .create_furnace(ask)
            .await
            .expect("the furnace is added");
        made.furnace.expect("the answer holds the furnace")
    }

    /// Adds a programme to a furnace.
    pub async fn programme(
        &self,
        furnace: &str,
        id: &str,
        programme: v1::Programme,
    ) -> v1::Programme {
        let ask = v1::CreateProgrammeRequest {
            parent: furnace.to_owned(),
            programme: Some(programme),
            programme_id: id.to_owned(),
            ..v1::CreateProgrammeRequest::default()
        };
        let made = self
            .remote
            .create_programme(ask)
            .await
            .expect("the programme is added");
        made.programme.expect("the answer holds the programme")
    }

    /// Adds a ring batch whose one table is [`TABLE_CSV`].
    pub async fn batch(&self, id: &str, batch: v1::RingBatch) -> v1::RingBatch {
        self.batch_of(id, batch, vec![table_file(TABLE_HOLD_MIN, TABLE_CSV)])
            .await
    }

    /// Adds a ring batch with these table files.
    pub async fn batch_of(
        &self,
        id: &str,
        batch: v1::RingBatch,
        table_files: Vec<v1::RingTableFile>,
    ) -> v1::RingBatch {
        let ask = v1::CreateRingBatchRequest {
            ring_batch: Some(batch),
            table_files,
            ring_batch_id: id.to_owned(),
            ..v1::CreateRingBatchRequest::default()
        };
        let made = self
            .remote
            .create_ring_batch(ask)
            .await
            .expect("the batch is added");
        made.ring_batch.expect("the answer holds the batch")
    }

    /// Adds a gauge to a site; it is not checked yet.
    pub async fn gauge(&self, site: &str, id: &str, gauge: v1::Gauge) -> v1::Gauge {
        let ask = v1::CreateGaugeRequest {
            parent: site.to_owned(),
            gauge: Some(gauge),
            gauge_id: id.to_owned(),
            ..v1::CreateGaugeRequest::default()
        };
        let made = self
            .remote
            .create_gauge(ask)
            .await
            .expect("the gauge is added");
        made.gauge.expect("the answer holds the gauge")
    }

    /// Records a check of a gauge on a block of 19.5 mm, made now.
    pub async fn check(&self, gauge: &str, measured_mm: &[f64]) -> v1::GaugeCheck {
        let check = v1::GaugeCheck {
            nominal_mm: 19.5,
            measured_mm: measured_mm.to_vec(),
            check_time: Some(stamp(self.now())),
            performed_by: "t1".to_owned(),
            ..v1::GaugeCheck::default()
        };
        let ask = v1::RecordGaugeCheckRequest {
            parent: gauge.to_owned(),
            check: Some(check),
            ..v1::RecordGaugeCheckRequest::default()
        };
        let made = self
            .remote
            .record_gauge_check(ask)
            .await
            .expect("the check is recorded");
        made.check.expect("the answer holds the check")
    }

    /// Gives a request that is right in every field: three diameters of one ring, fired overnight and
    /// measured now.
    pub fn ask(&self, bench: &Bench, diameters_mm: &[f64]) -> v1::RecordReadingRequest {
        let reading = v1::Reading {
            programme: bench.programme.clone(),
            method: Some(Method::Rings(v1::RingMeasurement {
                ring_batch: bench.batch.clone(),
                gauge: bench.gauge.clone(),
                rings: vec![ring("centre", diameters_mm)],
                zero_mm: Some(0.0),
                ring_temperature_c: Some(22.0),
            })),
            fire_time: Some(stamp(self.now() - SignedDuration::from_hours(COOLING_H))),
            measure_time: Some(stamp(self.now())),
            purpose: v1::ReadingPurpose::Routine.into(),
            performed_by: "t1".to_owned(),
            ..v1::Reading::default()
        };
        v1::RecordReadingRequest {
            parent: bench.furnace.clone(),
            reading: Some(reading),
            ..v1::RecordReadingRequest::default()
        }
    }

    /// Gives the same for a firing some days ago, measured the morning after.
    pub fn ask_days_ago(
        &self,
        bench: &Bench,
        diameters_mm: &[f64],
        days: i64,
    ) -> v1::RecordReadingRequest {
        let measured = self.now() - SignedDuration::from_hours(24 * days);
        let mut ask = self.ask(bench, diameters_mm);
        let reading = reading_of(&mut ask);
        reading.fire_time = Some(stamp(measured - SignedDuration::from_hours(COOLING_H)));
        reading.measure_time = Some(stamp(measured));
        ask
    }

    /// Records a reading that must be taken.
    pub async fn record(&self, ask: v1::RecordReadingRequest) -> v1::Reading {
        let made = self
            .remote
            .record_reading(ask)
            .await
            .expect("the reading is recorded");
        made.reading.expect("the answer holds the reading")
    }

    /// Confirms a setpoint of the bench's programme as left on the controller now; `reading` names what advised
    /// it, or is empty.
    pub async fn adjust(&self, bench: &Bench, reading: &str, setpoint_c: f64) {
        let adjustment = v1::Adjustment {
            programme: bench.programme.clone(),
            reading: reading.to_owned(),
            setpoint_c,
            adjust_time: Some(stamp(self.now())),
            performed_by: "t1".to_owned(),
            ..v1::Adjustment::default()
        };
        let ask = v1::ConfirmAdjustmentRequest {
            parent: bench.furnace.clone(),
            adjustment: Some(adjustment),
            ..v1::ConfirmAdjustmentRequest::default()
        };
        self.remote
            .confirm_adjustment(ask)
            .await
            .expect("the adjustment is confirmed");
    }

    /// Lists the readings of a furnace that were not amended since, latest firing first.
    pub async fn readings(&self, furnace: &str) -> Vec<v1::Reading> {
        let ask = v1::ListReadingsRequest {
            parent: furnace.to_owned(),
            page_size: 1000,
            ..v1::ListReadingsRequest::default()
        };
        self.remote
            .readings(ask)
            .await
            .expect("the readings are listed")
            .readings
    }

    /// Lists the readings of a furnace, those that were amended since included.
    pub async fn all_readings(&self, furnace: &str) -> Vec<v1::Reading> {
        let ask = v1::ListReadingsRequest {
            parent: furnace.to_owned(),
            page_size: 1000,
            show_amended: true,
            ..v1::ListReadingsRequest::default()
        };
        let found = self.remote.readings(ask).await;
        found.expect("the readings are listed").readings
    }

    /// Sets calibrations on Fridays from 6 March 2026 for a place, whose name ends with a slash, or for the network
    /// with an empty one.
    pub async fn every_friday(&self, place: &str) {
        let rule = v1::ScheduleRule {
            name: format!("{place}scheduleRules/calibration"),
            plan: v1::PlanKind::FixedDates.into(),
            recurrence: "FREQ=WEEKLY;BYDAY=FR".to_owned(),
            start_date: Some(ringtrue_proto::Date {
                year: 2026,
                month: 3,
                day: 6,
            }),
            ..v1::ScheduleRule::default()
        };
        let ask = v1::SetScheduleRuleRequest {
            rule: Some(rule),
            ..v1::SetScheduleRuleRequest::default()
        };
        let set = self.remote.set_schedule_rule(ask).await;
        set.expect("the rule is set");
    }

    /// Gives a furnace as it is now.
    pub async fn furnace_now(&self, furnace: &str) -> v1::Furnace {
        let ask = v1::GetFurnaceRequest {
            name: furnace.to_owned(),
        };
        let found = self
            .remote
            .furnace(ask)
            .await
            .expect("the furnace is found");
        found.furnace.expect("the answer holds the furnace")
    }

    /// Gives a programme as it is now.
    pub async fn programme_now(&self, programme: &str) -> v1::Programme {
        let ask = v1::GetProgrammeRequest {
            name: programme.to_owned(),
        };
        let found = self
            .remote
            .programme(ask)
            .await
            .expect("the programme is found");
        found.programme.expect("the answer holds the programme")
    }
}

/// Gives an invented laboratory.
pub fn site() -> v1::Site {
    v1::Site {
        display_name: "North bench".to_owned(),
        time_zone: "Europe/Lisbon".to_owned(),
        calibration_day: v1::DayOfWeek::Friday.into(),
        calibration_interval_days: 14,
        closed_days: vec![v1::DayOfWeek::Saturday.into(), v1::DayOfWeek::Sunday.into()],
        ..v1::Site::default()
    }
}

/// Gives an invented furnace that takes whole degrees up to 1650 °C.
pub fn furnace() -> v1::Furnace {
    v1::Furnace {
        display_name: "K2".to_owned(),
        maximum_setpoint_c: 1650.0,
        heating_element: v1::HeatingElement::MolybdenumDisilicide.into(),
        control_thermocouple: v1::ThermocoupleType::B.into(),
        ..v1::Furnace::default()
    }
}

/// Gives the usual programme: true 1500 °C for 120 min, set to 1500 °C.
pub fn programme() -> v1::Programme {
    programme_at(1500.0, 120.0)
}

/// Gives a programme with this true peak temperature, entered as it is, and this hold.
pub fn programme_at(peak_c: f64, hold_min: f64) -> v1::Programme {
    v1::Programme {
        display_name: "Standard".to_owned(),
        segments: vec![
            v1::Segment {
                ramp_c_per_min: 10.0,
                temperature_c: 900.0,
                hold_min: 30.0,
            },
            v1::Segment {
                ramp_c_per_min: 10.0,
                temperature_c: peak_c,
                hold_min,
            },
        ],
        material_target_c: peak_c,
        setpoint_c: peak_c,
        minimum_setpoint_c: 1350.0,
        maximum_setpoint_c: 1600.0,
        kind: v1::ProgrammeKind::Standard.into(),
        ..v1::Programme::default()
    }
}

/// Gives an invented batch without tables, in date for years.
pub fn batch() -> v1::RingBatch {
    v1::RingBatch {
        code: "B1".to_owned(),
        stated_expanded_uncertainty_c: Some(4.0),
        expiry_date: Some(ringtrue_proto::Date {
            year: 2029,
            month: 12,
            day: 31,
        }),
        provenance: "Invented table for tests.".to_owned(),
        state: v1::RingBatchState::Released.into(),
        ..v1::RingBatch::default()
    }
}

/// Gives a table file.
pub fn table_file(hold_min: f64, csv: &str) -> v1::RingTableFile {
    v1::RingTableFile {
        hold_min,
        content: csv.as_bytes().to_vec(),
    }
}

/// Gives a micrometer with the display step and permissible error usual for one.
pub fn micrometer() -> v1::Gauge {
    v1::Gauge {
        display_name: "Micrometer 1".to_owned(),
        kind: v1::GaugeKind::Micrometer.into(),
        resolution_mm: 0.001,
        maximum_permissible_error_mm: 0.004,
        ..v1::Gauge::default()
    }
}

/// Gives a caliper with the display step and permissible error usual for one.
pub fn caliper() -> v1::Gauge {
    v1::Gauge {
        display_name: "Caliper 1".to_owned(),
        kind: v1::GaugeKind::Caliper.into(),
        resolution_mm: 0.01,
        maximum_permissible_error_mm: 0.03,
        ..v1::Gauge::default()
    }
}

/// Gives a ring without a number.
pub fn ring(position: &str, diameters_mm: &[f64]) -> v1::Ring {
    v1::Ring {
        position: position.to_owned(),
        diameters_mm: diameters_mm.to_vec(),
        serial_number: String::new(),
    }
}

/// Gives the rings of a reading, to be changed.
pub fn rings_of(reading: &mut v1::Reading) -> &mut v1::RingMeasurement {
    match reading.method.as_mut() {
        Some(Method::Rings(rings)) => rings,
        _ => panic!("the reading is not one of rings"),
    }
}

/// Gives the reading of a request, to be changed.
pub fn reading_of(ask: &mut v1::RecordReadingRequest) -> &mut v1::Reading {
    ask.reading.as_mut().expect("the request holds a reading")
}

/// Gives the evaluation of a reading.
pub fn evaluation_of(reading: &v1::Reading) -> &v1::Evaluation {
    let evaluation = reading.evaluation.as_ref();
    evaluation.expect("the reading holds its evaluation")
}

/// Gives the codes of reasons or notices.
pub fn codes(reasons: &[v1::Reason]) -> Vec<&str> {
    reasons.iter().map(|reason| reason.code.as_str()).collect()
}

/// Gives a moment as the protocol writes it.
pub fn stamp(at: Timestamp) -> prost_types::Timestamp {
    prost_types::Timestamp {
        seconds: at.as_second(),
        nanos: at.subsec_nanosecond(),
    }
}
