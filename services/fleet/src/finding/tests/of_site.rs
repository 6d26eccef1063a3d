//! All rules over the records of one site.

use std::collections::BTreeMap;

use jiff::civil::Weekday;
use ringtrue_calibration::inference::Components;

use super::*;
use crate::adjustment::{Adjustment, AdjustmentDetails};
use crate::furnace::{Furnace, FurnaceDetails, FurnaceState};
use crate::gauge::{Gauge, GaugeDetails, GaugeKind};
use crate::key::{AdjustmentId, AdjustmentKey, GaugeId, ProgrammeId, ProgrammeKey};
use crate::knowledge::{Fit, Knowledge};
use crate::programme::{Programme, ProgrammeDetails};
use crate::site::{Site, SiteDetails};
use crate::tracking::{Surprise, TrackPoint, TrackedOffset, replayed};

/// A site with two furnaces read every three weeks.
struct Bench {
    site: SiteOfLate,
    histories: BTreeMap<FurnaceKey, Records>,
    fit: Fit,
}

fn points(offsets_c: &[f64]) -> Vec<TrackPoint> {
    let mut points = Vec::new();
    let mut days = 0;
    for (number, offset_c) in offsets_c.iter().enumerate() {
        points.push(TrackPoint {
            reading: ReadingId::new(&format!("r{number}")).expect("an id"),
            fired_at: day(days),
            setpoint_c: 1500.0,
            observed_offset_c: *offset_c,
            removed_c: 0.0,
            independent_c: 2.1,
            shared_c: 0.0,
            effects: Vec::new(),
            surprise: None,
            mean_mm: 19.5,
            batch: None,
            gauge: None,
        });
        days += 21;
    }
    points
}

fn adjustment(furnace: &FurnaceKey, number: i64, from_c: f64, to_c: f64) -> Adjustment {
    Adjustment {
        key: AdjustmentKey {
            furnace: furnace.clone(),
            adjustment: AdjustmentId::new(&format!("a{number}")).expect("an id"),
        },
        details: AdjustmentDetails {
            programme: Some(ProgrammeKey {
                furnace: furnace.clone(),
                programme: ProgrammeId::new("crown").expect("an id"),
            }),
            reading: None,
            setpoint_c: to_c,
            adjusted_at: Some(day(21 * number + 1)),
            performed_by: String::new(),
            override_reason: String::new(),
        },
        previous_setpoint_c: from_c,
        advised_setpoint_c: None,
        received_at: day(21 * number + 1),
    }
}

impl Bench {
    fn of(furnaces: &[(&str, &[f64])]) -> Self {
        Self::under(Components::default(), furnaces)
    }

    fn under(components: Components, furnaces: &[(&str, &[f64])]) -> Self {
        let details = SiteDetails {
            display_name: "North bench".to_owned(),
            time_zone: "Europe/Lisbon".to_owned(),
            calibration_day: Some(Weekday::Friday),
            ..SiteDetails::default()
        };
        let mut late = SiteOfLate {
            rules: crate::rule::RuleBook::default(),
            site: Site::first(site("north"), details, day(0)),
            furnaces: Vec::new(),
            programmes: Vec::new(),
            gauges: Vec::new(),
            tracked: Vec::new(),
            events: Vec::new(),
            readings: Vec::new(),
            adjustments: Vec::new(),
        };
        let mut histories = BTreeMap::new();
        for (id, offsets_c) in furnaces {
            let key = furnace(id);
            let details = FurnaceDetails {
                display_name: (*id).to_owned(),
                ..FurnaceDetails::default()
            };
            late.furnaces
                .push(Furnace::first(key.clone(), details, day(0)));
            let programme = ProgrammeKey {
                furnace: key.clone(),
                programme: ProgrammeId::new("crown").expect("an id"),
            };
            let details = ProgrammeDetails {
                display_name: "Crown".to_owned(),
                material_target_c: 1500.0,
                setpoint_c: 1500.0,
                ..ProgrammeDetails::default()
            };
            late.programmes
                .push(Programme::first(programme, details, day(0)));
            let points = points(offsets_c);
            let tracked: Option<TrackedOffset> = replayed(&points, &[], &components, 0);
            if let Some(tracked) = tracked {
                late.tracked.push((key.furnace.clone(), tracked));
            }
            for (number, point) in points.iter().enumerate() {
                late.readings.push(ReadingOfLate {
                    key: reading(&key, number),
                    fired_at: point.fired_at,
                    surprise: (number > 0).then_some(Surprise {
                        z: 0.1,
                        standard_deviation_c: 3.0,
                        gain: 0.4,
                    }),
                    performed_by: "MK".to_owned(),
                    batch: Some(BatchId::new("b7").expect("an id")),
                    gauge: Some(GaugeId::new("c1").expect("an id")),
                    rings: Vec::new(),
                });
            }
            histories.insert(key, (points, Vec::new()));
        }
        Self {
            site: late,
            histories,
            fit: Fit {
                components,
                ..Fit::default()
            },
        }
    }

