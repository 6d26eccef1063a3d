//! Checks of calendar files: moments, ids, folding, and bytes that stay the same.

use jiff::civil::{Weekday, date, time};
use ringtrue_fleet::due::{DueSubject, Reason};
use ringtrue_fleet::key::{FurnaceKey, SiteId};
use ringtrue_fleet::site::SiteDetails;
use ringtrue_fleet::task::TaskKind;

use super::*;

fn site(zone: &str) -> Site {
    let details = SiteDetails {
        display_name: "North; bench, 2".to_owned(),
        time_zone: zone.to_owned(),
        calibration_day: Some(Weekday::Friday),
        firing_time: time(15, 0, 0, 0),
        ..SiteDetails::default()
    };
    Site::first(
        SiteId::new("north").expect("an id"),
        details,
        Timestamp::UNIX_EPOCH,
    )
}

fn due(on: Date, state: DueState) -> Due {
    Due {
        task: TaskKind::Calibration,
        subject: DueSubject::Furnace(FurnaceKey::parse("sites/north/furnaces/k2").expect("a name")),
        subject_display_name: "K2".to_owned(),
        due_on: on,
        soon_on: on,
        grace_ends_on: on,
        state,
        lapsed: false,
        steps: Vec::new(),
        reasons: vec![Reason {
            code: "INTERVAL",
            text: "28 days are over; fire a ring.".to_owned(),
        }],
        next_step: "Fire a ring, then measure it.".to_owned(),
        rule_words: "every 4 weeks".to_owned(),
        rule_name: String::new(),
        last_done_at: None,
    }
}

fn moment(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

/// The file's lines, unfolded (RFC 5545, 3.1).
fn lines(file: &str) -> Vec<String> {
    file.replace("\r\n ", "")
        .split("\r\n")
        .map(str::to_owned)
        .collect()
}

fn values<'l>(lines: &'l [String], key: &str) -> Vec<&'l str> {
    lines
        .iter()
        .filter_map(|line| line.strip_prefix(key)?.strip_prefix(':'))
        .collect()
}

/// Lisbon is at UTC+0 in winter and UTC+1 from 29 March to 25 October 2026; New York at UTC-5, and UTC-4 from
/// 8 March to 1 November 2026. Source: IANA time zone database 2025b.
#[test]
fn entries_stand_at_the_local_hour_across_clock_changes() {
    let now = moment("2026-03-02T12:00:00Z");
    for (zone, days) in [
        (
            "Europe/Lisbon",
            [
                (date(2026, 3, 27), "20260327T150000Z"),
                (date(2026, 3, 30), "20260330T140000Z"),
                (date(2026, 10, 23), "20261023T140000Z"),
                (date(2026, 10, 26), "20261026T150000Z"),
            ],
        ),
        (
            "America/New_York",
            [
                (date(2026, 3, 6), "20260306T200000Z"),
                (date(2026, 3, 9), "20260309T190000Z"),
                (date(2026, 10, 30), "20261030T190000Z"),
                (date(2026, 11, 2), "20261102T200000Z"),
            ],
        ),
    ] {
        let dues: Vec<Due> = days
            .iter()
            .map(|(day, _)| due(*day, DueState::Current))
            .collect();
        let lines = lines(&calendar_file(&site(zone), &dues, "Due", now));
        let wanted: Vec<&str> = days.iter().map(|(_, starts)| *starts).collect();
        assert_eq!(values(&lines, "DTSTART"), wanted, "{zone}");
        assert_eq!(values(&lines, "DTEND")[0].len(), 16);
    }
}

#[test]
fn what_is_overdue_stands_on_today_says_since_when_and_keeps_its_id() {
    let now = moment("2026-03-09T08:00:00Z");
    let before = moment("2026-03-05T08:00:00Z");
    let on = date(2026, 3, 6);
    let site = site("Europe/Lisbon");
    let planned = lines(&calendar_file(
        &site,
        &[due(on, DueState::DueSoon)],
        "Due",
        before,
    ));
    let late = lines(&calendar_file(
        &site,
        &[due(on, DueState::Overdue)],
        "Due",
        now,
    ));
    assert_eq!(values(&late, "DTSTART"), ["20260309T150000Z"]);
    assert_eq!(
        values(&late, "SUMMARY"),
        ["Calibration: K2\\, overdue since 6 Mar"]
    );
    assert_eq!(values(&late, "SEQUENCE"), ["3"]);
    assert_eq!(values(&planned, "SEQUENCE"), ["0"]);
    assert_eq!(values(&late, "UID"), &values(&planned, "UID")[..1]);
    assert!(
        late.iter().all(|line| line != "BEGIN:VALARM"),
        "nobody is reminded of yesterday"
    );
    assert_eq!(values(&planned, "TRIGGER"), ["-P1D"]);
}

#[test]
fn the_same_day_gives_the_same_bytes_and_the_next_day_others() {
    let site = site("America/New_York");
    let dues = [due(date(2026, 3, 6), DueState::Overdue)];
    let file = |at: &str| calendar_file(&site, &dues, "Due", moment(at));
    assert_eq!(file("2026-03-09T05:00:00Z"), file("2026-03-10T03:59:59Z"));
    assert_ne!(file("2026-03-09T05:00:00Z"), file("2026-03-10T04:00:00Z"));
}

#[test]
fn lines_are_folded_at_75_octets_and_text_is_escaped() {
    let mut long = due(date(2026, 3, 6), DueState::Current);
    long.subject_display_name = "Öfen ".repeat(40);
    long.next_step = "Do this, then that; C:\\path\r\nand on.".to_owned();
    let file = calendar_file(
        &site("Europe/Lisbon"),
        &[long],
        "Rings, \u{7}due; at North",
        moment("2026-03-02T12:00:00Z"),
    );
    for line in file.split("\r\n") {
        assert!(line.len() <= 75, "{} octets: {line}", line.len());
        assert!(!line.contains(['\n', '\r', '\u{7}']), "{line:?}");
    }
    assert!(file.ends_with("END:VCALENDAR\r\n"));
    let lines = lines(&file);
    assert_eq!(
        values(&lines, "NAME;VALUE=TEXT"),
        ["Rings\\, due\\; at North"]
    );
    assert_eq!(values(&lines, "LOCATION"), ["North\\; bench\\, 2"]);
    assert!(
        values(&lines, "DESCRIPTION")[0]
            .starts_with("Do this\\, then that\\; C:\\\\path\\nand on.\\n\\n28 days"),
        "{lines:#?}"
    );
}

#[test]
fn stamps_stand_in_entries_only() {
    let dues = [due(date(2026, 3, 6), DueState::Current)];
    let lines = lines(&calendar_file(
        &site("Europe/Lisbon"),
        &dues,
        "Due",
        moment("2026-03-02T12:00:00Z"),
    ));
    assert_eq!(values(&lines, "DTSTAMP"), ["20260302T000000Z"]);
    assert_eq!(
        lines.iter().filter(|line| *line == "BEGIN:VALARM").count(),
        1
    );
}
