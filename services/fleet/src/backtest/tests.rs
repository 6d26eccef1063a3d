//! The backtest on invented histories whose truth is known.

use jiff::{SignedDuration, Timestamp};
use ringtrue_calibration::decision::{Limits, Policy};
use ringtrue_calibration::inference::Components;

use super::*;
use crate::adjustment::{Adjustment, AdjustmentDetails};
use crate::effect::Effect;
use crate::event::{EventDetails, EventKind, FurnaceEvent};
use crate::gauge::{CheckDetails, GaugeCheck};
use crate::key::{
    AdjustmentId, AdjustmentKey, BatchId, CheckId, CheckKey, EventId, EventKey, FurnaceId,
    GaugeKey, ProgrammeKey, ReadingId,
};
use crate::tracking::PointEffect;

/// A small generator of invented numbers (a linear congruential one after Knuth, from memory).
struct Draws(u64);

impl Draws {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let bits = u32::try_from(self.0 >> 32).expect("32 bits are left");
        f64::from(bits) / 4_294_967_296.0
    }

    /// Nearly normal: the sum of twelve uniform numbers has variance 1.
    fn normal(&mut self, sd: f64) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            sum += self.uniform();
        }
        sum * sd
    }
}

/// The moment so many hours after the first firing.
fn hour(hours: i64) -> Timestamp {
    let start: Timestamp = "2025-01-07T12:00:00Z".parse().expect("a moment");
    start + SignedDuration::from_hours(hours)
}

fn site(number: usize) -> SiteId {
    SiteId::new(&format!("s{number:02}")).expect("an id")
}

fn furnace(site_number: usize, number: usize) -> FurnaceKey {
    FurnaceKey {
        site: site(site_number),
        furnace: FurnaceId::new(&format!("f{number}")).expect("an id"),
    }
}

fn fired(reading: &str, hours: i64, observed_offset_c: f64, effects: Vec<PointEffect>) -> Fired {
    Fired {
        point: TrackPoint {
            reading: ReadingId::new(reading).expect("an id"),
            fired_at: hour(hours),
            setpoint_c: 1500.0,
            observed_offset_c,
            removed_c: 0.0,
            independent_c: 2.0,
            shared_c: 3.6,
            effects,
            surprise: None,
            mean_mm: 0.0,
            batch: None,
            gauge: None,
        },
        programme: ProgrammeId::new("standard").expect("an id"),
        target_c: 1500.0,
        limits: Limits {
            setpoint_step_c: 1.0,
            lowest_setpoint_c: 900.0,
            highest_setpoint_c: 1700.0,
            largest_step_c: 30.0,
        },
        policy: Policy::default(),
    }
}

fn gauge_effect(epoch: u32) -> PointEffect {
    PointEffect {
        effect: Effect::Gauge {
            gauge: GaugeId::new("k1").expect("an id"),
            epoch,
            unchecked: false,
        },
        coefficient: 1.0,
        sd_c: 3.0,
    }
}

fn batch_effect(number: usize) -> PointEffect {
    PointEffect {
        effect: Effect::Batch(BatchId::new(&format!("b{number}")).expect("an id")),
        coefficient: 1.0,
        sd_c: 2.0,
    }
}

fn past(key: FurnaceKey, fired: Vec<Fired>) -> FurnacePast {
    FurnacePast {
        key,
        fired,
        events: Vec::new(),
        adjustments: Vec::new(),
    }
}

/// An invented network and what was true in it.
struct Invented {
    history: History,
    /// True offset and observed offset at each reading, by furnace, °C.
    truth: Vec<Vec<(f64, f64)>>,
}

const READINGS: usize = 30;
const HOURS_BETWEEN: i64 = 504;
const BATCH_LASTS: usize = 4;

