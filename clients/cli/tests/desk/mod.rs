//! A server of a few lines that knows one furnace, for driving the command line in process.

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ringtrue_proto::v1::adjustment_service_server::{AdjustmentService, AdjustmentServiceServer};
use ringtrue_proto::v1::furnace_service_server::{FurnaceService, FurnaceServiceServer};
use ringtrue_proto::v1::gauge_service_server::{GaugeService, GaugeServiceServer};
use ringtrue_proto::v1::programme_service_server::{ProgrammeService, ProgrammeServiceServer};
use ringtrue_proto::v1::reading_service_server::{ReadingService, ReadingServiceServer};
use ringtrue_proto::v1::ring_batch_service_server::{RingBatchService, RingBatchServiceServer};
use ringtrue_proto::v1::sign_off_service_server::SignOffServiceServer;
use ringtrue_proto::v1::site_service_server::{SiteService, SiteServiceServer};
use ringtrue_proto::v1::*;
use tonic::{Code, Request, Response, Status};
use tonic_types::{ErrorDetails, StatusExt as _};

use crate::in_process::served;

/// Name of the furnace known here.
pub(crate) const K2: &str = "sites/porto/furnaces/k2";

/// The server: what it was asked, and how it refuses.
#[derive(Clone, Default)]
pub(crate) struct Desk {
    /// Every reading it was asked to evaluate or record, in order.
    pub(crate) readings: Arc<Mutex<Vec<RecordReadingRequest>>>,
    /// Every adjustment it was asked to record.
    pub(crate) adjustments: Arc<Mutex<Vec<ConfirmAdjustmentRequest>>>,
    /// The version named by every change of a furnace.
    pub(crate) etags: Arc<Mutex<Vec<String>>>,
    /// Every signature it was asked for.
    pub(crate) sign_offs: Arc<Mutex<Vec<SignOffRequest>>>,
    /// Refusals that come before anything else, in order.
    pub(crate) refusals: Arc<Mutex<VecDeque<Status>>>,
    /// How often it asks whether a client is still there; never when unset.
    pub(crate) keepalive: Option<Duration>,
}

impl Desk {
    /// Serves on a free port of loopback in a thread of its own, until the test's process ends.
    pub(crate) fn serve(&self) -> SocketAddr {
        let desk = self.clone();
        served(move || {
            tonic::transport::Server::builder()
                .http2_keepalive_interval(desk.keepalive)
                .add_service(SiteServiceServer::new(desk.clone()))
                .add_service(FurnaceServiceServer::new(desk.clone()))
                .add_service(ProgrammeServiceServer::new(desk.clone()))
                .add_service(RingBatchServiceServer::new(desk.clone()))
                .add_service(GaugeServiceServer::new(desk.clone()))
                .add_service(ReadingServiceServer::new(desk.clone()))
                .add_service(SignOffServiceServer::new(desk.clone()))
                .add_service(AdjustmentServiceServer::new(desk))
        })
    }

    /// A page of three furnaces, one at a time.
    fn furnaces_page(ask: &ListFurnacesRequest) -> ListFurnacesResponse {
        let (id, next) = match ask.page_token.as_str() {
            "" => ("k1", "two"),
            "two" => ("k2", "three"),
            _ => ("k3", ""),
        };
        ListFurnacesResponse {
            furnaces: vec![Furnace {
                name: format!("sites/porto/furnaces/{id}"),
                ..k2()
            }],
            next_page_token: next.to_owned(),
        }
    }

    /// Evaluates; asks about 19.74 mm until it is confirmed.
    fn recorded(
        &self,
        ask: RecordReadingRequest,
    ) -> Result<Response<RecordReadingResponse>, Status> {
        self.readings
            .lock()
            .expect("not poisoned")
            .push(ask.clone());
        if let Some(refusal) = self.refusals.lock().expect("not poisoned").pop_front() {
            return Err(refusal);
        }
        let mut reading = ask.reading.unwrap_or_default();
        let code = "DIGITS_SWAPPED".to_owned();
        let mut questions = Vec::new();
        if let Some(reading::Method::Rings(measured)) = &reading.method {
            for (place, diameter) in measured.rings[0].diameters_mm.iter().enumerate() {
                if (diameter - 19.74).abs() < 1e-9 {
                    questions.push(Question {
                        code: code.clone(),
                        field: format!("reading.rings.rings[0].diameters_mm[{place}]"),
                        text: "Did you read 19.47 mm?".to_owned(),
                        suggestion: Some(19.47),
                        answered: reading.answered_questions.contains(&code),
                    });
                }
            }
        }
        if let Some(open) = questions.iter().find(|q| !q.answered && !ask.validate_only) {
            let mut details = ErrorDetails::new();
            details
                .set_error_info("OPEN_QUESTIONS", "ringtrue", [])
                .add_precondition_failure_violation(&open.code, &open.field, &open.text);
            let message = "One value looks wrong.";
            return Err(Status::with_error_details(
                Code::FailedPrecondition,
                message,
                details,
            ));
        }
        if !ask.validate_only {
            reading.name = format!("{}/readings/r1", ask.parent);
        }
        let mut reading = evaluated(reading);
        if let Some(evaluation) = &mut reading.evaluation {
            if reading.programme.ends_with("/quick") {
                not_evaluated(evaluation);
            }
            evaluation.questions = questions;
        }
        Ok(Response::new(RecordReadingResponse {
            reading: Some(reading),
        }))
    }

