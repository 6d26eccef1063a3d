//! Coverage factors: how many standard uncertainties make an interval (GUM annex G).

use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::beta::checked_beta_reg;

/// Coverage probability of every expanded uncertainty: 95.45 %, the probability within two standard
/// deviations, so that the factor tends to 2 exactly (GUM 6.3.3 and Table G.2, note a).
pub const COVERAGE_PROBABILITY: f64 = 0.954_499_736_103_641_6;

/// Factors for [`COVERAGE_PROBABILITY`] and 1 to 100 degrees of freedom. They stand here as figures
/// because one is needed for every line of every budget and inverting the distribution is slow.
const FACTORS: [f64; 100] = [
    13.967_730_199_244_548,
    4.526_536_687_430_165,
    3.306_822_175_005_652,
    2.869_309_414_628_827,
    2.648_649_430_702_703,
    2.516_524_055_653_118_5,
    2.428_805_130_403_568_5,
    2.366_415_784_041_983_7,
    2.319_805_898_259_143,
    2.283_678_202_477_930_5,
    2.254_862_696_779_905_5,
    2.231_348_094_024_051,
    2.211_797_543_352_617,
    2.195_288_190_931_808_3,
    2.181_162_635_075_174_3,
    2.168_939_991_186_383_6,
    2.158_260_432_909_182,
    2.148_849_388_232_939_4,
    2.140_493_723_053_199_3,
    2.133_025_480_454_187_5,
    2.126_310_521_380_297,
    2.120_240_426_521_114_8,
    2.114_726_617_557_867_6,
    2.109_696_019_518_311_4,
    2.105_087_812_860_388_5,
    2.100_850_968_865_174_6,
    2.096_942_356_548_186_4,
    2.093_325_272_284_350_7,
    2.089_968_286_017_187_5,
    2.086_844_327_310_369,
    2.083_929_955_041_788_2,
    2.081_204_769_098_338_4,
    2.078_650_932_879_389_4,
    2.076_252_783_007_099_4,
    2.073_996_508_215_872_2,
    2.071_869_883_529_22,
    2.069_862_048_930_741_3,
    2.067_963_324_078_164,
    2.066_165_052_395_031_7,
    2.064_459_469_246_798_6,
    2.062_839_589_970_521,
    2.061_299_114_355_761_7,
    2.059_832_344_824_671_6,
    2.058_434_116_072_976_7,
    2.057_099_734_341_954_4,
    2.055_824_924_817_899,
    2.054_605_785_917_926_8,
    2.053_438_749_432_929_4,
    2.052_320_545_670_576,
    2.051_248_172_881_657_6,
    2.050_218_870_368_086_6,
    2.049_230_094_765_576_4,
    2.048_279_499_072_227,
    2.047_364_914_059_202_5,
    2.046_484_331_753_711_6,
    2.045_635_890_729_729_4,
    2.044_817_862_979_784,
    2.044_028_642_173_052,
    2.043_266_733_131_941,
    2.042_530_742_382_163,
    2.041_819_369_650_689,
    2.041_131_400_202_491,
    2.040_465_697_921_101,
    2.039_821_199_050_100_3,
    2.039_196_906_523_052,
    2.038_591_884_818_327_8,
    2.038_005_255_282_997_5,
    2.037_436_191_876_657_7,
    2.036_883_917_291_838_5,
    2.036_347_699_412_691_4,
    2.035_826_848_078_039,
    2.035_320_712_118_703_6,
    2.034_828_676_642_374_7,
    2.034_350_160_542_223,
    2.033_884_614_208_043,
    2.033_431_517_420_968_5,
    2.032_990_377_414_818,
    2.032_560_727_088_881,
    2.032_142_123_358_524,
    2.031_734_145_631_372,
    2.031_336_394_398_054_2,
    2.030_948_489_927_589,
    2.030_570_071_058_456,
    2.030_200_794_077_265,
    2.029_840_331_677_706_3,
    2.029_488_371_993_158,
    2.029_144_617_696_935_4,
    2.028_808_785_164_738_3,
    2.028_480_603_694_326,
    2.028_159_814_777_919_4,
    2.027_846_171_423_213,
    2.027_539_437_519_254_6,
    2.027_239_387_243_768,
    2.026_945_804_508_796_5,
    2.026_658_482_441_804_6,
    2.026_377_222_899_619_3,
    2.026_101_836_012_815_6,
    2.025_832_139_758_341,
    2.025_567_959_558_360_4,
    2.025_309_127_903_459_4,
];