/// Sites whose furnaces wander as the default components say, read every three weeks with batches that all
/// sites share and one gauge a site.
fn invented(seed: u64, sites: usize, furnaces: usize) -> Invented {
    let components = Components::default();
    let mut draws = Draws(seed);
    let mut batches = Vec::new();
    for _ in 0..=READINGS / BATCH_LASTS {
        batches.push(draws.normal(2.0));
    }
    let mut history = History::default();
    let mut truth = Vec::new();
    for site_number in 0..sites {
        let gauge_c = draws.normal(3.0);
        let mut pasts = Vec::new();
        for number in 0..furnaces {
            let mut offset_c = draws.normal(15.0);
            let drift = draws.normal(components.slope_sd_c_per_week);
            let mut readings = Vec::new();
            let mut true_c = Vec::new();
            for (at, hours) in (0..READINGS).zip((0_i64..).step_by(504)) {
                let batch = at / BATCH_LASTS;
                let observed_c = offset_c + gauge_c + batches[batch] + draws.normal(2.0);
                true_c.push((offset_c, observed_c));
                readings.push(fired(
                    &format!("r-{site_number}-{number}-{at:02}"),
                    hours + i64::try_from(site_number).expect("few sites"),
                    observed_c,
                    vec![gauge_effect(0), batch_effect(batch)],
                ));
                offset_c += 3.0 * drift + draws.normal((3.0 * 0.4_f64).sqrt());
            }
            truth.push(true_c);
            pasts.push(past(furnace(site_number, number), readings));
        }
        history.add_site(&site(site_number), &[], pasts);
    }
    Invented { history, truth }
}

fn report(history: &History, span: &Span) -> Result<Report, NoFigures> {
    backtest(history, &Components::default(), span, &mut |_| {})
}

fn of(report: &Report, rule: Rule) -> Outcome {
    *report.outcome(rule).expect("the rule was judged")
}

#[test]
fn all_readings_together_do_better_than_each_reading_in_full() {
    for seed in [1, 2, 3] {
        let invented = invented(seed, 12, 3);
        let report = report(&invented.history, &Span::default()).expect("figures");
        let plain = of(&report, Rule::Plain);
        let alone = of(&report, Rule::Alone);
        let fleet = of(&report, Rule::Fleet);
        let band = of(&report, Rule::FleetBeyondBand);
        assert!(fleet.rms_c < 0.85 * plain.rms_c, "{report:?}");
        assert!(fleet.rms_c < alone.rms_c, "{report:?}");
        assert!(fleet.percentile_95_c < plain.percentile_95_c, "{report:?}");
        assert_eq!(fleet.beside_plain(), Comparison::Better, "{report:?}");
        assert_eq!(plain.beside_plain(), Comparison::Unclear);
        assert!(band.changes_per_year < 0.4 * plain.changes_per_year);
        assert!(band.rms_c < plain.rms_c, "{report:?}");
        // Every three weeks, of which few leave the setpoint as it is.
        assert!((10.0..=17.5).contains(&plain.changes_per_year), "{plain:?}");
    }
}

#[test]
fn what_is_said_of_the_true_errors_holds_on_average() {
    let (mut said_c2, mut true_c2, mut judged_c2) = (0.0, 0.0, 0.0);
    for seed in 0..8 {
        let invented = invented(100 + seed, 12, 3);
        let report = report(&invented.history, &Span::default()).expect("figures");
        let plain = of(&report, Rule::Plain);
        said_c2 += plain.expected_rms_c.powi(2);
        judged_c2 += plain.rms_c.powi(2);
        let (mut sum, mut count) = (0.0, 0.0);
        for readings in &invented.truth {
            // From the fifth reading on: the first 12 weeks are left out.
            for pair in readings.windows(2).skip(3) {
                let setpoint_c = (1500.0 - pair[0].1).round();
                sum += (setpoint_c + pair[1].0 - 1500.0).powi(2);
                count += 1.0;
            }
        }
        assert!((count - f64::from(plain.judged)).abs() < 0.5);
        true_c2 += sum / count;
    }
    let ratio = (said_c2 / true_c2).sqrt();
    assert!((0.9..=1.1).contains(&ratio), "{ratio}");
    // Without its own uncertainty the judge would flatter every rule.
    assert!(judged_c2 < 0.8 * true_c2, "{judged_c2} {true_c2}");
}

#[test]
fn the_judge_says_how_much_of_its_uncertainty_no_reading_can_show() {
    let invented = invented(5, 12, 3);
    let report = report(&invented.history, &Span::default()).expect("figures");
    // One unchecked gauge a site, expected within 3 °C: the readings alone cannot tell it from the furnaces.
    assert!(
        (2.0..=3.3).contains(&report.judge_shared_c),
        "{}",
        report.judge_shared_c
    );
    assert!(report.judge_shared_c < report.judge_c);
    assert!(report.judge_c < 4.0, "{}", report.judge_c);
}

