//! Every question is asked when it should be, and a plain good reading is asked nothing.

use super::*;
use crate::ring_table::Entry;
use proptest::prelude::*;

/// An invented batch: 2 °C per 0.01 mm, 1519 °C at 19.47 mm, 19.20 to 20.00 mm.
fn table() -> RingTable {
    batch(1573.0)
}

/// The same rings with another temperature at 19.20 mm.
fn batch(smallest_c: f64) -> RingTable {
    let mut entries = Vec::new();
    for step in 0..=80_u32 {
        let hundredths = f64::from(step);
        entries.push(Entry {
            diameter_mm: (1920.0 + hundredths) / 100.0,
            temperature_c: smallest_c - 2.0 * hundredths,
        });
    }
    RingTable::new(120.0, entries).expect("a valid table")
}

/// An invented batch of smaller rings with a coarse table.
fn small_rings() -> RingTable {
    let rows = [
        (16.40, 1440.0),
        (16.28, 1460.0),
        (16.15, 1480.0),
        (16.00, 1500.0),
        (15.84, 1520.0),
        (15.67, 1540.0),
        (15.49, 1560.0),
    ];
    let entries = rows
        .iter()
        .map(|(diameter_mm, temperature_c)| Entry {
            diameter_mm: *diameter_mm,
            temperature_c: *temperature_c,
        })
        .collect();
    RingTable::new(120.0, entries).expect("a valid table")
}

fn ring(diameters_mm: &[f64]) -> Ring {
    Ring {
        position: "centre".to_owned(),
        diameters_mm: diameters_mm.to_vec(),
    }
}

/// A furnace set to 1500 °C that history knows to run 19 ± 2 °C hot.
fn context<'a>(rings: &'a [Ring], table: &'a RingTable) -> Context<'a> {
    Context {
        rings,
        table: Some(table),
        indicated_c: None,
        other_batches: &[],
        setpoint_c: 1500.0,
        gauge_bias_mm: 0.0,
        hold_correction_c: 0.0,
        prediction: Some(Prediction {
            offset_c: 19.0,
            standard_uncertainty_c: 2.0,
        }),
        twins: &[],
        hours_since_firing: Some(12.0),
        ring_temperature_c: Some(21.0),
        zero_mm: Some(0.0),
        zero_recorded: true,
        same_ring_seen: None,
        same_firing: None,
        last_change: None,
        previous_offset_c: None,
        measurement_uncertainty_c: 2.1,
        exact_repeats: 0,
    }
}

fn codes(questions: &[Question]) -> Vec<&'static str> {
    questions.iter().map(|q| q.code.code()).collect()
}

#[test]
fn a_plain_good_reading_is_asked_nothing() {
    let rings = [ring(&[19.46, 19.47, 19.48])];
    let table = table();
    assert!(questions(&context(&rings, &table)).is_empty());
    let first_ever = Context {
        prediction: None,
        ..context(&rings, &table)
    };
    assert!(questions(&first_ever).is_empty());
}

#[test]
fn swapped_digits_outside_the_table_are_asked_about() {
    let rings = [ring(&[17.49])];
    let table = table();
    let asked = questions(&context(&rings, &table));
    assert_eq!(codes(&asked), ["DIGITS_SWAPPED"]);
    assert_eq!(asked[0].field, "rings[0].diameters_mm[0]");
    assert!((asked[0].suggestion.expect("a value") - 19.47).abs() < 1e-9);
    assert_eq!(
        asked[0].text,
        "17.49 mm is outside this batch's table. Did you read 19.47 mm (1519 °C)?"
    );
}

#[test]
fn swapped_digits_inside_the_table_are_found_by_the_other_diameters() {
    let rings = [ring(&[19.47, 19.74, 19.46])];
    let table = table();
    for prediction in [
        None,
        Some(Prediction {
            offset_c: 19.0,
            standard_uncertainty_c: 2.0,
        }),
    ] {
        let asked = questions(&Context {
            prediction,
            ..context(&rings, &table)
        });
        assert_eq!(codes(&asked), ["DIGITS_SWAPPED"]);
        assert_eq!(asked[0].field, "rings[0].diameters_mm[1]");
        assert!((asked[0].suggestion.expect("a value") - 19.47).abs() < 1e-9);
    }
}

#[test]
fn a_slipped_digit_is_found_by_history() {
    let rings = [ring(&[19.57])];
    let table = table();
    let asked = questions(&context(&rings, &table));
    assert_eq!(codes(&asked), ["DIGIT_SLIP"]);
    assert!((asked[0].suggestion.expect("a value") - 19.47).abs() < 1e-9);
}

