//! Assessments against the rules: what is asked, and what is taken into account.

use std::collections::BTreeSet;

use jiff::SignedDuration;
use ringtrue_calibration::programme::Segment;
use ringtrue_calibration::ring_table::Entry;

use super::*;
use crate::fitting::{Counts, Fitting};
use crate::furnace::FurnaceDetails;
use crate::gauge::GaugeDetails;
use crate::key::{
    BatchId, FurnaceId, FurnaceKey, GaugeId, GaugeKey, ProgrammeId, ProgrammeKey, SiteId,
};
use crate::knowledge::{Fit, SiteFit};
use crate::programme::ProgrammeDetails;
use crate::reading::MeasuredRing;
use crate::ring_batch::{BatchDetails, BatchState};
use crate::site::SiteDetails;
use crate::tracking::tests::check;
use crate::tracking::{offset_then, replayed};

static NO_RULES: crate::rule::RuleBook = crate::rule::RuleBook(Vec::new());

fn start() -> Timestamp {
    "2026-11-06T18:00:00Z".parse().expect("a moment")
}

fn days_on(days: i64) -> Timestamp {
    start() + SignedDuration::from_hours(24 * days)
}

/// A site with one furnace, an unchecked caliper and an invented batch: 1519 °C at 19.47 mm, 2 °C per
/// 0.01 mm.
struct Lab {
    site: Site,
    furnace: Furnace,
    programme: Programme,
    batch: RingBatch,
    gauge: Gauge,
    /// The gauge's checks on a block.
    checks: Vec<(GaugeId, Vec<GaugeCheck>)>,
    /// The last fit of the network, and its part for the site.
    fit: Fit,
    site_fit: Option<SiteFit>,
}

impl Lab {
    fn new() -> Self {
        Self::named("porto")
    }

    fn named(site: &str) -> Self {
        let site = SiteId::new(site).expect("an id");
        let furnace = FurnaceKey {
            site: site.clone(),
            furnace: FurnaceId::new("k2").expect("an id"),
        };
        let programme = ProgrammeKey {
            furnace: furnace.clone(),
            programme: ProgrammeId::new("p1").expect("an id"),
        };
        let gauge = GaugeKey {
            site: site.clone(),
            gauge: GaugeId::new("g1").expect("an id"),
        };
        let mut entries = Vec::new();
        for step in 0..=80_u32 {
            let hundredths = f64::from(step);
            entries.push(Entry {
                diameter_mm: (1920.0 + hundredths) / 100.0,
                temperature_c: 1573.0 - 2.0 * hundredths,
            });
        }
        Self {
            site: Site::first(
                site,
                SiteDetails {
                    time_zone: "Europe/Lisbon".to_owned(),
                    ..SiteDetails::default()
                },
                start(),
            ),
            furnace: Furnace::first(
                furnace,
                FurnaceDetails {
                    maximum_setpoint_c: 1600.0,
                    ..FurnaceDetails::default()
                },
                start(),
            ),
            programme: Programme::first(
                programme,
                ProgrammeDetails {
                    segments: vec![Segment {
                        ramp_c_per_min: 10.0,
                        temperature_c: 1500.0,
                        hold_min: 120.0,
                    }],
                    material_target_c: 1500.0,
                    setpoint_c: 1500.0,
                    ..ProgrammeDetails::default()
                },
                start(),
            ),
            batch: RingBatch::first(
                BatchId::new("b1").expect("an id"),
                BatchDetails {
                    code: "B1".to_owned(),
                    tables: vec![RingTable::new(120.0, entries).expect("a valid table")],
                    stated_expanded_uncertainty_c: None,
                    expires_on: None,
                    provenance: String::new(),
                    state: BatchState::Released,
                    state_reason: String::new(),
                },
                start(),
            ),
            gauge: Gauge::first(
                gauge,
                GaugeDetails {
                    resolution_mm: 0.01,
                    maximum_permissible_error_mm: 0.03,
                    ..GaugeDetails::default()
                },
                start(),
            ),
            checks: Vec::new(),
            fit: Fit::default(),
            site_fit: None,
        }
    }

