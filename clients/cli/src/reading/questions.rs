//! Questions about values that look wrong, settled one at a time with whoever typed them.

use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::thermocouple_measurement::Indication;
use ringtrue_proto::v1::{Question, Reading};

use crate::failure::{Stop, spoken_field};
use crate::quantity::{self, brief};
use crate::session::Session;

use super::dialogue;

/// Puts the open questions one after the other: the value is typed again, or confirmed as it is.
/// Nothing is mended by itself. Once a value changed, the rest waits for a new evaluation.
pub(crate) fn settle(
    reading: &mut Reading,
    open: &[Question],
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    for question in open {
        session.say(&format!("\n{}", question.text))?;
        if !question.field.is_empty() {
            session.say(&format!("  (about {})", spoken_field(&question.field)))?;
        }
        let ring = whole_ring(reading, &question.field);
        let may_be_typed = is_setpoint(&question.field) || slot(reading, &question.field).is_some();
        // What changes nothing for the worse stands first, where a slip on the enter key lands.
        let mut options = Vec::new();
        let mut acts = Vec::new();
        if may_be_typed {
            options.push("Type it again".to_owned());
            acts.push(Act::Retype);
            if let Some(suggestion) = question.suggestion {
                options.push(format!("It is {}", brief(suggestion, 4)));
                acts.push(Act::Take(suggestion));
            }
        } else if ring.is_some() {
            options.push("Measure the ring again".to_owned());
            acts.push(Act::Remeasure);
        }
        let confirm = ("It is right as typed".to_owned(), Act::Confirm);
        let stop = ("Stop without recording".to_owned(), Act::Stop);
        let last = if options.is_empty() {
            [stop, confirm]
        } else {
            [confirm, stop]
        };
        for (option, act) in last {
            options.push(option);
            acts.push(act);
        }
        let place = session.pick("What is it?", &options, "--confirm")?;
        match acts.get(place).unwrap_or(&Act::Stop) {
            Act::Confirm => reading.answered_questions.push(question.code.clone()),
            Act::Retype => {
                let typed = session.ask_until(
                    "Type the value again:",
                    "",
                    None,
                    "--confirm",
                    quantity::number,
                )?;
                put(reading, &question.field, typed);
                return Ok(());
            }
            Act::Take(suggestion) => {
                put(reading, &question.field, *suggestion);
                return Ok(());
            }
            Act::Remeasure => {
                if let (Some(place), Some(Method::Rings(measured))) = (ring, &mut reading.method)
                    && let Some(ring) = measured.rings.get_mut(place)
                {
                    match dialogue::again(&ring.position, session)? {
                        Some(diameters_mm) => ring.diameters_mm = diameters_mm,
                        None => session.say("  Nothing was typed; the ring stays as it was.")?,
                    }
                }
                return Ok(());
            }
            Act::Stop => return Err(Stop::Left),
        }
    }
    Ok(())
}

/// What a person may answer.
#[derive(Debug, Clone, Copy)]
enum Act {
    Confirm,
    Retype,
    Take(f64),
    Remeasure,
    Stop,
}

fn put(reading: &mut Reading, field: &str, value: f64) {
    if is_setpoint(field) {
        reading.setpoint_c = Some(value);
    } else if let Some(slot) = slot(reading, field) {
        *slot = value;
    }
}

/// Whether a field path means the setpoint, which may be typed even where none was given before.
fn is_setpoint(field: &str) -> bool {
    field.strip_prefix("reading.").unwrap_or(field) == "setpoint_c"
}