    fn confirmed(&self, ask: ConfirmAdjustmentRequest) -> ConfirmAdjustmentResponse {
        self.adjustments
            .lock()
            .expect("not poisoned")
            .push(ask.clone());
        let adjustment = Adjustment {
            name: format!("{}/adjustments/a1", ask.parent),
            previous_setpoint_c: 1500.0,
            advised_setpoint_c: Some(1481.0),
            ..ask.adjustment.unwrap_or_default()
        };
        ConfirmAdjustmentResponse {
            adjustment: Some(adjustment),
        }
    }

    /// Refuses every table at its third row.
    fn imported(ask: &CreateRingBatchRequest) -> Status {
        let mut details = ErrorDetails::new();
        for place in 0..ask.table_files.len() {
            details.add_bad_request_violation(
                format!("table_files[{place}].content"),
                "Row 3: the same diameter stands twice.",
            );
        }
        let message = "The tables cannot be used.";
        Status::with_error_details(Code::InvalidArgument, message, details)
    }
}

fn porto() -> Site {
    Site {
        name: "sites/porto".to_owned(),
        display_name: "Porto".to_owned(),
        time_zone: "Europe/Lisbon".to_owned(),
        calibration_day: DayOfWeek::Friday.into(),
        calibration_interval_days: 28,
        tolerance_c: 10.0,
        largest_step_c: 30.0,
        ..Site::default()
    }
}

fn k2() -> Furnace {
    Furnace {
        name: K2.to_owned(),
        display_name: "K2".to_owned(),
        maximum_setpoint_c: 1600.0,
        setpoint_step_c: 1.0,
        state: FurnaceState::InUse.into(),
        heating_element: HeatingElement::MolybdenumDisilicide.into(),
        control_thermocouple: ThermocoupleType::B.into(),
        offset: Some(FurnaceOffset {
            offset_c: 18.6,
            standard_uncertainty_c: 3.1,
            at_temperature_c: 1500.0,
            reading_count: 4,
            ..FurnaceOffset::default()
        }),
        ..Furnace::default()
    }
}

fn standard() -> Programme {
    Programme {
        name: format!("{K2}/programmes/standard"),
        display_name: "Standard".to_owned(),
        segments: vec![Segment {
            ramp_c_per_min: 8.0,
            temperature_c: 1500.0,
            hold_min: 120.0,
        }],
        material_target_c: 1500.0,
        target_c: 1500.0,
        setpoint_c: 1500.0,
        kind: ProgrammeKind::Standard.into(),
        ..Programme::default()
    }
}

fn caliper() -> Gauge {
    Gauge {
        name: "sites/porto/gauges/caliper-1".to_owned(),
        display_name: "Caliper of the bench".to_owned(),
        state: GaugeState::InUse.into(),
        ..Gauge::default()
    }
}

fn x7() -> RingBatch {
    RingBatch {
        name: "ringBatches/x7".to_owned(),
        code: "X7-2026".to_owned(),
        state: RingBatchState::Released.into(),
        ..RingBatch::default()
    }
}

/// Makes an evaluation one of a hold that the batch has no table for.
fn not_evaluated(evaluation: &mut Evaluation) {
    let why = "Fired with a hold of 30 min. Fire a programme with a hold of 120 min at the peak.";
    let valid = "Differences between positions are right as they are.";
    evaluation.evaluable = false;
    evaluation.advice = Advice::Unspecified.into();
    evaluation.reasons.clear();
    evaluation.notices.push(Reason {
        code: "HOLD_NOT_EVALUABLE".to_owned(),
        text: format!("{why} {valid}"),
    });
    evaluation.hold = Some(HoldResult {
        treatment: HoldTreatment::NotEvaluable.into(),
        table_hold_min: 120.0,
        fired_hold_min: 30.0,
        explanation: why.to_owned(),
        statements_still_valid: vec![valid.to_owned()],
        ..HoldResult::default()
    });
}

