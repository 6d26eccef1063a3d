//! The detector on made-up innovations: quiet furnaces, drifting ones, and single gross readings.

use super::*;
use crate::charts::run_length::ewma_beside_single;
use proptest::prelude::*;

/// Weeks between readings of a furnace that is fired 17 times a year.
const APART_WEEKS: f64 = 3.07;
/// What a filter with a wander of 0.4 °C²/week and a reading noise of 2.2 °C comes to rest at.
const GAIN: f64 = 0.40;
const INNOVATION_SD_C: f64 = 2.83;

fn innovation(weeks: f64, z: f64) -> Innovation {
    Innovation {
        weeks,
        weeks_since: 1.0,
        z,
        standard_deviation_c: INNOVATION_SD_C,
        gain: GAIN,
        drawn_anew: false,
    }
}

/// The average as auditors know it, beside single readings beyond 3.5.
fn average() -> Detector {
    Detector {
        rule: Rule::Average(average_with(3.0)),
        single_limit: 3.5,
        confirmations: 1,
    }
}

/// Takes one innovation a week; gives all signals with their weeks.
fn signals(detector: &Detector, innovations: &[f64]) -> Vec<(f64, Signal)> {
    let mut state = DriftState::default();
    let mut weeks = 0.0;
    let mut found = Vec::new();
    for z in innovations {
        weeks += 1.0;
        let (next, signal) = detector.follow(state, &innovation(weeks, *z));
        state = next;
        if let Some(signal) = signal {
            found.push((weeks, signal));
        }
    }
    found
}

/// Innovations of a furnace that drifts from the first reading on, by a filter at rest that expects no
/// drift; weeks of the first alarm upwards.
fn weeks_to_find(detector: &Detector, rate_c_per_week: f64, noise: &[f64]) -> Option<f64> {
    let mut state = DriftState::default();
    let mut lag_c = 0.0;
    let mut weeks = 0.0;
    for z in noise {
        weeks += APART_WEEKS;
        lag_c += rate_c_per_week * APART_WEEKS;
        let seen = z + lag_c / INNOVATION_SD_C;
        // The lag is the part of the drift that the level has not taken up; noise is in z already.
        lag_c *= 1.0 - GAIN;
        let taken = Innovation {
            weeks_since: APART_WEEKS,
            ..innovation(weeks, seen)
        };
        let (next, signal) = detector.follow(state, &taken);
        state = next;
        if let Some(Signal::Drift {
            side: Side::Above, ..
        }) = signal
        {
            return Some(weeks);
        }
    }
    None
}

/// Independent standard normal figures that are the same in every run (splitmix64: Steele, Lea & Flood
/// 2014, constants from memory).
fn noise(seed: u64, count: usize) -> Vec<f64> {
    let mut state = seed;
    let mut figures = Vec::with_capacity(count);
    for _ in 0..count {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^= mixed >> 31;
        let upper = u32::try_from(mixed >> 32).expect("32 bits");
        figures.push(normal_quantile((f64::from(upper) + 0.5) / 4_294_967_296.0));
    }
    figures
}

#[test]
fn a_quiet_furnace_alarms_as_seldom_as_the_run_length_says() {
    let detector = average();
    let found = signals(&detector, &noise(7, 400_000));
    let length = ewma_beside_single(&average_with(3.0), 3.5, 0.0).expect("a length");
    // About 930 alarms; four standard deviations of their number are 13 %. A single reading does not
    // start the average anew, which the chain behind the length assumes, but that is rare.
    let wanted = 400_000.0 / length;
    let alarms = f64::from(u32::try_from(found.len()).expect("a small number"));
    assert!((alarms / wanted - 1.0).abs() < 0.13, "{alarms} {wanted}");
}