#[test]
fn the_same_history_gives_the_same_bits() {
    let one = invented(7, 5, 2);
    let other = invented(7, 5, 2);
    let mut told = Vec::new();
    let first = backtest(
        &one.history,
        &Components::default(),
        &Span::default(),
        &mut |progress| told.push(progress),
    )
    .expect("figures");
    let second = report(&other.history, &Span::default()).expect("figures");
    assert_eq!(first, second);
    for (a, b) in first.outcomes.iter().zip(&second.outcomes) {
        assert_eq!(a.rms_c.to_bits(), b.rms_c.to_bits());
    }
    let all = 5 * 2 * READINGS;
    assert_eq!(told.first(), Some(&Progress { done: 0, all }));
    assert_eq!(told.last(), Some(&Progress { done: all, all }));
}

#[test]
fn a_single_furnace_is_judged_and_nothing_is_clear() {
    let invented = invented(11, 1, 1);
    let report = report(&invented.history, &Span::default()).expect("figures");
    assert_eq!((report.furnaces, report.sites), (1, 1));
    // Readings come every 3 weeks: the first four lie within the first 12 weeks, the fifth ends them.
    assert_eq!(report.judged, 26);
    assert_eq!(
        report.readings,
        u32::try_from(READINGS).expect("few readings")
    );
    for outcome in &report.outcomes {
        assert_eq!(outcome.beside_plain(), Comparison::Unclear, "{outcome:?}");
        assert!(outcome.rms_c.is_finite() && outcome.rms_c < 12.0);
    }
    // With one furnace there is no more to learn than from it.
    let (alone, fleet) = (of(&report, Rule::Alone), of(&report, Rule::Fleet));
    assert!(
        (alone.rms_c - fleet.rms_c).abs() < 1e-9,
        "{alone:?} {fleet:?}"
    );
}

#[test]
fn too_little_history_is_said_and_not_judged() {
    assert_eq!(
        report(&History::default(), &Span::default()),
        Err(NoFigures::NothingRead)
    );
    let invented = invented(3, 1, 1);
    let early = Span {
        until: Some(hour(HOURS_BETWEEN * 8)),
        ..Span::default()
    };
    assert_eq!(
        report(&invented.history, &early),
        Err(NoFigures::TooFew {
            readings: 8,
            judged: 4
        })
    );
    let before = Span {
        until: Some(hour(-1)),
        ..Span::default()
    };
    assert_eq!(
        report(&invented.history, &before),
        Err(NoFigures::NothingRead)
    );
}

#[test]
fn a_span_chooses_what_is_judged_and_not_what_is_learnt_from() {
    let invented = invented(9, 4, 2);
    let history = &invented.history;
    let whole = report(history, &Span::default()).expect("figures");
    let late = report(
        history,
        &Span {
            from: Some(hour(HOURS_BETWEEN * 15)),
            ..Span::default()
        },
    )
    .expect("figures");
    assert_eq!(late.readings, whole.readings);
    assert_eq!(late.judged, 4 * 2 * 15);
    assert_eq!(
        late.between.map(|(first, _)| first),
        Some(hour(HOURS_BETWEEN * 15))
    );
    let one = report(
        history,
        &Span {
            site: Some(site(2)),
            ..Span::default()
        },
    )
    .expect("figures");
    assert_eq!((one.sites, one.furnaces), (1, 2));
    assert_eq!(one.readings, whole.readings);
    assert_eq!(one.judged, whole.judged / 4);
}

/// A furnace without noise whose offset is told by week.
fn steady(offset_c: impl Fn(usize) -> f64) -> Vec<Fired> {
    let mut readings = Vec::new();
    for (at, hours) in (0..40_usize).zip((0_i64..).step_by(168)) {
        let mut one = fired(&format!("r-{at:02}"), hours, offset_c(at), Vec::new());
        one.point.independent_c = 0.1;
        readings.push(one);
    }
    readings
}

