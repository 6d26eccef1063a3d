//! Webhooks and what is sent to them: read back as stored, in the order of changes, and nobody else's.

use std::collections::BTreeSet;

use ringtrue_fleet::caller::{Right, Scope};
use ringtrue_fleet::key::{SiteId, WebhookId, WebhookKey};
use ringtrue_fleet::webhook::{Webhook, WebhookDetails};
use ringtrue_store::{
    DeliveryState, Error, Over, Page, PagePart, Replay, Request, SubscriptionsOf, Tx,
};

use crate::laboratory::{Laboratory, moment, only_at, request};

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

/// A webhook of a site, or of the network.
pub(crate) fn webhook(site: Option<&SiteId>, id: &str) -> Webhook {
    Webhook {
        key: WebhookKey {
            site: site.cloned(),
            webhook: WebhookId::new(id).expect("an id"),
        },
        details: WebhookDetails {
            display_name: "ledger".to_owned(),
            url: "https://ledger.example/hook?key=word".to_owned(),
            types: vec!["reading".to_owned()],
            sites: BTreeSet::new(),
            is_ordered: true,
            is_active: true,
        },
        generation: 1,
        previous_until: None,
        key_id: "0123456789abcdef".to_owned(),
        stopped_because: String::new(),
        failing_since: None,
        last_failure: String::new(),
        last_arrived_at: None,
        revision: 1,
        created_at: moment(0),
        updated_at: moment(0),
    }
}

async fn work(lab: &Laboratory) -> Tx {
    let scope = Scope::for_work("webhooks");
    let tx = lab
        .store
        .begin_over("webhooks", &scope, Over::Nothing)
        .await;
    tx.expect("begun")
}

/// A laboratory whose five changes are in the feed, with a webhook that three of them wait for.
async fn sending() -> (Laboratory, Webhook) {
    let lab = Laboratory::furnished().await;
    let scope = Scope::for_work("changes");
    let read = lab.store.read(&scope);
    let unfed = read.unfed_changes().await.expect("looked").expect("new");
    let mut tx = work(&lab).await;
    tx.feed_changes(unfed).await.expect("numbered");
    tx.commit().await.expect("committed");
    let one = webhook(Some(&lab.site), "w1");
    let mut tx = lab.begin().await;
    tx.insert_webhook(&one, 1, &request(1)).await.expect("kept");
    tx.commit().await.expect("committed");
    let mut tx = work(&lab).await;
    for _ in 0..2 {
        // Made twice they are the same.
        tx.put_deliveries(&one.key.webhook, &[2, 3, 5], 5, moment(1))
            .await
            .expect("made");
    }
    tx.commit().await.expect("committed");
    (lab, one)
}