#[test]
fn the_worked_slips_are_answered_best_first() {
    let table = small_rings();
    for typed in [15.39, 19.53] {
        let best = alternatives(typed, &table, 1500.0)[0];
        assert!((best.value_mm - 15.93).abs() < 1e-9, "{typed}");
        assert_eq!(best.kind, QuestionCode::DigitsSwapped);
        // 1508.75 °C when read linearly; the monotone cubic differs by tenths.
        assert!((best.temperature_c - 1508.75).abs() < 0.5);
    }
    let inches = alternatives(0.6272, &table, 1500.0)[0];
    assert!((inches.value_mm - 15.93).abs() < 1e-9);
    assert_eq!(inches.kind, QuestionCode::Inches);
    for (typed, kind) in [
        (17.49, QuestionCode::DigitsSwapped),
        (0.7665, QuestionCode::Inches),
        (194.7, QuestionCode::DecimalShifted),
        (1947.0, QuestionCode::DecimalShifted),
        (1.947, QuestionCode::DecimalShifted),
    ] {
        let best = alternatives(typed, &self::table(), 1519.0)[0];
        assert!((best.value_mm - 19.47).abs() < 1e-9, "{typed}: {best:?}");
        assert_eq!(best.kind, kind, "{typed}");
    }
    assert!(alternatives(5.0, &table, 1500.0).is_empty());
}

#[test]
fn a_ring_read_in_inches_is_asked_about_once() {
    let rings = [ring(&[0.7665, 0.7663, 0.7667])];
    let table = table();
    let asked = questions(&context(&rings, &table));
    assert_eq!(codes(&asked), ["INCHES"]);
    assert_eq!(asked[0].field, "rings[0].diameters_mm");
    assert!((asked[0].suggestion.expect("a value") - 19.47).abs() < 1e-9);
}

#[test]
fn a_misplaced_decimal_mark_is_asked_about() {
    let rings = [ring(&[19.47, 194.7])];
    let table = table();
    let asked = questions(&context(&rings, &table));
    assert_eq!(codes(&asked), ["DECIMAL_SHIFTED"]);
    assert_eq!(asked[0].field, "rings[0].diameters_mm[1]");
}

#[test]
fn a_setpoint_in_fahrenheit_is_asked_about() {
    let rings = [ring(&[19.46, 19.47])];
    let table = table();
    let asked = questions(&Context {
        setpoint_c: 2732.0,
        ..context(&rings, &table)
    });
    assert_eq!(codes(&asked), ["FAHRENHEIT"]);
    assert!((asked[0].suggestion.expect("a value") - 1500.0).abs() < 1e-9);
}

#[test]
fn diameters_that_agree_vouch_for_each_other() {
    // 40 °C hotter than history: three diameters alike are not three equal slips.
    let rings = [ring(&[19.27, 19.26, 19.28])];
    let table = table();
    let asked = questions(&context(&rings, &table));
    assert_eq!(codes(&asked), ["FAR_FROM_HISTORY"]);
}

#[test]
fn another_open_batch_that_fits_is_asked_about() {
    let rings = [ring(&[19.67, 19.66, 19.68])];
    let (stated, fitting, unfitting) = (table(), batch(1613.0), batch(1683.0));
    let open = [("B-8".to_owned(), &unfitting), ("B-9".to_owned(), &fitting)];
    let asked = questions(&Context {
        other_batches: &open,
        ..context(&rings, &stated)
    });
    assert_eq!(codes(&asked), ["WRONG_BATCH"]);
    assert!(asked[0].text.contains("B-9"));
    // A plausible reading is not questioned because another batch would fit as well.
    let good = [ring(&[19.47, 19.46, 19.48])];
    let twin = batch(1572.0);
    let open = [("B-7".to_owned(), &twin)];
    assert!(
        questions(&Context {
            other_batches: &open,
            ..context(&good, &stated)
        })
        .is_empty()
    );
}

#[test]
fn a_ring_outside_its_table_may_be_of_another_batch() {
    let rings = [ring(&[15.93, 15.92, 15.94])];
    let (stated, other) = (table(), small_rings());
    let open = [("B-3".to_owned(), &other)];
    let asked = questions(&Context {
        other_batches: &open,
        prediction: Some(Prediction {
            offset_c: 9.0,
            standard_uncertainty_c: 2.0,
        }),
        ..context(&rings, &stated)
    });
    assert_eq!(codes(&asked), ["WRONG_BATCH"]);
    // Without another batch that fits, the digits are asked about after all.
    let alone = questions(&context(&rings, &stated));
    assert_eq!(alone.len(), 3);
    assert!(alone.iter().all(|q| q.code == QuestionCode::DigitsSwapped));
}