#[test]
fn the_ramp_alarms_falsely_as_seldom_as_its_limits_promise() {
    // Own simulation: 0.031 false drift alarms per furnace and year with innovations of whole fleets;
    // independent ones, as here, give 0.03 to 0.045 for a filter at rest.
    let mut rates = Vec::new();
    for limit in [4.5, 5.5] {
        let design = RampDesign {
            limit,
            ..RampDesign::default()
        };
        let detector = Detector {
            rule: Rule::Ramp(design),
            ..Detector::default()
        };
        let mut state = DriftState::default();
        let mut weeks = 0.0;
        let mut alarms = 0.0;
        for z in noise(11, 400_000) {
            weeks += APART_WEEKS;
            let taken = Innovation {
                weeks_since: APART_WEEKS,
                ..innovation(weeks, z)
            };
            let (next, signal) = detector.follow(state, &taken);
            state = next;
            if let Some(Signal::Drift { .. }) = signal {
                alarms += 1.0;
            }
        }
        rates.push(alarms / (400_000.0 / 17.0));
    }
    assert!(rates[0] > 0.02 && rates[0] < 0.05, "{rates:?}");
    // One unit of limit: about e^-1.15.
    let fall = libm::log(rates[0] / rates[1]);
    assert!((fall - 1.15).abs() < 0.25, "{fall}");
}

#[test]
fn a_degree_a_week_is_found_within_twelve_weeks_and_sooner_than_by_the_average() {
    // Own simulation of whole fleets: a median of 11.7 to 12.0 weeks by the ramp, 12.1 to 12.3 by the
    // average at equal false alarms.
    let figures = noise(23, 30 * 400);
    let mut by_ramp = Vec::new();
    let mut by_average = Vec::new();
    for one in figures.chunks(30) {
        by_ramp.push(weeks_to_find(&Detector::default(), 1.0, one).unwrap_or(99.0));
        by_average.push(weeks_to_find(&average(), 1.0, one).unwrap_or(99.0));
    }
    let mean = |all: &[f64]| all.iter().sum::<f64>() / 400.0;
    assert!(mean(&by_ramp) < mean(&by_average));
    by_ramp.sort_by(f64::total_cmp);
    assert!(
        by_ramp[200] > 8.0 && by_ramp[200] < 12.5,
        "{}",
        by_ramp[200]
    );
    assert!(by_ramp[360] < 19.0, "{}", by_ramp[360]);
}

#[test]
fn the_score_of_a_ramp_is_its_log_likelihood_ratio() {
    // By hand: lag 0.7 · 2 = 1.4 °C, mean 1.4 / 2 = 0.7, score 1.5 · 0.7 - 0.245 = 0.805; then half of
    // the lag is left, 0.7 + 0.7 · 3 = 2.8 °C, mean 1.4, score + 2 · 1.4 - 0.98.
    let first = Innovation {
        weeks: 12.0,
        weeks_since: 2.0,
        z: 1.5,
        standard_deviation_c: 2.0,
        gain: 0.5,
        drawn_anew: false,
    };
    let (state, signal) = Detector::default().follow(DriftState::default(), &first);
    assert_eq!(signal, None);
    assert!((state.ramp.up.score - 0.805).abs() < 1e-12);
    assert!((state.ramp.up.deficit_c - 0.7).abs() < 1e-12);
    assert_eq!(state.ramp.down, Evidence::default());
    let second = Innovation {
        weeks: 15.0,
        weeks_since: 3.0,
        z: 2.0,
        ..first
    };
    let (state, _) = Detector::default().follow(state, &second);
    assert!((state.ramp.up.score - (0.805 + 2.8 - 0.98)).abs() < 1e-12);
    assert_eq!(state.ramp.up.began_weeks, Some(10.0));
    assert_eq!(Detector::default().suspicion(&state), None);
    let third = Innovation {
        weeks: 16.0,
        weeks_since: 1.0,
        z: 1.2,
        ..first
    };
    let (suspected, signal) = Detector::default().follow(state, &third);
    assert_eq!(signal, None);
    assert_eq!(Detector::default().suspicion(&suspected), Some(Side::Above));
    let fourth = Innovation {
        weeks: 17.0,
        z: 3.5,
        ..third
    };
    let (anew, signal) = Detector::default().follow(suspected, &fourth);
    assert_eq!(
        signal,
        Some(Signal::Drift {
            side: Side::Above,
            first_beyond_weeks: 17.0,
            began_weeks: 10.0,
        })
    );
    assert_eq!(anew, DriftState::default());
}

