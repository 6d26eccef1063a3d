//! Thermocouples of types B and S: voltage to temperature and back on ITS-90.
//!
//! Reference functions of Burns, Scroger, Strouse, Croarkin & Guthrie, NIST Monograph 175 (1993).
//! The coefficients were written down from memory; the tests hold them to the printed table and to
//! continuity where the ranges meet.

use std::fmt;

use crate::ring_table::bracketing::crossing;

/// Letter of the thermocouple type.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Platinum-30 % rhodium against platinum-6 % rhodium; 0 to 1820 °C.
    B,
    /// Platinum-10 % rhodium against platinum; -50 to 1768.1 °C.
    S,
}

impl Kind {
    /// The letter of the type.
    pub fn letter(self) -> char {
        match self {
            Kind::B => 'B',
            Kind::S => 'S',
        }
    }
}

/// A temperature or voltage beyond the reference function.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutOfScale {
    /// Type of the thermocouple.
    pub kind: Kind,
    /// What was asked for, in `unit`.
    pub asked: f64,
    /// Lowest value that can be answered, in `unit`.
    pub low: f64,
    /// Highest value that can be answered, in `unit`.
    pub high: f64,
    /// "°C" or "mV".
    pub unit: &'static str,
}

impl fmt::Display for OutOfScale {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let letter = self.kind.letter();
        write!(
            f,
            "{:.3} {unit} is outside what a type {letter} thermocouple can tell ({:.3} to {:.3} \
             {unit}); check the type, the polarity and the unit",
            self.asked,
            self.low,
            self.high,
            unit = self.unit
        )
    }
}

impl std::error::Error for OutOfScale {}

/// One range of a reference function: E/mV = Σ c_i (t/°C)^i up to and including `to_c`.
struct Range {
    to_c: f64,
    coefficients: &'static [f64],
}

const B_FROM_C: f64 = 0.0;
const S_FROM_C: f64 = -50.0;

/// Below about 21 °C the type B voltage falls, and it stays flat for long; from here it can be
/// inverted.
const B_INVERSE_FROM_C: f64 = 250.0;
const S_INVERSE_FROM_C: f64 = 0.0;

/// How exactly a voltage is inverted, °C.
const INVERSE_TOLERANCE_C: f64 = 1e-9;

static B: [Range; 2] = [
    Range {
        to_c: 630.615,
        coefficients: &[
            0.0,
            -0.246_508_183_460e-3,
            0.590_404_211_710e-5,
            -0.132_579_316_360e-8,
            0.156_682_919_010e-11,
            -0.169_445_292_400e-14,
            0.629_903_470_940e-18,
        ],
    },
    Range {
        to_c: 1820.0,
        coefficients: &[
            -0.389_381_686_210e1,
            0.285_717_474_700e-1,
            -0.848_851_047_850e-4,
            0.157_852_801_640e-6,
            -0.168_353_448_640e-9,
            0.111_097_940_130e-12,
            -0.445_154_310_330e-16,
            0.989_756_408_210e-20,
            -0.937_913_302_890e-24,
        ],
    },
];

static S: [Range; 3] = [
    Range {
        to_c: 1064.18,
        coefficients: &[
            0.0,
            0.540_313_308_631e-2,
            0.125_934_289_740e-4,
            -0.232_477_968_689e-7,
            0.322_028_823_036e-10,
            -0.331_465_196_389e-13,
            0.255_744_251_786e-16,
            -0.125_068_871_393e-19,
            0.271_443_176_145e-23,
        ],
    },
    Range {
        to_c: 1664.5,
        coefficients: &[
            0.132_900_444_085e1,
            0.334_509_311_344e-2,
            0.654_805_192_818e-5,
            -0.164_856_259_209e-8,
            0.129_989_605_174e-13,
        ],
    },
    Range {
        to_c: 1768.1,
        coefficients: &[
            0.146_628_232_636e3,
            -0.258_430_516_752e0,
            0.163_693_574_641e-3,
            -0.330_439_046_987e-7,
            -0.943_223_690_612e-14,
        ],
    },
];

fn scale(kind: Kind) -> (&'static [Range], f64) {
    match kind {
        Kind::B => (&B, B_FROM_C),
        Kind::S => (&S, S_FROM_C),
    }
}

