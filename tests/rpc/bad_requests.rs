//! Requests that no client of ours would send: bytes that are no message, empty messages, numbers the
//! protocol does not know, tokens and versions that do not fit.

use prost::Message as _;
use prost_reflect::DescriptorPool;
use ringtrue_proto::v1;
use ringtrue_remote::{Code, Failure};
use ringtrue_tests::bench::{furnace, micrometer, programme, reading_of, site};
use ringtrue_tests::{Bench, Network, wire};

use crate::refusals::{Records, bad_value};

/// Lists of what the whole network has, and what is asked about the caller: their requests need nothing.
const NEEDLESS: [&str; 13] = [
    "/ListAuditEntries",
    "/ListAuditCheckpoints",
    "/ListSites",
    "/ListRingBatches",
    "/ListBatchEffects",
    "/ListScheduleRules",
    "/ListMailSubscriptions",
    "/ListWebhooks",
    "/ListBackgroundWork",
    "/WhoAmI",
    "/ListEnrolments",
    "/ListCredentials",
    "/ListSiteGroups",
];

/// Lists that are short whatever the network has: they have no pages.
const WHOLE: [&str; 9] = [
    "ScheduleRules",
    "BackgroundWork",
    "MailSubscriptions",
    "CalendarFeeds",
    "AwaitedSignOffs",
    "SiteGroups",
    // Goes on behind cursors.
    "Changes",
    "Webhooks",
    "WebhookDeliveries",
];

/// Every call of the protocol by its path.
pub(crate) fn calls() -> Vec<String> {
    let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).expect("the protocol");
    let mut paths = Vec::new();
    for service in pool.services() {
        for method in service.methods() {
            paths.push(format!("/{}/{}", service.full_name(), method.name()));
        }
    }
    assert!(paths.len() > 30, "only {} calls were found", paths.len());
    paths
}

async fn started() -> (Network, Bench) {
    let network = Network::start().await;
    let bench = network.bench().await;
    (network, bench)
}

/// Sends bytes, and gives the refusal after checking that nothing was stored.
async fn refused(network: &Network, bench: &Bench, path: &str, bytes: Vec<u8>) -> Failure {
    let before = Records::of(network, bench).await;
    let answer = wire::call(network.channel(), path, bytes).await;
    let Err(status) = answer else {
        panic!("{path} was taken")
    };
    assert_eq!(Records::of(network, bench).await, before, "{path}");
    Failure::of(&status)
}

#[tokio::test]
async fn an_empty_message_is_answered_or_refused_by_its_fields_in_every_call() {
    let (network, bench) = started().await;
    for path in calls() {
        if NEEDLESS.iter().any(|name| path.ends_with(name)) {
            let answer = wire::call(network.channel(), &path, Vec::new()).await;
            answer.unwrap_or_else(|status| panic!("{path}: {status}"));
            continue;
        }
        let failure = refused(&network, &bench, &path, Vec::new()).await;
        assert_eq!(failure.code, Code::InvalidArgument, "{path}: {failure}");
        assert_eq!(failure.reason, "BAD_VALUES", "{path}: {failure}");
        assert!(!failure.violations.is_empty(), "{path}: {failure}");
        assert!(
            failure.metadata.contains_key("reason.0"),
            "{path}: {failure:?}"
        );
        for violation in &failure.violations {
            let is_told = !violation.field.is_empty() && violation.description.len() > 10;
            assert!(is_told, "{path}: {violation:?}");
        }
    }
    network.stop().await;
}

#[tokio::test]
async fn bytes_that_are_no_message_are_the_callers_fault_in_every_call() {
    let (network, bench) = started().await;
    // Field 1, length-delimited, 200 bytes announced and two sent; then a wire type that is none.
    for bytes in [vec![0x0a, 0xc8, 0x01, 1, 2], vec![0x0f], vec![0xff; 64]] {
        for path in calls() {
            let failure = refused(&network, &bench, &path, bytes.clone()).await;
            assert_eq!(failure.code, Code::InvalidArgument, "{path}: {failure}");
            assert_eq!(failure.reason, "MALFORMED_REQUEST", "{path}: {failure}");
            assert!(failure.message.len() > 20, "{path}: {failure}");
        }
    }
    network.stop().await;
}