#[test]
fn what_was_entered_in_the_controller_is_taken_off_every_rules_setpoint() {
    // The controller's offset is changed by -12 °C between two readings, so the ring then says 12 °C less.
    let key = furnace(0, 0);
    let shifted = FurnacePast {
        events: vec![FurnaceEvent {
            key: EventKey {
                furnace: key.clone(),
                event: EventId::new("e1").expect("an id"),
            },
            details: EventDetails {
                kind: Some(EventKind::ControllerOffsetChanged),
                happened_at: Some(hour(168 * 20 - 24)),
                offset_shift_c: Some(-12.0),
                note: String::new(),
                performed_by: String::new(),
            },
            received_at: hour(168 * 20),
        }],
        ..past(key, steady(|week| if week < 20 { 19.0 } else { 7.0 }))
    };
    let mut history = History::default();
    history.add_site(&site(0), &[], vec![shifted]);
    let report = report(&history, &Span::default()).expect("figures");
    for outcome in &report.outcomes {
        assert!(outcome.rms_c < 0.5, "{outcome:?}");
        assert!((outcome.share_within - 1.0).abs() < 1e-12);
    }
}

#[test]
fn programmes_with_different_targets_are_judged_apart() {
    let mut readings = steady(|_| 19.0);
    for (at, one) in readings.iter_mut().enumerate() {
        if at % 2 == 1 {
            one.programme = ProgrammeId::new("low").expect("an id");
            one.target_c = 1450.0;
            one.point.setpoint_c = 1450.0;
        }
    }
    let mut history = History::default();
    history.add_site(&site(0), &[], vec![past(furnace(0, 0), readings)]);
    let report = report(&history, &Span::default()).expect("figures");
    // Read in weeks 12 to 39 after a reading of the same programme.
    assert_eq!(report.judged, 28);
    for outcome in &report.outcomes {
        assert!(outcome.rms_c < 0.5, "{outcome:?}");
        assert!(outcome.changes_per_year < 1e-12, "{outcome:?}");
    }
}

fn confirmed(key: &FurnaceKey, hours: i64, from_c: f64, to_c: f64) -> Adjustment {
    Adjustment {
        key: AdjustmentKey {
            furnace: key.clone(),
            adjustment: AdjustmentId::new(&format!("a{hours}")).expect("an id"),
        },
        details: AdjustmentDetails {
            programme: Some(ProgrammeKey {
                furnace: key.clone(),
                programme: ProgrammeId::new("standard").expect("an id"),
            }),
            reading: None,
            setpoint_c: to_c,
            adjusted_at: Some(hour(hours)),
            performed_by: String::new(),
            override_reason: String::new(),
        },
        previous_setpoint_c: from_c,
        advised_setpoint_c: None,
        received_at: hour(hours),
    }
}

#[test]
fn confirmed_setpoints_are_judged_as_they_stood() {
    let key = furnace(0, 0);
    // Found at 1500 °C and left there, 19 °C too hot, until week 26; then right.
    let adjusted = FurnacePast {
        adjustments: vec![confirmed(&key, 168 * 26 - 1, 1500.0, 1481.0)],
        ..past(key, steady(|_| 19.0))
    };
    let other = past(furnace(0, 1), steady(|_| 19.0));
    let mut history = History::default();
    history.add_site(&site(0), &[], vec![adjusted, other]);
    let report = report(&history, &Span::default()).expect("figures");
    let really = of(&report, Rule::Confirmed);
    // 28 judged readings, half of them before the adjustment; the other furnace has none confirmed.
    assert_eq!(really.judged, 28);
    assert!((really.share_within - 0.5).abs() < 1e-12, "{really:?}");
    assert!(
        (really.rms_c - 19.0 / 2.0_f64.sqrt()).abs() < 0.3,
        "{really:?}"
    );
    // One change in 28 weeks.
    assert!(
        (really.changes_per_year - 365.25 / 7.0 / 28.0).abs() < 1e-9,
        "{really:?}"
    );
    let beside = report.beside_confirmed.expect("something was confirmed");
    assert_eq!(beside.judged, 28);
    assert!(beside.rms_c < 0.5);
    assert_eq!(of(&report, Rule::FleetBeyondBand).judged, 56);
}

