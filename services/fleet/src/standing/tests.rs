//! Tests of where furnaces stand.

use std::f64::consts::SQRT_2;

use jiff::civil::{Weekday, date};
use ringtrue_calibration::coverage::normal_cdf;
use ringtrue_calibration::programme::Segment;

use super::*;
use crate::event::{EventDetails, EventKind};
use crate::furnace::FurnaceDetails;
use crate::key::{EventId, EventKey, FurnaceId, ProgrammeId, ReadingId, SiteId};
use crate::knowledge::Fit;
use crate::programme::ProgrammeDetails;
use crate::site::SiteDetails;
use crate::tracking::{TrackPoint, step};

const NOW: &str = "2026-11-25T12:00:00Z";

static NO_RULES: crate::rule::RuleBook = crate::rule::RuleBook(Vec::new());

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

fn furnace_key(id: &str) -> FurnaceKey {
    FurnaceKey {
        site: SiteId::new("north").expect("an id"),
        furnace: FurnaceId::new(id).expect("an id"),
    }
}

fn site() -> Site {
    let details = SiteDetails {
        display_name: "North bench".to_owned(),
        time_zone: "Europe/Lisbon".to_owned(),
        calibration_day: Some(Weekday::Friday),
        ..SiteDetails::default()
    };
    Site::first(SiteId::new("north").expect("an id"), details, at(NOW))
}

fn furnace() -> Furnace {
    let details = FurnaceDetails {
        display_name: "K2".to_owned(),
        maximum_setpoint_c: 1600.0,
        ..FurnaceDetails::default()
    };
    Furnace::first(furnace_key("k2"), details, at(NOW))
}

fn programme(id: &str, target_c: f64, setpoint_c: f64) -> Programme {
    let details = ProgrammeDetails {
        display_name: id.to_owned(),
        segments: vec![Segment {
            ramp_c_per_min: 10.0,
            temperature_c: target_c,
            hold_min: 120.0,
        }],
        material_target_c: target_c,
        setpoint_c,
        ..ProgrammeDetails::default()
    };
    let key = ProgrammeKey {
        furnace: furnace_key("k2"),
        programme: ProgrammeId::new(id).expect("an id"),
    };
    Programme::first(key, details, at(NOW))
}

fn point(fired_at: &str, offset_c: f64) -> TrackPoint {
    TrackPoint {
        reading: ReadingId::new("r1").expect("an id"),
        fired_at: at(fired_at),
        setpoint_c: 1500.0,
        observed_offset_c: offset_c,
        removed_c: 0.0,
        independent_c: 2.0,
        shared_c: 0.0,
        effects: Vec::new(),
        surprise: None,
        mean_mm: 19.5,
        batch: None,
        gauge: None,
    }
}

fn tracked(points: &[TrackPoint]) -> Option<TrackedOffset> {
    let mut tracked = None;
    for point in points {
        let (after, _) = step(
            tracked.as_ref(),
            &[],
            point.clone(),
            &Components::default(),
            0,
        );
        tracked = Some(after);
    }
    tracked
}

/// A furnace with everything, to be varied.
struct Bench {
    site: Site,
    furnace: Furnace,
    programmes: Vec<Programme>,
    tracked: Option<TrackedOffset>,
    events: Vec<FurnaceEvent>,
    fit: Fit,
}

impl Bench {
    fn of(points: &[TrackPoint]) -> Self {
        Self {
            site: site(),
            furnace: furnace(),
            programmes: vec![programme("crown", 1500.0, 1500.0)],
            tracked: tracked(points),
            events: Vec::new(),
            fit: Fit::default(),
        }
    }

    fn input(&self) -> StandingInput<'_> {
        StandingInput {
            rules: &NO_RULES,
            furnace: &self.furnace,
            site: &self.site,
            programmes: &self.programmes,
            tracked: self.tracked.as_ref(),
            events: &self.events,
            fired_before_at: None,
            open_findings: 2,
        }
    }

    fn knowledge(&self) -> Knowledge<'_> {
        Knowledge {
            site: &self.site.key,
            fit: &self.fit,
            site_fit: None,
            checks: &[],
        }
    }

    fn standing(&self) -> Standing {
        standing(&self.input(), &self.knowledge(), at(NOW))
    }
}

