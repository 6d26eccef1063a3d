//! Digests: one on a working morning, with what is new or late, and none without news.

use jiff::Timestamp;
use ringtrue_fleet::alert::{Alert, AlertState, ChangeKind, Level, Stage};
use ringtrue_proto::v1::{AlertLevel, MailMode};

use crate::post::Post;
use crate::receiver::header;

fn at(post: &Post, moment: &str) {
    let moment: Timestamp = moment.parse().expect("a moment");
    post.network.app.clock.set(moment).expect("a manual clock");
}

/// The site is in Lisbon, at UTC in March until the 29th (IANA time zone database); its quiet hours end at 07:00.
#[tokio::test]
async fn a_digest_comes_in_the_morning_with_what_is_new_or_late_and_not_twice() {
    let mut post = Post::start().await;
    post.subscribe(
        "sites/north",
        "lab@example.org",
        AlertLevel::Technician,
        MailMode::Digest,
    )
    .await;
    let late = post.raise("late", Level::Technician).await;
    let mut fresh = post.alert("fresh", Level::Technician);
    fresh.stage = Stage::Soon;
    post.put(ChangeKind::Raised, &fresh).await;
    assert_eq!(post.serve().await.made, 0, "Friday noon is no morning");
    at(&post, "2026-03-09T06:59:59Z");
    assert_eq!(post.serve().await.made, 0);
    at(&post, "2026-03-09T07:00:00Z");
    let served = post.serve().await;
    assert_eq!((served.made, served.sent), (1, 1));
    assert_eq!(post.serve().await.made, 0, "once a morning");
    let got = post.receiver.got();
    assert_eq!(got.len(), 1);
    let subject = header(&got[0], "Subject").expect("a subject");
    assert!(subject.ends_with("1 overdue, 1 more"), "{subject}");
    let text = got[0]["text"].as_str().expect("plain text");
    assert!(
        text.contains("[late]") && text.contains("[fresh]"),
        "{text}"
    );

    // What is late is told again, what is merely known is not.
    at(&post, "2026-03-10T07:00:00Z");
    assert_eq!(post.serve().await.sent, 1);
    let got = post.receiver.got();
    let text = got[0]["text"].as_str().expect("plain text");
    assert!(
        text.contains("[late]") && !text.contains("[fresh]"),
        "{text}"
    );
    assert_ne!(
        header(&got[0], "Message-ID"),
        None,
        "another day is another mail"
    );

    // Nothing new, nothing late: no mail.
    post.close(&late).await;
    at(&post, "2026-03-11T07:00:00Z");
    let served = post.serve().await;
    assert_eq!((served.made, served.sent), (0, 0));
    assert_eq!(post.receiver.got().len(), 0);
}

#[tokio::test]
async fn the_networks_digest_tells_of_every_site_and_leaves_out_what_rests() {
    let mut post = Post::start().await;
    post.network
        .site("south", ringtrue_tests::bench::site())
        .await;
    post.subscribe(
        "",
        "quality@example.org",
        AlertLevel::Manager,
        MailMode::Digest,
    )
    .await;
    post.raise("north-1", Level::Manager).await;
    let south = Alert {
        site: Some(ringtrue_fleet::key::SiteId::new("south").expect("an id")),
        subject: "sites/south".to_owned(),
        ..post.alert("south-1", Level::Quality)
    };
    post.put(ChangeKind::Raised, &south).await;
    post.raise("below", Level::Technician).await;
    at(&post, "2026-03-07T07:00:00Z");
    assert_eq!(post.serve().await.sent, 1, "the network has no closed days");
    let got = post.receiver.got();
    let text = got[0]["text"].as_str().expect("plain text");
    assert!(
        text.contains("[north-1]") && text.contains("[south-1]") && !text.contains("[below]"),
        "{text}"
    );
    let resting = Alert {
        state: AlertState::Snoozed,
        snoozed_until: Some(post.network.now()),
        revision: 2,
        ..south
    };
    post.put(ChangeKind::Snoozed, &resting).await;
    at(&post, "2026-03-08T07:00:00Z");
    assert_eq!(post.serve().await.sent, 1);
    let got = post.receiver.got();
    let text = got[0]["text"].as_str().expect("plain text");
    assert!(
        text.contains("[north-1]") && !text.contains("[south-1]"),
        "{text}"
    );
}
