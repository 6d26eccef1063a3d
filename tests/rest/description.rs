//! The description of the interface: a validator takes it, and a machine that tries what it says finds it true.

use ringtrue_server::config::Settings;
use serde_json::json;

use crate::interface::Interface;

#[tokio::test]
async fn a_validator_takes_the_description_and_it_is_not_sent_twice() {
    let interface = Interface::start().await;
    let printed = interface.python("validate.py", json!({})).await;
    let operations: usize = printed.trim().parse().expect("a number");
    assert!(operations > 85, "{operations}");
    let first = interface.asked_as("GET", "/openapi.json", "", "").await;
    let tag = first.header("etag").expect("it has a tag").to_owned();
    let known = format!("If-None-Match: {tag}\r\n");
    let again = interface.asked_as("GET", "/openapi.json", &known, "").await;
    assert_eq!((again.status, again.body.as_str()), (304, ""));
    let other = interface.asked_as("POST", "/openapi.json", "", "{}").await;
    assert_eq!(
        (other.status, other.reason().as_str()),
        (405, "METHOD_NOT_ALLOWED")
    );
}

#[tokio::test]
async fn the_description_says_where_the_interface_is_reached() {
    let interface = Interface::start_with(|settings: &mut Settings| {
        settings.http.public_url = Some("https://ringtrue.example.org".to_owned());
    })
    .await;
    let told = interface
        .asked_as("GET", "/openapi.json", "", "")
        .await
        .json();
    assert_eq!(told["openapi"], "3.1.0");
    assert_eq!(told["servers"][0]["url"], "https://ringtrue.example.org");
}

#[tokio::test(flavor = "multi_thread")]
async fn whatever_the_description_allows_is_answered_as_it_says() {
    let (interface, _) = Interface::with_bench().await;
    let printed = interface.python("explore.py", json!({})).await;
    assert!(printed.ends_with("done\n"), "{printed}");
}