#[tokio::test]
async fn text_that_is_no_utf_8_is_the_callers_fault_and_names_the_field() {
    let (network, bench) = started().await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    let reading = ask.reading.as_mut().expect("a reading");
    "staff".clone_into(&mut reading.performed_by);
    let mut bytes = ask.encode_to_vec();
    let at = bytes
        .windows(5)
        .position(|five| five == b"staff")
        .expect("the text is in there");
    bytes[at] = 0xff;
    let path = "/ringtrue.v1.ReadingService/RecordReading";
    let failure = refused(&network, &bench, path, bytes).await;
    assert_eq!(failure.code, Code::InvalidArgument, "{failure}");
    assert_eq!(failure.reason, "MALFORMED_REQUEST", "{failure}");
    assert!(failure.message.contains("UTF-8"), "{failure}");
    assert!(failure.message.contains("performed_by"), "{failure}");

    let path = "/ringtrue.v1.SiteService/GetSite";
    let failure = refused(&network, &bench, path, vec![0x0a, 2, 0xc3, 0x28]).await;
    assert_eq!(failure.code, Code::InvalidArgument, "{failure}");
    assert!(failure.message.contains("UTF-8"), "{failure}");
    network.stop().await;
}

#[tokio::test]
async fn a_call_that_the_protocol_does_not_have_is_unimplemented() {
    let (network, bench) = started().await;
    for path in [
        "/ringtrue.v1.ReadingService/DeleteReading",
        "/ringtrue.v2.SiteService/GetSite",
    ] {
        let failure = refused(&network, &bench, path, Vec::new()).await;
        assert_eq!(failure.code, Code::Unimplemented, "{path}: {failure}");
        assert_eq!(failure.reason, "UNKNOWN_METHOD", "{path}: {failure}");
        assert!(failure.message.contains("reflection"), "{failure}");
    }
    network.stop().await;
}

#[tokio::test]
async fn a_request_larger_than_any_reading_is_refused_with_both_sizes() {
    let (network, bench) = started().await;
    let mut ask = network.ask(&bench, &[19.470]);
    reading_of(&mut ask).note = "x".repeat(5 * 1024 * 1024);
    let path = "/ringtrue.v1.ReadingService/RecordReading";
    let bytes = ask.encode_to_vec();
    let size = bytes.len().to_string();
    let failure = refused(&network, &bench, path, bytes).await;
    assert_eq!(failure.code, Code::InvalidArgument, "{failure}");
    assert!(!failure.reason.is_empty(), "{failure}");
    assert!(failure.message.contains(&size), "{failure}");
    assert!(failure.message.contains("4194304"), "{failure}");
    network.stop().await;
}

#[tokio::test]
async fn the_largest_request_is_the_one_that_the_settings_name() {
    let network = Network::start_with(|settings| settings.limits.message_bytes = 20_000).await;
    let bench = network.bench().await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    reading_of(&mut ask).note = "x".repeat(30_000);
    let path = "/ringtrue.v1.ReadingService/RecordReading";
    let failure = refused(&network, &bench, path, ask.encode_to_vec()).await;
    assert_eq!(failure.code, Code::InvalidArgument, "{failure}");
    assert!(failure.message.contains("at most 20000 bytes"), "{failure}");
    reading_of(&mut ask).note = "x".repeat(2_000);
    network.record(ask).await;
    network.stop().await;
}

