//! Checks of when mail is due.

use jiff::civil::{Weekday, time};
use ringtrue_fleet::alert::{Alert, Level, Stage};
use ringtrue_fleet::delivery::MailMode;
use ringtrue_fleet::key::{AlertId, SiteId, SubscriptionKey};
use ringtrue_fleet::site::SiteDetails;
use ringtrue_store::NamedAlert;

use super::*;

fn moment(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

fn subscription(name: &str, level: Level) -> Subscription {
    Subscription {
        key: SubscriptionKey::parse(name).expect("a name"),
        address: "lab@example.org".to_owned(),
        level,
        mode: MailMode::Immediate,
        unsubscribed: false,
        last_sent_at: None,
        last_failure: String::new(),
        created_at: Timestamp::UNIX_EPOCH,
    }
}

fn change(kind: ChangeKind, site: Option<&str>, level: Level, state: AlertState) -> LoggedChange {
    let alert = Alert {
        id: AlertId::new("a1").expect("an id"),
        cause: "c".to_owned(),
        kind: AlertKind::CalibrationDue,
        site: site.map(|site| SiteId::new(site).expect("an id")),
        subject: "sites/north/furnaces/k2".to_owned(),
        stage: Stage::Due,
        level,
        state,
        statement: String::new(),
        next_step: String::new(),
        due_on: None,
        raised_at: Timestamp::UNIX_EPOCH,
        updated_at: Timestamp::UNIX_EPOCH,
        note: String::new(),
        noted_by: String::new(),
        snoozed_until: None,
        snoozes: 0,
        snooze_limit: None,
        closed_at: None,
        close_reason: String::new(),
        revision: 1,
    };
    LoggedChange {
        seq: 1,
        kind,
        at: Timestamp::UNIX_EPOCH,
        alert: NamedAlert {
            alert,
            subject_display_name: "K2".to_owned(),
            site_display_name: "North".to_owned(),
            time_zone: "UTC".to_owned(),
        },
    }
}

#[test]
fn news_is_of_the_recipients_place_and_level() {
    let raised = |site, level| change(ChangeKind::Raised, site, level, AlertState::Open);
    let manager = subscription("sites/north/mailSubscriptions/m", Level::Manager);
    assert!(is_news(&raised(Some("north"), Level::Manager), &manager));
    assert!(is_news(&raised(Some("north"), Level::Quality), &manager));
    assert!(!is_news(
        &raised(Some("north"), Level::Technician),
        &manager
    ));
    assert!(!is_news(&raised(Some("south"), Level::Manager), &manager));
    assert!(!is_news(&raised(None, Level::Manager), &manager));
    let network = subscription("mailSubscriptions/q", Level::Technician);
    for site in [Some("north"), Some("south"), None] {
        assert!(is_news(&raised(site, Level::Technician), &network));
    }
}

#[test]
fn what_people_did_is_no_news_and_what_comes_back_is() {
    let technician = subscription("sites/north/mailSubscriptions/m", Level::Technician);
    for (kind, state, wanted) in [
        (ChangeKind::Raised, AlertState::Open, true),
        (ChangeKind::Escalated, AlertState::Acknowledged, true),
        (ChangeKind::Reopened, AlertState::Open, true),
        (ChangeKind::Updated, AlertState::Open, true),
        (ChangeKind::Updated, AlertState::Acknowledged, false),
        (ChangeKind::Acknowledged, AlertState::Acknowledged, false),
        (ChangeKind::Snoozed, AlertState::Snoozed, false),
        (ChangeKind::Closed, AlertState::Closed, false),
    ] {
        let change = change(kind, Some("north"), Level::Technician, state);
        assert_eq!(is_news(&change, &technician), wanted, "{kind:?} {state:?}");
    }
}

#[test]
fn nobody_is_told_that_mail_does_not_reach_them() {
    let network = subscription("mailSubscriptions/q", Level::Technician);
    let mut failing = change(
        ChangeKind::Raised,
        None,
        Level::Technician,
        AlertState::Open,
    );
    failing.alert.alert.kind = AlertKind::DeliveryFailing;
    failing.alert.alert.subject = "mailSubscriptions/other".to_owned();
    assert!(is_news(&failing, &network));
    failing.alert.alert.subject = "mailSubscriptions/q".to_owned();
    assert!(!is_news(&failing, &network));
}

/// New York: UTC-5 until 8 March 2026, UTC-4 after (IANA time zone database 2025b).
#[test]
fn a_digest_is_made_once_each_working_morning_at_the_local_hour() {
    let site = SiteDetails {
        time_zone: "America/New_York".to_owned(),
        closed_days: vec![Weekday::Saturday, Weekday::Sunday],
        ..SiteDetails::default()
    };
    let calendar = Calendar::of(&site);
    let due = |last: &str, now: &str| {
        is_digest_due(&calendar, time(7, 0, 0, 0), moment(last), moment(now))
    };
    let thursday = "2026-03-05T12:00:00Z";
    assert!(!due(thursday, "2026-03-06T11:59:59Z"), "before seven");
    assert!(due(thursday, "2026-03-06T12:00:00Z"), "at seven");
    assert!(
        due(thursday, "2026-03-06T20:00:00Z"),
        "late is better than never"
    );
    let friday = "2026-03-06T12:00:00Z";
    assert!(!due(friday, "2026-03-06T12:00:02Z"), "once a day");
    assert!(!due(friday, "2026-03-07T12:00:00Z"), "not on Saturday");
    assert!(
        !due(friday, "2026-03-09T10:59:59Z"),
        "the clocks went forward"
    );
    assert!(due(friday, "2026-03-09T11:00:00Z"));
    let network = Calendar::of_network();
    let sunday = moment("2026-03-08T07:00:00Z");
    let day_before = moment("2026-03-07T07:00:00Z");
    assert!(is_digest_due(
        &network,
        time(7, 0, 0, 0),
        day_before,
        sunday
    ));
    assert!(!is_digest_due(&network, time(7, 0, 0, 0), sunday, sunday));
}

#[test]
fn attempts_come_ever_later_up_to_an_hour_and_end_after_three_days() {
    let made = moment("2026-03-06T12:00:00Z");
    let wait = |attempts, share| {
        let next = next_attempt(attempts, made, made, share).expect("it is tried again");
        next.duration_since(made).as_secs()
    };
    let longest: Vec<i64> = (0..9).map(|attempts| wait(attempts, 1.0)).collect();
    assert_eq!(longest, [60, 120, 240, 480, 960, 1920, 3600, 3600, 3600]);
    assert_eq!(wait(0, 0.0), 30);
    assert_eq!(wait(i64::MAX, 0.5), 2700);
    let later = |hours: i64| made + SignedDuration::from_hours(hours);
    assert!(next_attempt(80, made, later(71), 0.5).is_some());
    assert_eq!(next_attempt(80, made, later(72), 0.5), None);
}
