//! Tests of how changes are named and numbered.

use super::*;

fn change(name: &str, reading: &str, subject: &str) -> Change {
    Change {
        position: Position::beginning(),
        kind: "reading.recorded".to_owned(),
        name: name.to_owned(),
        site: None,
        is_shared: false,
        at: Timestamp::UNIX_EPOCH,
        actor: ActorKind::Server,
        sequence: 1,
        reading: reading.to_owned(),
        subject: subject.to_owned(),
    }
}

#[test]
fn a_cursor_reads_back_and_nothing_else_is_one() {
    let position = Position {
        number: 0x1_2345,
        mark: "0a1b2c3d".to_owned(),
    };
    assert_eq!(position.cursor(), "c12345-0a1b2c3d");
    assert_eq!(Position::parse(&position.cursor()), Some(position));
    let first = Position::beginning();
    assert_eq!(Position::parse(&first.cursor()), Some(first));
    for wrong in [
        "",
        "c",
        "c1",
        "a1",
        "c-00000000",
        "c1-0000000",
        "c1-000000000",
        "c1-0000000g",
        "cG-00000000",
        "C1-00000000",
        "c1234567890123456-00000000",
        "c+1-00000000",
    ] {
        assert_eq!(Position::parse(wrong), None, "{wrong}");
    }
}

#[test]
fn an_action_becomes_a_stable_type() {
    for (action, kind) in [
        ("site.create", "site.created"),
        ("site.update", "site.updated"),
        ("furnace.create", "furnace.created"),
        ("furnace.event", "furnace.event_recorded"),
        ("programme.update", "programme.updated"),
        ("gauge.check", "gauge.checked"),
        ("ring_batch.create", "ring_batch.created"),
        ("reading.record", "reading.recorded"),
        ("reading.amend", "reading.amended"),
        ("adjustment.confirm", "adjustment.confirmed"),
        ("care.act", "care.act_recorded"),
        ("rule.set", "rule.set"),
        ("rule.remove", "rule.removed"),
        ("sign_off.review", "sign_off.reviewed"),
        ("sign_off.reject", "sign_off.rejected"),
        ("finding.open", "finding.opened"),
        ("finding.close", "finding.closed"),
        ("finding.resolve", "finding.resolved"),
        ("finding.acknowledge", "finding.acknowledged"),
        ("subscription.create", "mail_subscription.created"),
        ("subscription.unsubscribe", "mail_subscription.unsubscribed"),
        ("feed.revoke", "calendar_feed.revoked"),
        ("firing.report", "firing.reported"),
        ("firing.amend", "firing.amended"),
        ("exposure.decide", "exposure.decided"),
        ("something.new", "something.new"),
    ] {
        assert_eq!(type_of(action).as_deref(), Some(kind), "{action}");
        assert!(is_type(kind), "{kind}");
    }
    for action in [
        "alert.acknowledge",
        "credential.create",
        "enrolment.try",
        "signing_phrase.set",
        "site_group.set",
        "nothing",
    ] {
        assert_eq!(type_of(action), None, "{action}");
    }
}

#[test]
fn types_are_wanted_whole_or_by_the_word_before_the_dot() {
    let wanted = |types: &[&str]| {
        let types: Vec<String> = types.iter().map(|one| (*one).to_owned()).collect();
        is_wanted("reading.recorded", &types)
    };
    assert!(wanted(&[]));
    assert!(wanted(&["alert", "reading"]));
    assert!(wanted(&["reading.recorded"]));
    assert!(!wanted(&["reading.amended", "read", "reading.rec"]));
    for wrong in ["", ".", "reading.", "Reading", "a.b.c", "reading recorded"] {
        assert!(!is_type(wrong), "{wrong}");
    }
    assert!(is_type("reading"));
}

#[test]
fn the_actor_is_known_by_name_or_by_credential() {
    assert_eq!(actor_of("local:t1"), Ok(ActorKind::Local));
    assert_eq!(actor_of("work:alerts"), Ok(ActorKind::Server));
    assert_eq!(actor_of("credentials/abc:t1"), Err("abc"));
    assert_eq!(actor_of("credentials/abc"), Err("abc"));
    for (kind, word) in ActorKind::ALL {
        assert_eq!(ActorKind::parse(word), Some(kind));
        assert_eq!(kind.word(), word);
    }
}

#[test]
fn furnace_and_reading_are_cut_out_of_names() {
    let furnace = "sites/porto/furnaces/k1";
    let reading = "sites/porto/furnaces/k1/readings/r1";
    assert_eq!(reading_in(&format!("{reading}/signOffs/s1")), reading);
    assert_eq!(reading_in(furnace), "");
    assert_eq!(change(reading, reading, "").furnace(), furnace);
    assert_eq!(change("alerts/a1", "", furnace).furnace(), furnace);
    assert_eq!(change("sites/porto/gauges/g1", "", "").furnace(), "");
    assert_eq!(change("sites/furnaces", "", "").furnace(), "");
}
