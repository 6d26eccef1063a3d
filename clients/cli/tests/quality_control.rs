//! Quality control through the door of the program, against a server of a few lines: what is asked for,
//! pages, empty answers, files and repeats.

mod in_process;

use std::net::SocketAddr;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use in_process::{Outcome, run, served};
use jiff::Timestamp;
use ringtrue::{Conversation, Left, exit};
use ringtrue_proto::v1::fleet_service_server::{FleetService, FleetServiceServer};
use ringtrue_proto::v1::site_service_server::{SiteService, SiteServiceServer};
use ringtrue_proto::v1::*;
use tonic::{Code, Request, Response, Status};
use tonic_types::{ErrorDetails, StatusExt as _};

const K2: &str = "sites/porto/furnaces/k2";

/// The server: whether it knows anything, and what it was asked.
#[derive(Clone, Default)]
struct Fleet {
    knows: bool,
    /// Whether the next overview is still being worked out.
    prepares: Arc<AtomicBool>,
    standings: Arc<Mutex<Vec<ListFurnaceStandingsRequest>>>,
    histories: Arc<Mutex<Vec<GetFurnaceHistoryRequest>>>,
    findings: Arc<Mutex<Vec<ListFindingsRequest>>>,
    acknowledged: Arc<Mutex<Vec<AcknowledgeFindingRequest>>>,
}

type Answered<T> = Result<Response<T>, Status>;

fn noted<T>(list: &Arc<Mutex<Vec<T>>>, ask: T) {
    list.lock().expect("not poisoned").push(ask);
}

fn asked<T: Clone>(list: &Arc<Mutex<Vec<T>>>) -> Vec<T> {
    list.lock().expect("not poisoned").clone()
}

fn at(text: &str) -> prost_types::Timestamp {
    let moment: Timestamp = text.parse().expect("a moment");
    prost_types::Timestamp {
        seconds: moment.as_second(),
        nanos: 0,
    }
}

fn finding(state: FindingState) -> Finding {
    Finding {
        name: "findings/f1".to_owned(),
        kind: FindingKind::BatchSuspect.into(),
        subject: "ringBatches/x7".to_owned(),
        state: state.into(),
        probability: 0.97,
        statement: "Its rings read 6 °C hot.".to_owned(),
        next_step: "Fire one ring of another batch beside it.".to_owned(),
        ..Finding::default()
    }
}

fn standing(id: &str) -> FurnaceStanding {
    FurnaceStanding {
        furnace: format!("sites/porto/furnaces/{id}"),
        present_error_c: 3.0,
        standard_uncertainty_c: 1.0,
        tolerance_c: 10.0,
        conformity: Conformity::In.into(),
        ..FurnaceStanding::default()
    }
}

fn history() -> FurnaceHistory {
    let mut points = Vec::new();
    for (day, offset_c) in [("06", 18.0), ("13", 19.5), ("20", 19.0)] {
        points.push(HistoryPoint {
            reading: format!("{K2}/readings/r{day}"),
            fire_time: Some(at(&format!("2026-11-{day}T18:00:00Z"))),
            observed_offset_c: offset_c,
            corrected_offset_c: offset_c,
            tracked_offset_c: 19.0,
            tracked_standard_uncertainty_c: 1.5,
            ..HistoryPoint::default()
        });
    }
    FurnaceHistory {
        furnace: K2.to_owned(),
        at_temperature_c: 1500.0,
        time_zone: "Europe/Lisbon".to_owned(),
        points,
        standing: Some(standing("k2")),
        ..FurnaceHistory::default()
    }
}

#[tonic::async_trait]
impl FleetService for Fleet {
    async fn get_fleet_overview(
        &self,
        _: Request<GetFleetOverviewRequest>,
    ) -> Answered<GetFleetOverviewResponse> {
        if self.prepares.swap(false, Ordering::SeqCst) {
            let mut details = ErrorDetails::new();
            let so_far = [
                ("done_sites".to_owned(), "400".to_owned()),
                ("all_sites".to_owned(), "12500".to_owned()),
            ];
            details
                .set_error_info("BEING_PREPARED", "ringtrue", so_far)
                .set_retry_info(Some(Duration::from_millis(10)));
            let words = "not yet";
            return Err(Status::with_error_details(
                Code::Unavailable,
                words,
                details,
            ));
        }
        Ok(Response::new(GetFleetOverviewResponse {
            overview: self.knows.then(|| FleetOverview {
                furnace_count: 3,
                open_finding_count: 1,
                ..FleetOverview::default()
            }),
        }))
    }