#[test]
fn a_furnace_never_read_is_due_today_and_nothing_is_said_of_it() {
    let standing = Bench::of(&[]).standing();
    assert_eq!(standing.conformity, Conformity::Unknown);
    assert_eq!(standing.next_due_on, date(2026, 11, 25));
    assert!(standing.due);
    assert_eq!(
        (standing.error, standing.drift, standing.foreseen),
        (None, None, None)
    );
    assert_eq!((standing.readings, standing.open_findings), (0, 2));
}

#[test]
fn the_error_is_setpoint_and_offset_less_target() {
    // Believed as it is: the first reading found +19 °C five days ago.
    let mut bench = Bench::of(&[point("2026-11-20T12:00:00Z", 19.0)]);
    bench.programmes = vec![programme("crown", 1500.0, 1481.0)];
    let right = bench.standing();
    let error = right.error.expect("a reading and a programme");
    assert!(error.error_c.abs() < 1e-9, "{error:?}");
    // Noise of the reading, drift that is not known, and wandering for 5/7 of a week.
    let weeks: f64 = 5.0 / 7.0;
    let expected = (4.0 + (0.12 * weeks).powi(2) + 0.4 * weeks).sqrt();
    assert!((error.standard_uncertainty_c - expected).abs() < 1e-9);
    // JCGM 106:2012, 7.3.2: both tails beyond the tolerance.
    let outside = 2.0 * normal_cdf(-10.0 / expected);
    assert!((error.outside_probability - outside).abs() < 1e-12);
    assert_eq!(right.conformity, Conformity::In);
    bench.programmes = vec![programme("crown", 1500.0, 1500.0)];
    let wrong = bench.standing();
    assert_eq!(wrong.conformity, Conformity::Out);
    let error = wrong.error.expect("a reading and a programme");
    assert!((error.error_c - 19.0).abs() < 1e-9);
    let foreseen = wrong.foreseen.expect("an error");
    assert_eq!(foreseen.leaving_on, Some(date(2026, 11, 25)));
    assert_eq!(foreseen.earliest_leaving_on, Some(date(2026, 11, 25)));
}

#[test]
fn between_in_and_out_nothing_is_decided() {
    let standing = Bench::of(&[point("2026-11-20T12:00:00Z", 8.5)]).standing();
    assert_eq!(standing.conformity, Conformity::Undecided);
}

#[test]
fn the_programme_with_the_largest_error_counts_and_ties_go_by_id() {
    let mut bench = Bench::of(&[point("2026-11-20T12:00:00Z", 4.0)]);
    bench.programmes = vec![
        programme("b", 1500.0, 1496.0),
        programme("d", 1500.0, 1490.0),
        programme("c", 1500.0, 1490.0),
    ];
    let error = bench.standing().error.expect("programmes");
    assert_eq!(error.programme.programme.as_str(), "c");
    assert!((error.error_c + 6.0).abs() < 1e-9);
    bench.programmes.clear();
    let none = bench.standing();
    assert_eq!((none.conformity, none.error), (Conformity::Unknown, None));
    assert!(none.drift.is_some());
}

#[test]
fn a_target_far_from_what_was_read_is_less_certain() {
    let mut bench = Bench::of(&[point("2026-11-20T12:00:00Z", 0.0)]);
    bench.programmes = vec![programme("low", 1400.0, 1400.0)];
    let far = bench.standing().error.expect("a programme");
    bench.programmes = vec![programme("high", 1500.0, 1500.0)];
    let near = bench.standing().error.expect("a programme");
    let more = far.standard_uncertainty_c.powi(2) - near.standard_uncertainty_c.powi(2);
    // The prior of the coefficient, 3 °C per 100 °C.
    assert!((more - 9.0).abs() < 1e-9, "{more}");
}

