//! Measuring together: diameters one at a time, each said back, each held against the others.

use std::ops::RangeInclusive;

use ringtrue_proto::v1::Ring;

use crate::failure::Stop;
use crate::quantity::{self, brief, fixed, mean};
use crate::session::Session;

/// Farther than this from the mean of the others a value is asked for again, mm. A caliper read
/// carefully repeats within a few hundredths (common practice, no source).
const FAR_MM: f64 = 0.05;

/// Smallest and largest diameter a test ring can have, mm, as the protocol takes them.
const RING_MM: RangeInclusive<f64> = 5.0..=40.0;

/// Lowest and highest setpoint, °C, as the protocol takes them.
const SETPOINT_C: RangeInclusive<f64> = 900.0..=1800.0;

/// Least and most that a closed gauge can show, mm, as the protocol takes them.
const ZERO_MM: RangeInclusive<f64> = -1.0..=1.0;

/// Lowest and highest temperature of a ring when measured, °C, as the protocol takes them.
const RING_C: RangeInclusive<f64> = -20.0..=1800.0;

/// Asks what the controller was set to; none when it was not written down. Nothing is offered, since
/// the setpoint may have been adjusted after the firing.
pub(super) fn setpoint(session: &mut Session<'_, '_>) -> Result<Option<f64>, Stop> {
    perhaps(
        "What was the controller set to during that firing, °C?",
        "empty line when you do not know: the setpoint in force at that firing is taken",
        "--setpoint",
        (&SETPOINT_C, "°C", "a setpoint"),
        session,
    )
}

/// Asks how warm the rings are; none when that was not measured.
pub(super) fn ring_temperature(session: &mut Session<'_, '_>) -> Result<Option<f64>, Stop> {
    perhaps(
        "How warm are the rings now, °C?",
        "they must be at room temperature: warm rings measure large. Empty line when not known",
        "--ring-temperature",
        (&RING_C, "°C", "a ring's temperature"),
        session,
    )
}

/// Asks what the closed gauge shows; none when it was not looked at.
pub(super) fn zero(session: &mut Session<'_, '_>) -> Result<Option<f64>, Stop> {
    perhaps(
        "Wipe and close the gauge. What does it show, mm?",
        "empty line when you did not look",
        "--zero",
        (&ZERO_MM, "mm", "what a closed gauge shows"),
        session,
    )
}

/// Asks for a number within limits, given with their unit and what they hold for; none at an empty
/// line.
fn perhaps(
    question: &str,
    help: &str,
    flag: &str,
    (limits, unit, what): (&RangeInclusive<f64>, &str, &str),
    session: &mut Session<'_, '_>,
) -> Result<Option<f64>, Stop> {
    session.ask_until(question, help, None, flag, |text| {
        if text.trim().is_empty() {
            return Ok(None);
        }
        let value = quantity::number(text)?;
        if limits.contains(&value) {
            return Ok(Some(value));
        }
        Err(format!(
            "{} {unit} is not {what}; type {} to {} {unit}, or nothing",
            brief(value, 4),
            brief(*limits.start(), 0),
            brief(*limits.end(), 0)
        ))
    })
}

/// What is said below the question for the first diameter: of the first ring, of a further one, and
/// of one that is measured again.
const TURN: &str = "turn the ring a third between values; three values are good";
const TURN_OR_NONE: &str = "turn the ring a third between values; empty line: no such ring";
const TURN_OR_KEEP: &str = "turn the ring a third between values; empty line: keep it as it was";

/// Asks for rings until there are no more.
pub(super) fn rings(session: &mut Session<'_, '_>) -> Result<Vec<Ring>, Stop> {
    let mut rings: Vec<Ring> = Vec::new();
    loop {
        let (question, help, preset) = if rings.is_empty() {
            let help = "a word, like centre, left or door";
            ("Where in the chamber was the ring?", help, Some("centre"))
        } else {
            let help = "empty line when there is none";
            ("Another ring of this firing? Where was it?", help, None)
        };
        let position = session.ask_until(question, help, preset, "--position", place)?;
        if position.is_empty() && !rings.is_empty() {
            return Ok(rings);
        }
        let help = if rings.is_empty() { TURN } else { TURN_OR_NONE };
        let mut diameters_mm = diameters(&position, help, session)?;
        while diameters_mm.is_empty() && rings.is_empty() {
            session.say("  At least one diameter is needed; Esc leaves without recording.")?;
            diameters_mm = diameters(&position, help, session)?;
        }
        if diameters_mm.is_empty() {
            session.say(&format!("  No {position} ring, then."))?;
            return Ok(rings);
        }
        let serial_number = serial_number(&position, session)?;
        rings.push(Ring {
            position,
            diameters_mm,
            serial_number,
        });
    }
}