    fn knowledge(&self) -> Knowledge<'_> {
        Knowledge {
            site: &self.site.site.key,
            fit: &self.fit,
            site_fit: None,
            checks: &[],
        }
    }

    /// What is shown with only those histories that were asked for.
    fn shown(&self) -> Shown {
        let mut histories = self.histories.clone();
        let wanted = self.site.histories_wanted(&self.knowledge());
        histories.retain(|furnace, _| wanted.contains(furnace));
        self.site.shown(&histories, &self.knowledge(), day(90))
    }
}

fn clear(shown: &Shown, kind: FindingKind) -> Vec<&Candidate> {
    shown
        .candidates
        .iter()
        .filter(|candidate| candidate.kind == kind && candidate.strength == Strength::Clear)
        .collect()
}

#[test]
fn a_furnace_far_from_its_target_and_a_right_one_are_told_apart() {
    let bench = Bench::of(&[
        ("k1", &[14.0, 15.0, 14.5, 14.0, 14.5]),
        ("k2", &[0.0, 0.5, -0.5, 0.0, 0.5]),
    ]);
    let shown = bench.shown();
    let leaving = clear(&shown, FindingKind::FurnaceLeavingTolerance);
    assert_eq!(leaving.len(), 1);
    assert_eq!(leaving[0].subject, Subject::Furnace(furnace("k1")));
    assert_eq!(leaving[0].readings, [reading(&furnace("k1"), 4)]);
    // Every furnace is a test, also those that show nothing.
    assert_eq!((shown.drifting.len(), shown.shifted.len()), (2, 1));
    assert!(shown.drifting.iter().all(|test| test.candidate.is_none()));
    assert!(bench.site.histories_wanted(&bench.knowledge()).is_empty());
    let of = |subject: Subject| {
        let found = shown.watched.iter().find(|(known, _)| *known == subject);
        found.map(|(_, watched)| *watched)
    };
    let last = Some(Watched::LastFired(day(84)));
    assert_eq!(of(Subject::Furnace(furnace("k2"))), last);
    assert_eq!(of(Subject::Site(site("north"))), last);
    assert_eq!(shown.batches.len(), 10);
}

#[test]
fn one_furnace_that_drifts_is_no_shift_of_its_site_and_two_are() {
    let calm = [0.0; 9];
    let mut bench = Bench::of(&[("k1", &calm), ("k2", &calm), ("k3", &calm)]);
    let surprise = |bench: &mut Bench, id: &str, z: f64| {
        for reading in &mut bench.site.readings {
            if reading.key.furnace == furnace(id)
                && let Some(surprise) = &mut reading.surprise
            {
                surprise.z = z;
            }
        }
    };
    surprise(&mut bench, "k1", 2.8);
    // Wide of what is expected in every week, and no drift.
    surprise(&mut bench, "k2", 1.1);
    let drifters = |shown: &Shown| {
        let found = |tested: &&Tested| tested.candidate.is_some();
        shown.drifting.iter().filter(found).count()
    };
    let shown = bench.shown();
    assert_eq!(drifters(&shown), 1);
    assert!(shown.shifted[0].candidate.is_none());
    surprise(&mut bench, "k2", 2.8);
    let shown = bench.shown();
    assert_eq!(drifters(&shown), 2);
    assert!(shown.shifted[0].candidate.is_some());
}

#[test]
fn a_retired_furnace_is_not_looked_at() {
    let mut bench = Bench::of(&[("k1", &[14.0, 15.0]), ("k2", &[0.0, 0.5])]);
    bench.site.furnaces[0].details.state = FurnaceState::Retired;
    let shown = bench.shown();
    assert_eq!(shown.drifting.len(), 1);
    assert!(clear(&shown, FindingKind::FurnaceLeavingTolerance).is_empty());
}

