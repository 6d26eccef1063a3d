//! Worked figures of the trade with an invented table, and the signs of a correction.
//!
//! Common practice, no source, unless a line says otherwise; the batch of small rings is invented.

use ringtrue_calibration::decision::Limits;
use ringtrue_calibration::evaluation::{EvaluationError, Observation, RingObservation, evaluate};
use ringtrue_calibration::gauge::{BlockCheck, Gauge};
use ringtrue_calibration::inference::{Components, Expectation, OffsetState, Weighing};
use ringtrue_calibration::plausibility::{QuestionCode, alternatives};
use ringtrue_calibration::ring_table::RingTable;
use ringtrue_calibration::rings::Ring;
use ringtrue_fleet::tracking::weeks_between;

use crate::setup::{close, cycle, evaluated, micrometer, setting, table, table_of};

/// Small rings with a coarse table.
fn small_rings() -> RingTable {
    table_of(
        120.0,
        &[
            (16.40, 1440.0),
            (16.28, 1460.0),
            (16.15, 1480.0),
            (16.00, 1500.0),
            (15.84, 1520.0),
            (15.67, 1540.0),
            (15.49, 1560.0),
        ],
    )
}

#[test]
fn set_1500_and_19_47_mm_is_1519_so_set_1481() {
    let cycle = cycle(1500.0, 120.0);
    let found = evaluated(&[19.47], &[table()], &micrometer(), &setting(&cycle));
    close(found.ring_temperature_c, 1519.0, 1e-9);
    close(found.observed_offset_c, 19.0, 1e-9);
    let decision = found.decision.expect("a decision");
    close(decision.plain_setpoint_c, 1481.0, 1e-9);
}

#[test]
fn small_rings_read_as_a_person_reads_the_coarse_table() {
    // Linear reading gives 1508.75 and 1520.0 °C; the monotone cubic differs by tenths.
    let cycle = cycle(1500.0, 120.0);
    let tables = [small_rings()];
    for (diameters_mm, wanted_c) in [
        ([15.93, 15.92, 15.94], 1508.75),
        ([15.84, 15.85, 15.83], 1520.0),
    ] {
        let found = evaluated(&diameters_mm, &tables, &micrometer(), &setting(&cycle));
        close(found.ring_temperature_c, wanted_c, 0.5);
        close(found.deviation_c, wanted_c - 1500.0, 0.5);
    }
}

#[test]
fn a_swapped_or_inch_diameter_outside_the_table_is_refused_with_what_was_meant() {
    let cycle = cycle(1500.0, 120.0);
    let tables = [small_rings()];
    let gauge = micrometer();
    for (typed, kind) in [
        (15.39, QuestionCode::DigitsSwapped),
        (19.53, QuestionCode::DigitsSwapped),
        (0.6272, QuestionCode::Inches),
    ] {
        let rings = [Ring {
            position: "centre".to_owned(),
            diameters_mm: vec![typed],
        }];
        let observation = Observation::Rings(RingObservation {
            rings: &rings,
            tables: &tables,
            batch_expanded_uncertainty_c: None,
            gauge: &gauge,
            accepts_assumed_energy: false,
        });
        let fault = evaluate(&observation, &setting(&cycle)).expect_err("outside the table");
        let outside = matches!(fault, EvaluationError::OutOfTable { .. });
        assert!(outside || typed < 5.0, "{fault}");
        let best = alternatives(typed, &tables[0], 1500.0)[0];
        close(best.value_mm, 15.93, 1e-9);
        assert_eq!(best.kind, kind);
        close(best.temperature_c, 1508.75, 0.5);
    }
}

#[test]
fn a_bias_found_on_a_block_is_taken_off_before_the_table_is_read() {
    // A caliper that shows 0.05 mm too much: 15.98 mm is 1502.5 °C as shown and 1508.75 °C in truth.
    let cycle = cycle(1500.0, 120.0);
    let tables = [small_rings()];
    let biased = Gauge {
        check: Some(BlockCheck {
            bias_mm: 0.05,
            standard_uncertainty_mm: 0.005,
            in_date: true,
        }),
        ..micrometer()
    };
    let shown = [15.98, 15.97, 15.99];
    let as_shown = evaluated(&shown, &tables, &micrometer(), &setting(&cycle));
    let in_truth = evaluated(&shown, &tables, &biased, &setting(&cycle));
    close(as_shown.ring_temperature_c, 1502.5, 0.5);
    close(in_truth.ring_temperature_c, 1508.75, 0.5);
    close(in_truth.rings[0].corrected_mm, 15.93, 1e-9);
}

#[test]
fn a_furnace_commanded_10_below_that_reads_6_high_is_commanded_16_below() {
    // Target 1500, commanded 1490, ring 1506 °C: the furnace runs 16 °C hot, so 1484 in full.
    let cycle = cycle(1500.0, 120.0);
    let diameter_mm = table().diameter_at(1506.0).expect("inside");
    let mut given = setting(&cycle);
    given.setpoint_c = 1490.0;
    given.current_setpoint_c = 1490.0;
    given.policy.full_compensation = true;
    given.limits = Limits {
        lowest_setpoint_c: 1400.0,
        ..given.limits
    };
    let found = evaluated(&[diameter_mm; 3], &[table()], &micrometer(), &given);
    close(found.observed_offset_c, 16.0, 0.05);
    close(found.deviation_c, 6.0, 0.05);
    let decision = found.decision.expect("a decision");
    close(decision.plain_setpoint_c, 1484.0, 0.05);
    close(decision.advised_setpoint_c, 1484.0, 1e-9);

    // Weighed against a prior of 4 °C with a reading of 3 °C the gain is 16 / (16 + 9) = 0.64, and the
    // step from 1490 is -3.84 °C (JCGM 106 A.4.4): 1486 on a panel of whole degrees.
    let expectation = Expectation {
        state: Some(OffsetState {
            reference_c: 1500.0,
            level_c: 10.0,
            slope_c_per_week: 0.0,
            coefficient_c_per_100c: 0.0,
            covariance: [[16.0, 0.0, 0.0], [0.0; 3], [0.0; 3]],
            readings: 1,
            lowest_setpoint_c: 1500.0,
            highest_setpoint_c: 1500.0,
        }),
        bias_c: 0.0,
        bias_variance_c2: 0.0,
        covariance_c2: [0.0; 3],
    };
    let reading = Weighing {
        variance_c2: 9.0,
        ..Weighing::default()
    };
    let update = expectation.updated(1500.0, 16.0, reading, &Components::default());
    close(update.gain, 0.64, 1e-12);
    close(update.state.level_c - 10.0, 3.84, 1e-9);
    close((1500.0 - update.state.level_c).round(), 1486.0, 1e-9);
}

#[test]
fn a_weekend_across_the_change_of_clocks_is_as_long_as_it_is() {
    // Friday 18:00 to Monday 08:00 in Berlin over 2027-03-28 is 61 h, not 62 (EU summer time rules).
    let zone = jiff::tz::TimeZone::get("Europe/Berlin").expect("a zone of the tz database");
    let at = |day: i8, hour: i8| {
        let local = jiff::civil::date(2027, 3, day).at(hour, 0, 0, 0);
        zone.to_timestamp(local).expect("a moment")
    };
    close(weeks_between(at(26, 18), at(29, 8)) * 168.0, 61.0, 1e-9);
}