#[test]
fn one_gross_reading_never_raises_a_drift_alarm() {
    for z in [-400.0, -9.0, 5.0, 1e300] {
        let found = signals(&Detector::default(), &[0.1, 0.0, z, 0.1]);
        let side = if z > 0.0 { Side::Above } else { Side::Below };
        assert_eq!(found, [(3.0, Signal::Single { side })]);
    }
}

#[test]
fn new_elements_make_the_past_say_nothing() {
    let mut state = DriftState::default();
    for weeks in [1.0, 2.0, 3.0] {
        (state, _) = Detector::default().follow(state, &innovation(weeks, 1.7));
    }
    assert!(state.ramp.up.score > 0.5);
    let after = Innovation {
        drawn_anew: true,
        ..innovation(4.0, 0.4)
    };
    let (fresh, _) = Detector::default().follow(state, &after);
    let (alone, _) = Detector::default().follow(DriftState::default(), &after);
    assert_eq!(fresh, alone);
}

#[test]
fn a_rising_furnace_is_found_and_its_beginning_is_told() {
    let mut innovations = vec![0.3, -0.4, 0.8, -0.9, 0.2, -0.6];
    innovations.extend_from_slice(&[1.2, 1.6, 1.1, 1.9, 1.4, 1.5]);
    let found = signals(&average(), &innovations);
    // Averages from the seventh on: 0.21, 0.55, 0.69, 0.99, 1.10, 1.20; the limit is 1.134.
    let (weeks, signal) = found[0];
    assert!((weeks - 12.0).abs() < 1e-12);
    assert_eq!(found.len(), 1);
    assert_eq!(
        signal,
        Signal::Drift {
            side: Side::Above,
            first_beyond_weeks: 12.0,
            began_weeks: 6.0,
        }
    );
}

#[test]
fn after_an_alarm_the_chart_starts_anew() {
    let found = signals(&average(), &[-1.6; 40]);
    // The average of a lasting -1.6 passes -1.134 at the fifth reading, again and again.
    let weeks: Vec<f64> = found.iter().map(|(weeks, _)| *weeks).collect();
    assert_eq!(weeks.len(), 8);
    for (index, found) in (1..).zip(weeks) {
        assert!((found - 5.0 * f64::from(index)).abs() < 1e-12);
    }
}

#[test]
fn a_single_gross_reading_is_reported_and_not_averaged() {
    let found = signals(&average(), &[0.1, -5.0, 0.2, 0.1, -0.3]);
    assert_eq!(found, [(2.0, Signal::Single { side: Side::Below })]);
    let (kept, _) = average().follow(DriftState::default(), &innovation(1.0, 9.0));
    assert_eq!(kept.average, EwmaState::default());
    assert_eq!(kept.sums, CusumState::default());
}

#[test]
fn two_confirmations_wait_for_the_second_and_a_return_forgets_the_first() {
    let detector = Detector {
        confirmations: 2,
        ..average()
    };
    let found = signals(&detector, &[-1.6; 6]);
    assert_eq!(found.len(), 1);
    let (weeks, signal) = found[0];
    assert!((weeks - 6.0).abs() < 1e-12);
    let Signal::Drift {
        first_beyond_weeks, ..
    } = signal
    else {
        panic!("{signal:?}");
    };
    assert!((first_beyond_weeks - 5.0).abs() < 1e-12);
    // Beyond at the fifth, back at the sixth, beyond again at the seventh, confirmed at the eighth.
    let wavering = [-1.6, -1.6, -1.6, -1.6, -1.6, 0.5, -3.0, -3.0];
    let found = signals(&detector, &wavering);
    assert_eq!(found.len(), 1);
    assert!((found[0].0 - 8.0).abs() < 1e-12);
}

