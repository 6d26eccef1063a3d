//! Whole readings against worked figures and the rules of this program.

mod weighing;

use super::*;
use crate::decision::Advice;
use crate::gauge::{BlockCheck, Pooled};
use crate::programme::Segment;
use crate::ring_table::Entry;
use proptest::prelude::*;

/// An invented batch: 1519 °C at 19.47 mm, 2 °C per 0.01 mm, hold 120 min.
fn straight_table() -> RingTable {
    straight_table_for(120.0)
}

fn straight_table_for(hold_min: f64) -> RingTable {
    let mut entries = Vec::new();
    for step in 0..=80_u32 {
        let hundredths = f64::from(step);
        entries.push(Entry {
            diameter_mm: (1920.0 + hundredths) / 100.0,
            temperature_c: 1573.0 - 2.0 * hundredths,
        });
    }
    RingTable::new(hold_min, entries).expect("a valid table")
}

/// The invented table of the vectors, in whole degrees.
fn rounded_table() -> RingTable {
    let mut entries = Vec::new();
    for row in include_str!("../../vectors/synthetic_ring_table.csv")
        .lines()
        .skip(1)
    {
        let (diameter, temperature) = row.split_once(',').expect("two columns");
        entries.push(Entry {
            diameter_mm: diameter.parse().expect("a diameter"),
            temperature_c: temperature.parse().expect("a temperature"),
        });
    }
    RingTable::new(120.0, entries).expect("a valid table")
}

fn cycle(hold_min: f64) -> Cycle {
    Cycle {
        segments: vec![Segment {
            ramp_c_per_min: 10.0,
            temperature_c: 1500.0,
            hold_min,
        }],
    }
}

fn limits() -> Limits {
    Limits {
        setpoint_step_c: 1.0,
        lowest_setpoint_c: 1400.0,
        highest_setpoint_c: 1600.0,
        largest_step_c: 30.0,
    }
}

/// Before a furnace's first reading: only that batch and caliper may be biased, by 2 and 3.46 °C.
const NOTHING_KNOWN: Expectation = Expectation {
    state: None,
    bias_c: 0.0,
    bias_variance_c2: 16.0,
    covariance_c2: [0.0; 3],
};

fn setting(cycle: &Cycle) -> Setting<'_> {
    Setting {
        cycle,
        setpoint_c: 1500.0,
        current_setpoint_c: 1500.0,
        target_c: 1500.0,
        limits: limits(),
        policy: Policy::default(),
        expectation: NOTHING_KNOWN,
        counted: Counted::default(),
        confirmed: false,
        components: Components::default(),
        reference_position: None,
    }
}

fn pooled(standard_deviation_mm: f64) -> Pooled {
    Pooled {
        standard_deviation_mm,
        degrees_of_freedom: f64::INFINITY,
    }
}

/// A caliper with 0.012 mm scatter in its history.
fn caliper(maximum_permissible_error_mm: f64) -> Gauge {
    Gauge {
        resolution_mm: 0.01,
        maximum_permissible_error_mm,
        check: None,
        repeatability: Some(pooled(0.012)),
    }
}

fn checked(bias_mm: f64, in_date: bool) -> BlockCheck {
    BlockCheck {
        bias_mm,
        standard_uncertainty_mm: 0.005,
        in_date,
    }
}

fn ring(position: &str, diameters_mm: &[f64]) -> Ring {
    Ring {
        position: position.to_owned(),
        diameters_mm: diameters_mm.to_vec(),
    }
}

fn observed<'a>(rings: &'a [Ring], tables: &'a [RingTable], gauge: &'a Gauge) -> Observation<'a> {
    Observation::Rings(RingObservation {
        rings,
        tables,
        batch_expanded_uncertainty_c: None,
        gauge,
        accepts_assumed_energy: false,
    })
}

fn evaluated(rings: &[Ring], gauge: &Gauge, setting: &Setting) -> Evaluation {
    let tables = [straight_table()];
    evaluate(&observed(rings, &tables, gauge), setting).expect("a good reading")
}

fn line(evaluation: &Evaluation, source: Source) -> &crate::budget::Line {
    evaluation
        .budget
        .lines
        .iter()
        .find(|l| l.source == source)
        .expect("a line of that source")
}

fn codes(reasons: &[Reason]) -> Vec<&str> {
    reasons.iter().map(|reason| reason.code.as_ref()).collect()
}