    async fn list_furnace_standings(
        &self,
        ask: Request<ListFurnaceStandingsRequest>,
    ) -> Answered<ListFurnaceStandingsResponse> {
        let ask = ask.into_inner();
        noted(&self.standings, ask.clone());
        if !self.knows {
            return Ok(Response::new(ListFurnaceStandingsResponse::default()));
        }
        let (id, next) = match ask.page_token.as_str() {
            "" => ("k1", "two"),
            "two" => ("k2", "three"),
            _ => ("k3", ""),
        };
        Ok(Response::new(ListFurnaceStandingsResponse {
            standings: vec![standing(id)],
            next_page_token: next.to_owned(),
            as_of_time: Some(at("2026-11-23T16:00:00Z")),
        }))
    }

    async fn get_furnace_history(
        &self,
        ask: Request<GetFurnaceHistoryRequest>,
    ) -> Answered<GetFurnaceHistoryResponse> {
        noted(&self.histories, ask.into_inner());
        let empty = FurnaceHistory {
            points: Vec::new(),
            ..history()
        };
        Ok(Response::new(GetFurnaceHistoryResponse {
            history: Some(if self.knows { history() } else { empty }),
        }))
    }

    async fn get_furnace_charts(
        &self,
        _: Request<GetFurnaceChartsRequest>,
    ) -> Answered<GetFurnaceChartsResponse> {
        let mut charts = Vec::new();
        for kind in [ChartKind::Individuals, ChartKind::Ewma] {
            let mut points = Vec::new();
            for point in history().points {
                points.push(ChartPoint {
                    reading: point.reading,
                    fire_time: point.fire_time,
                    value: point.observed_offset_c - 19.0,
                    upper_limit: 3.0,
                    lower_limit: -3.0,
                    ..ChartPoint::default()
                });
            }
            charts.push(ControlChart {
                kind: kind.into(),
                points: if self.knows { points } else { Vec::new() },
                ..ControlChart::default()
            });
        }
        Ok(Response::new(GetFurnaceChartsResponse { charts }))
    }

    async fn list_batch_effects(
        &self,
        _: Request<ListBatchEffectsRequest>,
    ) -> Answered<ListBatchEffectsResponse> {
        Ok(Response::new(ListBatchEffectsResponse::default()))
    }

    async fn list_gauge_effects(
        &self,
        _: Request<ListGaugeEffectsRequest>,
    ) -> Answered<ListGaugeEffectsResponse> {
        Ok(Response::new(ListGaugeEffectsResponse::default()))
    }

    async fn get_finding(&self, ask: Request<GetFindingRequest>) -> Answered<GetFindingResponse> {
        if ask.into_inner().name != "findings/f1" {
            return Err(Status::not_found("There is no such finding."));
        }
        Ok(Response::new(GetFindingResponse {
            finding: Some(finding(FindingState::Open)),
        }))
    }

    async fn list_findings(
        &self,
        ask: Request<ListFindingsRequest>,
    ) -> Answered<ListFindingsResponse> {
        noted(&self.findings, ask.into_inner());
        let found = finding(FindingState::Open);
        Ok(Response::new(ListFindingsResponse {
            findings: if self.knows { vec![found] } else { Vec::new() },
            next_page_token: String::new(),
        }))
    }

    async fn acknowledge_finding(
        &self,
        ask: Request<AcknowledgeFindingRequest>,
    ) -> Answered<AcknowledgeFindingResponse> {
        let ask = ask.into_inner();
        noted(&self.acknowledged, ask.clone());
        Ok(Response::new(AcknowledgeFindingResponse {
            finding: Some(Finding {
                note: ask.note,
                noted_by: ask.noted_by,
                ..finding(FindingState::Acknowledged)
            }),
        }))
    }

    async fn resolve_finding(
        &self,
        _: Request<ResolveFindingRequest>,
    ) -> Answered<ResolveFindingResponse> {
        Ok(Response::new(ResolveFindingResponse {
            finding: Some(finding(FindingState::Resolved)),
        }))
    }
}

