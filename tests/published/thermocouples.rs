//! Reference thermocouples after ITS-90 (NIST Monograph 175), through whole evaluations.

use ringtrue_calibration::evaluation::{
    Evaluation, Indication, Observation, ThermocoupleObservation, evaluate,
};
use ringtrue_calibration::thermocouple::{Kind, emf_mv, sensitivity_mv_per_c};

use crate::setup::{close, cycle, figure, rows, setting};

fn read(kind: Kind, emf_mv: f64, reference_junction_c: f64) -> Evaluation {
    let cycle = cycle(1500.0, 120.0);
    let observation = Observation::Thermocouple(ThermocoupleObservation {
        kind,
        indication: Indication::Millivolts {
            emf_mv,
            reference_junction_c,
        },
        correction_c: 0.0,
        expanded_uncertainty_c: 3.0,
        position: "centre".to_owned(),
    });
    evaluate(&observation, &setting(&cycle)).expect("a reading")
}

#[test]
fn every_printed_voltage_of_types_b_and_s_is_read_as_its_temperature() {
    for row in rows(include_str!("data/its90_type_b_s.csv")) {
        let temperature_c = figure(row[0]);
        for (kind, recomputed, printed, slope) in [
            (Kind::B, row[1], row[2], row[3]),
            (Kind::S, row[4], row[5], row[6]),
        ] {
            // The tables print whole microvolts: half of one is 0.05 °C at 11 µV/°C.
            let found = read(kind, figure(printed), 0.0);
            close(found.ring_temperature_c, temperature_c, 0.0006 / 0.0112);
            close(
                emf_mv(kind, temperature_c).expect("on the scale"),
                figure(printed),
                0.0006,
            );
            close(
                emf_mv(kind, temperature_c).expect("on the scale"),
                figure(recomputed),
                1e-6,
            );
            let sensitivity = sensitivity_mv_per_c(kind, temperature_c).expect("on the scale");
            close(1000.0 * sensitivity, figure(slope), 1e-4);
        }
    }
}

#[test]
fn a_type_b_voltage_of_10_319_mv_says_what_the_ring_of_19_47_mm_says() {
    let found = read(Kind::B, 10.319, 0.0);
    close(found.ring_temperature_c, 1519.0, 0.06);
    let decision = found.decision.expect("a decision");
    close(decision.plain_setpoint_c, 1481.0, 0.06);
}

#[test]
fn a_warm_reference_junction_is_added_as_its_own_voltage() {
    // NIST Monograph 175, law of intermediate temperatures: E(T, 0) = E(T, Tr) + E(Tr, 0).
    let whole = emf_mv(Kind::S, 1500.0).expect("on the scale");
    let junction = emf_mv(Kind::S, 25.0).expect("on the scale");
    let found = read(Kind::S, whole - junction, 25.0);
    close(found.ring_temperature_c, 1500.0, 1e-3);
}