/// The reading with an evaluation that asks for 1481 °C.
fn evaluated(reading: Reading) -> Reading {
    let reason = |text: &str| Reason {
        code: "REASON".to_owned(),
        text: text.to_owned(),
    };
    let line = |source: &str, part: f64, share: f64, type_a: bool| BudgetLine {
        source: source.to_owned(),
        standard_uncertainty: part / 190.0,
        unit: "mm".to_owned(),
        sensitivity: -190.0,
        contribution_c: part,
        degrees_of_freedom: if type_a { 2.0 } else { 0.0 },
        share,
        basis: "maximum permissible error 0.03 mm, rectangular".to_owned(),
        type_a,
        shared: !type_a,
    };
    Reading {
        evaluation: Some(Evaluation {
            evaluable: true,
            ring_temperature_c: 1519.0,
            observed_offset_c: 19.0,
            deviation_c: 19.0,
            present_error_c: 18.6,
            present_setpoint_c: 1500.0,
            target_c: 1500.0,
            advised_setpoint_c: 1481.0,
            plain_setpoint_c: 1481.0,
            offset_c: 18.6,
            offset_standard_uncertainty_c: 3.1,
            tolerance_c: 10.0,
            conformance_probability: 0.004,
            advice: Advice::Adjust.into(),
            rings: vec![RingResult {
                position: "centre".to_owned(),
                mean_diameter_mm: 19.47,
                corrected_diameter_mm: 19.47,
                ovality_mm: 0.02,
                table_temperature_c: 1519.0,
                temperature_c: 1519.0,
                slope_c_per_hundredth_mm: -1.9,
                ..RingResult::default()
            }],
            budget: Some(UncertaintyBudget {
                lines: vec![
                    line("Bias of the gauge", 3.3, 0.86, false),
                    line("Repeated diameters", 1.3, 0.14, true),
                ],
                combined_standard_uncertainty_c: 3.55,
                coverage_factor: 2.0,
                expanded_uncertainty_c: 7.1,
                what_would_help_most: "Check the gauge on a reference block".to_owned(),
                expanded_uncertainty_after_c: Some(3.9),
                ..UncertaintyBudget::default()
            }),
            reasons: vec![reason(
                "The furnace runs 18.6 °C hot at 1500 °C, more than its tolerance of 10 °C; the \
                 measurement is good enough to act on.",
            )],
            notices: vec![reason(
                "The gauge has never been checked on a reference block.",
            )],
            cautions: vec!["Open only when the chamber is cold enough to touch.".to_owned()],
            next_due_date: Some(ringtrue_proto::Date {
                year: 2026,
                month: 12,
                day: 18,
            }),
            ..Evaluation::default()
        }),
        ..reading
    }
}

#[tonic::async_trait]
impl SiteService for Desk {
    async fn create_site(
        &self,
        _: Request<CreateSiteRequest>,
    ) -> Result<Response<CreateSiteResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn get_site(
        &self,
        _: Request<GetSiteRequest>,
    ) -> Result<Response<GetSiteResponse>, Status> {
        Ok(Response::new(GetSiteResponse {
            site: Some(porto()),
        }))
    }

    async fn list_sites(
        &self,
        _: Request<ListSitesRequest>,
    ) -> Result<Response<ListSitesResponse>, Status> {
        Ok(Response::new(ListSitesResponse {
            sites: vec![porto()],
            ..ListSitesResponse::default()
        }))
    }

    async fn update_site(
        &self,
        _: Request<UpdateSiteRequest>,
    ) -> Result<Response<UpdateSiteResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}

#[tonic::async_trait]
impl FurnaceService for Desk {
    async fn create_furnace(
        &self,
        _: Request<CreateFurnaceRequest>,
    ) -> Result<Response<CreateFurnaceResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn get_furnace(
        &self,
        _: Request<GetFurnaceRequest>,
    ) -> Result<Response<GetFurnaceResponse>, Status> {
        Ok(Response::new(GetFurnaceResponse {
            furnace: Some(k2()),
        }))
    }

    async fn list_furnaces(
        &self,
        request: Request<ListFurnacesRequest>,
    ) -> Result<Response<ListFurnacesResponse>, Status> {
        Ok(Response::new(Desk::furnaces_page(request.get_ref())))
    }

    async fn update_furnace(
        &self,
        request: Request<UpdateFurnaceRequest>,
    ) -> Result<Response<UpdateFurnaceResponse>, Status> {
        let furnace = request.into_inner().furnace.unwrap_or_default();
        let mut etags = self.etags.lock().expect("not poisoned");
        etags.push(furnace.etag.clone());
        Ok(Response::new(UpdateFurnaceResponse {
            furnace: Some(furnace),
        }))
    }

    async fn record_furnace_event(
        &self,
        _: Request<RecordFurnaceEventRequest>,
    ) -> Result<Response<RecordFurnaceEventResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn list_furnace_events(
        &self,
        _: Request<ListFurnaceEventsRequest>,
    ) -> Result<Response<ListFurnaceEventsResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}