#[test]
fn an_event_since_the_last_reading_widens_what_is_known() {
    let mut bench = Bench::of(&[point("2026-11-20T12:00:00Z", 0.0)]);
    let calm = bench.standing();
    bench.events = vec![FurnaceEvent {
        key: EventKey {
            furnace: furnace_key("k2"),
            event: EventId::new("e1").expect("an id"),
        },
        details: EventDetails {
            kind: Some(EventKind::ElementsReplaced),
            happened_at: Some(at("2026-11-23T12:00:00Z")),
            offset_shift_c: None,
            note: String::new(),
            performed_by: String::new(),
        },
        received_at: at("2026-11-23T12:00:00Z"),
    }];
    let repaired = bench.standing();
    assert_eq!(calm.conformity, Conformity::In);
    assert_eq!(repaired.conformity, Conformity::Undecided);
    let days = |standing: Standing| standing.foreseen.expect("an error").interval.days;
    assert_eq!(days(calm), 28);
    assert_eq!(days(repaired), 7);
}

#[test]
fn leaving_before_the_due_date_is_at_least_as_likely_as_being_outside() {
    let standing = Bench::of(&[point("2026-11-20T12:00:00Z", 6.0)]).standing();
    // Friday, four weeks after.
    assert_eq!(standing.next_due_on, date(2026, 12, 18));
    assert!(!standing.due);
    let error = standing.error.expect("an error");
    assert!(error.leaving_probability > error.outside_probability);
    assert!(error.leaving_probability < 0.5);
    let foreseen = standing.foreseen.expect("an error");
    let earliest = foreseen.earliest_leaving_on.expect("within two years");
    let likely = foreseen.leaving_on.expect("within two years");
    assert!(earliest < likely);
    assert!(foreseen.interval.days < 28);
    assert!(foreseen.interval.method.contains("ILAC-G24"));
}

#[test]
fn a_proved_drift_makes_what_is_foreseen_less_certain_for_a_quarter_of_a_year() {
    let mut bench = Bench::of(&[
        point("2026-11-06T18:00:00Z", 1.0),
        point("2026-11-20T18:00:00Z", 2.0),
    ]);
    let mut drift_u = |proved_at: Option<&str>| {
        if let Some(tracked) = &mut bench.tracked {
            tracked.drift_proved_at = proved_at.map(at);
        }
        let standing = bench.standing();
        let foreseen = standing.foreseen.as_ref().expect("two readings");
        let earliest = foreseen.earliest_leaving_on.unwrap_or(Date::MAX);
        let drift = standing.drift.expect("two readings");
        (drift.standard_uncertainty_c_per_week, earliest)
    };
    let (usual, usual_day) = drift_u(None);
    let (proved, proved_day) = drift_u(Some("2026-11-20T18:00:00Z"));
    let (long_ago, _) = drift_u(Some("2026-05-20T18:00:00Z"));
    assert!((long_ago - usual).abs() < 1e-12);
    assert!((proved * proved - usual * usual - 0.49).abs() < 1e-9);
    assert!(proved_day < usual_day, "{proved_day} {usual_day}");
}

#[test]
fn an_overdue_furnace_has_the_risk_of_this_moment() {
    let standing = Bench::of(&[point("2026-09-04T12:00:00Z", 4.0)]).standing();
    assert!(standing.due);
    let error = standing.error.expect("an error");
    assert!((error.leaving_probability - error.outside_probability).abs() < 1e-6);
}

#[test]
fn the_staircase_looks_at_the_error_as_found() {
    let points = [
        point("2026-11-06T12:00:00Z", 12.0),
        point("2026-11-20T12:00:00Z", 12.0),
    ];
    let mut bench = Bench::of(&points);
    // Adjusted since; the last firing still met 1500 + 12 °C.
    bench.programmes = vec![programme("crown", 1500.0, 1488.0)];
    let mut input = bench.input();
    input.fired_before_at = Some(at("2026-11-06T12:00:00Z"));
    let found = standing(&input, &bench.knowledge(), at(NOW));
    let interval = found.foreseen.expect("an error").interval;
    // Outside ±10 °C: half of 14 days.
    assert_eq!(interval.staircase_days, 7);
    // The site's own interval when nothing is known of the one before.
    let alone = bench.standing().foreseen.expect("an error").interval;
    assert_eq!(alone.staircase_days, 14);
    assert_eq!(interval.days, alone.days);
}

#[test]
fn the_advised_interval_never_exceeds_the_sites_own() {
    let mut points = Vec::new();
    for day in ["2026-11-02", "2026-11-09", "2026-11-16", "2026-11-23"] {
        points.push(point(&format!("{day}T12:00:00Z"), 0.0));
    }
    let mut bench = Bench::of(&points);
    bench.site.details.calibration_interval_days = 5;
    let interval = bench.standing().foreseen.expect("an error").interval;
    assert_eq!(interval.days, 5);
    assert!(interval.limited_by_site);
    assert!(interval.reason.contains("5 days"), "{}", interval.reason);
}