#[tokio::test]
async fn a_webhook_reads_back_as_stored_and_changes() {
    let (lab, one) = sending().await;
    let read = lab.store.read(&Scope::for_work("test"));
    assert_eq!(
        read.webhook(&one.key).await.expect("read"),
        Some(one.clone())
    );
    let whole = webhook(None, "w0");
    let mut tx = lab.begin().await;
    tx.insert_webhook(&whole, 5, &Request::NONE)
        .await
        .expect("kept");
    let twice = tx.insert_webhook(&whole, 5, &Request::NONE).await;
    assert!(matches!(twice, Err(Error::Exists)), "{twice:?}");
    tx.roll_back().await.expect("undone");
    let mut tx = lab.begin().await;
    tx.insert_webhook(&whole, 5, &Request::NONE)
        .await
        .expect("kept");
    let mut changed = tx.webhook(&one.key).await.expect("read").expect("there");
    changed.details.is_ordered = false;
    changed.generation = 2;
    changed.previous_until = Some(moment(9));
    changed.revision = 2;
    changed.updated_at = moment(3);
    tx.update_webhook(&changed, "webhook.update", &Request::NONE)
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    let listed = async |of| read.webhooks(of).await.expect("listed");
    assert_eq!(
        listed(SubscriptionsOf::All).await,
        [whole.clone(), changed.clone()]
    );
    assert_eq!(
        listed(SubscriptionsOf::Network).await,
        std::slice::from_ref(&whole)
    );
    assert_eq!(
        listed(SubscriptionsOf::Site(&lab.site)).await,
        [changed.clone()]
    );
    let served = read.webhooks_to_serve().await.expect("read");
    assert_eq!(served, [(whole.clone(), 5), (changed, 5)]);

    let mut tx = work(&lab).await;
    tx.stop_webhook(&whole.key, "gone", moment(4))
        .await
        .expect("stopped");
    tx.commit().await.expect("committed");
    assert_eq!(read.webhooks_to_serve().await.expect("read").len(), 1);
    let failing = read.failing_webhooks().await.expect("read");
    assert_eq!(failing, [(whole.key.clone(), moment(4), "gone".to_owned())]);
    let mut tx = lab.begin().await;
    assert!(
        tx.delete_webhook(&one.key, moment(5), &Request::NONE)
            .await
            .expect("ended")
    );
    assert!(
        !tx.delete_webhook(&one.key, moment(5), &Request::NONE)
            .await
            .expect("gone")
    );
    tx.commit().await.expect("committed");
    assert_eq!(read.webhook(&one.key).await.expect("read"), None);
    let verified = lab.verified().await;
    assert_eq!(verified.faults, []);
}

#[tokio::test]
async fn events_go_in_order_come_back_and_are_given_up() {
    use DeliveryState::{Arrived, Dead, Waiting};

    let (lab, one) = sending().await;
    let id = one.key.webhook.clone();
    let read = lab.store.read(&Scope::for_work("test"));
    let due = async |is_ordered, now| {
        let due = read
            .due_events(&id, is_ordered, now, 10)
            .await
            .expect("read");
        due.iter()
            .map(|event| (event.change.position.number, event.attempts))
            .collect::<Vec<_>>()
    };
    assert_eq!(read.waiting_events(&id).await.expect("read"), 3);
    assert_eq!(due(true, moment(0)).await, []);
    assert_eq!(due(true, moment(1)).await, [(2, 0), (3, 0), (5, 0)]);
    let webhooks = read.webhooks_with_due_events(moment(1)).await;
    assert_eq!(webhooks.expect("read"), ["w1"]);
    let mut tx = work(&lab).await;
    tx.event_failed(&one.key, 2, "500", moment(1), Some(moment(2)))
        .await
        .expect("noted");
    tx.commit().await.expect("committed");
    // Of an ordered webhook the first holds up the rest.
    assert_eq!(due(true, moment(1)).await, []);
    let webhooks = read.webhooks_with_due_events(moment(1)).await;
    assert_eq!(webhooks.expect("read"), [""; 0]);
    let webhooks = read.webhooks_with_due_events(moment(2)).await;
    assert_eq!(webhooks.expect("read"), ["w1"]);
    assert_eq!(due(false, moment(1)).await, [(3, 0), (5, 0)]);
    assert_eq!(due(true, moment(2)).await, [(2, 1), (3, 0), (5, 0)]);
    let failing = read.webhook(&one.key).await.expect("read").expect("there");
    assert_eq!(failing.failing_since, Some(moment(1)));
    assert_eq!(read.failing_webhooks().await.expect("read"), []);
    let mut tx = work(&lab).await;
    tx.event_failed(&one.key, 2, "502", moment(2), None)
        .await
        .expect("noted");
    tx.commit().await.expect("committed");
    assert_eq!(
        read.failing_webhooks().await.expect("read"),
        [(one.key.clone(), moment(2), "502".to_owned())]
    );
    let mut tx = work(&lab).await;
    tx.event_arrived(&one.key, 3, moment(3))
        .await
        .expect("noted");
    tx.commit().await.expect("committed");
    assert_eq!(read.failing_webhooks().await.expect("read"), []);
    let listed = async |state, page: &Page| {
        let listed = read
            .deliveries(&one.key, state, page)
            .await
            .expect("listed");
        listed
            .iter()
            .map(|one| (one.change.position.number, one.state))
            .collect::<Vec<_>>()
    };
    assert_eq!(
        listed(None, &FIRST_PAGE).await,
        [(5, Waiting), (3, Arrived), (2, Dead)]
    );
    assert_eq!(listed(Some(Dead), &FIRST_PAGE).await, [(2, Dead)]);
    let next = Page {
        size: 1,
        after: vec![PagePart::Number(5)],
    };
    assert_eq!(listed(None, &next).await[0], (3, Arrived));
    for (wanted, count, waiting) in [
        (Replay::Of(vec![2, 4]), 1, 2),
        (
            Replay::Between(moment(-9_999), moment(9_999), Some(Arrived)),
            1,
            3,
        ),
        (Replay::Between(moment(9_998), moment(9_999), None), 0, 3),
    ] {
        let mut tx = lab.begin().await;
        assert_eq!(
            tx.replay(&one.key, &wanted, 10, moment(4))
                .await
                .expect("again"),
            Some(count)
        );
        tx.commit().await.expect("committed");
        assert_eq!(read.waiting_events(&id).await.expect("read"), waiting);
    }
    // More than are let go at once.
    let mut tx = lab.begin().await;
    let all = Replay::Between(moment(-9_999), moment(9_999), None);
    let refused = tx.replay(&one.key, &all, 2, moment(4)).await;
    assert_eq!(refused.expect("counted"), None);
    drop(tx);
    // What is forgotten of the feed is forgotten here.
    let mut tx = work(&lab).await;
    tx.forget_changes(moment(99_999), 10).await.expect("gone");
    tx.commit().await.expect("committed");
    assert_eq!(listed(None, &FIRST_PAGE).await, [(5, Waiting)]);
}