fn range_at(kind: Kind, temperature_c: f64) -> Result<&'static Range, OutOfScale> {
    let (ranges, low) = scale(kind);
    if temperature_c >= low {
        for range in ranges {
            if temperature_c <= range.to_c {
                return Ok(range);
            }
        }
    }
    let high = ranges[ranges.len() - 1].to_c;
    Err(OutOfScale {
        kind,
        asked: temperature_c,
        low,
        high,
        unit: "°C",
    })
}

/// Gives the voltage of a thermocouple at a temperature with its reference junction at 0 °C, mV.
///
/// Type B from 0 to 1820 °C, type S from -50 to 1768.1 °C (NIST Monograph 175); fails outside.
pub fn emf_mv(kind: Kind, temperature_c: f64) -> Result<f64, OutOfScale> {
    let range = range_at(kind, temperature_c)?;
    Ok(polynomial(range.coefficients, temperature_c))
}

/// Gives the change of voltage with temperature, mV per °C, over the same ranges as [`emf_mv`].
pub fn sensitivity_mv_per_c(kind: Kind, temperature_c: f64) -> Result<f64, OutOfScale> {
    let range = range_at(kind, temperature_c)?;
    let mut slope = 0.0;
    let mut power = range.coefficients.len();
    for coefficient in range.coefficients.iter().rev() {
        power -= 1;
        if power > 0 {
            slope = slope * temperature_c + coefficient * as_float(power);
        }
    }
    Ok(slope)
}

/// Gives the temperature that a measured voltage in mV stands for, °C, with the reference junction at
/// `reference_junction_c`.
///
/// The reference junction's own voltage is added, never its temperature (NIST Monograph 175, section
/// 2). Answers from 250 °C for type B and from 0 °C for type S, where the voltage rises throughout;
/// fails outside.
pub fn temperature_c(
    kind: Kind,
    emf_mv: f64,
    reference_junction_c: f64,
) -> Result<f64, OutOfScale> {
    let total_mv = emf_mv + self::emf_mv(kind, reference_junction_c)?;
    let (ranges, _) = scale(kind);
    let low_c = match kind {
        Kind::B => B_INVERSE_FROM_C,
        Kind::S => S_INVERSE_FROM_C,
    };
    let high_c = ranges[ranges.len() - 1].to_c;
    let (low_mv, high_mv) = (self::emf_mv(kind, low_c)?, self::emf_mv(kind, high_c)?);
    let outside = OutOfScale {
        kind,
        asked: total_mv,
        low: low_mv,
        high: high_mv,
        unit: "mV",
    };
    if !(low_mv..=high_mv).contains(&total_mv) {
        return Err(outside);
    }
    let found = crossing(low_c, high_c, INVERSE_TOLERANCE_C, |t| {
        self::emf_mv(kind, t).unwrap_or(f64::NAN) - total_mv
    });
    found.ok_or(outside)
}

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    let mut value = 0.0;
    for coefficient in coefficients.iter().rev() {
        value = value * x + coefficient;
    }
    value
}

