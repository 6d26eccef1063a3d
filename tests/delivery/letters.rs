//! Mail about single alerts: who gets it, once, and what arrives.

use ringtrue_fleet::alert::{Alert, AlertState, ChangeKind, Level};
use ringtrue_proto::v1::{self, AlertLevel, MailMode};
use ringtrue_server::app::Served;

use crate::post::{PUBLIC, Post, SITE_NAME};
use crate::receiver::header;

const NORTH: &str = "sites/north";

#[tokio::test]
async fn an_alert_arrives_readable_in_both_forms_with_the_way_out() {
    let mut post = Post::start().await;
    let immediate = MailMode::Immediate;
    let name = post
        .subscribe(NORTH, "lab@example.org", AlertLevel::Technician, immediate)
        .await;
    post.raise("a1", Level::Technician).await;
    let served = post.serve().await;
    assert_eq!((served.made, served.sent, served.backlog), (1, 1, 0));
    let got = post.receiver.got();
    assert_eq!(got.len(), 1, "{got:#?}");
    let mail = &got[0];
    assert_eq!(mail["to"], serde_json::json!(["lab@example.org"]));
    assert_eq!(mail["from"], "ringtrue@example.org");
    assert_eq!(mail["defects"], serde_json::json!([]));
    assert_eq!(
        mail["kinds"],
        serde_json::json!(["multipart/alternative", "text/plain", "text/html"])
    );
    assert!(mail["longest_line"].as_u64().expect("a length") <= 998);
    let subject = header(mail, "Subject").expect("a subject");
    assert!(
        subject.starts_with(&format!("[{SITE_NAME}] "))
            && subject.ends_with(": calibration overdue since 5 Mar"),
        "{subject}"
    );
    assert_eq!(
        header(mail, "Date").as_deref(),
        Some("Fri, 06 Mar 2026 12:00:00 +0000")
    );
    assert_eq!(
        header(mail, "Auto-Submitted").as_deref(),
        Some("auto-generated")
    );
    let way_out = header(mail, "List-Unsubscribe").expect("a way out");
    assert!(
        way_out.starts_with(&format!("<{PUBLIC}/unsubscribe/")),
        "{way_out}"
    );
    assert_eq!(
        header(mail, "List-Unsubscribe-Post").as_deref(),
        Some("List-Unsubscribe=One-Click")
    );
    let text = mail["text"].as_str().expect("plain text");
    let html = mail["html"].as_str().expect("HTML");
    for wanted in [
        "Die Kalibrierung ist überfällig: 1 < 2 & more.",
        "Fire a ring today.",
        "Thursday, 5 March 2026",
        "ringtrue alert ack a1",
        SITE_NAME,
    ] {
        assert!(text.contains(wanted), "{wanted} is missing in\n{text}");
    }
    assert!(
        html.contains("überfällig: 1 &lt; 2 &amp; more.") && !html.contains("<Nord>"),
        "{html}"
    );
    let listed = post.listed(&name).await;
    assert!(listed.last_sent_time.is_some() && listed.last_failure.is_empty());
}

#[tokio::test]
async fn each_cause_is_told_once_to_each_recipient_when_it_reaches_their_level() {
    let mut post = Post::start().await;
    let immediate = MailMode::Immediate;
    for (parent, address, level) in [
        (NORTH, "technician@example.org", AlertLevel::Technician),
        (NORTH, "manager@example.org", AlertLevel::Manager),
        ("", "quality@example.org", AlertLevel::Quality),
    ] {
        post.subscribe(parent, address, level, immediate).await;
    }
    let to = |got: Vec<serde_json::Value>| -> Vec<String> {
        let mut to: Vec<String> = got
            .iter()
            .map(|mail| mail["to"][0].as_str().expect("an address").to_owned())
            .collect();
        to.sort();
        to
    };
    let mut alert = post.raise("a1", Level::Technician).await;
    post.serve().await;
    assert_eq!(to(post.receiver.got()), ["technician@example.org"]);
    for (level, wanted) in [
        (Level::Manager, "manager@example.org"),
        (Level::Quality, "quality@example.org"),
    ] {
        alert = Alert {
            level,
            revision: alert.revision + 1,
            ..alert
        };
        post.put(ChangeKind::Escalated, &alert).await;
        post.serve().await;
        assert_eq!(to(post.receiver.got()), [wanted]);
    }
    alert.state = AlertState::Acknowledged;
    for kind in [
        ChangeKind::Updated,
        ChangeKind::Reopened,
        ChangeKind::Escalated,
    ] {
        alert.revision += 1;
        post.put(kind, &alert).await;
    }
    assert_eq!(post.serve().await, Served::default(), "nobody hears twice");
    assert_eq!(post.receiver.got().len(), 0);
}