#[test]
fn sums_find_a_lasting_shift_too() {
    let detector = Detector {
        rule: Rule::Sums(CusumDesign {
            slack: 0.5,
            decision: 4.774,
        }),
        ..average()
    };
    // One and a half standard deviations less the slack: beyond 4.774 at the fifth reading.
    let found = signals(&detector, &[-0.4, 0.3, 1.5, 1.5, 1.5, 1.5, 1.5]);
    assert_eq!(
        found,
        [(
            7.0,
            Signal::Drift {
                side: Side::Above,
                first_beyond_weeks: 7.0,
                began_weeks: 2.0,
            }
        )]
    );
}

#[test]
fn a_larger_fleet_gets_wider_limits_and_the_false_alarms_it_wants() {
    let mut before = 0.0;
    for furnaces in [300.0, 1000.0, 100_000.0] {
        let detector = Detector::average_for_fleet(furnaces, 17.0, 35.0).expect("a detector");
        let Rule::Average(design) = detector.rule else {
            panic!("an average is asked for");
        };
        assert!(design.limit > before && detector.single_limit >= 4.0);
        before = design.limit;
        let length = ewma_beside_single(&design, detector.single_limit, 0.0).expect("a length");
        let alarms = furnaces * 17.0 / length;
        assert!((alarms - 35.0).abs() < 0.1, "{alarms}");
    }
    before = 0.0;
    for furnaces in [300.0, 1000.0, 100_000.0] {
        let detector = Detector::for_fleet(furnaces, 17.0, 35.0).expect("a detector");
        let Rule::Ramp(design) = detector.rule else {
            panic!("a ramp is the default");
        };
        assert!(design.limit > before);
        before = design.limit;
    }
    // 0.038 drift alarms a year and those of single readings: the default limit.
    let singles = 17.0 * 2.0 * normal_cdf(-4.0);
    let detector = Detector::for_fleet(1.0, 17.0, 0.038 + singles).expect("a detector");
    let Rule::Ramp(design) = detector.rule else {
        panic!("a ramp is the default");
    };
    let wanted = RampDesign::default().limit;
    assert!((design.limit - wanted).abs() < 1e-9, "{}", design.limit);
    for (furnaces, readings, alarms) in [
        (0.0, 17.0, 1.0),
        (10.0, f64::NAN, 1.0),
        (10.0, 17.0, 0.0),
        (1.0, 1.0, 1.0),
    ] {
        assert_eq!(Detector::for_fleet(furnaces, readings, alarms), None);
        assert_eq!(
            Detector::average_for_fleet(furnaces, readings, alarms),
            None
        );
    }
}

proptest! {
    #[test]
    fn a_mirrored_furnace_gives_mirrored_signals(
        innovations in proptest::collection::vec(-4.0..4.0_f64, 0..60),
        confirmations in 0..4_u32,
    ) {
        for rule in [Detector::default(), average()] {
        let detector = Detector { confirmations, ..rule };
        let mirrored: Vec<f64> = innovations.iter().map(|z| -z).collect();
        let one = signals(&detector, &innovations);
        let other = signals(&detector, &mirrored);
        prop_assert_eq!(one.len(), other.len());
        for ((weeks, _), (other_weeks, _)) in one.iter().zip(&other) {
            prop_assert!((weeks - other_weeks).abs() < 1e-12);
        }
        }
    }

    #[test]
    fn no_figure_makes_the_detector_panic(
        a in any::<f64>(), b in any::<f64>(), c in any::<f64>(), d in any::<f64>(),
    ) {
        let design = EwmaDesign { lambda: a, limit: b, limits: EwmaLimits::Exact };
        let ramp = RampDesign { reference_c_per_week: a, limit: b, warning: c, largest_z: d };
        for rule in [Rule::Average(design), Rule::Ramp(ramp)] {
            let detector = Detector { rule, single_limit: c, confirmations: 2 };
            let any = Innovation { weeks: d, weeks_since: c, z: a, standard_deviation_c: b, gain: d, drawn_anew: false };
            let (state, _) = detector.follow(DriftState::default(), &any);
            let (state, _) = detector.follow(state, &innovation(b, c));
            let _ = detector.suspicion(&state);
        }
        let _ = Detector::for_fleet(a, b, c);
        let _ = Detector::average_for_fleet(a, b, c);
    }
}