#[tokio::test]
async fn webhooks_of_others_are_out_of_reach() {
    let (lab, one) = sending().await;
    let stranger = only_at("bogota")
        .network(Right::Configure)
        .expect("at home");
    let read = lab.store.read(&stranger);
    let whole = webhook(None, "w0").key;
    for key in [&one.key, &whole] {
        let refused = read.webhook(key).await;
        assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
        let refused = read.deliveries(key, None, &FIRST_PAGE).await;
        assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
    }
    let all = read.webhooks(SubscriptionsOf::All).await.expect("listed");
    assert_eq!(all, []);
    let site = SubscriptionsOf::Site(&lab.site);
    for of in [site, SubscriptionsOf::Network] {
        let refused = read.webhooks(of).await;
        assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
    }
    for refused in [
        read.webhooks_to_serve().await.map(|_| ()),
        read.failing_webhooks().await.map(|_| ()),
        read.webhooks_with_due_events(moment(1)).await.map(|_| ()),
        read.waiting_events(&one.key.webhook).await.map(|_| ()),
        read.due_events(&one.key.webhook, true, moment(1), 1)
            .await
            .map(|_| ()),
    ] {
        assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
    }
    let tx = lab.store.begin("test", &stranger).await;
    let mut tx = tx.expect("begun");
    let now = moment(1);
    for refused in [
        tx.webhook(&one.key).await.map(|_| ()),
        tx.insert_webhook(&one, 0, &Request::NONE).await,
        tx.update_webhook(&one, "webhook.update", &Request::NONE)
            .await,
        tx.delete_webhook(&one.key, now, &Request::NONE)
            .await
            .map(|_| ()),
        tx.replay(&one.key, &Replay::Of(vec![2]), 10, now)
            .await
            .map(|_| ()),
        tx.stop_webhook(&one.key, "x", now).await,
        tx.put_deliveries(&one.key.webhook, &[2], 2, now).await,
        tx.event_arrived(&one.key, 2, now).await,
        tx.event_failed(&one.key, 2, "x", now, None).await,
    ] {
        assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
    }
}