#[tokio::test]
async fn what_is_mended_before_its_mail_leaves_is_not_sent() {
    let mut post = Post::start().await;
    let name = post
        .subscribe(
            NORTH,
            "lab@example.org",
            AlertLevel::Technician,
            MailMode::Immediate,
        )
        .await;
    let alert = post.raise("a1", Level::Technician).await;
    post.receiver.order("later");
    assert_eq!(post.serve().await.put_off, 1);
    post.close(&alert).await;
    post.receiver.order("accept");
    post.network.advance_h(1);
    let served = post.serve().await;
    assert_eq!((served.sent, served.not_needed, served.backlog), (0, 1, 0));
    assert_eq!(post.receiver.got().len(), 0);
    assert_eq!(post.serve().await, Served::default());
    assert!(post.listed(&name).await.last_sent_time.is_none());
}

#[tokio::test]
async fn alerts_from_before_a_subscription_are_not_told_until_they_change() {
    let mut post = Post::start().await;
    let mut alert = post.raise("a1", Level::Technician).await;
    post.subscribe(
        NORTH,
        "lab@example.org",
        AlertLevel::Technician,
        MailMode::Immediate,
    )
    .await;
    assert_eq!(post.serve().await, Served::default());
    alert.revision += 1;
    post.put(ChangeKind::Updated, &alert).await;
    assert_eq!(post.serve().await.sent, 1);
    assert_eq!(post.receiver.got().len(), 1);
}

#[tokio::test]
async fn a_deleted_subscription_gets_nothing_of_what_waited() {
    let mut post = Post::start().await;
    let name = post
        .subscribe(
            NORTH,
            "lab@example.org",
            AlertLevel::Technician,
            MailMode::Immediate,
        )
        .await;
    post.raise("a1", Level::Technician).await;
    post.receiver.order("later");
    assert_eq!(post.serve().await.put_off, 1);
    let asked = v1::DeleteMailSubscriptionRequest {
        name: name.clone(),
        request_id: "01890a5d-ac96-774b-bcce-b302099a8057".to_owned(),
    };
    for _ in 0..2 {
        let deleted = post
            .deliveries()
            .delete_mail_subscription(asked.clone())
            .await;
        assert!(
            deleted.is_ok(),
            "a repeat gets the first answer: {deleted:?}"
        );
    }
    let again = v1::DeleteMailSubscriptionRequest {
        name,
        request_id: String::new(),
    };
    let missing = post.deliveries().delete_mail_subscription(again).await;
    assert_eq!(
        missing.expect_err("it is gone").code(),
        tonic::Code::NotFound
    );
    post.receiver.order("accept");
    post.network.advance_h(2);
    assert_eq!(post.serve().await, Served::default());
    assert_eq!(post.receiver.got().len(), 0);
}

#[tokio::test]
async fn an_address_that_mail_cannot_go_to_is_refused_by_its_field() {
    let post = Post::start().await;
    for address in [
        "",
        "lab",
        "Lab <lab@example.org>",
        "a@b.example\r\nBcc: c@d.example",
    ] {
        let asked = v1::CreateMailSubscriptionRequest {
            parent: NORTH.to_owned(),
            subscription: Some(v1::MailSubscription {
                address: address.to_owned(),
                ..v1::MailSubscription::default()
            }),
            request_id: String::new(),
        };
        let refused = post.deliveries().create_mail_subscription(asked).await;
        let refused = refused.expect_err("it is refused");
        assert_eq!(refused.code(), tonic::Code::InvalidArgument, "{address}");
        assert!(
            refused.message().contains("subscription.address"),
            "{}",
            refused.message()
        );
    }
}
