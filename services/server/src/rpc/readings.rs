//! Calls about readings.

use jiff::Timestamp;
use ringtrue_calibration::evaluation::Indication;
use ringtrue_calibration::rings::Ring;
use ringtrue_calibration::thermocouple::Kind;
use ringtrue_fleet::key::{BatchId, FurnaceKey, GaugeKey, ProgrammeKey, ReadingId, ReadingKey};
use ringtrue_fleet::reading::{MeasuredRing, Method as Measured, Purpose, RawMethod, RawReport};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::reading::Method as Given;
use ringtrue_proto::v1::reading_service_server::ReadingService;
use ringtrue_proto::v1::thermocouple_measurement::Indication as Shown;
use ringtrue_store::{PagePart, Recorded};
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::evaluation;
use super::fields::{
    also, choice, found, furnace_or_all, is_set, moment, name, optional_name, settled, timestamp,
};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::status::answer;
use super::{furnaces, sites};
use crate::app::{self, App, Error};

const RECORD: Method = method("/ringtrue.v1.ReadingService/RecordReading");
const GET: Method = method("/ringtrue.v1.ReadingService/GetReading");
const LIST: Method = method("/ringtrue.v1.ReadingService/ListReadings");
const AMEND: Method = method("/ringtrue.v1.ReadingService/AmendReading");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/Reading";

/// Most characters of the reason for an amendment.
const MOST_REASON: usize = 500;

/// Answers calls about readings.
#[derive(Clone)]
pub(crate) struct Readings(pub(crate) App);

#[tonic::async_trait]
impl ReadingService for Readings {
    async fn record_reading(
        &self,
        request: Request<v1::RecordReadingRequest>,
    ) -> Result<Response<v1::RecordReadingResponse>, Status> {
        answer(Box::pin(record(&self.0, request)).await)
    }

    async fn get_reading(
        &self,
        request: Request<v1::GetReadingRequest>,
    ) -> Result<Response<v1::GetReadingResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_readings(
        &self,
        request: Request<v1::ListReadingsRequest>,
    ) -> Result<Response<v1::ListReadingsResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn amend_reading(
        &self,
        request: Request<v1::AmendReadingRequest>,
    ) -> Result<Response<v1::AmendReadingResponse>, Status> {
        answer(Box::pin(amend(&self.0, request)).await)
    }
}

/// The call that is meant: to record something, or only to try it out.
fn recording(method: Method, validate_only: bool) -> Method {
    if validate_only {
        method.tried()
    } else {
        method
    }
}

