//! From records to mail and calendars: what falls due by time alone reaches people, and what mends it ends it.

use std::net::{Ipv4Addr, SocketAddr};

use ringtrue_proto::v1::{self, AlertLevel, MailMode};
use ringtrue_server::app;
use ringtrue_server::serve;
use serde_json::json;

use crate::feeds::{feed, fetched, read_by_python};
use crate::post::Post;
use crate::receiver::header;

/// Looks for what is due, as the background work does.
async fn look(post: &Post) {
    let app = &post.network.app;
    app::look(&app.store, &app.clock, &app.ids, &app.alerts, "look")
        .await
        .expect("the store works");
}

#[tokio::test]
async fn a_calibration_that_nobody_did_reaches_technician_and_manager_by_mail() {
    let mut post = Post::start().await;
    let immediate = MailMode::Immediate;
    for (address, level) in [
        ("technician@example.org", AlertLevel::Technician),
        ("manager@example.org", AlertLevel::Manager),
    ] {
        post.subscribe("sites/north", address, level, immediate)
            .await;
    }
    let mut told = Vec::new();
    // The furnace was never calibrated; nobody does anything for three weeks of mornings.
    for _ in 0..21 {
        look(&post).await;
        post.serve().await;
        for mail in post.receiver.got() {
            let subject = header(&mail, "Subject").expect("a subject");
            if subject.contains("calibration") {
                told.push((
                    mail["to"][0].as_str().unwrap_or_default().to_owned(),
                    subject,
                ));
            }
        }
        post.network.advance_h(24);
    }
    let to: Vec<&str> = told.iter().map(|(to, _)| to.as_str()).collect();
    assert_eq!(
        to,
        ["technician@example.org", "manager@example.org"],
        "{told:?}"
    );
    assert!(told[1].1.contains("overdue since"), "{told:?}");
}

#[tokio::test]
async fn mail_that_does_not_get_through_is_an_alert_until_it_does() {
    let mut post = Post::start().await;
    let immediate = MailMode::Immediate;
    let lost = post
        .subscribe(
            "sites/north",
            "lab@example.org",
            AlertLevel::Technician,
            immediate,
        )
        .await;
    look(&post).await;
    post.receiver.order("never");
    post.raise("a1", ringtrue_fleet::alert::Level::Technician)
        .await;
    assert!(post.serve().await.given_up >= 1);
    post.receiver.order("accept");
    post.subscribe("", "quality@example.org", AlertLevel::Technician, immediate)
        .await;
    look(&post).await;
    post.serve().await;
    let got = post.receiver.got();
    let about: Vec<&serde_json::Value> = got
        .iter()
        .filter(|mail| {
            header(mail, "Subject").is_some_and(|words| words.contains("mail does not get through"))
        })
        .collect();
    assert_eq!(about.len(), 1, "{got:#?}");
    assert_eq!(about[0]["to"], json!(["quality@example.org"]));
    assert!(
        about[0]["text"]
            .as_str()
            .is_some_and(|text| text.contains("no such mailbox here")),
        "{about:#?}"
    );
    post.raise("a2", ringtrue_fleet::alert::Level::Technician)
        .await;
    assert!(post.serve().await.sent >= 1);
    assert_eq!(post.listed(&lost).await.last_failure, "");
    look(&post).await;
    let read = post
        .network
        .app
        .store
        .read(&ringtrue_tests::network::everything());
    let (_, standing) = read.alert_snapshot(None).await.expect("it reads");
    assert!(
        standing
            .iter()
            .all(|alert| alert.alert.kind != ringtrue_fleet::alert::AlertKind::DeliveryFailing),
        "{standing:#?}"
    );
}

#[tokio::test]
async fn a_feed_shows_the_next_dates_of_a_fixed_plan_and_moves_what_is_overdue() {
    let post = Post::start().await;
    let listener = serve::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)))
        .await
        .expect("a free port");
    let address = listener.local_addr().expect("a bound listener");
    serve::start_http(
        listener,
        &post.network.transport,
        &post.network.app,
        &post.network.lifecycle,
    );
    let mut schedules =
        v1::schedule_service_client::ScheduleServiceClient::new(post.network.channel());
    let rule = v1::ScheduleRule {
        name: "sites/north/scheduleRules/calibration".to_owned(),
        plan: v1::PlanKind::FixedDates.into(),
        recurrence: "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR".to_owned(),
        start_date: Some(ringtrue_proto::Date {
            year: 2026,
            month: 3,
            day: 13,
        }),
        ..v1::ScheduleRule::default()
    };
    schedules
        .set_schedule_rule(v1::SetScheduleRuleRequest {
            rule: Some(rule),
            request_id: String::new(),
        })
        .await
        .expect("the rule is set");
    let (_, path) = feed(&post.network, "sites/north", "Due").await;
    let starts = async || {
        let answer = fetched("GET", format!("http://{address}{path}"), json!({})).await;
        let calendar = read_by_python(answer["body"].as_str().expect("a body")).await;
        let events = calendar["events"].as_array().expect("events").clone();
        let mut starts: Vec<String> = events
            .iter()
            .filter(|event| {
                event["summary"]
                    .as_str()
                    .is_some_and(|words| words.starts_with("Calibration: "))
            })
            .map(|event| event["starts"].as_str().expect("a moment").to_owned())
            .collect();
        starts.sort();
        starts
    };
    // Every other Friday at 15:00 in Lisbon, which goes to UTC+1 on 29 March 2026 (IANA time zone database).
    let first = starts().await;
    assert_eq!(
        first[..4],
        [
            // A furnace that was never calibrated is due at once; done then, within seven days of the plan's
            // first date, that date is served as well.
            "2026-03-06T15:00:00+00:00",
            "2026-03-27T15:00:00+00:00",
            "2026-04-10T14:00:00+00:00",
            "2026-04-24T14:00:00+00:00"
        ]
    );
    post.network.advance_days(10);
    let later = starts().await;
    assert_eq!(
        later[..2],
        ["2026-03-16T15:00:00+00:00", "2026-03-27T15:00:00+00:00"],
        "what is overdue stands on today"
    );
}
