//! Who gets mail, and calendar feeds: made, listed, ended. What arrives is checked in `tests/delivery`.

use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::Network;
use ringtrue_tests::bench::site;

use crate::refusals::{bad_value, missing};

const REQUEST: &str = "01890a5d-ac96-774b-bcce-b302099a8057";

fn wish(parent: &str, address: &str) -> v1::CreateMailSubscriptionRequest {
    v1::CreateMailSubscriptionRequest {
        parent: parent.to_owned(),
        subscription: Some(v1::MailSubscription {
            address: address.to_owned(),
            level: v1::AlertLevel::Manager.into(),
            mode: v1::MailMode::Digest.into(),
            ..v1::MailSubscription::default()
        }),
        request_id: String::new(),
    }
}

fn feed(parent: &str, name: &str) -> v1::CreateCalendarFeedRequest {
    v1::CreateCalendarFeedRequest {
        parent: parent.to_owned(),
        feed: Some(v1::CalendarFeed {
            display_name: name.to_owned(),
            ..v1::CalendarFeed::default()
        }),
        request_id: String::new(),
    }
}

async fn names(network: &Network, parent: &str) -> Vec<String> {
    let ask = v1::ListMailSubscriptionsRequest {
        parent: parent.to_owned(),
    };
    let listed = network.remote.mail_subscriptions(ask).await;
    let listed = listed.expect("listed").subscriptions;
    listed.into_iter().map(|one| one.name).collect()
}

#[tokio::test]
async fn a_mail_subscription_is_made_listed_and_deleted() {
    let network = Network::start().await;
    network.site("north", site()).await;
    network.site("south", site()).await;
    let remote = &network.remote;
    let mut made = Vec::new();
    for parent in ["", "sites/north", "sites/south"] {
        let answer = remote
            .create_mail_subscription(wish(parent, "lab@example.org"))
            .await;
        let one = answer.expect("made").subscription.expect("it is told");
        assert_eq!(one.address, "lab@example.org");
        assert_eq!(
            (one.level(), one.mode()),
            (v1::AlertLevel::Manager, v1::MailMode::Digest)
        );
        assert!(!one.unsubscribed && one.create_time.is_some() && one.last_sent_time.is_none());
        made.push(one.name);
    }
    assert!(made[0].starts_with("mailSubscriptions/"), "{made:?}");
    assert!(made[1].starts_with("sites/north/mailSubscriptions/"));
    assert_eq!(names(&network, "").await, made[..1]);
    assert_eq!(names(&network, "sites/north").await, made[1..2]);
    assert_eq!(names(&network, "sites/-").await, made);
    let ask = v1::DeleteMailSubscriptionRequest {
        name: made[1].clone(),
        request_id: String::new(),
    };
    remote
        .delete_mail_subscription(ask.clone())
        .await
        .expect("deleted");
    let again = remote.delete_mail_subscription(ask).await;
    missing(&again.expect_err("it is gone"), &made[1]);
    assert_eq!(names(&network, "sites/north").await, [""; 0]);
    network.stop().await;
}

#[tokio::test]
async fn a_calendar_feed_is_made_listed_and_revoked() {
    let network = Network::start().await;
    network.site("north", site()).await;
    let remote = &network.remote;
    let answer = remote
        .create_calendar_feed(feed("sites/north", "Bench"))
        .await;
    let answer = answer.expect("made");
    let made = answer.feed.expect("it is told");
    assert!(made.name.starts_with("sites/north/calendarFeeds/"));
    assert_eq!(made.display_name, "Bench");
    let secret = answer
        .secret_path
        .strip_prefix("/calendar/")
        .and_then(|rest| rest.strip_suffix(".ics"));
    assert_eq!(secret.map(str::len), Some(43), "{}", answer.secret_path);
    let list = v1::ListCalendarFeedsRequest {
        parent: "sites/north".to_owned(),
    };
    let listed = remote.calendar_feeds(list.clone()).await.expect("listed");
    assert_eq!(listed.feeds, std::slice::from_ref(&made));
    let ask = v1::DeleteCalendarFeedRequest {
        name: made.name.clone(),
        request_id: String::new(),
    };
    remote
        .delete_calendar_feed(ask.clone())
        .await
        .expect("revoked");
    let again = remote.delete_calendar_feed(ask).await;
    missing(&again.expect_err("it is gone"), &made.name);
    assert_eq!(remote.calendar_feeds(list).await.expect("listed").feeds, []);
    network.stop().await;
}

#[tokio::test]
async fn what_cannot_be_delivered_is_refused_by_its_field() {
    let network = Network::start().await;
    network.site("north", site()).await;
    let remote = &network.remote;
    let refused = remote
        .create_mail_subscription(wish("sites/north", "lab"))
        .await;
    bad_value(
        &refused.expect_err("no address"),
        "subscription.address",
        "NOT_AN_ADDRESS",
        "send one such as lab@example.org",
    );
    let refused = remote.create_calendar_feed(feed("sites/north", "")).await;
    bad_value(
        &refused.expect_err("no name"),
        "feed.display_name",
        "REQUIRED",
        "send 1 to 120 characters",
    );
    let nowhere = remote
        .create_mail_subscription(wish("sites/none", "lab@example.org"))
        .await;
    missing(&nowhere.expect_err("no site"), "sites/none");
    let nowhere = remote
        .create_calendar_feed(feed("sites/none", "Bench"))
        .await;
    missing(&nowhere.expect_err("no site"), "sites/none");
    let list = v1::ListMailSubscriptionsRequest {
        parent: "sites/none".to_owned(),
    };
    let nowhere = remote.mail_subscriptions(list).await;
    missing(&nowhere.expect_err("no site"), "sites/none");
    let list = v1::ListCalendarFeedsRequest {
        parent: "sites/none".to_owned(),
    };
    let nowhere = remote.calendar_feeds(list).await;
    missing(&nowhere.expect_err("no site"), "sites/none");
    network.stop().await;
}

#[tokio::test]
async fn a_repeat_makes_no_second_subscription_and_other_content_is_refused() {
    let network = Network::start().await;
    network.site("north", site()).await;
    let remote = &network.remote;
    let ask = |address: &str| v1::CreateMailSubscriptionRequest {
        request_id: REQUEST.to_owned(),
        ..wish("sites/north", address)
    };
    let first = remote
        .create_mail_subscription(ask("lab@example.org"))
        .await
        .expect("made");
    let length = network.audit_length("sites/north").await;
    let again = remote
        .create_mail_subscription(ask("lab@example.org"))
        .await
        .expect("the first answer");
    assert_eq!(first, again);
    assert_eq!(network.audit_length("sites/north").await, length);
    let other = remote
        .create_mail_subscription(ask("other@example.org"))
        .await;
    assert_eq!(other.expect_err("it is another").code, Code::AlreadyExists);
    network.stop().await;
}