#[test]
fn set_1500_and_19_47_mm_at_1519_gives_1481() {
    // Common practice, no source: the worked figure every technician knows.
    let tables = [rounded_table()];
    let rings = [ring("centre", &[19.47, 19.47, 19.47])];
    let gauge = caliper(0.03);
    let cycle = cycle(120.0);
    let evaluation =
        evaluate(&observed(&rings, &tables, &gauge), &setting(&cycle)).expect("a good reading");
    assert!((evaluation.ring_temperature_c - 1519.0).abs() < 1e-9);
    assert!((evaluation.observed_offset_c - 19.0).abs() < 1e-9);
    assert!((evaluation.deviation_c - 19.0).abs() < 1e-9);
    assert!(evaluation.evaluable);
    let decision = evaluation.decision.expect("evaluable");
    assert_eq!(decision.advice, Advice::Adjust);
    assert!((decision.plain_setpoint_c - 1481.0).abs() < 1e-9);
    assert!((decision.advised_setpoint_c - 1481.0).abs() < 1e-9);
    let state = evaluation.state.expect("evaluable");
    assert!((state.estimate(1500.0).offset_c - 19.0).abs() < 1e-9);
    assert_eq!(evaluation.method_version, METHOD_VERSION);
}

#[test]
fn calipers_and_micrometers_give_the_worked_budgets() {
    // 200 °C/mm, three diameters, ring to ring 1.5, batch 2.0, whole degrees; combined / expanded.
    let micrometer = Gauge {
        resolution_mm: 0.001,
        maximum_permissible_error_mm: 0.004,
        check: None,
        repeatability: Some(pooled(0.003)),
    };
    let checked_caliper = Gauge {
        check: Some(checked(0.0, true)),
        ..caliper(0.03)
    };
    let cases = [
        (caliper(0.03), 4.5, 9.0),
        (caliper(0.02), 3.7, 7.4),
        (checked_caliper, 3.1, 6.1),
        (micrometer, 2.6, 5.2),
    ];
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let cycle = cycle(120.0);
    for (gauge, combined, expanded) in cases {
        let budget = evaluated(&rings, &gauge, &setting(&cycle)).budget;
        assert!((budget.coverage_factor - 2.0).abs() < 1e-9);
        // The worked figures leave the controller's display out.
        let display = 1.0 / 12.0_f64.sqrt();
        let without = (budget.combined_c * budget.combined_c - display * display).sqrt();
        assert!((without - combined).abs() < 0.05, "{gauge:?}: {without}");
        assert!(
            (2.0 * without - expanded).abs() < 0.05,
            "{gauge:?}: {without}"
        );
    }
}

#[test]
fn the_lines_are_the_ones_of_the_worked_budget() {
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let cycle = cycle(120.0);
    let evaluation = evaluated(&rings, &caliper(0.03), &setting(&cycle));
    let worked = [
        (Source::GaugeBias, 3.46, true),
        (Source::Repeatability, 1.39, false),
        (Source::Resolution, 0.33, false),
        (Source::RingToRing, 1.5, false),
        (Source::BatchBias, 2.0, true),
        (Source::TableRounding, 0.29, true),
        (Source::SetpointDisplay, 0.29, false),
    ];
    assert_eq!(evaluation.budget.lines.len(), worked.len());
    for (source, contribution, shared) in worked {
        let line = line(&evaluation, source);
        assert!(
            (line.contribution_c - contribution).abs() < 0.006,
            "{line:?}"
        );
        assert_eq!(line.shared, shared, "{line:?}");
    }
    let words = evaluation.budget.biggest.expect("lines above zero").words;
    assert_eq!(
        words,
        "Checking this gauge on a reference block would bring ±9 °C to ±6 °C."
    );
}

#[test]
fn a_stated_batch_uncertainty_replaces_the_assumption() {
    let tables = [straight_table()];
    let rings = [ring("centre", &[19.47, 19.48])];
    let gauge = caliper(0.03);
    let observation = Observation::Rings(RingObservation {
        rings: &rings,
        tables: &tables,
        batch_expanded_uncertainty_c: Some(0.6),
        gauge: &gauge,
        accepts_assumed_energy: false,
    });
    let cycle = cycle(120.0);
    let evaluation = evaluate(&observation, &setting(&cycle)).expect("a good reading");
    assert!((line(&evaluation, Source::BatchBias).contribution_c - 0.3).abs() < 1e-12);
}