    fn knowledge(&self) -> Knowledge<'_> {
        Knowledge {
            site: &self.site.key,
            fit: &self.fit,
            site_fit: self.site_fit.as_ref(),
            checks: &self.checks,
        }
    }

    /// The gauge is checked on a block.
    fn check_gauge(&mut self, days: i64, bias_mm: f64) {
        let id = format!("c{days}");
        let checked_at = days_on(days).to_string();
        let mut found = check(&id, "g1", &checked_at, bias_mm);
        found.key.gauge = self.gauge.key.clone();
        self.checks
            .retain(|(gauge, _)| gauge != &self.gauge.key.gauge);
        self.checks
            .push((self.gauge.key.gauge.clone(), vec![found]));
    }

    fn assessed(&self, tracked: Option<&TrackedOffset>, mean_mm: f64, days: i64) -> Assessed {
        self.tried(tracked, &[], mean_mm, days, Purpose::Routine)
            .expect("assessed")
    }

    fn tried(
        &self,
        tracked: Option<&TrackedOffset>,
        other_batches: &[RingBatch],
        mean_mm: f64,
        days: i64,
        purpose: Purpose,
    ) -> Result<Assessed, Refused> {
        let checks = self
            .checks
            .first()
            .map_or(&[][..], |(_, checks)| checks.as_slice());
        let known = Known {
            rules: &NO_RULES,
            newer_reading: false,
            setpoint_in_force_c: None,
            site: &self.site,
            furnace: &self.furnace,
            programme: &self.programme,
            rings: Some(KnownRings {
                batch: &self.batch,
                gauge: &self.gauge,
                checks,
                check: checks
                    .iter()
                    .rev()
                    .find(|check| check.details.checked_at <= Some(days_on(days))),
                pooled: Some(Pooled {
                    standard_deviation_mm: 0.012,
                    degrees_of_freedom: 200.0,
                }),
                other_batches: other_batches.iter().collect(),
                used_ring: None,
            }),
            knowledge: self.knowledge(),
            tracked,
            events: &[],
            twins: Vec::new(),
            same_firing: None,
        };
        let report = Report {
            programme: self.programme.key.clone(),
            setpoint_c: None,
            method: Method::Rings(RingMeasurement {
                batch: self.batch.key.clone(),
                gauge: self.gauge.key.clone(),
                rings: vec![MeasuredRing {
                    ring: Ring {
                        position: "centre".to_owned(),
                        diameters_mm: vec![mean_mm - 0.01, mean_mm, mean_mm + 0.01],
                    },
                    serial_number: String::new(),
                }],
                zero_mm: None,
                ring_temperature_c: None,
            }),
            fired_at: days_on(days),
            measured_at: days_on(days) + SignedDuration::from_hours(12),
            purpose,
            performed_by: String::new(),
            note: String::new(),
            answered: BTreeSet::new(),
        };
        let id = ReadingId::new(&format!("r{days}")).expect("an id");
        assess(&known, &report, &id)
    }
}

fn codes(assessed: &Assessed) -> Vec<&'static str> {
    assessed
        .questions
        .iter()
        .map(|asked| asked.question.code.code())
        .collect()
}

#[test]
fn a_first_reading_advises_the_plain_setpoint() {
    let found = Lab::new().assessed(None, 19.47, 0);
    let decision = found.evaluation.decision.expect("evaluable");
    assert!((decision.plain_setpoint_c - 1481.0).abs() < 1e-6);
    assert!((decision.advised_setpoint_c - 1481.0).abs() < 1e-9);
    assert!(found.questions.is_empty());
}

#[test]
fn biases_that_history_shares_do_not_hide_a_leap() {
    let lab = Lab::new();
    let mut points: Vec<TrackPoint> = Vec::new();
    let mut tracked: Option<TrackedOffset> = None;
    for days in [0, 7, 14, 21] {
        let found = lab.assessed(tracked.as_ref(), 19.56, days);
        assert!(found.questions.is_empty(), "{:?}", codes(&found));
        points.extend(found.point);
        tracked = found.tracked;
    }
    // 13 °C in a week: the caliper reads wrong by the same amount as last week, so this is no bias.
    let leap = lab.assessed(tracked.as_ref(), 19.495, 28);
    let z = leap.evaluation.innovation_z.expect("a history");
    assert!(z > 3.5, "{z}");
    assert_eq!(codes(&leap), ["FAR_FROM_HISTORY"]);
    // A second firing that agrees is not asked the same again.
    let second = lab.assessed(leap.tracked.as_ref(), 19.495, 29);
    assert!(second.inputs.confirmed);
    assert!(second.questions.is_empty(), "{:?}", codes(&second));
    // The filter is the same whether it is worked out at once or replayed.
    points.extend(
        [&leap, &second]
            .iter()
            .filter_map(|found| found.point.clone()),
    );
    let mut at_once = second.tracked.expect("it counts");
    at_once.evaluated = None;
    let components = lab.fit.components;
    assert_eq!(replayed(&points, &[], &components, 0), Some(at_once));
}

