//! Mail servers that refuse, hang or vanish, and a server that ends in the middle.

use std::time::Duration;

use ringtrue_fleet::alert::Level;
use ringtrue_fleet::caller::Scope;
use ringtrue_proto::v1::{AlertLevel, MailMode};
use ringtrue_server::app::Served;
use ringtrue_tests::bench::site;

use crate::post::{Post, mailer};
use crate::receiver::header;

async fn waiting() -> (Post, String) {
    let post = Post::start().await;
    let name = post
        .subscribe(
            "sites/north",
            "lab@example.org",
            AlertLevel::Technician,
            MailMode::Immediate,
        )
        .await;
    post.raise("a1", Level::Technician).await;
    (post, name)
}

async fn failing(post: &Post) -> Vec<String> {
    let read = post.network.app.store.read(&Scope::for_work("test"));
    let failing = read.failing_subscriptions().await.expect("it reads");
    failing.into_iter().map(|(key, ..)| key.name()).collect()
}

#[tokio::test]
async fn a_mail_that_is_put_off_comes_later_and_once() {
    let (mut post, name) = waiting().await;
    for mode in ["later", "login", "drop"] {
        post.receiver.order(mode);
        let served = post.serve().await;
        assert_eq!((served.put_off, served.given_up), (1, 0), "{mode}");
        assert_eq!(
            post.serve().await,
            Served::default(),
            "{mode}: not before its time"
        );
        assert!(!post.listed(&name).await.last_failure.is_empty(), "{mode}");
        // Longer than the wait after any of these attempts.
        post.network.advance_h(1);
    }
    assert_eq!(failing(&post).await, [name.clone()]);
    post.receiver.order("accept");
    assert_eq!(post.serve().await.sent, 1);
    assert_eq!(post.receiver.got().len(), 1);
    assert_eq!(post.listed(&name).await.last_failure, "");
    assert_eq!(failing(&post).await, [""; 0]);
    post.network.advance_h(100);
    assert_eq!(post.serve().await, Served::default());
}

#[tokio::test]
async fn a_mail_that_is_refused_for_good_is_given_up_at_once_and_the_next_alert_is_tried_again() {
    let (mut post, name) = waiting().await;
    post.receiver.order("never");
    let served = post.serve().await;
    assert_eq!((served.put_off, served.given_up), (0, 1));
    let said = post.listed(&name).await.last_failure;
    assert!(said.contains("no such mailbox here"), "{said}");
    assert_eq!(failing(&post).await, [name.clone()]);
    post.network.advance_h(100);
    assert_eq!(post.serve().await, Served::default());
    post.receiver.order("accept");
    post.raise("a2", Level::Technician).await;
    assert_eq!(post.serve().await.sent, 1);
    assert_eq!(failing(&post).await, [""; 0]);
}

#[tokio::test]
async fn a_mail_is_given_up_after_three_days() {
    let (mut post, name) = waiting().await;
    post.receiver.order("later");
    assert_eq!(post.serve().await.put_off, 1);
    post.network.advance_h(71);
    assert_eq!(post.serve().await.put_off, 1);
    post.network.advance_h(1);
    assert_eq!(post.serve().await.given_up, 1);
    assert_eq!(failing(&post).await, [name]);
}

#[tokio::test]
async fn while_a_mail_server_hangs_everything_else_goes_on() {
    let (mut post, _) = waiting().await;
    post.receiver.order("hang");
    let serving = post.serve();
    let working = async {
        // The mail arrived, and its sender waits for an answer that never comes.
        let mut south = site();
        "South".clone_into(&mut south.display_name);
        let made = post.network.site("south", south);
        tokio::time::timeout(Duration::from_secs(1), made)
            .await
            .expect("a change does not wait for mail")
    };
    let (served, made) = tokio::join!(serving, working);
    assert_eq!(made.name, "sites/south");
    assert_eq!(served.put_off, 1, "it did not wait for ever");
}

#[tokio::test]
async fn a_mail_server_that_is_not_there_costs_nothing_but_time() {
    let (mut post, name) = waiting().await;
    // Port 1 is reserved (tcpmux) and nothing listens there.
    post.mailer = mailer(1);
    assert_eq!(post.serve().await.put_off, 1);
    assert!(!post.listed(&name).await.last_failure.is_empty());
    post.mailer = mailer(post.receiver.port);
    post.network.advance_h(1);
    assert_eq!(post.serve().await.sent, 1);
}

#[tokio::test]
async fn a_server_that_ends_before_it_noted_a_mail_sends_the_same_again() {
    let (mut post, _) = waiting().await;
    post.receiver.order("hang");
    let first = {
        let mut serving = std::pin::pin!(post.serve());
        // Sent, and never noted: dropping the work is what an end in the middle does.
        tokio::select! {
            served = &mut serving => panic!("it was to hang: {served:?}"),
            first = post.receiver.next() => first,
        }
    };
    assert_eq!(
        post.serve_as("another").await,
        None,
        "the lease of the first holds still"
    );
    post.receiver.order("accept");
    post.network.advance_h(1);
    let served = post.serve_as("another").await.expect("the lease ran out");
    assert_eq!((served.made, served.sent), (0, 1));
    let again = post.receiver.got();
    assert_eq!(again.len(), 1);
    let id = |mail| header(mail, "Message-ID").expect("an id");
    assert_eq!(id(&first), id(&again[0]), "a reader can tell");
    assert_eq!(first["text"], again[0]["text"]);
}