#[test]
fn scatter_comes_from_history_then_from_the_diameters_then_from_the_assumption() {
    let cycle = cycle(120.0);
    let new = Gauge {
        repeatability: None,
        ..caliper(0.03)
    };
    let two = [ring("centre", &[19.46, 19.48])];
    let measured = evaluated(&two, &new, &setting(&cycle));
    let own = line(&measured, Source::Repeatability);
    assert!((own.standard_uncertainty - 0.01).abs() < 1e-9);
    assert!((own.degrees_of_freedom - 1.0).abs() < 1e-12);
    assert!(own.type_a);
    let one = [ring("centre", &[19.47])];
    let single = evaluated(&one, &new, &setting(&cycle));
    let assumed = line(&single, Source::Repeatability);
    assert!((assumed.standard_uncertainty - 0.012).abs() < 1e-12);
    assert!(!assumed.type_a);
    // Alike to the last digit: rounding no longer averages, so agreement is not certainty.
    let alike = [ring("centre", &[19.47, 19.47, 19.47])];
    let rounded = evaluated(&alike, &new, &setting(&cycle));
    let resolution = line(&rounded, Source::Resolution);
    assert!((resolution.standard_uncertainty - 0.01 / 12.0_f64.sqrt()).abs() < 1e-12);
}

#[test]
fn few_degrees_of_freedom_widen_the_interval() {
    let cycle = cycle(120.0);
    let new = Gauge {
        repeatability: None,
        maximum_permissible_error_mm: 0.002,
        ..caliper(0.03)
    };
    let rough = [ring("centre", &[19.45, 19.49])];
    let budget = evaluated(&rough, &new, &setting(&cycle)).budget;
    assert!(budget.degrees_of_freedom < 10.0);
    assert!(budget.coverage_factor > 2.2);
}

#[test]
fn the_bias_found_on_a_block_is_taken_off_and_past_its_date_no_longer_trusted() {
    let cycle = cycle(120.0);
    let rings = [ring("centre", &[19.52, 19.51, 19.53])];
    let good = Gauge {
        check: Some(checked(0.05, true)),
        ..caliper(0.03)
    };
    let evaluation = evaluated(&rings, &good, &setting(&cycle));
    assert!((evaluation.ring_temperature_c - 1519.0).abs() < 1e-9);
    assert!((line(&evaluation, Source::GaugeBias).contribution_c - 1.0).abs() < 1e-6);
    assert!(evaluation.notices.is_empty());
    let late = Gauge {
        check: Some(checked(0.05, false)),
        ..caliper(0.03)
    };
    let evaluation = evaluated(&rings, &late, &setting(&cycle));
    assert!((evaluation.ring_temperature_c - 1519.0).abs() < 1e-9);
    assert!((line(&evaluation, Source::GaugeBias).contribution_c - 3.464).abs() < 1e-3);
    assert_eq!(codes(&evaluation.notices), ["GAUGE_CHECK_OVERDUE"]);
}

#[test]
fn only_rings_at_the_reference_position_are_averaged() {
    let cycle = cycle(120.0);
    let rings = [
        ring("left", &[19.50, 19.50]),
        ring("Centre ", &[19.47, 19.47]),
        ring("centre", &[19.45, 19.45]),
    ];
    let mut asked = setting(&cycle);
    asked.reference_position = Some("centre");
    let evaluation = evaluated(&rings, &caliper(0.03), &asked);
    assert!((evaluation.ring_temperature_c - 1521.0).abs() < 1e-9);
    assert!((evaluation.position_spread_c.expect("two positions") - 8.0).abs() < 1e-9);
    assert!(
        (line(&evaluation, Source::RingToRing).contribution_c - 1.5 / 2.0_f64.sqrt()).abs() < 1e-9
    );
    let first = evaluated(&rings, &caliper(0.03), &setting(&cycle));
    assert!((first.ring_temperature_c - 1513.0).abs() < 1e-9);
    assert_eq!(first.rings.len(), 3);
}

#[test]
fn a_reference_position_without_a_ring_costs_certainty() {
    let cycle = cycle(120.0);
    let rings = [ring("left", &[19.47, 19.48])];
    let mut asked = setting(&cycle);
    asked.reference_position = Some("centre");
    let evaluation = evaluated(&rings, &caliper(0.03), &asked);
    assert_eq!(
        codes(&evaluation.notices),
        ["REFERENCE_POSITION_NOT_MEASURED"]
    );
    assert!((line(&evaluation, Source::PositionSpread).contribution_c - 2.887).abs() < 1e-3);
}

