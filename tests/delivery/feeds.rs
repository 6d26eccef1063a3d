//! Calendar feeds and the end of mail, through Python's own HTTP client and calendar library.

use std::net::{Ipv4Addr, SocketAddr};

use ringtrue_proto::v1;
use ringtrue_proto::v1::delivery_service_client::DeliveryServiceClient;
use ringtrue_server::app::Served;
use ringtrue_server::serve;
use ringtrue_tests::Network;
use ringtrue_tests::bench::{furnace, site};
use ringtrue_tests::python::asked;
use serde_json::{Value, json};

use crate::post::Post;
use crate::receiver::header;

/// Answers over HTTP beside the network's own server; gives the address.
async fn answering(network: &Network) -> SocketAddr {
    let listener = serve::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)))
        .await
        .expect("a free port");
    let address = listener.local_addr().expect("a bound listener");
    serve::start_http(
        listener,
        &network.transport,
        &network.app,
        &network.lifecycle,
    );
    address
}

/// Asks with Python's own client.
pub(crate) async fn fetched(method: &str, url: String, headers: Value) -> Value {
    let request = json!({"method": method, "url": url, "headers": headers}).to_string();
    let answer = tokio::task::spawn_blocking(move || asked("delivery/fetch.py", &request))
        .await
        .expect("it does not panic");
    serde_json::from_str(&answer).expect("it prints JSON")
}

pub(crate) async fn read_by_python(file: &str) -> Value {
    let file = file.to_owned();
    let answer = tokio::task::spawn_blocking(move || asked("delivery/calendar_of.py", &file))
        .await
        .expect("it does not panic");
    serde_json::from_str(&answer).expect("it prints JSON")
}

pub(crate) async fn feed(network: &Network, site: &str, name: &str) -> (String, String) {
    let asked = v1::CreateCalendarFeedRequest {
        parent: site.to_owned(),
        feed: Some(v1::CalendarFeed {
            display_name: name.to_owned(),
            ..v1::CalendarFeed::default()
        }),
        request_id: String::new(),
    };
    let made = DeliveryServiceClient::new(network.channel())
        .create_calendar_feed(asked)
        .await
        .expect("a feed")
        .into_inner();
    assert_eq!(made.url, "", "this server does not know how it is reached");
    (made.feed.expect("it is told").name, made.secret_path)
}

/// The calibrations of a feed, by moment.
async fn calibrations(address: SocketAddr, path: &str) -> (Value, Vec<Value>) {
    let answer = fetched("GET", format!("http://{address}{path}"), json!({})).await;
    assert_eq!(answer["status"], 200, "{answer:#}");
    let headers = &answer["headers"];
    assert_eq!(headers["content-type"], "text/calendar; charset=utf-8");
    assert_eq!(headers["cache-control"], "private, max-age=900");
    let calendar = read_by_python(answer["body"].as_str().expect("a body")).await;
    let mut events: Vec<Value> = calendar["events"]
        .as_array()
        .expect("events")
        .iter()
        .filter(|event| event["categories"] == json!(["Ringtrue", "calibration"]))
        .cloned()
        .collect();
    events.sort_by_key(|event| event["starts"].as_str().map(str::to_owned));
    (calendar, events)
}

fn starts(events: &[Value]) -> Vec<&str> {
    events
        .iter()
        .map(|event| event["starts"].as_str().expect("a moment"))
        .collect()
}