fn check(number: i64, hours: i64, bias_mm: f64) -> GaugeCheck {
    GaugeCheck {
        key: CheckKey {
            gauge: GaugeKey {
                site: site(0),
                gauge: GaugeId::new("k1").expect("an id"),
            },
            check: CheckId::new(&format!("c{number}")).expect("an id"),
        },
        details: CheckDetails {
            nominal_mm: 20.0,
            measured_mm: vec![20.0 + bias_mm],
            block_standard_uncertainty_mm: 0.0005,
            checked_at: Some(hour(hours)),
            performed_by: String::new(),
            note: String::new(),
        },
        bias_mm,
        standard_uncertainty_mm: 0.002,
        received_at: hour(hours),
    }
}

#[test]
fn a_late_check_of_the_gauge_shows_the_judge_what_all_rules_missed() {
    // The caliper reads 0.03 mm too little, 6 °C too hot; it is checked after the last reading.
    let seen = |checks: &SiteChecks| {
        let mut readings = steady(|_| 10.0);
        for one in &mut readings {
            one.point.effects = vec![gauge_effect(0)];
        }
        let mut history = History::default();
        history.add_site(&site(0), checks, vec![past(furnace(0, 0), readings)]);
        report(&history, &Span::default()).expect("figures")
    };
    let gauge = GaugeId::new("k1").expect("an id");
    let unchecked = seen(&[]);
    let checked = seen(&[(gauge, vec![check(1, 168 * 41, -0.03)])]);
    let rms_c = |report: &Report| of(report, Rule::Fleet).rms_c;
    assert!(rms_c(&unchecked) < 0.5, "{unchecked:?}");
    assert!((rms_c(&checked) - 6.0).abs() < 0.3, "{checked:?}");
    // The expected error was 3 °C wider before; it is what the figures without a check had to allow for.
    assert!((unchecked.judge_shared_c - 3.0).abs() < 0.1);
    assert!((checked.judge_shared_c - 0.4).abs() < 0.05);
}

#[test]
fn a_check_made_in_time_is_known_to_the_rules_too() {
    let mut readings = steady(|_| 10.0);
    for (at, one) in readings.iter_mut().enumerate() {
        one.point.effects = vec![gauge_effect(0)];
        // From the check on, the reading itself is corrected by it.
        if at >= 8 {
            one.point.observed_offset_c = 4.0;
            one.point.removed_c = 6.0;
        }
    }
    let gauge = GaugeId::new("k1").expect("an id");
    let mut history = History::default();
    let checks = [(gauge, vec![check(1, 168 * 8 - 2, -0.03)])];
    history.add_site(&site(0), &checks, vec![past(furnace(0, 0), readings)]);
    let report = report(&history, &Span::default()).expect("figures");
    for outcome in &report.outcomes {
        // A band of 10 °C leaves the 4 °C alone; no rule keeps the 6 °C that the first weeks entered wrongly.
        assert!(outcome.rms_c < 4.5, "{outcome:?}");
    }
    assert!(of(&report, Rule::Fleet).rms_c < 0.7, "{report:?}");
    assert!(of(&report, Rule::Plain).rms_c < 0.7, "{report:?}");
}

#[test]
fn a_gauge_past_its_check_date_is_believed_as_far_as_it_may_have_changed() {
    let mut readings = steady(|_| 10.0);
    for one in &mut readings {
        let mut part = gauge_effect(0);
        part.effect = Effect::Gauge {
            gauge: GaugeId::new("k1").expect("an id"),
            epoch: 0,
            unchecked: true,
        };
        one.point.effects = vec![part];
    }
    let gauge = GaugeId::new("k1").expect("an id");
    let mut history = History::default();
    let checks = [(gauge, vec![check(1, -168 * 60, -0.03)])];
    history.add_site(&site(0), &checks, vec![past(furnace(0, 0), readings)]);
    let report = report(&history, &Span::default()).expect("figures");
    // The old check still says 6 °C, now with the 3 °C that the gauge may have changed by.
    assert!(of(&report, Rule::Fleet).rms_c < 0.5, "{report:?}");
    assert!(
        (of(&report, Rule::Plain).rms_c - 6.0).abs() < 0.3,
        "{report:?}"
    );
    assert!(
        (report.judge_shared_c - 9.16_f64.sqrt()).abs() < 0.05,
        "{report:?}"
    );
}