/// Takes a position; a number is none, since whoever types one is a question ahead.
fn place(text: &str) -> Result<String, String> {
    let text = text.trim();
    if quantity::numbers(text).is_ok_and(|numbers| !numbers.is_empty()) {
        return Err(format!(
            "{text} looks like a diameter, which is asked for next; first say in a word where the \
             ring was, like centre or left"
        ));
    }
    Ok(text.to_owned())
}

/// Asks for the number of a ring; empty when it has none.
fn serial_number(position: &str, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    let question = format!("Number on the {position} ring or its pouch:");
    let help = "empty line when there is none; a ring can be fired only once";
    session.ask_until(&question, help, None, "--ring-serial", |text| {
        let text = text.trim();
        let marked = text.contains(['.', ',']);
        match quantity::number(text) {
            Ok(value) if marked && RING_MM.contains(&value) => Err(format!(
                "{text} looks like a diameter; type the number printed on the ring or its pouch, \
                 or nothing"
            )),
            _ => Ok(text.to_owned()),
        }
    })
}

/// Measures a ring again; none when it is to stay as it was.
pub(super) fn again(
    position: &str,
    session: &mut Session<'_, '_>,
) -> Result<Option<Vec<f64>>, Stop> {
    let diameters_mm = diameters(position, TURN_OR_KEEP, session)?;
    Ok(Some(diameters_mm).filter(|values| !values.is_empty()))
}

/// Asks for the diameters of one ring, one at a time; an empty line ends, at once when the first line
/// is empty.
fn diameters(
    position: &str,
    first_help: &str,
    session: &mut Session<'_, '_>,
) -> Result<Vec<f64>, Stop> {
    let mut values: Vec<f64> = Vec::new();
    loop {
        let place = values.len() + 1;
        let help = match place {
            1 => first_help,
            2 | 3 => TURN,
            _ => "empty line when all are typed",
        };
        let Some(value) = diameter(position, place, help, session)? else {
            return Ok(values);
        };
        let value = settled(value, position, place, &values, session)?;
        values.push(value);
        let so_far = mean(&values).unwrap_or(value);
        session.say(&format!(
            "  {} mm taken. Mean of {}: {} mm",
            brief(value, 4),
            values.len(),
            fixed(so_far, 3)
        ))?;
    }
}

/// Asks for one diameter; none at an empty line.
fn diameter(
    position: &str,
    place: usize,
    help: &str,
    session: &mut Session<'_, '_>,
) -> Result<Option<f64>, Stop> {
    let question = format!("Diameter {place} of the {position} ring, mm:");
    session.ask_until(&question, help, None, "--diameters", |text| {
        if text.trim().is_empty() {
            return Ok(None);
        }
        let value = quantity::number(text)?;
        if RING_MM.contains(&value) {
            Ok(Some(value))
        } else {
            Err(format!(
                "{} mm is no ring; a fired ring measures 5 to 40 mm across",
                brief(value, 4)
            ))
        }
    })
}

/// Asks again for a value far from the others. The same value twice is taken as it is.
fn settled(
    first: f64,
    position: &str,
    place: usize,
    others: &[f64],
    session: &mut Session<'_, '_>,
) -> Result<f64, Stop> {
    let mut value = first;
    loop {
        let Some(centre) = mean(others) else {
            return Ok(value);
        };
        let away = value - centre;
        if away.abs() <= FAR_MM {
            return Ok(value);
        }
        session.say(&format!(
            "  {} mm is {} mm from the mean of the others. Measure and type it again; the same \
             value twice is taken.",
            brief(value, 4),
            fixed(away.abs(), 2)
        ))?;
        let help = "Esc leaves without recording";
        let again = diameter(position, place, help, session)?;
        match again {
            Some(again) if (again - value).abs() > 1e-9 => value = again,
            Some(_) => return Ok(value),
            None => session.say("  Type the value again, or Esc to leave without recording.")?,
        }
    }
}