#[test]
fn positions_further_apart_than_the_tolerance_are_for_service() {
    let cycle = cycle(120.0);
    let rings = [
        ring("left", &[19.58, 19.58]),
        ring("right", &[19.52, 19.52]),
    ];
    let evaluation = evaluated(&rings, &caliper(0.02), &setting(&cycle));
    let decision = evaluation.decision.expect("evaluable");
    assert_eq!(decision.advice, Advice::Service);
    assert_eq!(decision.reasons[0].code, "POSITIONS_DIFFER");
}

#[test]
fn a_suspect_diameter_is_told_and_counted() {
    let cycle = cycle(120.0);
    let rings = [ring("centre", &[19.47, 19.74, 19.46])];
    let evaluation = evaluated(&rings, &caliper(0.03), &setting(&cycle));
    assert_eq!(codes(&evaluation.notices), ["SUSPECT_DIAMETER"]);
    let mean = (19.47 + 19.74 + 19.46) / 3.0;
    assert!((evaluation.rings[0].mean_mm - mean).abs() < 1e-12);
}

#[test]
fn another_hold_without_its_table_is_kept_but_decides_nothing() {
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let tables = [straight_table()];
    let gauge = caliper(0.03);
    let short = cycle(60.0);
    let evaluation = evaluate(&observed(&rings, &tables, &gauge), &setting(&short)).expect("kept");
    assert!(!evaluation.evaluable);
    assert!(evaluation.decision.is_none() && evaluation.state.is_none());
    assert!((evaluation.ring_temperature_c - 1519.0).abs() < 1e-9);
    assert_eq!(codes(&evaluation.notices), ["HOLD_NOT_EVALUABLE"]);
    assert!(evaluation.notices[0].text.contains("120"));
}

#[test]
fn an_accepted_assumed_energy_raises_a_short_hold_at_a_price() {
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let tables = [straight_table()];
    let gauge = caliper(0.03);
    let observation = Observation::Rings(RingObservation {
        rings: &rings,
        tables: &tables,
        batch_expanded_uncertainty_c: None,
        gauge: &gauge,
        accepts_assumed_energy: true,
    });
    let short = cycle(60.0);
    let evaluation = evaluate(&observation, &setting(&short)).expect("evaluable");
    assert!(evaluation.evaluable);
    // Su & Johnson 1996 with 440 to 1000 kJ/mol: 60 instead of 120 min reads 17 to 37 °C low.
    let correction = evaluation.ring_temperature_c - 1519.0;
    assert!(correction > 17.0 && correction < 37.0, "{correction}");
    let hold = line(&evaluation, Source::HoldCorrection);
    assert!(hold.shared && hold.contribution_c > 3.0);
    assert_eq!(codes(&evaluation.notices), ["HOLD_CORRECTED_BY_ASSUMPTION"]);
}

#[test]
fn the_table_made_for_the_hold_is_the_one_that_is_read() {
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let hotter: Vec<Entry> = straight_table()
        .entries()
        .iter()
        .map(|entry| Entry {
            temperature_c: entry.temperature_c + 20.0,
            ..*entry
        })
        .collect();
    let tables = [
        straight_table_for(120.0),
        RingTable::new(60.0, hotter).expect("a valid table"),
    ];
    let gauge = caliper(0.03);
    let short = cycle(60.0);
    let evaluation =
        evaluate(&observed(&rings, &tables, &gauge), &setting(&short)).expect("evaluable");
    assert!((evaluation.ring_temperature_c - 1539.0).abs() < 1e-9);
}

#[test]
fn a_thermocouple_is_corrected_by_its_certificate() {
    let cycle = cycle(120.0);
    let shown = Observation::Thermocouple(ThermocoupleObservation {
        kind: Kind::S,
        indication: Indication::Celsius(1506.0),
        correction_c: -1.5,
        expanded_uncertainty_c: 3.0,
        position: "centre".to_owned(),
    });
    let evaluation = evaluate(&shown, &setting(&cycle)).expect("a good reading");
    assert!((evaluation.observed_offset_c - 4.5).abs() < 1e-9);
    assert!(
        (line(&evaluation, Source::ThermocoupleCalibration).contribution_c - 1.5).abs() < 1e-12
    );
    let plain = evaluation.decision.expect("evaluable").plain_setpoint_c;
    assert!((plain - 1495.5).abs() < 1e-9);
}

