//! What to do now, said so that somebody with gloves on can act on it.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{Advice, Evaluation, Reading, Reason};

use crate::output;
use crate::quantity::{brief, fixed, per_cent, signed};
use crate::session::Session;
use crate::term::{Ink, ink, large};
use crate::{moment, names};

use super::listing;

/// Most cautions printed; `ringtrue cautions` has the rest.
const MOST_CAUTIONS: usize = 3;

/// How the advice is drawn.
#[derive(Debug)]
pub(super) struct View<'z> {
    /// Zone of the site.
    pub(super) zone: &'z TimeZone,
    /// Width, characters.
    pub(super) columns: u16,
    /// Whether colour may be used.
    pub(super) colour: bool,
    /// What large digits are drawn with.
    pub(super) block: char,
    /// Whether the reading is on record; a preview says that it is none.
    pub(super) stored: bool,
    /// Site meant by short names, so that the next command can be given shortly.
    pub(super) site: Option<String>,
}

impl<'z> View<'z> {
    /// Gives the view of a session.
    pub(super) fn of(session: &Session<'_, '_>, zone: &'z TimeZone, stored: bool) -> Self {
        let environment = &session.world.environment;
        let mut block = '█';
        for variable in ["LC_ALL", "LC_CTYPE", "LANG"] {
            if let Some(locale) = environment.get(variable).filter(|text| !text.is_empty()) {
                let locale = locale.to_lowercase();
                if !locale.contains("utf-8") && !locale.contains("utf8") {
                    block = '#';
                }
                break;
            }
        }
        View {
            zone,
            columns: session.world.columns,
            colour: session.world.colour,
            block,
            stored,
            site: session.site.clone(),
        }
    }
}

/// Draws what follows from a reading; the act first, the reasons below.
pub(super) fn drawn(reading: &Reading, view: &View<'_>) -> String {
    let Some(evaluation) = &reading.evaluation else {
        return "This reading has no evaluation.".to_owned();
    };
    let mut parts = Vec::new();
    if !view.stored {
        parts.push("PREVIEW ONLY. Nothing is recorded; do not act on it yet.".to_owned());
    }
    parts.push(act(evaluation, view));
    parts.push(output::card(
        &facts(reading, evaluation, view),
        view.columns,
    ));
    for (heading, sentences) in grounds(evaluation) {
        if !sentences.is_empty() {
            let drawn = output::marked("-", &sentences, view.columns);
            parts.push(format!(
                "{}\n{drawn}",
                ink(heading, Ink::Strong, view.colour)
            ));
        }
    }
    if let Some(cautions) = cautions(evaluation, view) {
        parts.push(cautions);
    }
    if let Some(digits) = digits(evaluation, view) {
        parts.push(digits);
    }
    if view.stored && reading.amended_by.is_empty() {
        parts.extend(next_step(reading, evaluation, view));
    }
    parts.join("\n\n")
}

/// The act in a line or two, which opens what is printed.
fn act(evaluation: &Evaluation, view: &View<'_>) -> String {
    let advised = brief(evaluation.advised_setpoint_c, 2);
    let present = brief(evaluation.present_setpoint_c, 2);
    let (headline, colour, more) = match evaluation.advice() {
        Advice::Adjust => (format!("ENTER {advised} °C"), Ink::Act, String::new()),
        Advice::Leave => (format!("LEAVE AT {present} °C"), Ink::Calm, String::new()),
        Advice::FireAgain => {
            let mut more =
                format!("Leave the controller at {present} °C and fire a fresh ring first.");
            if let Some(setpoint) = evaluation.provisional_setpoint_c {
                let setpoint = brief(setpoint, 2);
                more =
                    format!("{more} If it confirms this reading, {setpoint} °C will be advised.");
            }
            ("FIRE AGAIN".to_owned(), Ink::Act, more)
        }
        Advice::Service => (
            "CALL SERVICE".to_owned(),
            Ink::Alarm,
            format!(
                "No setpoint mends this. Leave the controller at {present} °C, fire no work, and \
                 have the furnace seen to."
            ),
        ),
        Advice::Unspecified => (
            "NOT EVALUATED".to_owned(),
            Ink::Alarm,
            format!(
                "It is kept, but it says nothing about the true temperature.\nLeave the controller at \
                 {present} °C."
            ),
        ),
    };
    let headline = ink(&headline, colour, view.colour);
    if more.is_empty() {
        headline
    } else {
        format!("{headline}\n{}", output::paragraph(&more, view.columns))
    }
}

/// The setpoint in large digits, near the end so that it is what a terminal shows last. Where
/// something else comes first no number is drawn large, so that none is entered by mistake.
fn digits(evaluation: &Evaluation, view: &View<'_>) -> Option<String> {
    let (word, colour, setpoint) = match evaluation.advice() {
        Advice::Adjust => ("ENTER, °C", Ink::Act, evaluation.advised_setpoint_c),
        Advice::Leave => ("LEAVE AT, °C", Ink::Calm, evaluation.present_setpoint_c),
        Advice::FireAgain | Advice::Service | Advice::Unspecified => return None,
    };
    let drawn = large(&brief(setpoint, 2), view.block, view.columns).join("\n");
    Some(format!("{}\n\n{drawn}", ink(word, colour, view.colour)))
}

