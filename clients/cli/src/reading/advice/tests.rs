//! What the advice looks like for each outcome.

use ringtrue_proto::v1::{HoldResult, Reason, UncertaintyBudget};

use super::*;

fn reading(advice: Advice) -> Reading {
    let reason = |text: &str| Reason {
        code: "CODE".to_owned(),
        text: text.to_owned(),
    };
    Reading {
        name: "sites/porto/furnaces/k2/readings/0198".to_owned(),
        programme: "sites/porto/furnaces/k2/programmes/standard".to_owned(),
        fire_time: moment::absolute("2026-11-20T18:00:00Z").map(moment::sent),
        evaluation: Some(Evaluation {
            evaluable: true,
            ring_temperature_c: 1519.0,
            present_error_c: 19.0,
            present_setpoint_c: 1500.0,
            target_c: 1500.0,
            advised_setpoint_c: 1481.0,
            plain_setpoint_c: 1481.0,
            provisional_setpoint_c: Some(1481.0),
            tolerance_c: 10.0,
            conformance_probability: 0.03,
            advice: advice.into(),
            budget: Some(UncertaintyBudget {
                expanded_uncertainty_c: 6.2,
                what_would_help_most: "Check the gauge on a reference block.".to_owned(),
                expanded_uncertainty_after_c: Some(4.1),
                ..UncertaintyBudget::default()
            }),
            reasons: vec![reason("The furnace runs 19 °C hot, beyond its tolerance.")],
            notices: vec![reason("The gauge has never been checked.")],
            cautions: vec![
                "First caution.".to_owned(),
                "Second caution.".to_owned(),
                "Third caution.".to_owned(),
                "Fourth caution.".to_owned(),
            ],
            next_due_date: Some(ringtrue_proto::Date {
                year: 2026,
                month: 11,
                day: 27,
            }),
            ..Evaluation::default()
        }),
        ..Reading::default()
    }
}

fn view(zone: &TimeZone, stored: bool) -> View<'_> {
    View {
        zone,
        columns: 80,
        colour: false,
        block: '#',
        stored,
        site: Some("porto".to_owned()),
    }
}

#[test]
fn an_adjustment_shows_the_setpoint_in_words_and_in_large_digits() {
    let zone = TimeZone::get("Europe/Lisbon").expect("a zone of the tz database");
    let text = drawn(&reading(Advice::Adjust), &view(&zone, true));
    assert!(text.starts_with("ENTER 1481 °C\n"), "{text}");
    assert!(text.contains(&large("1481", '#', 80).join("\n")), "{text}");
    for piece in [
        "Friday 20 November 2026 18:00 WET",
        "1519.0 ± 6.2 °C (about 95 % coverage)",
        "+19.0 °C at a setpoint of 1500 °C",
        "3 % probable, for ±10 °C",
        "The furnace runs 19 °C hot",
        "The gauge has never been checked.",
        "Check the gauge on a reference block.",
        "by Friday 27 November 2026",
        "Third caution.",
        "`ringtrue cautions` has the rest.",
        "ringtrue adjustment confirm k2 --programme standard --setpoint 1481 --reading 0198",
    ] {
        assert!(text.contains(piece), "{piece} in\n{text}");
    }
    assert!(!text.contains("Fourth caution."), "{text}");
    assert!(!text.contains('\u{1b}'), "no colour was allowed");
}

#[test]
fn leaving_shows_the_present_setpoint_large() {
    let text = drawn(&reading(Advice::Leave), &view(&TimeZone::UTC, true));
    assert!(text.starts_with("LEAVE AT 1500 °C\n"), "{text}");
    assert!(text.contains(&large("1500", '#', 80).join("\n")), "{text}");
    assert!(!text.contains("adjustment confirm"), "{text}");
}

#[test]
fn firing_again_draws_no_number_that_could_be_entered_by_mistake() {
    let text = drawn(&reading(Advice::FireAgain), &view(&TimeZone::UTC, true));
    assert!(text.starts_with("FIRE AGAIN\n"), "{text}");
    assert!(!text.contains("####"), "{text}");
    assert!(text.contains("Leave the controller at 1500 °C"), "{text}");
    assert!(text.contains("--purpose verification"), "{text}");
}

#[test]
fn service_says_that_no_setpoint_mends_it() {
    let text = drawn(&reading(Advice::Service), &view(&TimeZone::UTC, true));
    assert!(text.starts_with("CALL SERVICE\n"), "{text}");
    assert!(!text.contains("####"), "{text}");
    assert!(text.contains("--state in-service"), "{text}");
}

#[test]
fn a_preview_says_first_that_nothing_is_recorded() {
    let text = drawn(&reading(Advice::Adjust), &view(&TimeZone::UTC, false));
    assert!(text.starts_with("PREVIEW ONLY."), "{text}");
    assert!(!text.contains("adjustment confirm"), "{text}");
}

#[test]
fn a_reading_that_is_not_evaluable_says_once_why_and_what_to_fire_instead() {
    let mut reading = reading(Advice::Unspecified);
    let why = "Fired with a hold of 60 min. Fire a programme with a hold of 120 min at the peak.";
    let valid = "Differences between positions are right as they are.";
    if let Some(evaluation) = &mut reading.evaluation {
        evaluation.evaluable = false;
        evaluation.reasons.clear();
        evaluation.notices.push(Reason {
            code: "HOLD_NOT_EVALUABLE".to_owned(),
            text: format!("{why} {valid}"),
        });
        evaluation.hold = Some(HoldResult {
            table_hold_min: 120.0,
            fired_hold_min: 60.0,
            explanation: why.to_owned(),
            statements_still_valid: vec![valid.to_owned()],
            ..HoldResult::default()
        });
    }
    let text = drawn(&reading, &view(&TimeZone::UTC, true));
    assert!(text.starts_with("NOT EVALUATED\n"), "{text}");
    for once in [
        "Fire a programme with a hold of 120",
        "Differences between positions",
        "The table reads   1519.0 °C, but for a hold of 120 min\n",
        "Why, and what to fire instead",
        "The gauge has never been checked.",
    ] {
        assert_eq!(text.matches(once).count(), 1, "{once} in\n{text}");
    }
    for never in ["±", "What would help most", "Within tolerance", "####"] {
        assert!(!text.contains(never), "{never} in\n{text}");
    }
}

#[test]
fn colour_adds_nothing_but_colour() {
    let zone = TimeZone::UTC;
    let plain = drawn(&reading(Advice::Adjust), &view(&zone, true));
    let coloured = drawn(
        &reading(Advice::Adjust),
        &View {
            colour: true,
            ..view(&zone, true)
        },
    );
    let mut stripped = String::new();
    for piece in coloured.split('\u{1b}') {
        match piece.split_once('m') {
            Some((code, rest)) if code.starts_with('[') => stripped.push_str(rest),
            _ => stripped.push_str(piece),
        }
    }
    assert_eq!(stripped, plain);
    assert_ne!(coloured, plain);
}

#[test]
fn a_furnace_of_another_site_is_named_with_its_site() {
    let programme = "sites/porto/furnaces/k2/programmes/standard";
    assert_eq!(short_furnace(programme, Some("porto")), "k2");
    assert_eq!(short_furnace(programme, Some("sites/porto")), "k2");
    assert_eq!(short_furnace(programme, Some("braga")), "porto/k2");
    assert_eq!(short_furnace(programme, None), "porto/k2");
}