#[test]
fn a_thermocouple_voltage_is_read_on_the_its_90_scale() {
    // NIST Monograph 175: type S 15.582 mV and type B 10.099 mV at 1500 °C, junction at 0 °C.
    let cycle = cycle(120.0);
    for (kind, emf_mv) in [(Kind::S, 15.582), (Kind::B, 10.099)] {
        let shown = Observation::Thermocouple(ThermocoupleObservation {
            kind,
            indication: Indication::Millivolts {
                emf_mv,
                reference_junction_c: 0.0,
            },
            correction_c: 0.0,
            expanded_uncertainty_c: 3.0,
            position: "centre".to_owned(),
        });
        let evaluation = evaluate(&shown, &setting(&cycle)).expect("a good reading");
        assert!(evaluation.observed_offset_c.abs() < 0.06);
        assert!(line(&evaluation, Source::ReferenceJunction).contribution_c < 0.2);
    }
    let outside = Observation::Thermocouple(ThermocoupleObservation {
        kind: Kind::B,
        indication: Indication::Millivolts {
            emf_mv: 50.0,
            reference_junction_c: 20.0,
        },
        correction_c: 0.0,
        expanded_uncertainty_c: 3.0,
        position: "centre".to_owned(),
    });
    let error = evaluate(&outside, &setting(&cycle)).expect_err("outside the scale");
    assert_eq!(error.reason(), "OUT_OF_SCALE");
}

#[test]
fn what_cannot_be_evaluated_says_which_field_and_why() {
    let cycle = cycle(120.0);
    let tables = [straight_table()];
    let gauge = caliper(0.03);
    let good = setting(&cycle);
    let fails = |rings: &[Ring], setting: &Setting| {
        let error = evaluate(&observed(rings, &tables, &gauge), setting).expect_err("refused");
        (error.reason(), error.field())
    };
    let ok = [ring("centre", &[19.47])];
    assert_eq!(fails(&[], &good), ("NO_RINGS", "rings".to_owned()));
    let small = [ring("centre", &[19.47]), ring("left", &[19.10])];
    assert_eq!(
        fails(&small, &good),
        ("OUT_OF_TABLE", "rings[1].diameters_mm".to_owned())
    );
    let nan = [ring("centre", &[19.47, f64::NAN])];
    assert_eq!(
        fails(&nan, &good),
        ("NOT_FINITE", "rings[0].diameters_mm[1]".to_owned())
    );
    let many = vec![ring("centre", &[19.47]); 13];
    assert_eq!(fails(&many, &good), ("TOO_MANY", "rings".to_owned()));
    let endless = [ring("centre", &[19.47; 25])];
    assert_eq!(
        fails(&endless, &good),
        ("TOO_MANY", "rings[0].diameters_mm".to_owned())
    );
    let mut hot = good.clone();
    hot.setpoint_c = 2732.0;
    assert_eq!(fails(&ok, &hot), ("OUT_OF_RANGE", "setpoint_c".to_owned()));
    let nothing = evaluate(&observed(&ok, &[], &gauge), &good).expect_err("no table");
    assert_eq!(nothing.reason(), "NO_TABLE");
    assert!(nothing.to_string().contains("enter the table"));
}