#[expect(clippy::cast_precision_loss, reason = "powers up to eight are exact")]
fn as_float(power: usize) -> f64 {
    power as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// NIST ITS-90 thermocouple tables, to the microvolt, and this crate's own six digits.
    const TABLE: &str = include_str!("../vectors/its90_type_b_s.csv");

    fn rows() -> Vec<Vec<f64>> {
        let lines = TABLE.lines().filter(|line| !line.starts_with('#')).skip(1);
        lines
            .map(|line| {
                line.split(',')
                    .map(|f| f.parse().expect("vector is numeric"))
                    .collect()
            })
            .collect()
    }

    #[test]
    fn both_types_agree_with_the_printed_table() {
        let rows = rows();
        assert_eq!(rows.len(), 10);
        for row in rows {
            let b = emf_mv(Kind::B, row[0]).expect("in scale");
            let s = emf_mv(Kind::S, row[0]).expect("in scale");
            assert!((b - row[2]).abs() < 0.0006, "B at {}: {b}", row[0]);
            assert!((s - row[5]).abs() < 0.0006, "S at {}: {s}", row[0]);
            // Six digits recomputed independently in double precision.
            assert!((b - row[1]).abs() < 6e-7, "B at {}: {b}", row[0]);
            assert!((s - row[4]).abs() < 6e-7, "S at {}: {s}", row[0]);
        }
    }

    #[test]
    fn the_sensitivities_agree_with_the_table() {
        for row in rows() {
            let b = 1000.0 * sensitivity_mv_per_c(Kind::B, row[0]).expect("in scale");
            let s = 1000.0 * sensitivity_mv_per_c(Kind::S, row[0]).expect("in scale");
            assert!((b - row[3]).abs() < 6e-5, "B at {}: {b}", row[0]);
            assert!((s - row[6]).abs() < 6e-5, "S at {}: {s}", row[0]);
        }
    }

    #[test]
    fn well_known_points_outside_the_firing_range_agree_too() {
        // NIST Monograph 175 tables, from memory: B at 600, 1000, 1820; S at -50, 1000, 1768.1.
        for (kind, t, mv) in [
            (Kind::B, 600.0, 1.792),
            (Kind::B, 1000.0, 4.834),
            (Kind::B, 1820.0, 13.820),
            (Kind::S, -50.0, -0.236),
            (Kind::S, 1000.0, 9.587),
            (Kind::S, 1768.0, 18.693),
        ] {
            let found = emf_mv(kind, t).expect("in scale");
            assert!((found - mv).abs() < 0.0006, "{kind:?} at {t}: {found}");
        }
    }

    #[test]
    fn ranges_meet_without_a_step_in_value_or_slope() {
        for (kind, joint) in [(Kind::B, 630.615), (Kind::S, 1064.18), (Kind::S, 1664.5)] {
            let jump = emf_mv(kind, joint + 1e-9).expect("in scale")
                - emf_mv(kind, joint).expect("in scale");
            assert!(jump.abs() < 1e-5, "{kind:?} at {joint}: {jump} mV");
            let bend = sensitivity_mv_per_c(kind, joint + 1e-9).expect("in scale")
                - sensitivity_mv_per_c(kind, joint).expect("in scale");
            assert!(bend.abs() < 1e-5, "{kind:?} at {joint}: {bend} mV/°C");
        }
    }

    #[test]
    fn a_warm_reference_junction_is_added_as_voltage() {
        // 1500 °C against a 25 °C junction: the table's E_S(1500) - E_S(25) = 15.582 - 0.143 mV.
        let found = temperature_c(Kind::S, 15.582 - 0.143, 25.0).expect("in scale");
        assert!((found - 1500.0).abs() < 0.1, "{found}");
        // Adding 25 °C to the uncorrected temperature would be wrong by about 13 °C.
        let uncorrected = temperature_c(Kind::S, 15.582 - 0.143, 0.0).expect("in scale");
        assert!((uncorrected + 25.0 - 1500.0).abs() > 12.0, "{uncorrected}");
        // For type B a junction at room temperature hardly matters: E_B(25) is about -0.002 mV.
        let cold = temperature_c(Kind::B, 10.099, 0.0).expect("in scale");
        let warm = temperature_c(Kind::B, 10.099, 25.0).expect("in scale");
        assert!((cold - warm).abs() < 0.3, "{cold} and {warm}");
    }

    #[test]
    fn what_is_outside_is_refused_with_words() {
        assert!(emf_mv(Kind::B, 1820.1).is_err());
        assert!(emf_mv(Kind::B, -0.1).is_err());
        assert!(emf_mv(Kind::S, -50.1).is_err());
        assert!(emf_mv(Kind::S, f64::NAN).is_err());
        assert!(temperature_c(Kind::B, 0.1, 0.0).is_err());
        assert!(temperature_c(Kind::S, f64::INFINITY, 20.0).is_err());
        assert!(temperature_c(Kind::S, 15.0, -60.0).is_err());
        let words = temperature_c(Kind::S, 25.0, 0.0)
            .expect_err("too high")
            .to_string();
        assert!(words.contains("type S") && words.contains("mV"), "{words}");
    }

    proptest! {
        #[test]
        fn temperature_and_voltage_undo_each_other(
            b in 250.0..1820.0_f64, s in 0.0..1768.1_f64, junction in 0.0..50.0_f64,
        ) {
            for (kind, t) in [(Kind::B, b.max(300.0)), (Kind::S, s.max(60.0))] {
                let measured =
                    emf_mv(kind, t).expect("in scale") - emf_mv(kind, junction).expect("in scale");
                let found = temperature_c(kind, measured, junction).expect("in scale");
                // The ranges meet within 0.4 nV, which is up to 1e-4 °C.
                prop_assert!((found - t).abs() < 1e-3, "{} against {}", found, t);
            }
        }

        #[test]
        fn no_number_at_all_panics(emf in any::<f64>(), junction in any::<f64>()) {
            for kind in [Kind::B, Kind::S] {
                let _tried = temperature_c(kind, emf, junction);
                let _tried = sensitivity_mv_per_c(kind, emf);
            }
        }
    }
}