/// Gives the number of a measurement that a field path means, when it can be typed again.
fn slot<'r>(reading: &'r mut Reading, field: &str) -> Option<&'r mut f64> {
    let path = field.strip_prefix("reading.").unwrap_or(field);
    match reading.method.as_mut()? {
        Method::Rings(measured) => match path.strip_prefix("rings.")? {
            "zero_mm" => measured.zero_mm.as_mut(),
            "ring_temperature_c" => measured.ring_temperature_c.as_mut(),
            rest => {
                let (ring, rest) = indexed(rest, "rings")?;
                let (diameter, rest) = indexed(rest.strip_prefix('.')?, "diameters_mm")?;
                if !rest.is_empty() {
                    return None;
                }
                let ring = measured.rings.get_mut(ring)?;
                ring.diameters_mm.get_mut(diameter)
            }
        },
        Method::Thermocouple(measured) => match path.strip_prefix("thermocouple.")? {
            "emf_mv" | "temperature_c" => match measured.indication.as_mut()? {
                Indication::EmfMv(value) | Indication::TemperatureC(value) => Some(value),
            },
            "reference_junction_c" => Some(&mut measured.reference_junction_c),
            "correction_c" => Some(&mut measured.correction_c),
            "expanded_uncertainty_c" => Some(&mut measured.expanded_uncertainty_c),
            _ => None,
        },
    }
}

/// Gives the place of the ring that a field path means as a whole.
fn whole_ring(reading: &Reading, field: &str) -> Option<usize> {
    let path = field.strip_prefix("reading.").unwrap_or(field);
    let (place, rest) = indexed(path.strip_prefix("rings.")?, "rings")?;
    let Some(Method::Rings(measured)) = &reading.method else {
        return None;
    };
    let whole = rest.is_empty() || rest == ".diameters_mm";
    (whole && place < measured.rings.len()).then_some(place)
}

/// Takes `name[place]` off the front of a path.
fn indexed<'p>(path: &'p str, name: &str) -> Option<(usize, &'p str)> {
    let rest = path.strip_prefix(name)?.strip_prefix('[')?;
    let (digits, rest) = rest.split_once(']')?;
    Some((digits.parse().ok()?, rest))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::{Ring, RingMeasurement};

    fn reading() -> Reading {
        Reading {
            setpoint_c: Some(1500.0),
            method: Some(Method::Rings(RingMeasurement {
                zero_mm: Some(0.02),
                rings: vec![Ring {
                    position: "centre".to_owned(),
                    diameters_mm: vec![19.47, 19.74],
                    serial_number: String::new(),
                }],
                ..RingMeasurement::default()
            })),
            ..Reading::default()
        }
    }

    #[test]
    fn a_field_path_leads_to_the_number_it_means() {
        let mut reading = reading();
        let diameter = "reading.rings.rings[0].diameters_mm[1]";
        put(&mut reading, diameter, 19.47);
        assert_eq!(
            slot(&mut reading, diameter).map(|v| brief(*v, 2)),
            Some("19.47".to_owned())
        );
        let zero = slot(&mut reading, "reading.rings.zero_mm").map(|v| brief(*v, 2));
        assert_eq!(zero, Some("0.02".to_owned()));
        reading.setpoint_c = None;
        put(&mut reading, "reading.setpoint_c", 1481.0);
        let setpoint = reading.setpoint_c.map(|v| brief(v, 2));
        assert_eq!(setpoint, Some("1481".to_owned()));
        for path in [
            "reading.rings.rings[7].diameters_mm[0]",
            "reading.rings.rings[0].diameters_mm[9]",
            "reading.rings.gauge",
            "reading.thermocouple.emf_mv",
            "",
        ] {
            assert!(slot(&mut reading, path).is_none(), "{path}");
        }
    }

    #[test]
    fn a_question_about_a_whole_ring_means_that_ring() {
        let reading = reading();
        assert_eq!(
            whole_ring(&reading, "reading.rings.rings[0].diameters_mm"),
            Some(0)
        );
        assert_eq!(whole_ring(&reading, "reading.rings.rings[0]"), Some(0));
        assert_eq!(
            whole_ring(&reading, "reading.rings.rings[0].diameters_mm[1]"),
            None
        );
        assert_eq!(whole_ring(&reading, "reading.rings.rings[3]"), None);
    }
}
