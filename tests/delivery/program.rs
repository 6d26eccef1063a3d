//! The real program with the real clock: what is due leaves by mail, feeds are answered, and the end is orderly.

use std::io::Write as _;
use std::net::TcpStream;

use ringtrue_proto::v1;
use ringtrue_remote::{Remote, Settings};
use ringtrue_tests::bench::{furnace, site};
use ringtrue_tests::process::Server;
use serde_json::json;

use crate::feeds::{fetched, read_by_python};
use crate::receiver::{Receiver, header};

#[tokio::test]
async fn the_program_sends_mail_answers_feeds_keeps_secrets_out_of_its_log_and_ends_when_told() {
    let receiver = Receiver::start();
    let folder = tempfile::tempdir().expect("a folder");
    let server = Server::serve_with(&folder.path().join("ringtrue.db"), |command| {
        for (key, value) in [
            ("HTTP__LISTEN", "127.0.0.1:0"),
            ("HTTP__PUBLIC_URL", "https://ringtrue.example.org/"),
            ("MAIL__HOST", "127.0.0.1"),
            ("MAIL__PORT", &receiver.port.to_string()),
            ("MAIL__TLS", "none"),
            ("MAIL__FROM", "ringtrue@example.org"),
            ("LOG__FILTER", "debug"),
        ] {
            command.env(format!("RINGTRUE_SERVER__{key}"), value);
        }
    });
    let line = server.line_with("answering calendar feeds");
    let (_, http) = line.split_once("http=").expect("it says where");
    let http = http.trim().to_owned();
    let remote = Remote::connect(Settings {
        endpoint: server.endpoint(),
        operator: Some("t1".to_owned()),
        ..Settings::default()
    })
    .expect("an address");
    // No quiet hours and no closed days: news does not wait, whenever this runs.
    let mut north = site();
    north.closed_days.clear();
    "00:00".clone_into(&mut north.quiet_from_time);
    "00:00".clone_into(&mut north.quiet_until_time);
    let made = v1::CreateSiteRequest {
        site: Some(north),
        site_id: "north".to_owned(),
        ..v1::CreateSiteRequest::default()
    };
    remote.create_site(made).await.expect("a site");
    let subscribed = v1::CreateMailSubscriptionRequest {
        parent: "sites/north".to_owned(),
        subscription: Some(v1::MailSubscription {
            address: "lab@example.org".to_owned(),
            ..v1::MailSubscription::default()
        }),
        request_id: String::new(),
    };
    remote
        .create_mail_subscription(subscribed)
        .await
        .expect("a subscription");
    let fed = v1::CreateCalendarFeedRequest {
        parent: "sites/north".to_owned(),
        feed: Some(v1::CalendarFeed {
            display_name: "Due".to_owned(),
            ..v1::CalendarFeed::default()
        }),
        request_id: String::new(),
    };
    let feed = remote.create_calendar_feed(fed).await.expect("a feed");
    let path = feed.secret_path.clone();
    assert_eq!(feed.url, format!("https://ringtrue.example.org{path}"));
    let furnished = v1::CreateFurnaceRequest {
        parent: "sites/north".to_owned(),
        furnace: Some(furnace()),
        furnace_id: "k2".to_owned(),
        ..v1::CreateFurnaceRequest::default()
    };
    remote.create_furnace(furnished).await.expect("a furnace");

    // A furnace that was never calibrated is due at once.
    let mail = receiver.next().await;
    let subject = header(&mail, "Subject").expect("a subject");
    assert!(subject.contains("calibration due"), "{subject}");
    let link = header(&mail, "List-Unsubscribe").expect("a way out");
    let answer = fetched("GET", format!("http://{http}{path}"), json!({})).await;
    let calendar = read_by_python(answer["body"].as_str().expect("a body")).await;
    let events = calendar["events"].as_array().expect("events");
    assert!(
        events.iter().any(|event| event["summary"]
            .as_str()
            .is_some_and(|words| words.starts_with("Calibration: "))),
        "{calendar:#}"
    );
    let stop = link
        .trim_matches(['<', '>'])
        .strip_prefix("https://ringtrue.example.org")
        .expect("it leads there");
    let ended = fetched("POST", format!("http://{http}{stop}"), json!({})).await;
    assert_eq!(ended["status"], 200);

    // Somebody who never ends their request holds up no end.
    let mut slow = TcpStream::connect(&http).expect("it listens");
    slow.write_all(b"GET /healthz HTTP/1.1\r\nHost: x")
        .expect("it is sent");
    let said = server.said();
    for secret in [path.trim_end_matches(".ics"), stop] {
        let secret = secret.rsplit('/').next().expect("it ends in a secret");
        assert!(secret.len() == 43 && !said.contains(secret), "{said}");
    }
    assert!(
        said.contains("/calendar/{secret}.ics"),
        "the route is logged in place of the address: {said}"
    );
    drop(remote);
    // The client's connection closes before this thread only waits.
    tokio::task::spawn_blocking(move || server.stop())
        .await
        .expect("an orderly end");
    drop(slow);
}
