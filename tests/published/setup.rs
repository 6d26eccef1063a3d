//! The furnace, table and gauge that the checks share, all invented.

use ringtrue_calibration::budget::{Line, Source};
use ringtrue_calibration::decision::{Limits, Policy};
use ringtrue_calibration::evaluation::{
    Counted, Evaluation, Observation, RingObservation, Setting, evaluate,
};
use ringtrue_calibration::gauge::{BlockCheck, Gauge};
use ringtrue_calibration::inference::{Components, Expectation};
use ringtrue_calibration::programme::{Cycle, Segment};
use ringtrue_calibration::ring_table::csv::parse;
use ringtrue_calibration::ring_table::{Entry, RingTable};
use ringtrue_calibration::rings::Ring;
use ringtrue_tests::bench::TABLE_CSV;

/// Heats to a peak at 10 °C/min and holds it.
pub(crate) fn cycle(peak_c: f64, hold_min: f64) -> Cycle {
    Cycle {
        segments: vec![Segment {
            ramp_c_per_min: 10.0,
            temperature_c: peak_c,
            hold_min,
        }],
    }
}

/// A furnace set to 1500 °C that should be at 1500 °C, with nothing known of it.
pub(crate) fn setting(cycle: &Cycle) -> Setting<'_> {
    Setting {
        cycle,
        setpoint_c: 1500.0,
        current_setpoint_c: 1500.0,
        target_c: 1500.0,
        limits: Limits {
            setpoint_step_c: 1.0,
            lowest_setpoint_c: 1400.0,
            highest_setpoint_c: 1600.0,
            largest_step_c: 30.0,
        },
        policy: Policy::default(),
        // The batch's papers leave 2 °C and the micrometer 0.2 °C.
        expectation: Expectation {
            state: None,
            bias_c: 0.0,
            bias_variance_c2: 4.04,
            covariance_c2: [0.0; 3],
        },
        counted: Counted::default(),
        confirmed: false,
        components: Components::default(),
        reference_position: None,
    }
}

/// The invented table, 1519 °C at 19.47 mm, read from its file.
pub(crate) fn table() -> RingTable {
    parse(TABLE_CSV.as_bytes(), 120.0).expect("the invented table is a table")
}

/// A table of pairs of diameter, mm, and temperature, °C.
pub(crate) fn table_of(hold_min: f64, pairs: &[(f64, f64)]) -> RingTable {
    let mut entries = Vec::new();
    for &(diameter_mm, temperature_c) in pairs {
        entries.push(Entry {
            diameter_mm,
            temperature_c,
        });
    }
    RingTable::new(hold_min, entries).expect("a table")
}

/// A micrometer whose check in date found no bias.
pub(crate) fn micrometer() -> Gauge {
    Gauge {
        resolution_mm: 0.001,
        maximum_permissible_error_mm: 0.004,
        check: Some(BlockCheck {
            bias_mm: 0.0,
            standard_uncertainty_mm: 0.001,
            in_date: true,
        }),
        repeatability: None,
    }
}

/// Evaluates one ring.
pub(crate) fn evaluated(
    diameters_mm: &[f64],
    tables: &[RingTable],
    gauge: &Gauge,
    setting: &Setting,
) -> Evaluation {
    let rings = [Ring {
        position: "centre".to_owned(),
        diameters_mm: diameters_mm.to_vec(),
    }];
    let observation = Observation::Rings(RingObservation {
        rings: &rings,
        tables,
        batch_expanded_uncertainty_c: Some(4.0),
        gauge,
        accepts_assumed_energy: false,
    });
    evaluate(&observation, setting).expect("a reading that can be evaluated")
}

/// Gives the budget's line of a source.
pub(crate) fn line(evaluation: &Evaluation, source: Source) -> &Line {
    let lines = &evaluation.budget.lines;
    lines
        .iter()
        .find(|line| line.source == source)
        .expect("a line of that source")
}

/// Fails unless two numbers agree within a tolerance.
#[track_caller]
pub(crate) fn close(found: f64, wanted: f64, within: f64) {
    assert!(
        (found - wanted).abs() <= within,
        "{found} is not {wanted} ± {within}"
    );
}

/// Gives the rows of a file of figures as texts, its header left out.
pub(crate) fn rows(csv: &'static str) -> Vec<Vec<&'static str>> {
    let mut rows = Vec::new();
    for row in csv.lines().skip(1) {
        rows.push(row.split(',').collect());
    }
    assert!(!rows.is_empty(), "the file of figures has no rows");
    rows
}

/// Reads a figure.
#[track_caller]
pub(crate) fn figure(text: &str) -> f64 {
    text.parse()
        .unwrap_or_else(|fault| panic!("{text} is no number: {fault}"))
}
