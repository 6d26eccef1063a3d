//! Checks of what mails say.

use jiff::Timestamp;
use jiff::civil::date;
use ringtrue_fleet::alert::{Alert, AlertState};
use ringtrue_fleet::key::{AlertId, SiteId};

use super::*;

const LINK: Ending<'_> = Ending::Link("https://ringtrue.example.org/unsubscribe/abc");

fn moment(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

fn matter(kind: AlertKind, stage: Stage) -> NamedAlert {
    NamedAlert {
        alert: Alert {
            id: AlertId::new("a1").expect("an id"),
            cause: "calibration:sites/north/furnaces/k2:2026-11-27".to_owned(),
            kind,
            site: Some(SiteId::new("north").expect("an id")),
            subject: "sites/north/furnaces/k2".to_owned(),
            stage,
            level: Level::Manager,
            state: AlertState::Open,
            statement: "The calibration of K2 was due on 27 November.".to_owned(),
            next_step: "Fire a ring today.".to_owned(),
            due_on: Some(date(2026, 11, 27)),
            raised_at: moment("2026-11-28T06:30:00Z"),
            updated_at: moment("2026-11-28T06:30:00Z"),
            note: String::new(),
            noted_by: String::new(),
            snoozed_until: None,
            snoozes: 0,
            snooze_limit: None,
            closed_at: None,
            close_reason: String::new(),
            revision: 1,
        },
        subject_display_name: "K2".to_owned(),
        site_display_name: "North bench".to_owned(),
        time_zone: "America/Bogota".to_owned(),
    }
}

#[test]
fn a_subject_line_says_where_what_and_since_when() {
    for (stage, wanted) in [
        (Stage::Soon, "[North bench] K2: calibration due 27 Nov"),
        (
            Stage::Overdue,
            "[North bench] K2: calibration overdue since 27 Nov",
        ),
        (
            Stage::Lapsed,
            "[North bench] K2: calibration overdue since 27 Nov, grace used up",
        ),
    ] {
        let content = letter(&matter(AlertKind::CalibrationDue, stage), LINK);
        assert_eq!(content.subject, wanted);
    }
    let mut shared = matter(AlertKind::RingStock, Stage::Due);
    shared.site_display_name = String::new();
    shared.alert.due_on = None;
    shared.subject_display_name = "B-7".to_owned();
    assert_eq!(letter(&shared, LINK).subject, "[Network] B-7: test rings");
}

#[test]
fn a_letter_says_what_is_the_matter_what_next_by_when_and_how_to_answer_in_both_forms() {
    let content = letter(&matter(AlertKind::CalibrationDue, Stage::Overdue), LINK);
    for form in [&content.text, &content.html] {
        for wanted in [
            "The calibration of K2 was due on 27 November.",
            "Fire a ring today.",
            "Friday, 27 November 2026",
            // Bogotá is at UTC-5 all year (IANA time zone database).
            "Saturday, 28 November 2026, 01:30 (America/Bogota)",
            "technicians and the manager",
            "Hot chamber",
            caution::DEFERENCE,
            "ringtrue alert ack a1",
            "https://ringtrue.example.org/unsubscribe/abc",
        ] {
            let plain = form.replace("&#39;", "'");
            assert!(plain.contains(wanted), "{wanted} is missing in\n{form}");
        }
    }
}

#[test]
fn without_a_link_a_letter_says_whom_to_ask() {
    let name = "sites/north/mailSubscriptions/m1";
    let content = letter(
        &matter(AlertKind::CalibrationDue, Stage::Due),
        Ending::Ask(name),
    );
    for form in [&content.text, &content.html] {
        assert!(form.contains(&format!("to delete {name}")), "{form}");
        assert!(!form.contains("http"), "{form}");
    }
}

#[test]
fn what_people_wrote_never_becomes_markup() {
    let mut bad = matter(AlertKind::Finding, Stage::Due);
    bad.site_display_name = "<b>North</b>".to_owned();
    bad.subject_display_name = "K2 <img src=x>".to_owned();
    bad.alert.statement = "a < b & c".to_owned();
    for content in [letter(&bad, LINK), digest(&[bad.clone()], LINK)] {
        assert!(
            !content.html.contains("<b>") && !content.html.contains("<img"),
            "{}",
            content.html
        );
        assert!(content.html.contains("a &lt; b &amp; c"));
        assert!(content.text.contains("a < b & c"));
    }
}

#[test]
fn nothing_in_html_is_fetched_from_elsewhere() {
    let matters = [matter(AlertKind::CareDue, Stage::Due)];
    for content in [letter(&matters[0], LINK), digest(&matters, LINK)] {
        for fetching in ["<img", "<link", "<script", "<iframe", "url(", "src="] {
            assert!(!content.html.contains(fetching), "{}", content.html);
        }
    }
}

#[test]
fn cautions_are_those_of_the_act_and_care_of_no_known_task_gets_the_strictest() {
    let mut care = matter(AlertKind::CareDue, Stage::Due);
    care.alert.cause = "care:bead-replacement:k2".to_owned();
    assert!(
        letter(&care, LINK)
            .text
            .contains("Only with the furnace cold.")
    );
    care.alert.cause = "care:k2".to_owned();
    assert!(
        letter(&care, LINK)
            .text
            .contains("The chamber must be EMPTY")
    );
    for kind in AlertKind::ALL {
        let content = letter(&matter(*kind, Stage::Due), LINK);
        assert!(content.text.contains(caution::DEFERENCE), "{kind:?}");
    }
}

#[test]
fn a_digest_groups_by_site_with_the_most_pressing_first() {
    let mut soon = matter(AlertKind::CalibrationDue, Stage::Soon);
    soon.alert.id = AlertId::new("soon").expect("an id");
    let mut lapsed = matter(AlertKind::CalibrationDue, Stage::Lapsed);
    lapsed.alert.id = AlertId::new("lapsed").expect("an id");
    let mut other = matter(AlertKind::GaugeCheckDue, Stage::Overdue);
    other.site_display_name = "East".to_owned();
    other.alert.id = AlertId::new("other").expect("an id");
    let one = digest(&[soon.clone(), lapsed.clone()], LINK);
    assert_eq!(one.subject, "[North bench] 1 overdue, 1 more");
    let all = digest(&[soon, lapsed, other], LINK);
    assert_eq!(all.subject, "[2 sites] 2 overdue, 1 more");
    let places: Vec<usize> = ["East", "[other]", "North bench", "[lapsed]", "[soon]"]
        .iter()
        .map(|words| all.text.rfind(words).expect("it is told"))
        .collect();
    assert!(places.is_sorted(), "{places:?}\n{}", all.text);
}

#[test]
fn a_digest_of_very_many_tells_how_many_it_leaves_out() {
    let many = vec![matter(AlertKind::CalibrationDue, Stage::Overdue); 150];
    let content = digest(&many, LINK);
    assert!(
        content.subject.contains("150 overdue"),
        "{}",
        content.subject
    );
    for form in [&content.text, &content.html] {
        assert!(form.contains("And 50 more"), "{form}");
    }
}