/// Clock changes: Lisbon on 29 March and 25 October 2026, New York on 8 March and 1 November 2026 (IANA time zone
/// database).
#[tokio::test]
async fn a_feed_gives_the_right_moments_across_clock_changes_to_a_program_of_others() {
    let network = Network::start().await;
    let address = answering(&network).await;
    let mut paths = Vec::new();
    for (id, zone, wanted) in [
        (
            "lisbon",
            "Europe/Lisbon",
            [
                // Never calibrated: due at once, on the 6th.
                "2026-03-06T15:00:00+00:00",
                "2026-03-13T15:00:00+00:00",
                "2026-03-20T15:00:00+00:00",
                "2026-03-27T15:00:00+00:00",
                "2026-04-03T14:00:00+00:00",
            ],
        ),
        (
            "new-york",
            "America/New_York",
            [
                "2026-03-06T20:00:00+00:00",
                "2026-03-13T19:00:00+00:00",
                "2026-03-20T19:00:00+00:00",
                "2026-03-27T19:00:00+00:00",
                "2026-04-03T19:00:00+00:00",
            ],
        ),
    ] {
        let mut details = site();
        zone.clone_into(&mut details.time_zone);
        "Größe; bench, 2".clone_into(&mut details.display_name);
        let made = network.site(id, details).await;
        let mut k2 = furnace();
        "Öfen, K2; left \\ right".clone_into(&mut k2.display_name);
        network.furnace(&made.name, "k2", k2).await;
        network.every_friday(&format!("{}/", made.name)).await;
        let (_, path) = feed(&network, &made.name, "Öfen, due; here").await;
        let (calendar, events) = calibrations(address, &path).await;
        assert_eq!(calendar["errors"], json!([]));
        assert_eq!(calendar["version"], "2.0");
        assert_eq!(calendar["name"], "Öfen, due; here");
        assert_eq!(calendar["bare_line_feeds"], 0);
        assert!(calendar["longest_line"].as_u64().expect("a length") <= 75);
        assert_eq!(starts(&events)[..5], wanted, "{zone}");
        let ids: std::collections::BTreeSet<&str> = events
            .iter()
            .filter_map(|event| event["uid"].as_str())
            .collect();
        assert_eq!(ids.len(), events.len(), "each has an id of its own");
        let due = &events[0];
        assert_eq!(due["alarms_s"], json!([-86_400.0]));
        assert_eq!(due["location"], "Größe; bench, 2");
        assert_eq!(due["status"], "CONFIRMED");
        let said = |field: &str| due[field].as_str().expect("text").to_owned();
        assert!(
            said("summary").contains("Öfen, K2; left \\ right"),
            "{due:#}"
        );
        let description = said("description");
        assert!(
            description.contains("Never calibrated") && description.contains("Hot chamber"),
            "{description}"
        );
        paths.push(path);
    }

    // In autumn nobody has fired a ring yet: the first date stands on today, the plan goes on.
    network.advance_days(197);
    for (path, wanted) in paths.iter().zip([
        [
            "2026-09-19T14:00:00+00:00",
            "2026-10-23T14:00:00+00:00",
            "2026-10-30T15:00:00+00:00",
            "2026-11-06T15:00:00+00:00",
        ],
        [
            "2026-09-19T19:00:00+00:00",
            "2026-10-23T19:00:00+00:00",
            "2026-10-30T19:00:00+00:00",
            "2026-11-06T20:00:00+00:00",
        ],
    ]) {
        let (_, events) = calibrations(address, path).await;
        let late = &events[0];
        assert!(
            late["summary"]
                .as_str()
                .is_some_and(|words| words.ends_with(", overdue since 6 Mar, grace is used up")),
            "{late:#}"
        );
        assert_eq!(late["alarms_s"], json!([]));
        let seen = starts(&events);
        assert_eq!(
            [seen[0], seen[5], seen[6], seen[7]],
            wanted,
            "after today's come the Fridays from 25 September on"
        );
    }
}

#[tokio::test]
async fn a_program_that_has_the_file_is_told_so_until_the_next_day() {
    let network = Network::start().await;
    let address = answering(&network).await;
    let made = network.site("north", site()).await;
    network.furnace(&made.name, "k2", furnace()).await;
    let (_, path) = feed(&network, &made.name, "Due").await;
    let url = format!("http://{address}{path}");
    let first = fetched("GET", url.clone(), json!({})).await;
    let etag = first["headers"]["etag"]
        .as_str()
        .expect("an ETag")
        .to_owned();
    for known in [
        etag.clone(),
        format!("W/{etag}"),
        format!("\"other\", {etag}"),
        "*".to_owned(),
    ] {
        let again = fetched("GET", url.clone(), json!({"If-None-Match": known})).await;
        assert_eq!(
            (&again["status"], &again["body"]),
            (&json!(304), &json!(""))
        );
        assert_eq!(again["headers"]["etag"], etag);
    }
    network.advance_h(11);
    let same_day = fetched("GET", url.clone(), json!({"If-None-Match": etag})).await;
    assert_eq!(same_day["status"], 304);
    network.advance_h(1);
    let next_day = fetched("GET", url, json!({"If-None-Match": etag})).await;
    assert_eq!(next_day["status"], 200, "what is overdue moved to today");
}