#[tonic::async_trait]
impl SiteService for Fleet {
    async fn get_site(&self, ask: Request<GetSiteRequest>) -> Answered<GetSiteResponse> {
        Ok(Response::new(GetSiteResponse {
            site: Some(Site {
                name: ask.into_inner().name,
                time_zone: "Europe/Lisbon".to_owned(),
                ..Site::default()
            }),
        }))
    }

    async fn create_site(&self, _: Request<CreateSiteRequest>) -> Answered<CreateSiteResponse> {
        Err(Status::unimplemented("not here"))
    }

    async fn list_sites(&self, _: Request<ListSitesRequest>) -> Answered<ListSitesResponse> {
        Err(Status::unimplemented("not here"))
    }

    async fn update_site(&self, _: Request<UpdateSiteRequest>) -> Answered<UpdateSiteResponse> {
        Err(Status::unimplemented("not here"))
    }
}

impl Fleet {
    fn knowing() -> Self {
        Fleet {
            knows: true,
            ..Fleet::default()
        }
    }

    /// Serves on a free port of loopback in a thread of its own, until the test's process ends.
    fn serve(&self) -> SocketAddr {
        let fleet = self.clone();
        served(move || {
            tonic::transport::Server::builder()
                .add_service(FleetServiceServer::new(fleet.clone()))
                .add_service(SiteServiceServer::new(fleet))
        })
    }
}

/// A person who answers every question in the same way.
struct Person {
    agrees: bool,
    asked: Vec<String>,
}

impl Conversation for Person {
    fn text(&mut self, question: &str, _: &str, _: Option<&str>) -> Result<String, Left> {
        self.asked.push(question.to_owned());
        Err(Left)
    }

    fn secret(&mut self, question: &str, _: &str) -> Result<String, Left> {
        self.asked.push(question.to_owned());
        Err(Left)
    }

    fn choice(&mut self, question: &str, _: &[String]) -> Result<usize, Left> {
        self.asked.push(question.to_owned());
        Err(Left)
    }

    fn agreement(&mut self, question: &str) -> Result<bool, Left> {
        self.asked.push(question.to_owned());
        Ok(self.agrees)
    }
}

/// Runs a command line; nobody sits at a terminal.
fn ran(fleet: &Fleet, line: &[&str]) -> Outcome {
    ran_by(None, fleet, line)
}

fn ran_by(person: Option<&mut dyn Conversation>, fleet: &Fleet, line: &[&str]) -> Outcome {
    run(fleet.serve(), 100, line, person)
}

#[test]
fn furnaces_are_gathered_over_pages_and_asked_for_in_the_order_wanted() {
    let fleet = Fleet::knowing();
    let line = [
        "qc",
        "furnaces",
        "--order",
        "drift",
        "--conformity",
        "in",
        "--search",
        "K",
        "--with-findings",
    ];
    let outcome = ran(&fleet, &line);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    for id in ["k1", "k2", "k3"] {
        assert!(outcome.out.contains(id), "{}", outcome.out);
    }
    assert!(outcome.out.contains("+3.0 ± 2.0 °C"), "{}", outcome.out);
    let asks = asked(&fleet.standings);
    assert_eq!(asks.len(), 3);
    assert_eq!(asks[2].page_token, "three");
    for ask in asks {
        assert_eq!(ask.parent, "sites/porto");
        assert_eq!(ask.order(), StandingOrder::Drift);
        assert_eq!(ask.conformity(), Conformity::In);
        assert_eq!(ask.search, "K");
        assert!(ask.with_findings);
    }
}

#[test]
fn a_limit_stops_early_and_says_that_there_is_more() {
    let outcome = ran(&Fleet::knowing(), &["qc", "furnaces", "--limit", "2"]);
    assert!(!outcome.out.contains("k3"), "{}", outcome.out);
    assert!(outcome.err.contains("higher --limit"), "{}", outcome.err);
}

#[test]
fn everywhere_means_every_site_even_when_one_is_set() {
    let fleet = Fleet::knowing();
    let outcome = ran(&fleet, &["qc", "furnaces", "--everywhere"]);
    assert!(outcome.out.contains("porto/k1"), "{}", outcome.out);
    assert_eq!(asked(&fleet.standings)[0].parent, "sites/-");
}