async fn record(
    app: &App,
    request: Request<v1::RecordReadingRequest>,
) -> Result<v1::RecordReadingResponse, Error> {
    let asking = Asking::of(recording(RECORD, request.get_ref().validate_only), &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    // One that is tried out is compared with the one that was recorded under its id.
    let only_tried = std::mem::take(&mut asked.validate_only);
    let repeat = repeatable(RECORD, &request_id, &asked, &mut violations);
    let furnace = name("parent", &asked.parent, FurnaceKey::parse, &mut violations);
    let report = report(
        furnace,
        asked.reading.unwrap_or_default(),
        app.clock.now(),
        &mut violations,
    );
    let report = settled(report, violations)?;
    let scope = asking.site(&report.furnace.site)?;
    let reading = if only_tried {
        match app::recorded_before(app, &scope, &repeat).await? {
            Some(recorded) => message(&recorded),
            None => unnamed(message(
                &app::preview_reading(app, &asking.caller, report).await?,
            )),
        }
    } else {
        message(&app::record_reading(app, &asking.caller, report, &repeat).await?)
    };
    Ok(v1::RecordReadingResponse {
        reading: Some(reading),
    })
}

async fn get(
    app: &App,
    request: Request<v1::GetReadingRequest>,
) -> Result<v1::GetReadingResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let key = name(
        "name",
        &request.get_ref().name,
        ReadingKey::parse,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app
        .store
        .read(&asking.site(&key.furnace.site)?)
        .on_one_connection();
    let recorded = found(read.recorded(&key).await?, KIND, key.name())?;
    Ok(v1::GetReadingResponse {
        reading: Some(message(&recorded)),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListReadingsRequest>,
) -> Result<v1::ListReadingsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let parent = furnace_or_all("parent", &asked.parent, &mut violations);
    let shown = if asked.show_amended { "all" } else { "latest" };
    let filters = [asked.parent.as_str(), shown];
    let order = Order::LatestFirst;
    let paging = Paging::read(
        LIST,
        &filters,
        order,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let (site, furnace) = settled(parent, violations)?;
    let read = app.store.read(&asking.site(&site)?).on_one_connection();
    if let Some(furnace) = &furnace {
        let key = FurnaceKey {
            site: site.clone(),
            furnace: furnace.clone(),
        };
        found(read.furnace(&key).await?, furnaces::KIND, key.name())?;
    } else {
        found(read.site(&site).await?, sites::KIND, site.name())?;
    }
    let rows = read
        .readings(&site, furnace.as_ref(), asked.show_amended, &paging.page)
        .await?;
    let key = |recorded: &Recorded| {
        let at = recorded.reading.report.fired_at;
        let id = recorded.reading.key.reading.to_string();
        vec![PagePart::Number(at.as_microsecond()), PagePart::Text(id)]
    };
    let (readings, next_page_token) = paging.cut(&rows, key, message);
    Ok(v1::ListReadingsResponse {
        readings,
        next_page_token,
    })
}

async fn amend(
    app: &App,
    request: Request<v1::AmendReadingRequest>,
) -> Result<v1::AmendReadingResponse, Error> {
    let asking = Asking::of(recording(AMEND, request.get_ref().validate_only), &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(AMEND, &request_id, &asked, &mut violations);
    let key = name("name", &asked.name, ReadingKey::parse, &mut violations);
    let reason = asked.reason.trim().to_owned();
    violations.text("reason", &reason, 1, MOST_REASON);
    let furnace = key.as_ref().map(|key| key.furnace.clone());
    let report = report(
        furnace,
        asked.reading.unwrap_or_default(),
        app.clock.now(),
        &mut violations,
    );
    let (key, report) = settled(key.zip(report), violations)?;
    let _scope = asking.site(&key.furnace.site)?;
    let caller = &asking.caller;
    let reading = if asked.validate_only {
        unnamed(message(
            &app::preview_amendment(app, caller, &key, report, reason).await?,
        ))
    } else {
        message(&app::amend_reading(app, caller, &key, report, reason, &repeat).await?)
    };
    Ok(v1::AmendReadingResponse {
        reading: Some(reading),
    })
}

/// Reads what was reported of a furnace; none without one, which has left a violation.
fn report(
    furnace: Option<FurnaceKey>,
    given: v1::Reading,
    now: Timestamp,
    violations: &mut Violations,
) -> Option<RawReport> {
    let programme = optional_name(
        "reading.programme",
        &given.programme,
        ProgrammeKey::parse,
        violations,
    );
    let fired_at = moment("reading.fire_time", given.fire_time, violations);
    let measured_at = moment("reading.measure_time", given.measure_time, violations);
    let purpose = match choice("reading.purpose", given.purpose, violations) {
        None | Some(v1::ReadingPurpose::Unspecified | v1::ReadingPurpose::Routine) => {
            Purpose::Routine
        }
        Some(v1::ReadingPurpose::Verification) => Purpose::Verification,
        Some(v1::ReadingPurpose::AfterEvent) => Purpose::AfterEvent,
        Some(v1::ReadingPurpose::Practice) => Purpose::Practice,
    };
    let method = match given.method {
        None => None,
        Some(Given::Rings(rings)) => Some(rings_reported(rings, violations)),
        Some(Given::Thermocouple(thermocouple)) => {
            Some(thermocouple_reported(thermocouple, violations))
        }
    };
    let report = RawReport {
        furnace: furnace?,
        programme,
        setpoint_c: given.setpoint_c,
        method,
        fired_at,
        measured_at,
        purpose,
        performed_by: given.performed_by,
        note: given.note,
        answered: given.answered_questions,
    };
    also(violations, |more| {
        if let Err(found) = report.clone().checked(now) {
            more.0.extend(found.0);
        }
    });
    Some(report)
}

fn rings_reported(given: v1::RingMeasurement, violations: &mut Violations) -> RawMethod {
    let batch = optional_name(
        "reading.rings.ring_batch",
        &given.ring_batch,
        BatchId::parse,
        violations,
    );
    let gauge = optional_name(
        "reading.rings.gauge",
        &given.gauge,
        GaugeKey::parse,
        violations,
    );
    let mut rings = Vec::with_capacity(given.rings.len());
    for ring in given.rings {
        rings.push(MeasuredRing {
            ring: Ring {
                position: ring.position,
                diameters_mm: ring.diameters_mm,
            },
            serial_number: ring.serial_number,
        });
    }
    RawMethod::Rings {
        batch,
        gauge,
        rings,
        zero_mm: given.zero_mm,
        ring_temperature_c: given.ring_temperature_c,
    }
}

fn thermocouple_reported(
    given: v1::ThermocoupleMeasurement,
    violations: &mut Violations,
) -> RawMethod {
    let kind = match choice("reading.thermocouple.type", given.r#type, violations) {
        Some(v1::ThermocoupleType::B) => Some(Kind::B),
        Some(v1::ThermocoupleType::S) => Some(Kind::S),
        None | Some(v1::ThermocoupleType::Unspecified | v1::ThermocoupleType::R) => None,
    };
    let indication = match given.indication {
        None => None,
        Some(Shown::EmfMv(emf_mv)) => Some(Indication::Millivolts {
            emf_mv,
            reference_junction_c: given.reference_junction_c,
        }),
        Some(Shown::TemperatureC(temperature_c)) => {
            if is_set(given.reference_junction_c) {
                violations.add(
                    "reading.thermocouple.reference_junction_c",
                    "NOT_WANTED",
                    "belongs only to emf_mv; leave it out",
                );
            }
            Some(Indication::Celsius(temperature_c))
        }
    };
    RawMethod::Thermocouple {
        kind,
        indication,
        correction_c: given.correction_c,
        expanded_uncertainty_c: given.expanded_uncertainty_c,
        position: given.position,
    }
}

/// A reading that was only looked at: it has neither a name nor a moment of storing.
fn unnamed(reading: v1::Reading) -> v1::Reading {
    v1::Reading {
        name: String::new(),
        receive_time: None,
        ..reading
    }
}

fn message(recorded: &Recorded) -> v1::Reading {
    let reading = &recorded.reading;
    let report = &reading.report;
    let named = |version: &Option<ReadingId>| match version {
        Some(reading_id) => {
            let furnace = reading.key.furnace.clone();
            ReadingKey {
                furnace,
                reading: reading_id.clone(),
            }
            .name()
        }
        None => String::new(),
    };
    let purpose = match report.purpose {
        Purpose::Routine => v1::ReadingPurpose::Routine,
        Purpose::Verification => v1::ReadingPurpose::Verification,
        Purpose::AfterEvent => v1::ReadingPurpose::AfterEvent,
        Purpose::Practice => v1::ReadingPurpose::Practice,
    };
    v1::Reading {
        name: reading.key.name(),
        programme: report.programme.name(),
        setpoint_c: Some(reading.setpoint_c),
        method: Some(method_message(&report.method)),
        fire_time: Some(timestamp(report.fired_at)),
        measure_time: Some(timestamp(report.measured_at)),
        purpose: purpose.into(),
        performed_by: report.performed_by.clone(),
        note: report.note.clone(),
        answered_questions: report.answered.iter().cloned().collect(),
        receive_time: Some(timestamp(reading.received_at)),
        amends: named(&reading.amends),
        amended_by: named(&recorded.amended_by),
        amend_reason: reading.amend_reason.clone(),
        evaluation: Some(evaluation::message(&recorded.evaluated)),
    }
}

fn method_message(measured: &Measured) -> Given {
    match measured {
        Measured::Rings(measured) => {
            let mut rings = Vec::with_capacity(measured.rings.len());
            for MeasuredRing {
                ring,
                serial_number,
            } in &measured.rings
            {
                rings.push(v1::Ring {
                    position: ring.position.clone(),
                    diameters_mm: ring.diameters_mm.clone(),
                    serial_number: serial_number.clone(),
                });
            }
            Given::Rings(v1::RingMeasurement {
                ring_batch: measured.batch.name(),
                gauge: measured.gauge.name(),
                rings,
                zero_mm: measured.zero_mm,
                ring_temperature_c: measured.ring_temperature_c,
            })
        }
        Measured::Thermocouple(measured) => {
            let kind = match measured.kind {
                Kind::B => v1::ThermocoupleType::B,
                Kind::S => v1::ThermocoupleType::S,
            };
            let (indication, reference_junction_c) = match measured.indication {
                Indication::Millivolts {
                    emf_mv,
                    reference_junction_c,
                } => (Shown::EmfMv(emf_mv), reference_junction_c),
                Indication::Celsius(temperature_c) => (Shown::TemperatureC(temperature_c), 0.0),
            };
            Given::Thermocouple(v1::ThermocoupleMeasurement {
                r#type: kind.into(),
                indication: Some(indication),
                reference_junction_c,
                correction_c: measured.correction_c,
                expanded_uncertainty_c: measured.expanded_uncertainty_c,
                position: measured.position.clone(),
            })
        }
    }
}

#[cfg(test)]
mod tests;
