//! Sites between messages and the fleet's own words.

use super::*;

const NOW: Timestamp = Timestamp::UNIX_EPOCH;

fn given() -> v1::Site {
    v1::Site {
        display_name: "North".to_owned(),
        time_zone: "Europe/Lisbon".to_owned(),
        calibration_day: v1::DayOfWeek::Tuesday.into(),
        closed_days: vec![6, 7, 7],
        ..v1::Site::default()
    }
}

#[test]
fn what_is_left_out_gets_the_defaults_that_the_protocol_states() {
    let mut violations = Violations::default();
    let details = details(&given(), NOW, &mut violations);
    assert_eq!(violations, Violations::default());
    let usual = SiteDetails {
        display_name: "North".to_owned(),
        time_zone: "Europe/Lisbon".to_owned(),
        calibration_day: Some(Weekday::Tuesday),
        closed_days: vec![Weekday::Saturday, Weekday::Sunday],
        ..SiteDetails::default()
    };
    assert_eq!(details, usual);
}

#[test]
fn a_site_survives_the_way_out_and_back() {
    let mut sent = given();
    sent.action_band_c = Some(0.0);
    sent.largest_step_c = 12.5;
    sent.full_compensation = true;
    let mut violations = Violations::default();
    let before = details(&sent, NOW, &mut violations);
    let key = SiteId::new("north").expect("an id");
    let out = message(&Site::first(key, before.clone(), Timestamp::UNIX_EPOCH));
    assert_eq!(out.name, "sites/north");
    assert_eq!(out.etag, "\"1\"");
    assert_eq!(details(&out, NOW, &mut violations), before);
    assert_eq!(violations, Violations::default());
}

#[test]
fn an_update_changes_what_the_mask_names_and_nothing_else() {
    let mut sent = given();
    sent.calibration_day = 99;
    let before = SiteDetails {
        tolerance_c: 7.0,
        ..SiteDetails::default()
    };
    let mut violations = Violations::default();
    let apply = change(
        &sent,
        vec!["display_name", "tolerance_c"],
        NOW,
        &mut violations,
    );
    assert_eq!(
        violations,
        Violations::default(),
        "calibration_day is not changed here"
    );
    let after = apply(&before).expect("valid");
    let wanted = SiteDetails {
        display_name: "North".to_owned(),
        ..SiteDetails::default()
    };
    assert_eq!(after, wanted);
}

#[test]
fn every_changeable_field_can_be_changed() {
    let sent = v1::Site {
        name: "sites/north".to_owned(),
        calibration_interval_days: 14,
        tolerance_c: 5.0,
        action_band_c: Some(1.0),
        largest_step_c: 20.0,
        accepts_assumed_hold_correction: true,
        full_compensation: true,
        closures: vec![v1::Closure {
            from_date: Some(ringtrue_proto::Date {
                year: 2026,
                month: 12,
                day: 25,
            }),
            ..v1::Closure::default()
        }],
        firing_time: "16:30".to_owned(),
        quiet_from_time: "20:00".to_owned(),
        quiet_until_time: "06:15".to_owned(),
        manager_after_days: Some(0),
        quality_after_days: Some(2),
        silent_after_days: 20,
        readings_need_sign_off: true,
        adjustments_need_sign_off: true,
        ..given()
    };
    let all: Vec<&str> = changeable(&sent).iter().map(|(field, _)| *field).collect();
    assert!(changeable(&sent).iter().all(|(_, is_set)| *is_set));
    let mut violations = Violations::default();
    let after = change(&sent, all, NOW, &mut violations)(&SiteDetails::default()).expect("valid");
    assert_eq!(after, details(&sent, NOW, &mut violations));
}

#[test]
fn unknown_days_are_refused_by_their_place() {
    let sent = v1::Site {
        calibration_day: 8,
        closed_days: vec![1, 0, 9],
        ..given()
    };
    let mut violations = Violations::default();
    details(&sent, NOW, &mut violations);
    let refused: Vec<&str> = violations.0.iter().map(|v| v.field.as_str()).collect();
    assert_eq!(
        refused,
        [
            "site.calibration_day",
            "site.closed_days[1]",
            "site.closed_days[2]"
        ]
    );
}

#[test]
fn signatures_are_asked_for_from_when_they_were_first_asked_for_until_they_are_not() {
    let later = NOW + jiff::SignedDuration::from_hours(1);
    let asking = v1::Site {
        readings_need_sign_off: true,
        ..given()
    };
    let field = || vec!["readings_need_sign_off"];
    let mut violations = Violations::default();
    let first = change(&asking, field(), NOW, &mut violations)(&SiteDetails::default());
    let first = first.expect("valid");
    assert_eq!(first.readings_sign_off_since, Some(NOW));
    assert_eq!(first.adjustments_sign_off_since, None);
    let again = change(&asking, field(), later, &mut violations)(&first).expect("valid");
    assert_eq!(again.readings_sign_off_since, Some(NOW));
    let ended = change(&given(), field(), later, &mut violations)(&again).expect("valid");
    assert_eq!(ended.readings_sign_off_since, None);
    let anew = change(&asking, field(), later, &mut violations)(&ended).expect("valid");
    assert_eq!(anew.readings_sign_off_since, Some(later));
}