#[test]
fn the_outlook_widens_week_by_week_and_is_empty_without_readings() {
    let bench = Bench::of(&[point("2026-11-20T12:00:00Z", 3.0)]);
    let points = outlook(&bench.input(), &bench.knowledge(), at(NOW), 13);
    assert_eq!(points.len(), 14);
    assert_eq!(points[1].at, at("2026-12-02T12:00:00Z"));
    let outside = |at: usize| points[at].outside_probability.expect("a programme");
    for week in 1..points.len() {
        assert!(points[week].standard_uncertainty_c > points[week - 1].standard_uncertainty_c);
        assert!(outside(week) > outside(week - 1));
    }
    let error = bench.standing().error.expect("an error");
    assert!((outside(0) - error.outside_probability).abs() < 1e-12);
    let unread = Bench::of(&[]);
    assert!(outlook(&unread.input(), &unread.knowledge(), at(NOW), 13).is_empty());
    assert_eq!(
        shown_at_c(&unread.input(), &unread.knowledge(), at(NOW)),
        None
    );
    let shown = shown_at_c(&bench.input(), &bench.knowledge(), at(NOW));
    assert!((shown.expect("read") - 1500.0).abs() < 1e-9);
}

/// A standing of a furnace with an error that was read, or none.
fn listed(id: &str, offset_c: Option<f64>) -> Standing {
    let points: Vec<TrackPoint> = offset_c
        .map(|offset_c| point("2026-11-20T12:00:00Z", offset_c))
        .into_iter()
        .collect();
    let mut bench = Bench::of(&points);
    bench.furnace.key = furnace_key(id);
    glance(&bench.input(), &bench.knowledge(), at(NOW))
}

fn names(standings: &[Standing]) -> Vec<&str> {
    standings
        .iter()
        .map(|standing| standing.furnace.furnace.as_str())
        .collect()
}

#[test]
fn furnaces_come_in_order_and_equals_by_name() {
    let mut all = vec![
        listed("e", None),
        listed("d", Some(-7.0)),
        listed("c", Some(7.0)),
        listed("b", Some(1.0)),
        listed("a", Some(12.0)),
    ];
    sort(&mut all, StandingOrder::Risk);
    assert_eq!(names(&all), ["a", "c", "d", "b", "e"]);
    sort(&mut all, StandingOrder::Error);
    assert_eq!(names(&all), ["a", "c", "d", "b", "e"]);
    sort(&mut all, StandingOrder::Name);
    assert_eq!(names(&all), ["a", "b", "c", "d", "e"]);
    // The one never read is due today, the others in three weeks.
    sort(&mut all, StandingOrder::Due);
    assert_eq!(names(&all), ["e", "a", "b", "c", "d"]);
    all[3].drift = Some(Drift {
        c_per_week: -SQRT_2,
        standard_uncertainty_c_per_week: 0.1,
    });
    sort(&mut all, StandingOrder::Drift);
    assert_eq!(names(&all), ["c", "a", "b", "d", "e"]);
}

#[test]
fn the_overview_counts_every_furnace_once_and_no_retired_one() {
    let mut all = vec![
        listed("a", Some(0.0)),
        listed("b", Some(8.5)),
        listed("c", Some(30.0)),
        listed("d", None),
        listed("e", None),
    ];
    all[4].state = FurnaceState::Retired;
    assert_eq!(
        overview(&all),
        Overview {
            furnaces: 4,
            in_tolerance: 1,
            out_of_tolerance: 1,
            undecided: 1,
            never_read: 1,
            due: 1,
        }
    );
    assert_eq!(overview(&[]), Overview::default());
}

#[test]
fn a_glance_is_a_standing_without_what_is_foreseen() {
    let bench = Bench::of(&[point("2026-11-20T12:00:00Z", 4.0)]);
    let whole = bench.standing();
    let glance = glance(&bench.input(), &bench.knowledge(), at(NOW));
    assert_eq!(
        glance,
        Standing {
            foreseen: None,
            ..whole
        }
    );
}