/// A fit of the network, with nothing else happening.
fn refitted(labs: &mut [&mut Lab], tracked: &[Vec<TrackedOffset>]) {
    let before = labs[0].fit.clone();
    let mut fitting = Fitting::after(&before, before.components);
    for (lab, furnaces) in labs.iter_mut().zip(tracked) {
        lab.site_fit = Some(fitting.add_site(furnaces, &lab.checks));
    }
    let counts = Counts {
        components_number: 0,
        components_at: None,
        changes: 0,
        reference_version: 0,
    };
    let fit = fitting
        .finished(&before, start(), counts)
        .expect("a solution");
    for lab in labs {
        lab.fit = fit.clone();
    }
}

#[test]
fn a_first_reading_with_a_checked_gauge_advises_the_plain_setpoint() {
    let mut lab = Lab::new();
    lab.check_gauge(-10, 0.05);
    // The caliper reads 0.05 mm large, so 19.52 is 19.47 mm: 1519 °C.
    let found = lab.assessed(None, 19.52, 0);
    let decision = found.evaluation.decision.expect("evaluable");
    assert!((decision.plain_setpoint_c - 1481.0).abs() < 1e-6);
    assert!((decision.advised_setpoint_c - 1481.0).abs() < 1e-9);
    let point = found.point.expect("it counts");
    assert!((point.observed_offset_c - 19.0).abs() < 1e-6);
    assert!((point.removed_c + 10.0).abs() < 1e-6);
    let tracked = found.tracked.expect("it counts");
    let offset = tracked.chain.offset(&lab.knowledge().of(&tracked.columns));
    assert!((offset.estimate(1500.0).offset_c - 19.0).abs() < 1e-3);
}

#[test]
fn a_check_of_the_gauge_corrects_the_history_and_is_no_leap() {
    let mut lab = Lab::new();
    let mut tracked = None;
    for days in [0, 7, 14] {
        let found = lab.assessed(tracked.as_ref(), 19.47, days);
        tracked = found.tracked;
    }
    lab.check_gauge(18, 0.05);
    let found = lab.assessed(tracked.as_ref(), 19.47, 21);
    // The same diameter is now 1529 °C; so were the three before it.
    assert!((found.evaluation.observed_offset_c - 29.0).abs() < 1e-6);
    assert!(found.evaluation.innovation_z.expect("a history").abs() < 0.1);
    assert!(found.questions.is_empty(), "{:?}", codes(&found));
    let decision = found.evaluation.decision.expect("evaluable");
    assert!(
        (decision.offset_c - 29.0).abs() < 0.1,
        "{}",
        decision.offset_c
    );
}

#[test]
fn another_batch_s_errors_are_not_taken_for_the_furnace() {
    let mut lab = Lab::new();
    let mut tracked = None;
    for days in [0, 7, 14, 21] {
        tracked = lab.assessed(tracked.as_ref(), 19.47, days).tracked;
    }
    let same = lab.assessed(tracked.as_ref(), 19.44, 28);
    lab.batch.key = BatchId::new("b2").expect("an id");
    let other = lab.assessed(tracked.as_ref(), 19.44, 28);
    let z = |found: &Assessed| found.evaluation.innovation_z.expect("a history");
    assert!(z(&other) < 0.8 * z(&same), "{} {}", z(&other), z(&same));
    let effects = |found: &Assessed| -> Vec<String> {
        let point = found.point.as_ref().expect("it counts");
        let names = point.effects.iter().map(|part| part.effect.to_string());
        names.collect()
    };
    assert_eq!(effects(&same), ["gauge:g1/0", "batch:b1"]);
    assert_eq!(effects(&other), ["gauge:g1/0", "batch:b2"]);
}

