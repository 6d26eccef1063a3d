//! What the interface promises beside the calls: problems, repeats, versions, pages, compression, other origins.

use ringtrue_server::config::Settings;
use serde_json::json;

use crate::interface::Interface;

#[tokio::test]
async fn every_kind_of_failure_is_a_problem_that_programs_can_act_on() {
    let (interface, _) = Interface::with_bench().await;
    assert_eq!(interface.python("problems.py", json!({})).await, "done\n");
}

#[tokio::test]
async fn repeats_versions_pages_and_compression_work_with_an_ordinary_client() {
    let (interface, _) = Interface::with_bench().await;
    let other = interface
        .token_of(ringtrue_fleet::grant::Role::Quality, &[])
        .await;
    let printed = interface
        .python("changes.py", json!({ "other_token": other }))
        .await;
    assert_eq!(printed, "done\n");
}

const ORIGIN: &str = "https://lab.example.org";

fn preflight(origin: &str) -> String {
    format!(
        "Origin: {origin}\r\nAccess-Control-Request-Method: PATCH\r\n\
         Access-Control-Request-Headers: authorization, if-match\r\n"
    )
}

#[tokio::test]
async fn pages_of_other_origins_may_call_only_when_the_settings_name_them() {
    let path = "/v1/sites/north/furnaces/k2";
    let closed = Interface::start().await;
    let answer = closed
        .asked_as("OPTIONS", path, &preflight(ORIGIN), "")
        .await;
    assert_eq!(answer.status, 405, "{answer:?}");
    let origin = format!("Origin: {ORIGIN}\r\n");
    let answer = closed.asked("GET", "/v1/sites", &origin, "").await;
    assert_eq!(answer.status, 200);
    assert_eq!(answer.header("access-control-allow-origin"), None);

    let opened = Interface::start_with(|settings: &mut Settings| {
        settings.http.allowed_origins = vec![ORIGIN.to_owned()];
    })
    .await;
    let answer = opened
        .asked_as("OPTIONS", path, &preflight(ORIGIN), "")
        .await;
    assert_eq!(answer.status, 200, "{answer:?}");
    assert_eq!(answer.header("access-control-allow-origin"), Some(ORIGIN));
    let methods = answer
        .header("access-control-allow-methods")
        .unwrap_or_default();
    assert!(methods.contains("patch"), "{methods}");
    let headers = answer
        .header("access-control-allow-headers")
        .unwrap_or_default();
    assert!(
        headers.contains("if-match") && headers.contains("authorization"),
        "{headers}"
    );
    let answer = opened.asked("GET", "/v1/sites", &origin, "").await;
    assert_eq!(answer.header("access-control-allow-origin"), Some(ORIGIN));
    assert_eq!(answer.header("access-control-allow-credentials"), None);
    let exposed = answer
        .header("access-control-expose-headers")
        .unwrap_or_default();
    assert!(
        exposed.contains("etag") && exposed.contains("link"),
        "{exposed}"
    );
    // An origin that is not named, and pages that are not of the interface, are as closed as before.
    for origin in [
        "https://lab.example.org.evil.example",
        "http://lab.example.org",
        "null",
    ] {
        let answer = opened
            .asked_as("OPTIONS", path, &preflight(origin), "")
            .await;
        assert_eq!(
            answer.header("access-control-allow-origin"),
            None,
            "{origin}"
        );
    }
    let feed = opened.asked_as("GET", "/calendar/x.ics", &origin, "").await;
    assert_eq!(feed.header("access-control-allow-origin"), None);
}