#[test]
fn empty_answers_say_what_to_do() {
    let fleet = Fleet::default();
    for (line, what) in [
        (vec!["qc", "overview"], "ringtrue furnace add"),
        (vec!["qc", "furnaces"], "ringtrue furnace add"),
        (
            vec!["qc", "furnaces", "--conformity", "out"],
            "--conformity",
        ),
        (vec!["qc", "batches"], "ringtrue reading add"),
        (vec!["qc", "gauges"], "ringtrue gauge check"),
        (vec!["qc", "findings"], "--state resolved"),
        (vec!["qc", "charts", "k2"], "ringtrue reading add porto/k2"),
        (
            vec!["furnace", "history", "k2"],
            "ringtrue reading add porto/k2",
        ),
        (
            vec!["furnace", "history", "k2", "--from", "2026-11-01"],
            "--from",
        ),
    ] {
        let outcome = ran(&fleet, &line);
        assert_eq!(outcome.code, exit::DONE, "{line:?} {}", outcome.err);
        let words = outcome.err.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains(what), "{line:?} {words}");
    }
}

#[test]
fn programs_are_given_whole_messages() {
    let fleet = Fleet::knowing();
    for (line, key) in [
        (vec!["qc", "overview"], "furnaceCount"),
        (vec!["qc", "furnaces"], "standings"),
        (vec!["qc", "findings"], "findings"),
        (vec!["qc", "finding", "show", "f1"], "statement"),
        (vec!["qc", "charts", "k2"], "charts"),
        (vec!["furnace", "history", "k2"], "points"),
    ] {
        let mut line = line;
        line.push("--json");
        let outcome = ran(&fleet, &line);
        let value: serde_json::Value = serde_json::from_str(&outcome.out).expect("valid JSON");
        assert!(value.get(key).is_some(), "{line:?} {}", outcome.out);
    }
}

#[test]
fn what_a_server_still_works_out_is_waited_for_and_said() {
    let fleet = Fleet::knowing();
    fleet.prepares.store(true, Ordering::SeqCst);
    let outcome = ran(&fleet, &["qc", "overview", "--everywhere"]);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let words = outcome.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("400 of 12500 sites"), "{words}");
    assert!(outcome.out.contains("Open findings"), "{}", outcome.out);
}

#[test]
fn findings_are_narrowed_by_state_kind_and_subject() {
    let fleet = Fleet::knowing();
    let line = [
        "qc",
        "findings",
        "--state",
        "open",
        "--kind",
        "furnace-drifting",
        "--subject",
        "k2",
    ];
    let outcome = ran(&fleet, &line);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(outcome.out.contains("6 °C hot"), "{}", outcome.out);
    let ask = asked(&fleet.findings).remove(0);
    assert_eq!(ask.state(), FindingState::Open);
    assert_eq!(ask.kind(), FindingKind::FurnaceDrifting);
    assert_eq!(ask.subject, K2);
    ran(&fleet, &["qc", "findings", "--subject", "ringBatches/x7"]);
    assert_eq!(asked(&fleet.findings)[1].subject, "ringBatches/x7");
}

#[test]
fn a_finding_is_acknowledged_with_note_and_staff_code_and_can_be_repeated() {
    let fleet = Fleet::knowing();
    let id = "0198f3a0-0000-7000-8000-000000000001";
    let line = [
        "qc",
        "finding",
        "acknowledge",
        "f1",
        "--note",
        "Ring on Friday",
        "--request-id",
        id,
    ];
    let outcome = ran(&fleet, &line);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(
        outcome.out.contains("Fire one ring of another batch"),
        "{}",
        outcome.out
    );
    assert!(outcome.err.contains("Acknowledged"), "{}", outcome.err);
    let ask = asked(&fleet.acknowledged).remove(0);
    assert_eq!(ask.name, "findings/f1");
    assert_eq!(
        (ask.note.as_str(), ask.noted_by.as_str()),
        ("Ring on Friday", "AB")
    );
    assert_eq!(ask.request_id, id);
    let missing = ran(&fleet, &["qc", "finding", "resolve", "f1"]);
    assert_eq!(missing.code, exit::USAGE);
    let unknown = ran(&fleet, &["qc", "finding", "show", "f2"]);
    assert_eq!(unknown.code, exit::NOT_FOUND);
}

