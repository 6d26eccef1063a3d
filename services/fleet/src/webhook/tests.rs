//! Tests of which changes a webhook is sent, and what is wrong with one.

use super::*;
use crate::change::{ActorKind, Position};
use crate::key::WebhookId;

fn site(id: &str) -> SiteId {
    SiteId::new(id).expect("an id")
}

fn change(at: Option<&str>, is_shared: bool) -> Change {
    Change {
        position: Position::beginning(),
        kind: "reading.recorded".to_owned(),
        name: "x".to_owned(),
        site: at.map(site),
        is_shared,
        at: Timestamp::UNIX_EPOCH,
        actor: ActorKind::Server,
        sequence: 1,
        reading: String::new(),
        subject: String::new(),
    }
}

fn webhook(at: Option<&str>) -> Webhook {
    Webhook {
        key: WebhookKey {
            site: at.map(site),
            webhook: WebhookId::new("w1").expect("an id"),
        },
        details: WebhookDetails {
            display_name: "ledger".to_owned(),
            url: "https://ledger.example/hook".to_owned(),
            types: Vec::new(),
            sites: BTreeSet::new(),
            is_ordered: false,
            is_active: true,
        },
        generation: 1,
        previous_until: None,
        key_id: String::new(),
        stopped_because: String::new(),
        failing_since: None,
        last_failure: String::new(),
        last_arrived_at: None,
        revision: 1,
        created_at: Timestamp::UNIX_EPOCH,
        updated_at: Timestamp::UNIX_EPOCH,
    }
}

#[test]
fn a_webhook_of_a_site_is_sent_its_own_changes_and_what_all_share() {
    let own = webhook(Some("porto"));
    assert!(own.wants(&change(Some("porto"), false)));
    assert!(own.wants(&change(None, true)));
    assert!(!own.wants(&change(Some("faro"), false)));
    assert!(!own.wants(&change(None, false)));
}

#[test]
fn a_webhook_of_the_network_is_sent_everything_or_what_its_sites_do() {
    let mut whole = webhook(None);
    for wanted in [change(Some("porto"), false), change(None, false)] {
        assert!(whole.wants(&wanted));
    }
    whole.details.sites.insert(site("faro"));
    assert!(whole.wants(&change(Some("faro"), false)));
    assert!(!whole.wants(&change(Some("porto"), false)));
    whole.details.types = vec!["alert".to_owned()];
    assert!(!whole.wants(&change(Some("faro"), false)));
}

#[test]
fn both_secrets_are_signed_with_until_the_overlap_is_over() {
    let mut rotated = webhook(None);
    assert_eq!(rotated.generations(Timestamp::UNIX_EPOCH), [1]);
    rotated.generation = 3;
    rotated.previous_until = Timestamp::from_second(100).ok();
    let at = |second| Timestamp::from_second(second).expect("a moment");
    assert_eq!(rotated.generations(at(99)), [3, 2]);
    assert_eq!(rotated.generations(at(100)), [3]);
}

#[test]
fn everything_that_is_wrong_is_named() {
    let mut wrong = webhook(None).details;
    wrong.display_name = String::new();
    wrong.url = String::new();
    wrong.types = vec!["reading".to_owned(), "No".to_owned()];
    wrong.sites.insert(site("faro"));
    let mut violations = Violations::default();
    wrong.check("webhook", true, &mut violations);
    let fields: Vec<&str> = violations.0.iter().map(|one| one.field.as_str()).collect();
    assert_eq!(
        fields,
        [
            "webhook.display_name",
            "webhook.url",
            "webhook.types[1]",
            "webhook.sites"
        ]
    );
    let mut none = Violations::default();
    webhook(Some("porto"))
        .details
        .check("webhook", true, &mut none);
    assert_eq!(none, Violations::default());
}