#[tokio::test]
async fn numbers_that_name_nothing_are_refused_wherever_a_choice_is_made() {
    let (network, bench) = started().await;
    let before = Records::of(&network, &bench).await;
    let next_step = "send one of the values that the protocol lists";
    let remote = &network.remote;

    let wrong = v1::Site {
        calibration_day: 99,
        closed_days: vec![1, 8],
        ..site()
    };
    let ask = v1::CreateSiteRequest {
        site: Some(wrong),
        ..v1::CreateSiteRequest::default()
    };
    let failure = remote.create_site(ask).await.expect_err("no such day");
    bad_value(&failure, "site.calibration_day", "UNKNOWN_VALUE", next_step);
    bad_value(&failure, "site.closed_days[1]", "UNKNOWN_VALUE", next_step);

    let wrong = v1::Furnace {
        heating_element: 77,
        control_thermocouple: -1,
        state: 12,
        ..furnace()
    };
    let ask = v1::CreateFurnaceRequest {
        parent: bench.site.clone(),
        furnace: Some(wrong),
        ..v1::CreateFurnaceRequest::default()
    };
    let failure = remote
        .create_furnace(ask)
        .await
        .expect_err("no such element");
    for field in ["heating_element", "control_thermocouple", "state"] {
        bad_value(
            &failure,
            &format!("furnace.{field}"),
            "UNKNOWN_VALUE",
            next_step,
        );
    }

    let ask = v1::CreateProgrammeRequest {
        parent: bench.furnace.clone(),
        programme: Some(v1::Programme {
            kind: 9,
            ..programme()
        }),
        ..v1::CreateProgrammeRequest::default()
    };
    let failure = remote
        .create_programme(ask)
        .await
        .expect_err("no such kind");
    bad_value(&failure, "programme.kind", "UNKNOWN_VALUE", next_step);

    let ask = v1::CreateGaugeRequest {
        parent: bench.site.clone(),
        gauge: Some(v1::Gauge {
            kind: 9,
            state: 9,
            ..micrometer()
        }),
        ..v1::CreateGaugeRequest::default()
    };
    let failure = remote.create_gauge(ask).await.expect_err("no such kind");
    bad_value(&failure, "gauge.kind", "UNKNOWN_VALUE", next_step);
    bad_value(&failure, "gauge.state", "UNKNOWN_VALUE", next_step);

    let ask = v1::SetRingBatchStateRequest {
        name: bench.batch.clone(),
        state: 9,
        reason: "none".to_owned(),
        ..v1::SetRingBatchStateRequest::default()
    };
    let failure = remote
        .set_ring_batch_state(ask)
        .await
        .expect_err("no such state");
    bad_value(&failure, "state", "UNKNOWN_VALUE", next_step);

    let ask = v1::RecordFurnaceEventRequest {
        parent: bench.furnace.clone(),
        event: Some(v1::FurnaceEvent {
            kind: 99,
            ..v1::FurnaceEvent::default()
        }),
        ..v1::RecordFurnaceEventRequest::default()
    };
    let failure = remote
        .record_furnace_event(ask)
        .await
        .expect_err("no such kind");
    bad_value(&failure, "event.kind", "UNKNOWN_VALUE", next_step);
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

/// Sends every list with a page size and a token, as the bytes of its request. All lists number
/// their fields alike but for those that have no parent.
async fn lists(
    network: &Network,
    bench: &Bench,
    page_size: i32,
    token: &str,
) -> Vec<(String, Result<Vec<u8>, Failure>)> {
    let mut answers = Vec::new();
    for path in calls() {
        let Some((_, name)) = path.rsplit_once("/List") else {
            continue;
        };
        let parent = match name {
            "Sites" | "RingBatches" | "BatchEffects" | "Enrolments" | "Credentials"
            | "AuditCheckpoints" => None,
            name if WHOLE.contains(&name) => continue,
            "Furnaces" | "Gauges" | "FurnaceStandings" | "GaugeEffects" | "Findings"
            | "DueTasks" | "CareActs" | "Alerts" | "SignOffs" | "AuditEntries" => {
                Some(bench.site.clone())
            }
            "GaugeChecks" => Some(bench.gauge.clone()),
            _ => Some(bench.furnace.clone()),
        };
        let bytes = match parent {
            None => v1::ListSitesRequest {
                page_size,
                page_token: token.to_owned(),
            }
            .encode_to_vec(),
            Some(parent) => v1::ListFurnacesRequest {
                parent,
                page_size,
                page_token: token.to_owned(),
            }
            .encode_to_vec(),
        };
        let answer = wire::call(network.channel(), &path, bytes).await;
        answers.push((path, answer.map_err(|status| Failure::of(&status))));
    }
    assert_eq!(answers.len(), 23);
    answers
}

#[tokio::test]
async fn a_negative_page_size_and_a_strange_token_are_refused_in_every_list() {
    let (network, bench) = started().await;
    for (path, answer) in lists(&network, &bench, -1, "").await {
        let failure = answer.expect_err(&path);
        bad_value(
            &failure,
            "page_size",
            "OUT_OF_RANGE",
            "send 1 to 1000, or leave it out",
        );
    }
    // A token of another list is refused like one that was made up.
    network.site("south", site()).await;
    let first = v1::ListSitesRequest {
        page_size: 1,
        page_token: String::new(),
    };
    let first = network.remote.sites(first).await.expect("a page");
    assert_ne!(first.next_page_token, "");
    for token in [
        "0",
        "zz",
        "00ff",
        first.next_page_token.as_str(),
        &"ab".repeat(5000),
    ] {
        for (path, answer) in lists(&network, &bench, 10, token).await {
            if path.ends_with("/ListSites") && token == first.next_page_token {
                continue;
            }
            let failure = answer.expect_err(&path);
            bad_value(
                &failure,
                "page_token",
                "NOT_OF_THIS_LIST",
                "leave it out to begin again",
            );
        }
    }
    network.stop().await;
}

#[tokio::test]
async fn a_huge_page_size_is_taken_as_the_largest_one() {
    let (network, bench) = started().await;
    for (path, answer) in lists(&network, &bench, i32::MAX, "").await {
        answer.unwrap_or_else(|failure| panic!("{path}: {failure}"));
    }
    network.stop().await;
}

#[tokio::test]
async fn a_list_of_what_does_not_exist_is_not_found() {
    let (network, bench) = started().await;
    let nowhere = Bench {
        site: "sites/none".to_owned(),
        furnace: "sites/none/furnaces/none".to_owned(),
        gauge: "sites/none/gauges/none".to_owned(),
        ..bench
    };
    for (path, answer) in lists(&network, &nowhere, 10, "").await {
        if NEEDLESS.iter().any(|name| path.ends_with(name)) {
            continue;
        }
        let failure = answer.expect_err(&path);
        assert_eq!(failure.code, Code::NotFound, "{path}: {failure}");
        assert_eq!(failure.reason, "NOT_FOUND", "{path}: {failure}");
    }
    network.stop().await;
}

#[tokio::test]
async fn a_version_that_somebody_changed_since_is_not_overwritten() {
    let (network, bench) = started().await;
    let before = Records::of(&network, &bench).await;
    let remote = &network.remote;
    let stale = "\"0\"".to_owned();

    let given = v1::Site {
        name: bench.site.clone(),
        tolerance_c: 8.0,
        etag: stale.clone(),
        ..v1::Site::default()
    };
    let ask = v1::UpdateSiteRequest {
        site: Some(given),
        ..v1::UpdateSiteRequest::default()
    };
    let mut failures = vec![remote.update_site(ask).await.expect_err("stale")];

    let given = v1::Furnace {
        name: bench.furnace.clone(),
        maximum_setpoint_c: 1600.0,
        etag: stale.clone(),
        ..v1::Furnace::default()
    };
    let ask = v1::UpdateFurnaceRequest {
        furnace: Some(given),
        ..v1::UpdateFurnaceRequest::default()
    };
    failures.push(remote.update_furnace(ask).await.expect_err("stale"));

    let given = v1::Programme {
        name: bench.programme.clone(),
        shade_shift_c: 5.0,
        etag: stale.clone(),
        ..v1::Programme::default()
    };
    let ask = v1::UpdateProgrammeRequest {
        programme: Some(given),
        ..v1::UpdateProgrammeRequest::default()
    };
    failures.push(remote.update_programme(ask).await.expect_err("stale"));

    let given = v1::Gauge {
        name: bench.gauge.clone(),
        display_name: "Micrometer 2".to_owned(),
        etag: stale,
        ..v1::Gauge::default()
    };
    let ask = v1::UpdateGaugeRequest {
        gauge: Some(given),
        ..v1::UpdateGaugeRequest::default()
    };
    failures.push(remote.update_gauge(ask).await.expect_err("stale"));

    for failure in failures {
        assert_eq!(failure.code, Code::Aborted, "{failure}");
        assert_eq!(failure.reason, "STALE_ETAG", "{failure}");
        assert!(failure.metadata.contains_key("name"), "{failure:?}");
        assert!(
            failure
                .message
                .contains("read it again and repeat the change"),
            "{failure}"
        );
    }
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn a_field_mask_that_names_nothing_or_what_nobody_may_change_is_refused() {
    let (network, bench) = started().await;
    let before = Records::of(&network, &bench).await;
    for path in ["create_time", "name", "offset", "no_such_field", ""] {
        let given = v1::Furnace {
            name: bench.furnace.clone(),
            ..furnace()
        };
        let mask = prost_types::FieldMask {
            paths: vec![path.to_owned()],
        };
        let ask = v1::UpdateFurnaceRequest {
            furnace: Some(given),
            update_mask: Some(mask),
            ..v1::UpdateFurnaceRequest::default()
        };
        let failure = network
            .remote
            .update_furnace(ask)
            .await
            .expect_err("refused");
        assert_eq!(failure.code, Code::InvalidArgument, "{path}: {failure}");
        assert!(
            failure.violations[0].field.starts_with("update_mask"),
            "{failure:?}"
        );
    }
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}
