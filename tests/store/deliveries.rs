//! Subscriptions, mail and calendar feeds: one mail for each recipient and cause, and an end at the
//! recipient's wish.

use ringtrue_fleet::alert::Level;
use ringtrue_fleet::caller::{Right, Scope};
use ringtrue_fleet::delivery::{Feed, MailMode, Subscription};
use ringtrue_fleet::key::{FeedId, FeedKey, SiteId, SubscriptionId, SubscriptionKey};
use ringtrue_store::{Error, Mail, Request, Serving, SubscriptionsOf, Tx};
use sqlx::Row as _;

use crate::alerts::{alert, put, raised};
use crate::laboratory::{Laboratory, moment, only_at, request};

/// A subscription of a site, or of the network.
pub(crate) fn subscription(site: Option<&SiteId>, id: &str) -> Subscription {
    Subscription {
        key: SubscriptionKey {
            site: site.cloned(),
            subscription: SubscriptionId::new(id).expect("an id"),
        },
        address: format!("{id}@example.org"),
        level: Level::Manager,
        mode: MailMode::Digest,
        unsubscribed: false,
        last_sent_at: None,
        last_failure: String::new(),
        created_at: moment(0),
    }
}

pub(crate) fn feed(lab: &Laboratory, id: &str) -> Feed {
    Feed {
        key: FeedKey {
            site: lab.site.clone(),
            feed: FeedId::new(id).expect("an id"),
        },
        display_name: "Bench".to_owned(),
        created_at: moment(0),
    }
}

/// Mail to a subscription about a topic.
pub(crate) fn mail(to: &Subscription, topic: &str, hours: i64) -> Mail {
    Mail {
        subscription: to.key.subscription.clone(),
        topic: topic.to_owned(),
        message_id: format!("{topic}@example.org"),
        next_at: moment(hours),
        made_at: moment(0),
        changes_json: "[1]".to_owned(),
    }
}

async fn kept(lab: &Laboratory, subscription: &Subscription, secret: &str) {
    let mut tx = lab.begin().await;
    tx.insert_subscription(subscription, secret, &Request::NONE)
        .await
        .expect("a subscription");
    tx.commit().await.expect("committed");
}

fn stranger() -> Scope {
    only_at("bogota")
        .network(Right::Configure)
        .expect("may configure at home")
}

#[tokio::test]
async fn subscriptions_read_back_as_given_by_whom_they_are_of() {
    let lab = Laboratory::furnished().await;
    let own = subscription(Some(&lab.site), "own");
    let shared = Subscription {
        mode: MailMode::Immediate,
        level: Level::Quality,
        ..subscription(None, "shared")
    };
    kept(&lab, &own, "s1").await;
    kept(&lab, &shared, "s2").await;
    let read = lab.read();
    let of = async |of| read.subscriptions(of).await.expect("subscriptions");
    assert_eq!(
        of(SubscriptionsOf::Network).await,
        std::slice::from_ref(&shared)
    );
    assert_eq!(
        of(SubscriptionsOf::Site(&lab.site)).await,
        std::slice::from_ref(&own)
    );
    assert_eq!(of(SubscriptionsOf::All).await, [shared, own.clone()]);
    let one = read.subscription(&own.key).await.expect("no fault");
    assert_eq!(one, Some(own.clone()));
    let wrong = SubscriptionKey {
        site: None,
        ..own.key.clone()
    };
    assert_eq!(read.subscription(&wrong).await.expect("no fault"), None);
    let mut tx = lab.begin().await;
    let again = tx.insert_subscription(&own, "s3", &Request::NONE).await;
    assert!(matches!(again, Err(Error::Exists)), "{again:?}");
}