proptest! {
    #[test]
    fn another_measurement_never_makes_the_mean_less_certain(
        measurements in 1_usize..23, deviation in 0.001..0.03_f64,
    ) {
        let cycle = cycle(120.0);
        let gauge = Gauge { repeatability: Some(pooled(deviation)), ..caliper(0.03) };
        let fewer = [ring("centre", &vec![19.47; measurements])];
        let more = [ring("centre", &vec![19.47; measurements + 1])];
        let before = evaluated(&fewer, &gauge, &setting(&cycle)).budget;
        let after = evaluated(&more, &gauge, &setting(&cycle)).budget;
        prop_assert!(after.combined_c <= before.combined_c + 1e-12);
        prop_assert!(after.expanded_c <= before.expanded_c + 1e-12);
    }

    #[test]
    fn the_first_advice_is_the_plain_setpoint(diameter in 19.43..19.70_f64) {
        let cycle = cycle(120.0);
        let rings = [ring("centre", &[diameter, diameter, diameter])];
        let evaluation = evaluated(&rings, &caliper(0.02), &setting(&cycle));
        let decision = evaluation.decision.expect("evaluable");
        let step = decision.plain_setpoint_c - 1500.0;
        if decision.advice == Advice::Adjust {
            prop_assert!((decision.advised_setpoint_c - decision.plain_setpoint_c).abs() <= 0.5 + 1e-9);
        } else if step.abs() < 29.0 {
            prop_assert_eq!(decision.advice, Advice::Leave);
            prop_assert!(step.abs() <= 3.0 + 1e-9);
        } else {
            prop_assert_eq!(decision.advice, Advice::FireAgain);
        }
    }

    #[test]
    fn no_figure_makes_an_evaluation_panic(
        d in proptest::collection::vec(prop_oneof![any::<f64>(), 19.0..20.2_f64], 0..4),
        (a, b, c) in (any::<f64>(), any::<f64>(), any::<f64>()),
        (t, u, v) in (0.0..2500.0_f64, 0.0..1000.0_f64, -1000.0..1000.0_f64),
        wild in 0_u8..20, confirmed in any::<bool>(), hold_min in prop_oneof![any::<f64>(), 0.0..500.0_f64],
    ) {
        let mut fired = cycle(hold_min);
        if wild == 0 {
            fired.segments.clear();
        }
        if wild == 1 {
            fired.segments[0].ramp_c_per_min = a;
            fired.segments[0].temperature_c = b;
        }
        let pick = |when: u8, tame: f64, odd: f64| if wild == when { odd } else { tame };
        let mut setting = setting(&fired);
        setting.setpoint_c = pick(2, t, a);
        setting.target_c = pick(3, t, b);
        setting.policy.tolerance_c = pick(4, u, c);
        setting.limits.setpoint_step_c = pick(5, u, a);
        setting.limits.highest_setpoint_c = pick(6, t, a);
        setting.components.noise_scale = pick(7, u, b);
        setting.components.initial_sd_c = (wild == 12).then_some(b);
        setting.counted = Counted {
            inflation_c2: pick(13, u, a),
            widened_c2: pick(14, u, c),
        };
        setting.confirmed = confirmed;
        setting.expectation = Expectation {
            state: (wild != 12).then_some(OffsetState {
                reference_c: pick(15, t, a),
                level_c: pick(8, v, a),
                slope_c_per_week: pick(16, v, b),
                coefficient_c_per_100c: v,
                covariance: [[u, v, 0.0], [v, pick(9, u, c), v], [0.0, v, u]],
                readings: u32::MAX,
                lowest_setpoint_c: a,
                highest_setpoint_c: b,
            }),
            bias_c: pick(17, v, a),
            bias_variance_c2: pick(18, u, b),
            covariance_c2: [v, pick(19, v, c), v],
        };
        let gauge = Gauge {
            resolution_mm: pick(10, u / 1e3, a),
            maximum_permissible_error_mm: u / 1e3,
            check: Some(BlockCheck { bias_mm: v / 1e5, standard_uncertainty_mm: pick(11, u / 1e5, b), in_date: confirmed }),
            repeatability: Some(Pooled { standard_deviation_mm: u / 1e4, degrees_of_freedom: c }),
        };
        let rings = [ring("centre", &d), ring("left", &[19.5])];
        let tables = [straight_table()];
        for accepts_assumed_energy in [false, true] {
            let observation = Observation::Rings(RingObservation {
                rings: &rings,
                tables: &tables,
                batch_expanded_uncertainty_c: Some(pick(0, u, c)),
                gauge: &gauge,
                accepts_assumed_energy,
            });
            match evaluate(&observation, &setting) {
                Ok(evaluation) => prop_assert!(evaluation.ring_temperature_c.is_finite()),
                Err(error) => prop_assert!(!error.to_string().is_empty() && !error.field().is_empty()),
            }
        }
        let thermocouple = Observation::Thermocouple(ThermocoupleObservation {
            kind: Kind::B,
            indication: Indication::Millivolts { emf_mv: a, reference_junction_c: b },
            correction_c: v,
            expanded_uncertainty_c: u,
            position: String::new(),
        });
        if let Ok(evaluation) = evaluate(&thermocouple, &setting) {
            prop_assert!(evaluation.ring_temperature_c.is_finite());
        }
    }
}
