//! Checks that a message says what an evaluation says.

use jiff::civil::Date;
use ringtrue_calibration::decision::{Limits, Policy};
use ringtrue_calibration::evaluation::{Counted, Evaluation, Indication};
use ringtrue_calibration::inference::{Components, Expectation};
use ringtrue_calibration::plausibility::{Question, QuestionCode};
use ringtrue_calibration::programme::{Cycle, Segment};
use ringtrue_calibration::thermal_work::Energy;
use ringtrue_calibration::thermocouple::Kind;
use ringtrue_fleet::reading::{Inputs, Method, ThermocoupleMeasurement, reproduced};

use super::*;

/// A thermocouple shows 1519 °C at a setpoint of 1500 °C.
fn evaluated() -> Evaluated {
    let inputs = Inputs {
        cycle: Cycle {
            segments: vec![Segment {
                ramp_c_per_min: 8.0,
                temperature_c: 1500.0,
                hold_min: 120.0,
            }],
        },
        setpoint_c: 1500.0,
        current_setpoint_c: 1500.0,
        target_c: 1500.0,
        limits: Limits {
            setpoint_step_c: 1.0,
            lowest_setpoint_c: 900.0,
            highest_setpoint_c: 1600.0,
            largest_step_c: 30.0,
        },
        policy: Policy::default(),
        expectation: Expectation {
            state: None,
            bias_c: 0.0,
            bias_variance_c2: 2.25,
            covariance_c2: [0.0; 3],
        },
        counted: Counted::default(),
        confirmed: false,
        components: Components::default(),
        reference_position: String::new(),
        gauge: None,
        batch_expanded_uncertainty_c: None,
        accepts_assumed_energy: false,
        superseded: false,
    };
    let measured = Method::Thermocouple(ThermocoupleMeasurement {
        kind: Kind::S,
        indication: Indication::Celsius(1519.0),
        correction_c: 0.0,
        expanded_uncertainty_c: 3.0,
        position: "centre".to_owned(),
    });
    let evaluation: Evaluation = reproduced(&inputs, &measured, &[]).expect("it is evaluable");
    Evaluated {
        evaluation,
        inputs,
        questions: vec![AskedQuestion {
            question: Question {
                code: QuestionCode::LateReport,
                field: "reading.measure_time".to_owned(),
                text: "Is the date right?".to_owned(),
                suggestion: None,
                suggestion_unit: "",
            },
            answered: true,
        }],
        cautions: vec!["Hot chamber.".to_owned()],
        next_due_on: Date::constant(2026, 3, 30),
    }
}

#[test]
fn the_worked_example_comes_out_as_it_went_in() {
    // Set 1500 °C, true 1519 °C, so set 1481 °C: the sum that the trade does by hand.
    let out = message(&evaluated());
    assert!(out.evaluable);
    assert!((out.ring_temperature_c - 1519.0).abs() < 1e-9);
    assert!((out.observed_offset_c - 19.0).abs() < 1e-9);
    assert_eq!(out.advice(), v1::Advice::Adjust);
    assert!((out.plain_setpoint_c - 1481.0).abs() < 1e-9);
    assert!((out.advised_setpoint_c - 1481.0).abs() < 1e-9);
    assert!((out.present_setpoint_c - 1500.0).abs() < 1e-9);
    assert!((out.target_c - 1500.0).abs() < 1e-9);
    assert!((out.tolerance_c - 10.0).abs() < 1e-9);
    assert!(!out.reasons.is_empty());
    assert_eq!(out.innovation_z, None);
    assert_eq!(
        out.next_due_date,
        Some(ringtrue_proto::Date {
            year: 2026,
            month: 3,
            day: 30
        })
    );
    assert_eq!(out.method_version, ringtrue_calibration::METHOD_VERSION);
    assert_eq!(
        (out.questions[0].code.as_str(), out.questions[0].answered),
        ("LATE_REPORT", true)
    );
    assert_eq!(out.cautions, ["Hot chamber."]);
}