#[tonic::async_trait]
impl ProgrammeService for Desk {
    async fn create_programme(
        &self,
        _: Request<CreateProgrammeRequest>,
    ) -> Result<Response<CreateProgrammeResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn get_programme(
        &self,
        _: Request<GetProgrammeRequest>,
    ) -> Result<Response<GetProgrammeResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn list_programmes(
        &self,
        _: Request<ListProgrammesRequest>,
    ) -> Result<Response<ListProgrammesResponse>, Status> {
        Ok(Response::new(ListProgrammesResponse {
            programmes: vec![standard()],
            ..ListProgrammesResponse::default()
        }))
    }

    async fn update_programme(
        &self,
        _: Request<UpdateProgrammeRequest>,
    ) -> Result<Response<UpdateProgrammeResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}

#[tonic::async_trait]
impl RingBatchService for Desk {
    async fn create_ring_batch(
        &self,
        request: Request<CreateRingBatchRequest>,
    ) -> Result<Response<CreateRingBatchResponse>, Status> {
        Err(Desk::imported(&request.into_inner()))
    }

    async fn get_ring_batch(
        &self,
        _: Request<GetRingBatchRequest>,
    ) -> Result<Response<GetRingBatchResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn list_ring_batches(
        &self,
        _: Request<ListRingBatchesRequest>,
    ) -> Result<Response<ListRingBatchesResponse>, Status> {
        Ok(Response::new(ListRingBatchesResponse {
            ring_batches: vec![x7()],
            ..ListRingBatchesResponse::default()
        }))
    }

    async fn add_ring_table(
        &self,
        _: Request<AddRingTableRequest>,
    ) -> Result<Response<AddRingTableResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn set_ring_batch_state(
        &self,
        _: Request<SetRingBatchStateRequest>,
    ) -> Result<Response<SetRingBatchStateResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}

#[tonic::async_trait]
impl GaugeService for Desk {
    async fn create_gauge(
        &self,
        _: Request<CreateGaugeRequest>,
    ) -> Result<Response<CreateGaugeResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn get_gauge(
        &self,
        _: Request<GetGaugeRequest>,
    ) -> Result<Response<GetGaugeResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn list_gauges(
        &self,
        _: Request<ListGaugesRequest>,
    ) -> Result<Response<ListGaugesResponse>, Status> {
        Ok(Response::new(ListGaugesResponse {
            gauges: vec![caliper()],
            ..ListGaugesResponse::default()
        }))
    }

    async fn update_gauge(
        &self,
        _: Request<UpdateGaugeRequest>,
    ) -> Result<Response<UpdateGaugeResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn record_gauge_check(
        &self,
        _: Request<RecordGaugeCheckRequest>,
    ) -> Result<Response<RecordGaugeCheckResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn list_gauge_checks(
        &self,
        _: Request<ListGaugeChecksRequest>,
    ) -> Result<Response<ListGaugeChecksResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}

#[tonic::async_trait]
impl ReadingService for Desk {
    async fn record_reading(
        &self,
        request: Request<RecordReadingRequest>,
    ) -> Result<Response<RecordReadingResponse>, Status> {
        self.recorded(request.into_inner())
    }

    async fn get_reading(
        &self,
        request: Request<GetReadingRequest>,
    ) -> Result<Response<GetReadingResponse>, Status> {
        Ok(Response::new(GetReadingResponse {
            reading: Some(evaluated(Reading {
                name: request.into_inner().name,
                programme: format!("{K2}/programmes/standard"),
                ..Reading::default()
            })),
        }))
    }

    async fn list_readings(
        &self,
        _: Request<ListReadingsRequest>,
    ) -> Result<Response<ListReadingsResponse>, Status> {
        Ok(Response::new(ListReadingsResponse {
            readings: vec![evaluated(Reading {
                name: format!("{K2}/readings/r1"),
                setpoint_c: Some(1500.0),
                programme: format!("{K2}/programmes/standard"),
                ..Reading::default()
            })],
            ..ListReadingsResponse::default()
        }))
    }

    async fn amend_reading(
        &self,
        _: Request<AmendReadingRequest>,
    ) -> Result<Response<AmendReadingResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}

#[tonic::async_trait]
impl AdjustmentService for Desk {
    async fn confirm_adjustment(
        &self,
        request: Request<ConfirmAdjustmentRequest>,
    ) -> Result<Response<ConfirmAdjustmentResponse>, Status> {
        Ok(Response::new(self.confirmed(request.into_inner())))
    }

    async fn get_adjustment(
        &self,
        _: Request<GetAdjustmentRequest>,
    ) -> Result<Response<GetAdjustmentResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn list_adjustments(
        &self,
        _: Request<ListAdjustmentsRequest>,
    ) -> Result<Response<ListAdjustmentsResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}