#[tokio::test]
async fn a_revoked_feed_is_as_unknown_as_one_that_never_was() {
    let network = Network::start().await;
    let address = answering(&network).await;
    let made = network.site("north", site()).await;
    let (name, path) = feed(&network, &made.name, "Due").await;
    let (kept, other) = feed(&network, &made.name, "Due").await;
    let url = format!("http://{address}{path}");
    assert_eq!(fetched("GET", url.clone(), json!({})).await["status"], 200);
    let mut deliveries = DeliveryServiceClient::new(network.channel());
    let asked = v1::DeleteCalendarFeedRequest {
        name: name.clone(),
        request_id: String::new(),
    };
    deliveries
        .delete_calendar_feed(asked.clone())
        .await
        .expect("it is revoked");
    let gone = deliveries.delete_calendar_feed(asked).await;
    assert_eq!(gone.expect_err("no more").code(), tonic::Code::NotFound);
    let revoked = fetched("GET", url, json!({})).await;
    let never = "x".repeat(43);
    let unknown = fetched(
        "GET",
        format!("http://{address}/calendar/{never}.ics"),
        json!({}),
    )
    .await;
    assert_eq!(revoked["status"], 404);
    let told = |answer: &Value| {
        let mut answer = answer.clone();
        answer["headers"]["date"] = Value::Null;
        answer
    };
    assert_eq!(told(&revoked), told(&unknown));
    let still = fetched("GET", format!("http://{address}{other}"), json!({})).await;
    assert_eq!(still["status"], 200, "another feed of the site stays");
    let listed = deliveries
        .list_calendar_feeds(v1::ListCalendarFeedsRequest {
            parent: made.name.clone(),
        })
        .await
        .expect("a list")
        .into_inner();
    let names: Vec<&str> = listed.feeds.iter().map(|feed| feed.name.as_str()).collect();
    assert_eq!(names, [kept.as_str()]);
}

#[tokio::test]
async fn a_repeat_of_making_a_feed_gives_it_without_its_address() {
    let network = Network::start().await;
    let made = network.site("north", site()).await;
    let asked = v1::CreateCalendarFeedRequest {
        parent: made.name,
        feed: Some(v1::CalendarFeed {
            display_name: "Due".to_owned(),
            ..v1::CalendarFeed::default()
        }),
        request_id: "01890a5d-ac96-774b-bcce-b302099a8057".to_owned(),
    };
    let mut deliveries = DeliveryServiceClient::new(network.channel());
    let first = deliveries
        .create_calendar_feed(asked.clone())
        .await
        .expect("a feed")
        .into_inner();
    let again = deliveries
        .create_calendar_feed(asked)
        .await
        .expect("the same feed")
        .into_inner();
    assert_eq!(first.feed, again.feed);
    assert_eq!(first.secret_path.len(), "/calendar/.ics".len() + 43);
    assert_eq!((again.secret_path.as_str(), again.url.as_str()), ("", ""));
}

#[tokio::test]
async fn the_link_in_a_mail_ends_it_by_a_post_and_not_by_a_look() {
    let mut post = Post::start().await;
    let address = answering(&post.network).await;
    let name = post
        .subscribe(
            "sites/north",
            "lab@example.org",
            v1::AlertLevel::Technician,
            v1::MailMode::Immediate,
        )
        .await;
    post.raise("a1", ringtrue_fleet::alert::Level::Technician)
        .await;
    assert_eq!(post.serve().await.sent, 1);
    let got = post.receiver.got();
    let link = header(&got[0], "List-Unsubscribe").expect("a way out");
    let path = link
        .trim_matches(['<', '>'])
        .strip_prefix(crate::post::PUBLIC)
        .expect("it leads here");
    let url = format!("http://{address}{path}");

    let page = fetched("GET", url.clone(), json!({})).await;
    assert_eq!(page["status"], 200);
    assert!(
        !post.listed(&name).await.unsubscribed,
        "a look ends nothing"
    );
    let ended = fetched("POST", url, json!({})).await;
    assert_eq!(ended["status"], 200, "{ended:#}");
    assert!(post.listed(&name).await.unsubscribed);

    post.raise("a2", ringtrue_fleet::alert::Level::Technician)
        .await;
    assert_eq!(post.serve().await, Served::default());
    assert_eq!(post.receiver.got().len(), 0);
}