/// Gives the two-sided factor of Student's distribution: `probability` of it lies within plus and
/// minus the factor (GUM G.3.2, Table G.2).
///
/// Infinite degrees of freedom give the normal factor. Fewer than one, or not a number, count as
/// one. A probability of 0 or less gives 0, of 1 or more infinity.
pub fn student_t_factor(probability: f64, degrees_of_freedom: f64) -> f64 {
    if probability.is_nan() || probability <= 0.0 {
        return 0.0;
    }
    if probability >= 1.0 {
        return f64::INFINITY;
    }
    let freedom = if degrees_of_freedom >= 1.0 {
        degrees_of_freedom
    } else {
        1.0
    };
    if (probability - COVERAGE_PROBABILITY).abs() < 1e-12 {
        if freedom > 100.0 {
            return expanded_factor(2.0, freedom);
        }
        if (freedom - freedom.round()).abs() < 1e-12 {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a whole number from 1 to 100"
            )]
            let row = freedom.round() as usize;
            return FACTORS[row - 1];
        }
    }
    if freedom >= EXPANDED_FROM {
        return expanded_factor(normal_quantile(f64::midpoint(1.0, probability)), freedom);
    }
    inverted_factor(probability, freedom)
}

/// From here on the expansion serves every usual probability to nine digits.
const EXPANDED_FROM: f64 = 1000.0;