#[test]
fn the_budget_is_told_line_by_line_and_infinite_freedom_as_zero() {
    let evaluated = evaluated();
    let told = message(&evaluated).budget.expect("a budget");
    let wanted = &evaluated.evaluation.budget;
    assert_eq!(told.lines.len(), wanted.lines.len());
    let mut infinite = 0;
    let mut variance = 0.0;
    for (told, wanted) in told.lines.iter().zip(&wanted.lines) {
        assert_eq!(told.source, wanted.source.name());
        assert_eq!((told.type_a, told.shared), (wanted.type_a, wanted.shared));
        assert!(told.degrees_of_freedom.is_finite());
        if wanted.degrees_of_freedom.is_infinite() {
            infinite += 1;
            assert!(told.degrees_of_freedom.abs() < 1e-12);
        }
        variance += told.contribution_c * told.contribution_c;
    }
    assert!(infinite > 0);
    // Combined standard uncertainty is the root of the sum of squares (GUM 5.1.2).
    assert!((variance.sqrt() - told.combined_standard_uncertainty_c).abs() < 1e-9);
    let expanded_c = told.coverage_factor * told.combined_standard_uncertainty_c;
    assert!((expanded_c - told.expanded_uncertainty_c).abs() < 1e-9);
}

#[test]
fn without_advice_the_setpoint_to_have_is_the_present_one() {
    let mut evaluated = evaluated();
    evaluated.evaluation.evaluable = false;
    evaluated.evaluation.decision = None;
    let out = message(&evaluated);
    assert_eq!(out.advice(), v1::Advice::Unspecified);
    assert!((out.advised_setpoint_c - 1500.0).abs() < 1e-9);
    assert_eq!(out.provisional_setpoint_c, None);
}

#[test]
fn a_ring_tells_its_slope_for_a_hundredth_of_a_millimetre() {
    let out = ring_message(&RingSummary {
        position: "centre".to_owned(),
        mean_mm: 19.48,
        corrected_mm: 19.47,
        standard_deviation_mm: Some(0.01),
        ovality_mm: 0.02,
        table_temperature_c: 1519.0,
        temperature_c: 1520.0,
        slope_c_per_mm: -400.0,
        suspect_diameters: vec![2],
        measurements: 3,
    });
    assert!((out.slope_c_per_hundredth_mm + 4.0).abs() < 1e-9);
    assert!((out.corrected_diameter_mm - 19.47).abs() < 1e-9);
    assert_eq!(out.suspect_diameters, [2]);
}

#[test]
fn each_treatment_of_the_hold_is_told_with_its_energy() {
    let energy = Energy {
        kj_per_mol: 600.0,
        standard_uncertainty_kj_per_mol: 150.0,
    };
    let unfit = HoldTreatment::NotEvaluable {
        reason: "no table".to_owned(),
    };
    for (treatment, wanted, energy) in [
        (HoldTreatment::Matched, v1::HoldTreatment::Matched, None),
        (
            HoldTreatment::Fitted { energy },
            v1::HoldTreatment::Fitted,
            Some(600.0),
        ),
        (
            HoldTreatment::Assumed { energy },
            v1::HoldTreatment::Assumed,
            Some(600.0),
        ),
        (unfit, v1::HoldTreatment::NotEvaluable, None),
    ] {
        let out = hold_message(&HoldCorrection {
            treatment,
            table_hold_min: 120.0,
            fired_hold_min: 60.0,
            correction_c: -12.0,
            standard_uncertainty_c: 3.0,
            explanation: "why".to_owned(),
            statements_still_valid: vec!["positions".to_owned()],
        });
        assert_eq!(out.treatment(), wanted);
        assert_eq!(out.activation_energy_kj_per_mol, energy);
        assert!((out.correction_c + 12.0).abs() < 1e-9);
    }
}
