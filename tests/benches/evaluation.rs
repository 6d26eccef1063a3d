//! How long one evaluation takes: the usual one, the one with a hold correction, and beside them the
//! bare table lookup that a person does by hand.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use ringtrue_calibration::decision::{Limits, Policy};
use ringtrue_calibration::evaluation::{Counted, Observation, RingObservation, Setting, evaluate};
use ringtrue_calibration::gauge::Gauge;
use ringtrue_calibration::inference::{Components, Expectation, OffsetState};
use ringtrue_calibration::programme::{Cycle, Segment};
use ringtrue_calibration::ring_table::{Entry, RingTable};
use ringtrue_calibration::rings::Ring;

fn table(hold_min: f64) -> RingTable {
    let mut entries = Vec::new();
    for step in 0..=80_u32 {
        // An invented table of whole degrees, 1519 °C at 19.47 mm.
        let from_centre_mm = f64::from(step) * 0.01 - 0.27;
        entries.push(Entry {
            diameter_mm: ((19.47 + from_centre_mm) * 100.0).round() / 100.0,
            temperature_c: (1519.0
                - 212.5 * from_centre_mm
                - 83.3 * from_centre_mm * from_centre_mm)
                .round(),
        });
    }
    RingTable::new(hold_min, entries).expect("the invented table is valid")
}

fn cycle(ramp_c_per_min: f64, hold_min: f64) -> Cycle {
    let segment = |temperature_c, hold_min| Segment {
        ramp_c_per_min,
        temperature_c,
        hold_min,
    };
    Cycle {
        segments: vec![segment(900.0, 30.0), segment(1500.0, hold_min)],
    }
}

fn evaluations(criterion: &mut Criterion) {
    let rings = [Ring {
        position: "centre".to_owned(),
        diameters_mm: vec![19.47, 19.46, 19.48],
    }];
    let tables = [table(120.0)];
    let gauge = Gauge {
        resolution_mm: 0.01,
        maximum_permissible_error_mm: 0.03,
        check: None,
        repeatability: None,
    };
    // One reading before this one, with the same gauge and batch.
    let expectation = Expectation {
        state: Some(OffsetState {
            reference_c: 1500.0,
            level_c: 17.0,
            slope_c_per_week: 0.0,
            coefficient_c_per_100c: 0.0,
            covariance: [[9.0, 0.0, 0.0], [0.0, 0.0144, 0.0], [0.0, 0.0, 9.0]],
            readings: 1,
            lowest_setpoint_c: 1500.0,
            highest_setpoint_c: 1500.0,
        }),
        bias_c: 0.0,
        bias_variance_c2: 4.0,
        covariance_c2: [-4.0, 0.0, 0.0],
    };
    let observation = Observation::Rings(RingObservation {
        rings: &rings,
        tables: &tables,
        batch_expanded_uncertainty_c: Some(4.0),
        gauge: &gauge,
        accepts_assumed_energy: true,
    });
    let setting = |cycle| Setting {
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
        expectation,
        counted: Counted::default(),
        confirmed: false,
        components: Components::default(),
        reference_position: None,
    };
    let mut group = criterion.benchmark_group("one reading");
    group.bench_function("table lookup alone", |bencher| {
        bencher.iter(|| tables[0].temperature_at(black_box(19.4725)));
    });
    let matched = cycle(10.0, 120.0);
    group.bench_function("evaluated, hold as in the table", |bencher| {
        let setting = setting(&matched);
        bencher.iter(|| evaluate(black_box(&observation), black_box(&setting)));
    });
    let shorter = cycle(10.0, 60.0);
    let slower = cycle(8.0, 120.0);
    group.bench_function("evaluated, with an unusual ramp", |bencher| {
        let setting = setting(&slower);
        bencher.iter(|| evaluate(black_box(&observation), black_box(&setting)));
    });
    group.bench_function("evaluated, hold corrected", |bencher| {
        let setting = setting(&shorter);
        bencher.iter(|| evaluate(black_box(&observation), black_box(&setting)));
    });
    group.finish();
}

criterion_group!(benches, evaluations);
criterion_main!(benches);
