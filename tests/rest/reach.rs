//! Who may do what over REST: the same as over gRPC, and nobody without a credential.

use ringtrue_fleet::grant::Role;
use serde_json::{Value, json};

use crate::interface::Interface;

fn bearer(token: &str) -> String {
    format!("Authorization: Bearer {token}\r\n")
}

fn names(page: &Value, list: &str) -> Vec<String> {
    let items = page[list].as_array().cloned().unwrap_or_default();
    let names = items.iter().filter_map(|item| item["name"].as_str());
    names.map(str::to_owned).collect()
}

#[tokio::test]
async fn a_laboratory_sees_and_changes_its_own_site_alone() {
    let (interface, bench) = Interface::with_bench().await;
    interface.network.bench_elsewhere("south", &bench).await;
    let own = bearer(&interface.token_of(Role::Technician, &["north"]).await);

    let sites = interface.asked_as("GET", "/v1/sites", &own, "").await;
    assert_eq!(names(&sites.json(), "sites"), ["sites/north"]);
    let furnaces = interface
        .asked_as("GET", "/v1/sites/-/furnaces", &own, "")
        .await;
    assert_eq!(
        names(&furnaces.json(), "furnaces"),
        ["sites/north/furnaces/k2"]
    );
    let both = interface.asked("GET", "/v1/sites/-/furnaces", "", "").await;
    assert_eq!(names(&both.json(), "furnaces").len(), 2, "{both:?}");

    // A foreign site is denied whether it exists or not.
    for site in ["south", "nowhere"] {
        for (method, path, body) in [
            ("GET", format!("/v1/sites/{site}"), ""),
            ("GET", format!("/v1/sites/{site}/furnaces"), ""),
            ("GET", format!("/v1/sites/{site}/furnaces/k2"), ""),
            ("GET", format!("/v1/sites/{site}/furnaces/k2/readings"), ""),
            ("GET", format!("/v1/sites/{site}/alerts:watch"), ""),
            (
                "POST",
                format!("/v1/sites/{site}/furnaces/k2/events"),
                r#"{"kind":"FURNACE_EVENT_KIND_MOVED","eventTime":"2026-03-06T10:00:00Z"}"#,
            ),
        ] {
            let answer = interface.asked_as(method, &path, &own, body).await;
            assert_eq!(
                (answer.status, answer.reason().as_str()),
                (403, "DENIED"),
                "{method} {path}"
            );
        }
    }
    // At one's own site a technician records and does not configure.
    let event = r#"{"kind":"FURNACE_EVENT_KIND_MOVED","eventTime":"2026-03-06T10:00:00Z"}"#;
    let path = "/v1/sites/north/furnaces/k2/events";
    let recorded = interface.asked_as("POST", path, &own, event).await;
    assert_eq!(recorded.status, 200, "{recorded:?}");
    let change = r#"{"displayName":"K9"}"#;
    let path = "/v1/sites/north/furnaces/k2";
    let denied = interface.asked_as("PATCH", path, &own, change).await;
    assert_eq!((denied.status, denied.reason().as_str()), (403, "DENIED"));
    let still = interface.asked("GET", path, "", "").await.json();
    assert_eq!(still["displayName"], "K2");
}

#[tokio::test]
async fn nobody_comes_in_without_a_credential_not_even_on_this_machine() {
    let (interface, _) = Interface::with_bench().await;
    let wrong = format!("{}x", &interface.token[..interface.token.len() - 1]);
    let twice = format!("{}{}", bearer(&interface.token), bearer(&interface.token));
    for headers in [
        String::new(),
        bearer("rt1.nothing"),
        bearer(&wrong),
        "Authorization: Basic YTpi\r\n".to_owned(),
        twice,
    ] {
        let answer = interface.asked_as("GET", "/v1/sites", &headers, "").await;
        assert_eq!(
            (answer.status, answer.reason().as_str()),
            (401, "UNAUTHENTICATED"),
            "{headers}"
        );
        assert_eq!(
            answer.header("www-authenticate"),
            Some("bearer realm=\"ringtrue\"")
        );
    }
    // The same call over gRPC from this machine needs none: that is for people at the machine, and what comes over HTTP
    // may be a proxy's or a web page's.
    let sites = ringtrue_proto::v1::ListSitesRequest::default();
    let listed = interface.network.remote.sites(sites).await.expect("listed");
    assert_eq!(listed.sites.len(), 1);

    // The description holds no data, and health none either.
    assert_eq!(
        interface
            .asked_as("GET", "/openapi.json", "", "")
            .await
            .status,
        200
    );
    assert_eq!(
        interface.asked_as("GET", "/healthz", "", "").await.status,
        200
    );
}

#[tokio::test]
async fn too_many_wrong_tokens_are_slowed_down_with_words_and_a_time() {
    let interface = Interface::start().await;
    let id = "0".repeat(32);
    let secret = "a".repeat(43);
    let wrong = bearer(&format!("rt1.{id}.{secret}"));
    let mut slowed = None;
    for _ in 0..60 {
        let answer = interface.asked_as("GET", "/v1/sites", &wrong, "").await;
        if answer.status == 429 {
            slowed = Some(answer);
            break;
        }
        assert_eq!(answer.status, 401);
    }
    let slowed = slowed.expect("it is slowed down");
    assert_eq!(slowed.reason(), "TOO_OFTEN");
    let wait: u64 = slowed
        .header("retry-after")
        .expect("it says how long")
        .parse()
        .expect("seconds");
    assert!((1..=2).contains(&wait), "{wait}");
    assert!(slowed.json()["retry_after_s"].as_f64() > Some(0.0));
}

#[tokio::test]
async fn the_origin_of_a_change_is_the_caller_s_address() {
    let (interface, _) = Interface::with_bench().await;
    let site = json!({ "displayName": "South", "timeZone": "Europe/Lisbon",
        "calibrationDay": "DAY_OF_WEEK_MONDAY" });
    let made = interface
        .asked("POST", "/v1/sites?siteId=south", "", &site.to_string())
        .await;
    assert_eq!(made.status, 200, "{made:?}");
    let entry = interface.network.last_entry("south").await;
    let said = format!("{entry:?}");
    assert!(said.contains("127.0.0.1"), "{said}");
    assert!(
        said.contains("ad1") || said.contains("credentials/"),
        "{said}"
    );
}