#[test]
fn what_an_evaluation_finds_is_what_the_next_fit_finds() {
    let (mut braga, mut porto) = (Lab::named("braga"), Lab::named("porto"));
    porto.check_gauge(-10, 0.01);
    let mut tracked: [Option<TrackedOffset>; 2] = [None, None];
    // Which lab, diameter, day, batch; the reading far off counts less, and the one after it agrees.
    let plan = [
        (0, 19.47, 0, "b1"),
        (1, 19.52, 2, "b1"),
        (0, 19.46, 7, "b1"),
        (1, 19.50, 9, "b2"),
        (0, 19.43, 14, "b2"),
        (0, 19.30, 21, "b2"),
        (0, 19.30, 22, "b1"),
        (1, 19.52, 23, "b1"),
    ];
    for (lab, mean_mm, days, batch) in plan {
        let of = if lab == 0 { &mut braga } else { &mut porto };
        of.batch.key = BatchId::new(batch).expect("an id");
        let found = of.assessed(tracked[lab].as_ref(), mean_mm, days);
        let evaluated = found.evaluation.state.expect("evaluable");
        let now = found.tracked.expect("it counts");
        assert_eq!(offset_then(&now, &of.knowledge()), evaluated);
        tracked[lab] = Some(now);
        let furnaces: Vec<Vec<TrackedOffset>> = tracked
            .iter()
            .map(|tracked| tracked.iter().cloned().collect())
            .collect();
        refitted(&mut [&mut braga, &mut porto], &furnaces);
        let of = if lab == 0 { &braga } else { &porto };
        let after = offset_then(tracked[lab].as_ref().expect("just read"), &of.knowledge());
        assert!((after.level_c - evaluated.level_c).abs() < 1e-9, "{days}");
        for (row, other) in after.covariance.iter().zip(&evaluated.covariance) {
            for (one, two) in row.iter().zip(other) {
                assert!((one - two).abs() < 1e-9 * one.abs().max(1.0), "{days}");
            }
        }
    }
    assert_eq!(braga.fit.number, 8);
}

#[test]
fn practice_and_what_cannot_be_evaluated_do_not_put_off_the_next_calibration() {
    let lab = Lab::new();
    let practice = lab
        .tried(None, &[], 19.47, 0, Purpose::Practice)
        .expect("assessed");
    // Nothing is known of the furnace yet: it is due at once.
    assert_eq!(practice.next_due_on, jiff::civil::date(2026, 11, 7));
    let first = lab.assessed(None, 19.47, 0);
    assert_eq!(first.next_due_on, jiff::civil::date(2026, 12, 4));
    let tracked = first.tracked.as_ref();
    let practice = lab
        .tried(tracked, &[], 19.47, 20, Purpose::Practice)
        .expect("assessed");
    assert_eq!(practice.next_due_on, first.next_due_on);
    let mut other_hold = Lab::new();
    other_hold.programme.details.segments[0].hold_min = 60.0;
    let unusable = other_hold.assessed(tracked, 19.47, 20);
    assert!(!unusable.evaluation.evaluable);
    assert_eq!(unusable.next_due_on, first.next_due_on);
    // Half the hold reads some 27 °C low: that is the hold, and no leap of the furnace.
    let low = other_hold.assessed(tracked, 19.605, 20);
    assert!(low.questions.is_empty(), "{:?}", codes(&low));
    let second = lab.assessed(tracked, 19.47, 20);
    assert!(second.next_due_on > first.next_due_on);
}

#[test]
fn a_ring_outside_its_table_that_fits_another_open_batch_is_told() {
    let lab = Lab::new();
    let mut other = lab.batch.clone();
    other.key = BatchId::new("b2").expect("an id");
    "B2".clone_into(&mut other.details.code);
    let mut smaller = Vec::new();
    for entry in lab.batch.details.tables[0].entries() {
        smaller.push(Entry {
            diameter_mm: entry.diameter_mm - 3.0,
            ..*entry
        });
    }
    other.details.tables = vec![RingTable::new(120.0, smaller).expect("a valid table")];
    let refused = |others: &[RingBatch]| {
        let refused = lab
            .tried(None, others, 16.47, 0, Purpose::Routine)
            .expect_err("outside the table");
        refused.to_string()
    };
    let told = refused(std::slice::from_ref(&other));
    assert!(
        told.contains("Batch B2 would give 1519 °C, which fits"),
        "{told}"
    );
    assert!(!refused(&[]).contains("batch B2"));
}