#[test]
fn a_history_begins_on_a_day_of_the_site_and_is_drawn_with_its_standing() {
    let fleet = Fleet::knowing();
    let line = [
        "furnace",
        "history",
        "k2",
        "--from",
        "2026-07-01",
        "--outlook-weeks",
        "26",
    ];
    let outcome = ran(&fleet, &line);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    for part in ["2026-11-16", "●", "Error now", "+19.5 °C", "r20"] {
        assert!(outcome.out.contains(part), "{part}\n{}", outcome.out);
    }
    let ask = asked(&fleet.histories).remove(0);
    assert_eq!(ask.name, K2);
    assert_eq!(ask.outlook_weeks, Some(26));
    // Summer time in Lisbon is an hour ahead of UTC (IANA tz database).
    assert_eq!(ask.start_time, Some(at("2026-06-30T23:00:00Z")));
}

#[test]
fn charts_are_written_into_files_of_the_format_that_their_name_says() {
    let fleet = Fleet::knowing();
    let folder = tempfile::tempdir().expect("a folder");
    for (command, name) in [
        (vec!["furnace", "history", "k2"], "k2.svg"),
        (vec!["furnace", "history", "k2"], "k2.png"),
        (vec!["qc", "charts", "k2"], "charts.svg"),
        (vec!["qc", "charts", "k2"], "charts.png"),
    ] {
        let path = folder.path().join(name);
        let shown = path.to_string_lossy().into_owned();
        let mut line = command;
        line.extend(["--output", &shown]);
        let outcome = ran(&fleet, &line);
        assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
        assert_eq!(outcome.out, "");
        let content = std::fs::read(&path).expect("a file");
        let head: &[u8] = match path.extension().and_then(|ending| ending.to_str()) {
            Some("svg") => b"<svg",
            _ => b"\x89PNG",
        };
        assert!(content.starts_with(head), "{name}");
    }
    let outcome = ran(&fleet, &["qc", "charts", "k2", "--output", "k2.pdf"]);
    assert_eq!(outcome.code, exit::USAGE);
    assert!(!Path::new("k2.pdf").exists());
    let nowhere = folder.path().join("none/k2.svg");
    let nowhere = nowhere.to_string_lossy().into_owned();
    let outcome = ran(&fleet, &["qc", "charts", "k2", "--output", &nowhere]);
    assert_eq!(outcome.code, exit::REFUSED);
    assert!(outcome.err.contains("cannot be written"), "{}", outcome.err);
}

#[test]
fn control_charts_are_drawn_with_the_days_of_their_readings() {
    let outcome = ran(&Fleet::knowing(), &["qc", "charts", "k2"]);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    for part in ["Individual values", "2026-11-06", "No signals."] {
        assert!(outcome.out.contains(part), "{part}\n{}", outcome.out);
    }
}

#[test]
fn a_file_is_written_over_only_when_the_person_agrees() {
    let fleet = Fleet::knowing();
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("k2.svg");
    let shown = path.to_string_lossy().into_owned();
    let line = ["furnace", "history", "k2", "--output", &shown];
    for (agrees, code) in [(false, exit::OTHER), (true, exit::DONE)] {
        std::fs::write(&path, "mine").expect("written");
        let mut person = Person {
            agrees,
            asked: Vec::new(),
        };
        let outcome = ran_by(Some(&mut person), &fleet, &line);
        assert_eq!(outcome.code, code, "{}", outcome.err);
        assert_eq!(person.asked.len(), 1);
        assert!(
            person.asked[0].contains("Write over it?"),
            "{:?}",
            person.asked
        );
        let kept = std::fs::read_to_string(&path).expect("a file") == "mine";
        assert_eq!(kept, !agrees);
    }
    // With nobody there, a program that repeats its export gets the new chart.
    std::fs::write(&path, "old").expect("written");
    assert_eq!(ran(&fleet, &line).code, exit::DONE);
    let content = std::fs::read_to_string(&path).expect("a file");
    assert!(content.starts_with("<svg"), "{content}");
}
