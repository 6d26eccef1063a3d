//! Rules of scheduling and acts of care: kept as given, told apart by site, in the audit chain.

use jiff::civil::date;
use ringtrue_fleet::act::{Act, ActDetails, ActKind, ActSubject, Use};
use ringtrue_fleet::calendar::Shift;
use ringtrue_fleet::event::EventKind;
use ringtrue_fleet::key::{ActId, ActKey, SiteId};
use ringtrue_fleet::recurrence::Recurrence;
use ringtrue_fleet::rule::{Plan, Rule, RuleDetails, RuleKey, RulePlace};
use ringtrue_fleet::task::TaskKind;
use ringtrue_store::{Error, Page, PagePart, Request};

use crate::laboratory::{Laboratory, moment, only_at, request};

/// A rule of every field, set at a place.
pub(crate) fn rule(place: RulePlace, task: TaskKind) -> Rule {
    let every_fortnight = Recurrence::parse("FREQ=WEEKLY;INTERVAL=2;BYDAY=FR", date(2026, 11, 20))
        .expect("a recurrence");
    let details = RuleDetails {
        plan: Plan::FixedDates(every_fortnight),
        after_firings: 120,
        after_hours_hot: 300.5,
        after_events: vec![EventKind::ElementsReplaced, EventKind::Moved],
        busy_firings_per_day: 2.5,
        busy_interval_days: 14,
        shift: Shift::After,
        grace_days: Some(2),
        lead_days: None,
        verify: true,
    };
    Rule::first(RuleKey { place, task }, details, moment(0))
}

/// An act at the laboratory's furnace.
pub(crate) fn act(lab: &Laboratory, id: &str, hours: i64, kind: ActKind) -> Act {
    let counted = matches!(kind, ActKind::UseCounted(_) | ActKind::RingsCounted { .. });
    let subject = if matches!(kind, ActKind::RingsCounted { .. }) {
        ActSubject::Rings(lab.batch.clone())
    } else {
        ActSubject::Furnace(lab.furnace.clone())
    };
    Act {
        key: ActKey {
            site: lab.site.clone(),
            act: ActId::new(id).expect("an id"),
        },
        details: ActDetails {
            kind: Some(kind),
            task: (!counted).then_some(TaskKind::PurgeFiring),
            subject: Some(subject),
            acted_at: moment(hours),
            reason: "the tray had cracked".to_owned(),
            chamber_was_empty: true,
            performed_by: "t1".to_owned(),
        },
        received_at: moment(hours + 1),
    }
}

/// Acts of every kind, an hour apart.
pub(crate) fn acts_of_every_kind(lab: &Laboratory) -> Vec<Act> {
    let until = Some(date(2026, 12, 1));
    let counted = Use {
        from: date(2026, 11, 16),
        until: date(2026, 11, 20),
        firings: 11,
        hours_hot: 21.25,
    };
    let kinds = [
        ActKind::Done,
        ActKind::Skipped,
        ActKind::Deferred { until },
        ActKind::RingFired,
        ActKind::UseCounted(counted),
        ActKind::RingsCounted { left: 40 },
    ];
    (0..)
        .zip(kinds)
        .map(|(hours, kind)| act(lab, &format!("act-{hours}"), hours, kind))
        .collect()
}

#[tokio::test]
async fn the_rules_of_a_site_are_the_networks_its_own_and_its_furnaces() {
    let lab = Laboratory::furnished().await;
    let shared = rule(RulePlace::Network, TaskKind::Calibration);
    let own = rule(RulePlace::Site(lab.site.clone()), TaskKind::Calibration);
    let of_furnace = rule(
        RulePlace::Furnace(lab.furnace.clone()),
        TaskKind::PurgeFiring,
    );
    let elsewhere = rule(
        RulePlace::Site(SiteId::new("bogota").expect("an id")),
        TaskKind::Calibration,
    );
    let mut tx = lab.begin().await;
    for rule in [&of_furnace, &elsewhere, &own, &shared] {
        tx.put_rule(rule, &Request::NONE).await.expect("kept");
    }
    tx.commit().await.expect("committed");
    let read = lab.read();
    let network = std::slice::from_ref(&shared);
    assert_eq!(read.rules_of(None).await.expect("rules"), network);
    assert_eq!(
        read.rules_of(Some(&lab.site)).await.expect("rules"),
        [shared.clone(), own.clone(), of_furnace.clone()]
    );
    // Recordings find them in memory.
    let report = lab.report("k1", 0, 19.47);
    let mut tx = lab.begin().await;
    let knowledge = tx.reading_knowledge(&[&report]).await.expect("knowledge");
    let known = knowledge.known(&report, None).expect("all is on record");
    assert_eq!(known.rules.0, [shared.clone(), own.clone(), of_furnace]);
    let changed = Rule {
        revision: 2,
        ..shared
    };
    tx.remove_rule(&changed, &Request::NONE)
        .await
        .expect("removed");
    tx.commit().await.expect("committed");
    let mut tx = lab.begin().await;
    let knowledge = tx.reading_knowledge(&[&report]).await.expect("knowledge");
    let known = knowledge.known(&report, None).expect("all is on record");
    assert_eq!(known.rules.0.len(), 2, "the memory starts anew");
}