/// The factor by halving a bracket around it. Halving is chosen over the library's inverse because
/// that one does not come back from some probabilities near 1; this one ends after 200 halvings.
fn inverted_factor(probability: f64, freedom: f64) -> f64 {
    let outside = 1.0 - probability;
    let mut low = 0.0_f64;
    let mut high = 1.0_f64;
    while probability_outside(high, freedom) > outside && high < 1e150 {
        low = high;
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if probability_outside(middle, freedom) > outside {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Probability that Student's distribution lies outside plus and minus `t`.
fn probability_outside(t: f64, freedom: f64) -> f64 {
    let x = freedom / (freedom + t * t);
    checked_beta_reg(freedom / 2.0, 0.5, x).unwrap_or(0.0)
}

/// Student's quantile from the normal one by the expansion in inverse degrees of freedom
/// (Abramowitz & Stegun 26.7.5, from memory; the tests hold it against exact quantiles). With more
/// than 100 degrees of freedom and z = 2 the first omitted term is below 1e-10.
fn expanded_factor(z: f64, freedom: f64) -> f64 {
    let z2 = z * z;
    let g1 = z * (z2 + 1.0) / 4.0;
    let g2 = z * ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0;
    let g3 = z * (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0;
    let g4 = z * ((((79.0 * z2 + 776.0) * z2 + 1482.0) * z2 - 1920.0) * z2 - 945.0) / 92_160.0;
    z + (g1 + (g2 + (g3 + g4 / freedom) / freedom) / freedom) / freedom
}

/// Gives the standard normal distribution function.
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * libm::erfc(-x / std::f64::consts::SQRT_2)
}

/// Gives the standard normal quantile: minus infinity at 0 or below, infinity at 1 or above.
pub fn normal_quantile(probability: f64) -> f64 {
    if probability.is_nan() || probability <= 0.0 {
        return f64::NEG_INFINITY;
    }
    if probability >= 1.0 {
        return f64::INFINITY;
    }
    Normal::standard().inverse_cdf(probability)
}

/// Gives the effective degrees of freedom of a sum (Welch-Satterthwaite, GUM G.4.1, equation G.2b).
///
/// Each part is a contribution to the result (sensitivity times standard uncertainty, any sign) and
/// its degrees of freedom; infinite ones add nothing. Nothing is rounded or truncated here: fed with
/// rounded figures the formula gives other whole numbers. Infinity when no part limits it.
pub fn effective_degrees_of_freedom(parts: &[(f64, f64)]) -> f64 {
    let mut variance = 0.0;
    for (contribution, _) in parts {
        variance += contribution * contribution;
    }
    let mut sum = 0.0;
    for (contribution, freedom) in parts {
        if *freedom > 0.0 && freedom.is_finite() && variance > 0.0 {
            let share = contribution * contribution / variance;
            sum += share * share / freedom;
        }
    }
    if sum > 0.0 { 1.0 / sum } else { f64::INFINITY }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn normal_probability_within(deviations: f64) -> f64 {
        2.0 * normal_cdf(deviations) - 1.0
    }

    /// GUM Table G.2 heads its columns 68.27, 95.45 and 99.73 % and means 1, 2 and 3 deviations.
    fn column_probability(printed: f64) -> f64 {
        for deviations in [1.0, 2.0, 3.0] {
            let exact = normal_probability_within(deviations);
            if (exact - printed).abs() < 1e-4 {
                return exact;
            }
        }
        printed
    }

    #[test]
    fn every_cell_of_gum_table_g2_is_met_to_its_printed_digits() {
        let mut cells = 0;
        for line in include_str!("../vectors/gum_table_g2.csv").lines().skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            let freedom: f64 = fields[0].parse().expect("dof column");
            let probability: f64 = fields[1].parse().expect("p column");
            let printed: f64 = fields[2].parse().expect("printed column");
            let exact: f64 = fields[3].parse().expect("exact column");
            let factor = student_t_factor(column_probability(probability), freedom);
            assert!((factor - exact).abs() < 1e-5, "{line}: {factor}");
            // GUM Table G.2 prints 1.70 at 35 degrees of freedom and 90 %; the exact quantile is
            // 1.68957, an erratum of the source.
            let erratum = (freedom - 35.0).abs() < 0.5 && (probability - 0.90).abs() < 1e-9;
            let decimals = if printed > 100.0 {
                0.05
            } else if freedom > 99.0 {
                0.000_5
            } else {
                0.005
            };
            if !erratum {
                assert!(
                    (factor - printed).abs() <= decimals + 1e-6,
                    "{line}: {factor}"
                );
            }
            cells += 1;
        }
        assert_eq!(cells, 162);
    }

    #[test]
    fn the_last_row_of_gum_table_g2_is_the_normal_one() {
        for (probability, printed) in [(0.90, 1.645), (0.95, 1.960), (0.99, 2.576)] {
            let factor = student_t_factor(probability, f64::INFINITY);
            assert!((factor - printed).abs() < 5e-4);
        }
        let coverage = student_t_factor(COVERAGE_PROBABILITY, f64::INFINITY);
        assert!((coverage - 2.0).abs() < 1e-15);
    }

    #[test]
    fn the_listed_factors_equal_the_inverted_distribution() {
        for (row, listed) in FACTORS.iter().enumerate() {
            let freedom = f64::from(u32::try_from(row + 1).expect("at most 100"));
            let inverted = inverted_factor(COVERAGE_PROBABILITY, freedom);
            assert!(
                (listed - inverted).abs() < 1e-8 * listed,
                "{freedom}: {inverted}"
            );
        }
    }

    #[test]
    fn the_expanded_factors_equal_the_exact_ones() {
        // Inverted in 30-digit arithmetic from the incomplete beta function.
        let exact = [
            (101.0, 2.025_055_483_998_504),
            (150.0, 2.016_803_628_654_136),
            (1000.0, 2.002_503_065_361_22),
            (1e6, 2.000_002_500_003_063),
        ];
        for (freedom, factor) in exact {
            let expanded = student_t_factor(COVERAGE_PROBABILITY, freedom);
            assert!((expanded - factor).abs() < 1e-9, "{freedom}: {expanded}");
        }
        let (before, after) = (inverted_factor(0.99, 999.0), student_t_factor(0.99, 1001.0));
        assert!(before > after && before - after < 2e-5);
    }

    #[test]
    fn table_one_of_jcgm_106_gives_the_guard_factors() {
        // JCGM 106:2012 Table 1.
        for (probability, z) in [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33)] {
            assert!((normal_quantile(probability) - z).abs() < 0.006);
        }
        assert!((normal_quantile(0.999) - 3.09).abs() < 0.006);
    }

    #[test]
    fn welch_satterthwaite_reproduces_gum_h1() {
        // GUM H.1.6 with unrounded contributions in nm.
        let pooled = 13.0 / 5.0_f64.sqrt();
        let parts_of_difference = [(pooled, 24.0), (10.0 / 2.57, 5.0), (20.0 / 3.0, 8.0)];
        let freedom = effective_degrees_of_freedom(&parts_of_difference);
        assert!((freedom - 25.621_943).abs() < 0.05);
    }

    #[test]
    fn no_limiting_part_means_infinite_freedom() {
        assert!(effective_degrees_of_freedom(&[]).is_infinite());
        assert!(effective_degrees_of_freedom(&[(1.0, f64::INFINITY)]).is_infinite());
        assert!(effective_degrees_of_freedom(&[(0.0, 3.0)]).is_infinite());
    }

    proptest! {
        #[test]
        fn nothing_asked_of_this_page_panics(
            a in any::<f64>(), b in any::<f64>(), p in -0.5..1.5, nu in 0.0..1e9,
        ) {
            let _ = student_t_factor(a, b);
            let _ = student_t_factor(p, b);
            let _ = student_t_factor(p, nu);
            let _ = normal_cdf(a);
            let _ = normal_quantile(a);
            let _ = effective_degrees_of_freedom(&[(a, b), (b, a)]);
        }

        #[test]
        fn more_freedom_never_widens_the_interval(nu in 1.0..1e4_f64, more in 0.0..1e4_f64) {
            let few = student_t_factor(COVERAGE_PROBABILITY, nu.floor());
            let many = student_t_factor(COVERAGE_PROBABILITY, (nu + more).floor());
            prop_assert!(many <= few + 1e-12);
            prop_assert!(many >= 2.0);
        }

        #[test]
        fn effective_freedom_lies_between_the_smallest_and_the_sum(
            a in 0.1..10.0_f64, b in 0.1..10.0_f64, nu_a in 1.0..50.0_f64, nu_b in 1.0..50.0_f64,
        ) {
            let freedom = effective_degrees_of_freedom(&[(a, nu_a), (-b, nu_b)]);
            prop_assert!(freedom >= nu_a.min(nu_b) - 1e-9);
            prop_assert!(freedom <= nu_a + nu_b + 1e-9);
        }
    }
}