#[test]
fn a_twin_furnace_that_fits_better_is_asked_about() {
    let rings = [ring(&[19.57, 19.56, 19.58])];
    let table = table();
    let twins = [
        (
            "K3".to_owned(),
            Prediction {
                offset_c: -1.0,
                standard_uncertainty_c: 2.0,
            },
        ),
        (
            "K4".to_owned(),
            Prediction {
                offset_c: 40.0,
                standard_uncertainty_c: 2.0,
            },
        ),
    ];
    let asked = questions(&Context {
        twins: &twins,
        ..context(&rings, &table)
    });
    assert_eq!(codes(&asked), ["WRONG_FURNACE"]);
    assert!(asked[0].text.contains("K3"));
}

#[test]
fn a_change_that_did_not_reach_the_panel_as_meant_is_asked_about() {
    let table = table();
    let change = SetpointChange {
        from_c: 1520.0,
        to_c: 1500.0,
    };
    // The furnace runs 19 °C hot; the change is -20 °C. The panel really shows 1520, 1480 or 1540.
    let cases = [
        (1520.0, "CORRECTION_NOT_APPLIED"),
        (1480.0, "CORRECTION_APPLIED_TWICE"),
        (1540.0, "CORRECTION_OPPOSITE"),
    ];
    for (panel_c, code) in cases {
        let diameter = table.diameter_at(panel_c + 19.0).expect("inside the table");
        let rings = [ring(&[diameter, diameter + 0.01, diameter - 0.01])];
        let asked = questions(&Context {
            last_change: Some(change),
            previous_offset_c: Some(19.0),
            ..context(&rings, &table)
        });
        assert_eq!(codes(&asked), [code]);
        assert!((asked[0].suggestion.expect("a value") - panel_c).abs() < 1e-9);
    }
    let rings = [ring(&[19.47, 19.46, 19.48])];
    let applied = Context {
        last_change: Some(change),
        previous_offset_c: Some(19.0),
        ..context(&rings, &table)
    };
    assert!(questions(&applied).is_empty());
}

#[test]
fn a_hot_ring_is_asked_about() {
    let rings = [ring(&[19.47, 19.46])];
    let table = table();
    let soon = Context {
        hours_since_firing: Some(1.5),
        ..context(&rings, &table)
    };
    let warm = Context {
        ring_temperature_c: Some(45.0),
        ..context(&rings, &table)
    };
    assert_eq!(codes(&questions(&soon)), ["HOT_RING"]);
    assert_eq!(codes(&questions(&warm)), ["HOT_RING"]);
    assert!(
        questions(&warm)[0]
            .text
            .contains("furnace maker's instructions")
    );
}

#[test]
fn a_used_ring_and_a_repeated_firing_are_asked_about() {
    let rings = [ring(&[19.47, 19.46])];
    let table = table();
    let used = Context {
        same_ring_seen: Some("M. at 08:12 on 2026-03-02".to_owned()),
        same_firing: Some("M. at 08:12 on 2026-03-02".to_owned()),
        ..context(&rings, &table)
    };
    assert_eq!(codes(&questions(&used)), ["USED_RING", "SAME_FIRING"]);
    assert!(questions(&used)[1].text.contains("M. at 08:12"));
}

#[test]
fn a_late_report_is_asked_about_and_after_a_month_decides_nothing() {
    let rings = [ring(&[19.47, 19.46])];
    let table = table();
    let after = |days: f64| {
        questions(&Context {
            hours_since_firing: Some(days * 24.0),
            ..context(&rings, &table)
        })
    };
    assert!(after(7.0).is_empty());
    assert_eq!(codes(&after(8.0)), ["LATE_REPORT"]);
    assert!(!after(8.0)[0].text.contains("30 days"));
    assert!(after(31.0)[0].text.contains("30 days"));
}

#[test]
fn a_gauge_that_was_not_zeroed_is_asked_about_with_the_corrected_value() {
    // A caliper that reads 0.05 mm high shows 15.98 for 15.93 mm.
    let rings = [ring(&[15.98, 15.97, 15.99])];
    let table = small_rings();
    let high = Context {
        zero_mm: Some(0.05),
        prediction: Some(Prediction {
            offset_c: 5.0,
            standard_uncertainty_c: 4.0,
        }),
        ..context(&rings, &table)
    };
    let asked = questions(&high);
    assert_eq!(codes(&asked), ["GAUGE_NOT_ZEROED"]);
    let corrected = asked[0].suggestion.expect("a value");
    assert!((corrected - 15.93).abs() < 1e-9);
    assert!((table.temperature_at(corrected).expect("inside") - 1508.75).abs() < 0.5);
    assert!((table.temperature_at(15.98).expect("inside") - 1502.5).abs() < 0.5);
    let small = Context {
        zero_mm: Some(-0.02),
        ..high.clone()
    };
    assert!(questions(&small).is_empty());
    let unknown = Context {
        zero_mm: None,
        zero_recorded: false,
        ..high
    };
    assert_eq!(codes(&questions(&unknown)), ["GAUGE_NOT_ZEROED"]);
}