#[tokio::test]
async fn an_address_is_in_no_audit_entry_and_goes_with_the_subscription() {
    let lab = Laboratory::furnished().await;
    let own = subscription(Some(&lab.site), "own");
    let mut tx = lab.begin().await;
    tx.insert_subscription(&own, "s1", &request(9))
        .await
        .expect("kept");
    let earlier = tx
        .answered(&request(9))
        .await
        .expect("no fault")
        .expect("answered");
    let answer = tx.subscription_answered(&earlier).await.expect("no fault");
    assert_eq!(answer, Some(own.clone()));
    tx.insert_mail(&[mail(&own, "a1", 1)]).await.expect("kept");
    let gone = tx
        .delete_subscription(&own.key, moment(3), &Request::NONE)
        .await;
    assert!(gone.expect("deleted"));
    let again = tx
        .delete_subscription(&own.key, moment(4), &Request::NONE)
        .await;
    assert!(!again.expect("no fault"), "there is none any more");
    assert_eq!(
        tx.subscription_answered(&earlier).await.expect("no fault"),
        None
    );
    tx.commit().await.expect("committed");
    let read = lab.read();
    assert!(
        read.subscriptions(SubscriptionsOf::All)
            .await
            .expect("none")
            .is_empty()
    );
    assert!(
        read.mail_waiting(moment(9), 9)
            .await
            .expect("none")
            .is_empty()
    );
    let mut behind = lab.behind_its_back().await;
    for table in ["audit", "mail_subscription", "request"] {
        let rows = sqlx::query(sqlx::AssertSqlSafe(format!(
            "SELECT COUNT(*) FROM {table} WHERE {} LIKE '%@example.org%'",
            match table {
                "audit" => "document",
                "request" => "subject",
                _ => "address",
            }
        )))
        .fetch_one(&mut behind)
        .await
        .expect("counted");
        assert_eq!(rows.get::<i64, _>(0), 0, "{table}");
    }
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn a_recipient_ends_mail_by_the_secret_as_often_as_he_likes() {
    let lab = Laboratory::furnished().await;
    let own = subscription(Some(&lab.site), "own");
    kept(&lab, &own, "s1").await;
    let mut tx = lab.begin().await;
    tx.insert_mail(&[mail(&own, "a1", 1)]).await.expect("kept");
    assert_eq!(
        tx.unsubscribe("s9", moment(2)).await.expect("no fault"),
        None
    );
    for hours in [2, 3] {
        let ended = tx.unsubscribe("s1", moment(hours)).await.expect("no fault");
        let ended = ended.expect("that secret was given out");
        assert!(ended.unsubscribed);
        assert_eq!(ended.key, own.key);
    }
    assert!(tx.subscriptions_to_serve().await.expect("none").is_empty());
    tx.commit().await.expect("committed");
    assert_eq!(
        lab.read().mail_backlog(moment(9)).await.expect("none"),
        (0, None)
    );
    let length = lab
        .read()
        .audit_length(Some(&lab.site))
        .await
        .expect("a length");
    assert_eq!(length, 6, "one entry for the end, not two");
    let shown = lab.read().subscription(&own.key).await.expect("no fault");
    assert!(shown.expect("still shown").unsubscribed);
    let mut tx = lab.begin().await;
    tx.delete_subscription(&own.key, moment(4), &Request::NONE)
        .await
        .expect("deleted");
    let ended = tx.unsubscribe("s1", moment(5)).await.expect("no fault");
    assert!(ended.expect("the link still answers").unsubscribed);
    tx.commit().await.expect("committed");
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn mail_begins_with_the_next_change_and_goes_on_where_it_was() {
    let lab = Laboratory::furnished().await;
    put(&lab, &[raised(alert(&lab, "a1"))]).await;
    let own = subscription(Some(&lab.site), "own");
    kept(&lab, &own, "s1").await;
    let mut tx = lab.begin().await;
    let expected = Serving {
        subscription: own.clone(),
        after_seq: 1,
        digested_at: None,
        secret: "s1".to_owned(),
    };
    assert_eq!(
        tx.subscriptions_to_serve().await.expect("one"),
        std::slice::from_ref(&expected)
    );
    let id = &own.key.subscription;
    tx.served(id, 2, Some(moment(4))).await.expect("noted");
    tx.served(id, 3, None).await.expect("noted");
    let later = Serving {
        after_seq: 3,
        digested_at: Some(moment(4)),
        ..expected
    };
    assert_eq!(tx.subscriptions_to_serve().await.expect("one"), [later]);
    tx.commit().await.expect("committed");
}

async fn failed(tx: &mut Tx, to: &Subscription, again: Option<i64>, since: Option<i64>) {
    let (next_at, since) = (again.map(moment), since.map(moment));
    let id = &to.key.subscription;
    tx.mail_failed(id, "a1", "mailbox full", next_at, since)
        .await
        .expect("noted");
}

#[tokio::test]
async fn nobody_gets_two_mails_of_one_topic() {
    let lab = Laboratory::furnished().await;
    let own = subscription(Some(&lab.site), "own");
    kept(&lab, &own, "s1").await;
    let mut tx = lab.begin().await;
    let other = Mail {
        message_id: "another@example.org".to_owned(),
        ..mail(&own, "a1", 1)
    };
    let new = tx
        .insert_mail(&[mail(&own, "a1", 2), mail(&own, "a2", 1), other])
        .await
        .expect("kept");
    assert_eq!(new, 2);
    tx.commit().await.expect("committed");
    let read = lab.read();
    let waiting = read.mail_waiting(moment(5), 9).await.expect("mail");
    let told: Vec<(&str, &str)> = waiting
        .iter()
        .map(|one| (one.topic.as_str(), one.message_id.as_str()))
        .collect();
    assert_eq!(told, [("a2", "a2@example.org"), ("a1", "a1@example.org")]);
    assert_eq!(waiting[0].subscription, own);
    assert_eq!((waiting[0].secret.as_str(), waiting[0].attempts), ("s1", 0));
    assert_eq!(
        (waiting[0].made_at, waiting[0].document.as_str()),
        (moment(0), "[1]")
    );
    assert_eq!(
        read.mail_waiting(moment(1), 9).await.expect("mail").len(),
        1
    );
    assert_eq!(
        read.mail_waiting(moment(5), 1).await.expect("mail").len(),
        1
    );
    let backlog = read.mail_backlog(moment(5)).await.expect("told");
    assert_eq!(backlog, (2, Some(moment(1))));
    // Once sent it is never made again.
    let mut tx = lab.begin().await;
    let id = &own.key.subscription;
    tx.mail_sent(id, "a1", moment(6)).await.expect("noted");
    let new = tx.insert_mail(&[mail(&own, "a1", 1)]).await;
    assert_eq!(new.expect("left out"), 0);
    tx.commit().await.expect("committed");
    assert_eq!(
        read.mail_waiting(moment(9), 9).await.expect("mail").len(),
        1
    );
    let shown = read.subscription(&own.key).await.expect("no fault");
    assert_eq!(shown.expect("there").last_sent_at, Some(moment(6)));
}

#[tokio::test]
async fn failing_mail_is_tried_again_and_tells_since_when() {
    let lab = Laboratory::furnished().await;
    let own = subscription(Some(&lab.site), "own");
    kept(&lab, &own, "s1").await;
    let mut tx = lab.begin().await;
    tx.insert_mail(&[mail(&own, "a1", 1), mail(&own, "a2", 1)])
        .await
        .expect("kept");
    // What may pass by itself counts as no failure yet.
    failed(&mut tx, &own, Some(4), None).await;
    tx.commit().await.expect("committed");
    let read = lab.read();
    assert!(read.failing_subscriptions().await.expect("none").is_empty());
    let seen = looked(&lab).await;
    let mut tx = lab.begin().await;
    failed(&mut tx, &own, Some(8), Some(2)).await;
    failed(&mut tx, &own, Some(8), Some(3)).await;
    tx.commit().await.expect("committed");
    assert_eq!(
        waits(&lab).await,
        Some(seen + 1),
        "once, when it began to fail"
    );
    let waiting = read.mail_waiting(moment(8), 9).await.expect("mail");
    assert_eq!((waiting[1].topic.as_str(), waiting[1].attempts), ("a1", 3));
    assert_eq!(waiting[1].subscription.last_failure, "mailbox full");
    let failing = read.failing_subscriptions().await.expect("one");
    let expected = (own.key.clone(), moment(2), "mailbox full".to_owned());
    assert_eq!(failing, [expected]);
    let mut tx = lab.begin().await;
    failed(&mut tx, &own, None, Some(9)).await;
    tx.commit().await.expect("committed");
    let waiting = read.mail_waiting(moment(99), 9).await.expect("mail");
    assert_eq!(waiting.len(), 1, "the other was given up");
    let seen = looked(&lab).await;
    let mut tx = lab.begin().await;
    let id = &own.key.subscription;
    tx.mail_sent(id, "a2", moment(10)).await.expect("noted");
    tx.commit().await.expect("committed");
    assert!(read.failing_subscriptions().await.expect("none").is_empty());
    let shown = read.subscription(&own.key).await.expect("no fault");
    assert_eq!(shown.expect("there").last_failure, "");
    assert_eq!(waits(&lab).await, Some(seen + 1), "its alert may close");
}

#[tokio::test]
async fn mail_that_nobody_needs_any_more_says_nothing_about_its_recipient() {
    let lab = Laboratory::furnished().await;
    let own = subscription(Some(&lab.site), "own");
    kept(&lab, &own, "s1").await;
    let id = &own.key.subscription;
    let mut tx = lab.begin().await;
    tx.insert_mail(&[mail(&own, "a1", 1), mail(&own, "a2", 1)])
        .await
        .expect("kept");
    tx.mail_dropped(id, "a1").await.expect("noted");
    tx.commit().await.expect("committed");
    let read = lab.read();
    let waiting = read.mail_waiting(moment(9), 9).await.expect("mail");
    assert_eq!(waiting.len(), 1);
    assert_eq!(waiting[0].topic, "a2");
    assert_eq!(waiting[0].subscription, own, "nothing failed");
    let mut tx = lab.begin().await;
    let new = tx.insert_mail(&[mail(&own, "a1", 1)]).await;
    assert_eq!(new.expect("left out"), 0, "nor is it made again");
    tx.commit().await.expect("committed");
}

/// How many changes the site's agenda counts while it waits to be looked at.
async fn waits(lab: &Laboratory) -> Option<i64> {
    let agenda = lab.read().agenda(moment(0), 99).await.expect("an agenda");
    agenda
        .into_iter()
        .find_map(|(site, changes)| (site.as_ref() == Some(&lab.site)).then_some(changes))
}

/// Looks at the site; gives how many changes had been counted.
async fn looked(lab: &Laboratory) -> i64 {
    let seen = waits(lab).await.expect("it waits after its records");
    let mut tx = lab.begin().await;
    tx.looked_at(&[(Some(lab.site.clone()), seen, None)])
        .await
        .expect("noted");
    tx.commit().await.expect("committed");
    assert_eq!(waits(lab).await, None);
    seen
}

#[tokio::test]
async fn a_feed_is_found_by_its_secret_until_it_is_revoked() {
    let lab = Laboratory::furnished().await;
    let one = feed(&lab, "f1");
    let mut tx = lab.begin().await;
    tx.insert_feed(&one, "d1", &request(5)).await.expect("kept");
    let earlier = tx.answered(&request(5)).await.expect("no fault");
    assert_eq!(earlier.expect("answered").feed().expect("a feed"), one);
    tx.commit().await.expect("committed");
    let known = lab.read().answered(&request(5)).await.expect("no fault");
    assert_eq!(known.expect("answered").feed().expect("a feed"), one);
    assert_eq!(
        lab.read().answered(&request(6)).await.expect("no fault"),
        None
    );
    let mut tx = lab.begin().await;
    let again = tx.insert_feed(&one, "d2", &Request::NONE).await;
    assert!(matches!(again, Err(Error::Exists)), "{again:?}");
    drop(tx);
    let read = lab.read();
    assert_eq!(
        read.feeds(&lab.site).await.expect("feeds"),
        std::slice::from_ref(&one)
    );
    assert_eq!(
        read.feed_of_secret("d1").await.expect("no fault"),
        Some(one.clone())
    );
    assert_eq!(read.feed_of_secret("d2").await.expect("no fault"), None);
    let mut tx = lab.begin().await;
    let done = tx.revoke_feed(&one.key, moment(2), &Request::NONE).await;
    assert!(done.expect("revoked"));
    let again = tx.revoke_feed(&one.key, moment(3), &Request::NONE).await;
    assert!(!again.expect("no fault"));
    tx.commit().await.expect("committed");
    assert_eq!(read.feed_of_secret("d1").await.expect("no fault"), None);
    assert!(read.feeds(&lab.site).await.expect("none").is_empty());
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn deliveries_of_other_sites_and_of_the_network_are_out_of_reach() {
    let lab = Laboratory::furnished().await;
    let own = subscription(Some(&lab.site), "own");
    let shared = subscription(None, "shared");
    kept(&lab, &own, "s1").await;
    kept(&lab, &shared, "s2").await;
    let one = feed(&lab, "f1");
    let read = lab.store.read(&stranger());
    let all = read.subscriptions(SubscriptionsOf::All).await;
    assert!(all.expect("no fault").is_empty());
    let refused = [
        read.subscriptions(SubscriptionsOf::Network).await.err(),
        read.subscriptions(SubscriptionsOf::Site(&lab.site))
            .await
            .err(),
        read.subscription(&own.key).await.err(),
        read.subscription(&shared.key).await.err(),
        read.failing_subscriptions().await.err(),
        read.mail_waiting(moment(0), 1).await.err(),
        read.mail_backlog(moment(0)).await.err(),
        read.feeds(&lab.site).await.err(),
        read.feed_of_secret("d1").await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
    let mut tx = lab.begin().await;
    let third = subscription(Some(&lab.site), "third");
    tx.insert_subscription(&third, "s3", &request(6))
        .await
        .expect("kept");
    let earlier = tx
        .answered(&request(6))
        .await
        .expect("no fault")
        .expect("answered");
    tx.commit().await.expect("committed");
    let mut tx = lab
        .store
        .begin("test", &stranger())
        .await
        .expect("a transaction");
    let (now, none, id) = (moment(1), Request::NONE, own.key.subscription.clone());
    let refused = [
        tx.insert_subscription(&own, "s4", &none).await.err(),
        tx.insert_subscription(&shared, "s4", &none).await.err(),
        tx.subscription_answered(&earlier).await.err(),
        tx.delete_subscription(&own.key, now, &none).await.err(),
        tx.delete_subscription(&shared.key, now, &none).await.err(),
        tx.unsubscribe("s1", now).await.err(),
        tx.subscriptions_to_serve().await.err(),
        tx.served(&id, 1, None).await.err(),
        tx.insert_mail(&[mail(&own, "a1", 1)]).await.err(),
        tx.mail_sent(&id, "a1", now).await.err(),
        tx.mail_failed(&id, "a1", "", None, None).await.err(),
        tx.mail_dropped(&id, "a1").await.err(),
        tx.insert_feed(&one, "d1", &none).await.err(),
        tx.revoke_feed(&one.key, now, &none).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
}
