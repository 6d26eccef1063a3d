//! Measuring together: diameters one at a time, each said back, each held against the others.

use ringtrue_proto::v1::Ring;

use crate::failure::Stop;
use crate::quantity::{self, fixed, mean};
use crate::session::Session;

/// Farther than this from the mean of the others a value is asked for again, mm. A caliper read
/// carefully repeats within a few hundredths (common practice, no source).
const FAR_MM: f64 = 0.05;

/// Smallest and largest diameter a test ring can have, mm, as the protocol takes them.
const RING_MM: std::ops::RangeInclusive<f64> = 5.0..=40.0;

/// Asks what the closed gauge shows; none when it was not looked at.
pub(super) fn zero(session: &mut Session<'_, '_>) -> Result<Option<f64>, Stop> {
    session.ask_until(
        "Wipe and close the gauge. What does it show, mm?",
        "empty line when you did not look",
        None,
        "--zero",
        |text| {
            if text.trim().is_empty() {
                Ok(None)
            } else {
                quantity::number(text).map(Some)
            }
        },
    )
}

/// Asks for rings until there are no more.
pub(super) fn rings(session: &mut Session<'_, '_>) -> Result<Vec<Ring>, Stop> {
    let mut rings: Vec<Ring> = Vec::new();
    loop {
        let (question, help, preset) = if rings.is_empty() {
            ("Where in the chamber was the ring?", "", Some("centre"))
        } else {
            let help = "empty line when there is none";
            ("Another ring of this firing? Where was it?", help, None)
        };
        let position = session.ask(question, help, preset, "--position")?;
        let position = position.trim().to_owned();
        if position.is_empty() && !rings.is_empty() {
            return Ok(rings);
        }
        let diameters_mm = diameters(&position, session)?;
        rings.push(Ring {
            position,
            diameters_mm,
            serial_number: String::new(),
        });
    }
}

/// Asks for the diameters of one ring, one at a time; an empty line ends.
pub(super) fn diameters(position: &str, session: &mut Session<'_, '_>) -> Result<Vec<f64>, Stop> {
    let mut values: Vec<f64> = Vec::new();
    loop {
        let place = values.len() + 1;
        let Some(value) = diameter(position, place, session)? else {
            if values.is_empty() {
                session.say("  At least one diameter is needed; Esc leaves without recording.")?;
                continue;
            }
            return Ok(values);
        };
        let value = settled(value, position, place, &values, session)?;
        values.push(value);
        let so_far = mean(&values).unwrap_or(value);
        session.say(&format!(
            "  {} mm taken. Mean of {}: {} mm",
            quantity::brief(value, 4),
            values.len(),
            fixed(so_far, 3)
        ))?;
    }
}

/// Asks for one diameter; none at an empty line.
fn diameter(
    position: &str,
    place: usize,
    session: &mut Session<'_, '_>,
) -> Result<Option<f64>, Stop> {
    let question = format!("Diameter {place} of the {position} ring, mm:");
    let help = if place < 3 {
        "turn the ring a third between values; three values are good"
    } else {
        "empty line when all are typed"
    };
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
                quantity::brief(value, 4)
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
            quantity::brief(value, 4),
            fixed(away.abs(), 2)
        ))?;
        let again = diameter(position, place, session)?;
        match again {
            Some(again) if (again - value).abs() > 1e-9 => value = again,
            Some(_) => return Ok(value),
            None => session.say("  Type the value again, or Esc to leave without recording.")?,
        }
    }
}