#[test]
fn a_spread_is_asked_about_by_the_diameter_that_stands_out() {
    let table = table();
    let odd = [ring(&[19.47, 19.46, 19.53])];
    let asked = questions(&context(&odd, &table));
    assert_eq!(codes(&asked), ["SPREAD_TOO_LARGE"]);
    assert_eq!(asked[0].field, "rings[0].diameters_mm[2]");
    let allowed = [ring(&[19.45, 19.47, 19.50])];
    assert!(questions(&context(&allowed, &table)).is_empty());
    let oval = [ring(&[19.44, 19.50, 19.44, 19.50])];
    assert_eq!(codes(&questions(&context(&oval, &table))), ["OVALITY"]);
    let two = [ring(&[19.44, 19.50])];
    assert_eq!(
        codes(&questions(&context(&two, &table))),
        ["SPREAD_TOO_LARGE"]
    );
}

#[test]
fn figures_that_repeat_too_exactly_are_asked_about() {
    let rings = [ring(&[19.47, 19.47, 19.47])];
    let table = table();
    let four = Context {
        exact_repeats: 4,
        ..context(&rings, &table)
    };
    assert!(questions(&four).is_empty());
    let five = Context {
        exact_repeats: 5,
        ..four
    };
    assert_eq!(codes(&questions(&five)), ["TOO_GOOD"]);
}

#[test]
fn a_reading_far_from_history_is_asked_about_only_with_a_history() {
    let rings = [ring(&[19.40, 19.41, 19.39])];
    let table = table();
    assert_eq!(
        codes(&questions(&context(&rings, &table))),
        ["FAR_FROM_HISTORY"]
    );
    let first_ever = Context {
        prediction: None,
        ..context(&rings, &table)
    };
    assert!(questions(&first_ever).is_empty());
}

proptest! {
    #[test]
    fn a_diameter_that_fits_is_never_asked_about(offset in -40.0..40.0_f64, dust in -0.004..0.004_f64) {
        let table = table();
        let truth = ((table.diameter_at(1500.0 + offset).expect("inside") + dust) * 100.0).round() / 100.0;
        let rings = [ring(&[truth, truth + 0.01, truth - 0.01])];
        let known = Context {
            prediction: Some(Prediction { offset_c: offset, standard_uncertainty_c: 2.0 }),
            ..context(&rings, &table)
        };
        prop_assert!(questions(&known).is_empty());
    }

    #[test]
    fn two_swapped_digits_are_always_asked_about(hundredths in 1925_u32..1995, first in 0_usize..4, second in 0_usize..4) {
        let table = table();
        let truth = f64::from(hundredths) / 100.0;
        let mut letters: Vec<char> = format!("{hundredths}").chars().collect();
        letters.swap(first, second);
        let swapped: String = letters.into_iter().collect();
        let typed = swapped.parse::<f64>().expect("digits") / 100.0;
        // A number that starts with 0 is not typed so, and its digits are no longer the same.
        prop_assume!((typed - truth).abs() > 0.15 && typed >= 10.0);
        let offset = table.temperature_at(truth).expect("inside") - 1500.0;
        let rings = [ring(&[truth, truth, typed])];
        let known = Context {
            prediction: Some(Prediction { offset_c: offset, standard_uncertainty_c: 3.0 }),
            ..context(&rings, &table)
        };
        let asked = questions(&known);
        prop_assert_eq!(&asked[0].field, "rings[0].diameters_mm[2]");
        prop_assert!((asked[0].suggestion.expect("a value") - truth).abs() < 1e-9);
    }

    #[test]
    fn no_figure_makes_a_question_panic(
        d in proptest::collection::vec(prop_oneof![any::<f64>(), 0.1..200.0_f64], 0..6),
        a in any::<f64>(), b in any::<f64>(), c in proptest::option::of(any::<f64>()),
    ) {
        let table = table();
        let rings = [ring(&d), ring(&[])];
        let twins = [("K3".to_owned(), Prediction { offset_c: b, standard_uncertainty_c: a })];
        let open = [("B-1".to_owned(), &table)];
        let odd = Context {
            other_batches: &open,
            twins: &twins,
            setpoint_c: a,
            gauge_bias_mm: 0.0,
            prediction: c.map(|offset_c| Prediction { offset_c, standard_uncertainty_c: b }),
            hours_since_firing: c,
            ring_temperature_c: c,
            zero_mm: c,
            last_change: Some(SetpointChange { from_c: a, to_c: b }),
            previous_offset_c: c,
            measurement_uncertainty_c: b,
            ..context(&rings, &table)
        };
        for asked in questions(&odd) {
            prop_assert!(!asked.text.is_empty() && !asked.field.is_empty());
        }
        for alternative in alternatives(a, &table, b) {
            prop_assert!(table.temperature_at(alternative.value_mm).is_ok());
        }
    }
}