fn facts(
    reading: &Reading,
    evaluation: &Evaluation,
    view: &View<'_>,
) -> Vec<(&'static str, String)> {
    let furnace = names::parent(&reading.programme);
    let fired = moment::received(reading.fire_time.as_ref());
    let mut lines = vec![
        (
            "Furnace",
            format!(
                "{}, programme {}",
                names::id(furnace),
                names::id(&reading.programme)
            ),
        ),
        (
            "Firing ended",
            fired
                .map(|at| moment::shown(at, view.zone))
                .unwrap_or_default(),
        ),
    ];
    if !evaluation.evaluable {
        lines.push(("The table reads", listing::table_temperature(evaluation)));
    }
    if evaluation.evaluable {
        lines.push(("Ring temperature", listing::ring_temperature(evaluation)));
        lines.push(("Target", format!("{} °C", brief(evaluation.target_c, 1))));
        lines.push((
            "Present error",
            format!(
                "{} °C at a setpoint of {} °C",
                signed(evaluation.present_error_c, 1),
                brief(evaluation.present_setpoint_c, 2)
            ),
        ));
        lines.push((
            "Within tolerance",
            format!(
                "{} probable, for ±{} °C",
                per_cent(evaluation.conformance_probability),
                brief(evaluation.tolerance_c, 1)
            ),
        ));
        lines.push((
            "Furnace's offset",
            format!(
                "{} ± {} °C from all readings up to this",
                signed(evaluation.offset_c, 1),
                fixed(2.0 * evaluation.offset_standard_uncertainty_c, 1)
            ),
        ));
        lines.push((
            "This reading alone",
            format!("would ask for {} °C", fixed(evaluation.plain_setpoint_c, 1)),
        ));
    }
    if let Some(spread) = evaluation.position_spread_c {
        lines.push((
            "Chamber",
            format!("{} °C between positions", fixed(spread, 1)),
        ));
    }
    lines.push((
        "Next calibration",
        evaluation
            .next_due_date
            .as_ref()
            .map(|date| format!("by {}", moment::shown_day(date)))
            .unwrap_or_default(),
    ));
    lines
}

fn grounds(evaluation: &Evaluation) -> Vec<(&'static str, Vec<String>)> {
    if !evaluation.evaluable {
        return grounds_for_nothing(evaluation);
    }
    let mut help = Vec::new();
    if let Some(budget) = &evaluation.budget
        && !budget.what_would_help_most.is_empty()
    {
        help.push(budget.what_would_help_most.clone());
    }
    vec![
        ("Why", texts(&evaluation.reasons)),
        ("Worth knowing", texts(&evaluation.notices)),
        ("What would help most", help),
    ]
}

/// Why a reading cannot be evaluated. What would make its uncertainty smaller is left out, since no
/// better measurement would make it say more.
fn grounds_for_nothing(evaluation: &Evaluation) -> Vec<(&'static str, Vec<String>)> {
    let mut why = Vec::new();
    let mut valid = Vec::new();
    if let Some(hold) = &evaluation.hold {
        if !hold.explanation.is_empty() {
            why.push(hold.explanation.clone());
        }
        valid.clone_from(&hold.statements_still_valid);
    }
    why.extend(texts(&evaluation.reasons));
    // The server repeats explanation and statements in one notice, for callers that read no more.
    let repeats = |text: &String| why.iter().any(|said| text.starts_with(said.as_str()));
    let mut notices = texts(&evaluation.notices);
    notices.retain(|text| !repeats(text));
    vec![
        ("Why, and what to fire instead", why),
        ("What may still be said", valid),
        ("Worth knowing", notices),
    ]
}

fn texts(reasons: &[Reason]) -> Vec<String> {
    let mut texts = Vec::new();
    for reason in reasons {
        texts.push(reason.text.clone());
    }
    texts
}

fn cautions(evaluation: &Evaluation, view: &View<'_>) -> Option<String> {
    if evaluation.cautions.is_empty() {
        return None;
    }
    let mut sentences = Vec::new();
    for caution in evaluation.cautions.iter().take(MOST_CAUTIONS) {
        sentences.push(caution.clone());
    }
    let drawn = output::marked("!", &sentences, view.columns);
    let heading = ink("Mind", Ink::Alarm, view.colour);
    Some(format!(
        "{heading}\n{drawn}\n`ringtrue cautions` has the rest."
    ))
}

/// What comes next, with the command ready to be given; the command stays on one line, to be copied.
fn next_step(reading: &Reading, evaluation: &Evaluation, view: &View<'_>) -> Option<String> {
    let furnace = short_furnace(&reading.programme, view.site.as_deref());
    let programme = names::id(&reading.programme);
    let setpoint = brief(evaluation.advised_setpoint_c, 2);
    let id = names::id(&reading.name);
    let (act, command) = match evaluation.advice() {
        Advice::Adjust => (
            format!(
                "enter {setpoint} °C for programme {programme}, read it back from the panel, then"
            ),
            format!(
                "adjustment confirm {furnace} --programme {programme} --setpoint {setpoint} \
                 --reading {id}"
            ),
        ),
        Advice::FireAgain => (
            format!("fire a fresh ring with programme {programme}, then"),
            format!("reading add {furnace} --programme {programme} --purpose verification"),
        ),
        Advice::Service => (
            "take it out of use until it is mended".to_owned(),
            format!("furnace change {furnace} --state in-service"),
        ),
        Advice::Leave | Advice::Unspecified => return None,
    };
    let act = output::paragraph(&format!("Next: {act}"), view.columns);
    Some(format!("{act}\n  ringtrue {command}"))
}

/// Gives the shortest name of the programme's furnace that says which one it is.
fn short_furnace(programme: &str, site: Option<&str>) -> String {
    let furnace = names::parent(programme);
    let here = names::site_of(furnace);
    let same = site.and_then(|text| names::site(text).ok());
    if same.as_deref() == Some(here) {
        names::id(furnace).to_owned()
    } else {
        format!("{}/{}", names::id(here), names::id(furnace))
    }
}

#[cfg(test)]
mod tests;