#[tokio::test]
async fn every_kind_of_plan_reads_back_as_given() {
    let lab = Laboratory::furnished().await;
    let yearly = Recurrence::parse("FREQ=YEARLY", date(2026, 1, 7)).expect("a recurrence");
    let plans = [
        Plan::SiteInterval,
        Plan::FixedDates(yearly.clone()),
        Plan::SinceLast(yearly),
        Plan::NoDates,
        Plan::Off,
    ];
    for (task, plan) in TaskKind::ALL.into_iter().zip(plans) {
        let mut one = rule(RulePlace::Furnace(lab.furnace.clone()), task);
        one.details.plan = plan;
        one.details.grace_days = None;
        one.details.lead_days = Some(3);
        let mut tx = lab.begin().await;
        tx.put_rule(&one, &Request::NONE).await.expect("kept");
        assert_eq!(tx.own_rule(&one.key).await.expect("a rule"), Some(one));
        tx.commit().await.expect("committed");
    }
}

#[tokio::test]
async fn a_removed_rule_holds_no_longer_and_its_numbers_go_on() {
    let lab = Laboratory::furnished().await;
    let first = rule(RulePlace::Site(lab.site.clone()), TaskKind::Calibration);
    let mut tx = lab.begin().await;
    tx.put_rule(&first, &request(1)).await.expect("kept");
    let earlier = tx.answered(&request(1)).await.expect("no fault");
    assert_eq!(earlier.expect("answered").rule().expect("a rule"), first);
    let details = first.details.clone();
    let second = first.clone().revised(details, moment(1));
    tx.remove_rule(&second, &Request::NONE)
        .await
        .expect("removed");
    assert_eq!(tx.own_rule(&first.key).await.expect("no fault"), None);
    let before = tx.rule_before(&first.key).await.expect("no fault");
    assert_eq!(before.as_ref(), Some(&second));
    tx.commit().await.expect("committed");
    assert!(
        lab.read()
            .rules_of(Some(&lab.site))
            .await
            .expect("rules")
            .is_empty()
    );
    assert_eq!(
        lab.begin()
            .await
            .own_rule(&first.key)
            .await
            .expect("no fault"),
        None
    );
    let verified = lab.verified().await;
    assert_eq!((verified.entries, verified.faults), (7, vec![]));
}

#[tokio::test]
async fn acts_of_every_kind_read_back_as_given_latest_first() {
    let lab = Laboratory::furnished().await;
    let mut acts = acts_of_every_kind(&lab);
    let mut tx = lab.begin().await;
    for (number, act) in (1..).zip(&acts) {
        tx.insert_act(act, &request(number)).await.expect("kept");
    }
    let earlier = tx.answered(&request(3)).await.expect("no fault");
    assert_eq!(earlier.expect("answered").act().expect("an act"), acts[2]);
    tx.commit().await.expect("committed");
    let mut tx = lab.begin().await;
    let again = tx.insert_act(&acts[0], &Request::NONE).await;
    assert!(matches!(again, Err(Error::Exists)), "{again:?}");
    drop(tx);
    acts.reverse();
    let read = lab.read();
    let first = Page {
        size: 3,
        after: Vec::new(),
    };
    let page = read.acts(&lab.site, None, &first).await.expect("acts");
    assert_eq!(page, acts[..4], "one more than the page shows");
    let next = Page {
        size: 3,
        after: vec![
            PagePart::Number(page[2].details.acted_at.as_microsecond()),
            PagePart::Text(page[2].key.act.to_string()),
        ],
    };
    let rest = read.acts(&lab.site, None, &next).await.expect("acts");
    assert_eq!(rest, acts[3..]);
    let of_rings = lab.batch.name();
    let counted = read.acts(&lab.site, Some(&of_rings), &first).await;
    assert_eq!(counted.expect("acts"), acts[..1]);
    let one = read.act(&acts[0].key).await.expect("no fault");
    assert_eq!(one.as_ref(), Some(&acts[0]));
    let verified = lab.verified().await;
    assert_eq!((verified.entries, verified.faults), (11, vec![]));
}

#[tokio::test]
async fn rules_and_acts_of_other_sites_are_out_of_reach() {
    let lab = Laboratory::furnished().await;
    let own = rule(RulePlace::Site(lab.site.clone()), TaskKind::Calibration);
    let shared = rule(RulePlace::Network, TaskKind::Calibration);
    let done = act(&lab, "act-1", 0, ActKind::Done);
    let stranger = only_at("bogota")
        .network(ringtrue_fleet::caller::Right::Configure)
        .expect("may configure at home");
    let read = lab.store.read(&stranger);
    let page = Page::default();
    let refused = [
        read.rules_of(Some(&lab.site)).await.err(),
        read.act(&done.key).await.err(),
        read.acts(&lab.site, None, &page).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
    assert!(read.rules_of(None).await.expect("the network's").is_empty());
    let mut tx = lab
        .store
        .begin("test", &stranger)
        .await
        .expect("a transaction");
    let at_home = Act {
        key: ActKey {
            site: SiteId::new("bogota").expect("an id"),
            ..done.key.clone()
        },
        ..done.clone()
    };
    let refused = [
        tx.own_rule(&own.key).await.err(),
        tx.rule_before(&own.key).await.err(),
        tx.put_rule(&own, &Request::NONE).await.err(),
        tx.put_rule(&shared, &Request::NONE).await.err(),
        tx.remove_rule(&own, &Request::NONE).await.err(),
        tx.insert_act(&done, &Request::NONE).await.err(),
        tx.insert_act(&at_home, &Request::NONE).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
}