#[test]
fn a_steady_fast_drift_is_found_from_the_history() {
    // In a network whose furnaces are known to drift, the drift is soon believed.
    let components = Components {
        slope_sd_c_per_week: 0.5,
        ..Components::default()
    };
    let rising = [0.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0, 21.0, 24.0];
    let bench = Bench::under(components, &[("k1", &rising)]);
    assert_eq!(
        bench.site.histories_wanted(&bench.knowledge()),
        [furnace("k1")]
    );
    let found = discovered(bench.shown().drifting);
    assert_eq!(found.len(), 1);
    assert!(
        found[0].statement.contains("hotter"),
        "{}",
        found[0].statement
    );
}

#[test]
fn a_setpoint_that_follows_every_reading_is_found_from_the_history() {
    let mut bench = Bench::of(&[("k1", &[0.5, -0.5, 1.0, -1.0, 0.0, 0.5])]);
    for (number, (from_c, to_c)) in [
        (1500.0, 1497.0),
        (1497.0, 1501.0),
        (1501.0, 1499.0),
        (1499.0, 1500.0),
    ]
    .into_iter()
    .enumerate()
    {
        let number = i64::try_from(number).expect("small") + 1;
        let made = adjustment(&furnace("k1"), number, from_c, to_c);
        bench.site.adjustments.push(made);
    }
    let shown = bench.shown();
    let found = clear(&shown, FindingKind::FurnaceOverAdjusted);
    assert_eq!(found.len(), 1);
    assert!(
        found[0].statement.contains("changed 4 times"),
        "{}",
        found[0].statement
    );
    bench.site.adjustments.pop();
    assert!(
        bench
            .shown()
            .candidates
            .iter()
            .all(|candidate| { candidate.kind != FindingKind::FurnaceOverAdjusted })
    );
}

#[test]
fn rings_are_compared_with_the_reference_position() {
    let mut bench = Bench::of(&[("k1", &[0.0, 0.5, -0.5, 0.0])]);
    for reading in &mut bench.site.readings {
        reading.rings = vec![
            ("Centre".to_owned(), 1500.0),
            (" door".to_owned(), 1486.0),
            ("centre ".to_owned(), 1502.0),
        ];
    }
    let shown = bench.shown();
    let found = clear(&shown, FindingKind::ChamberUneven);
    assert_eq!(found.len(), 1);
    // 1486 less the mean of 1500 and 1502.
    assert!(
        found[0].statement.contains("door is 15.0"),
        "{}",
        found[0].statement
    );
    // Named another way round the centre is the one that differs.
    bench.site.furnaces[0].details.reference_position = "Door".to_owned();
    let shown = bench.shown();
    let found = clear(&shown, FindingKind::ChamberUneven);
    assert!(
        found[0].statement.contains("hotter"),
        "{}",
        found[0].statement
    );
    // A reference that no reading has compares nothing.
    bench.site.furnaces[0].details.reference_position = "back".to_owned();
    assert!(clear(&bench.shown(), FindingKind::ChamberUneven).is_empty());
}

#[test]
fn a_gauge_is_seen_with_its_latest_reading_and_an_unused_one_is_not() {
    let mut bench = Bench::of(&[("k1", &[0.0, 0.5])]);
    for id in ["c1", "c2"] {
        let key = GaugeKey {
            site: site("north"),
            gauge: GaugeId::new(id).expect("an id"),
        };
        let details = GaugeDetails {
            display_name: id.to_owned(),
            kind: Some(GaugeKind::Caliper),
            resolution_mm: 0.01,
            maximum_permissible_error_mm: 0.02,
            ..GaugeDetails::default()
        };
        bench.site.gauges.push(Gauge::first(key, details, day(0)));
    }
    let shown = bench.shown();
    let seen: Vec<&(Subject, Watched)> = shown
        .watched
        .iter()
        .filter(|(subject, _)| matches!(subject, Subject::Gauge(_)))
        .collect();
    assert_eq!(seen.len(), 1);
    assert_eq!(seen[0].1, Watched::LastFired(day(21)));
}

#[test]
fn a_site_without_records_shows_nothing() {
    let shown = Bench::of(&[]).shown();
    assert!(shown.candidates.is_empty());
    assert!(shown.watched.is_empty());
    assert!(shown.drifting.is_empty());
    assert!(shown.shifted.iter().all(|test| test.candidate.is_none()));
}
