//! A reading in the making: from flags, from an earlier version, and from answers.

use clap::Args;
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::thermocouple_measurement::Indication;
use ringtrue_proto::v1::{
    Reading, ReadingPurpose, Ring, RingMeasurement, ThermocoupleMeasurement, ThermocoupleType,
};

use crate::failure::Stop;
use crate::names::GAUGE;
use crate::quantity;
use crate::session::{Repeatable, Session, lacking};
use crate::{moment, names, output, programme, words};

use super::{choice, dialogue, listing};

/// What was measured, as flags.
#[derive(Debug, Args)]
pub(crate) struct Values {
    /// Programme that was fired; the furnace's only one when left out.
    #[arg(long, value_name = "PROGRAMME")]
    programme: Option<String>,
    /// Setpoint during the firing, °C; when left out, the one in force when the firing ended, as
    /// adjustments were confirmed.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    setpoint: Option<f64>,
    /// End of the firing, in the site's zone, for example "2026-11-20 18:00" or "friday 18:00".
    #[arg(long, value_name = "MOMENT")]
    fired: Option<String>,
    /// When it was measured; now when left out.
    #[arg(long, value_name = "MOMENT")]
    measured: Option<String>,
    /// Why the reading is made.
    #[arg(long, value_name = "PURPOSE", value_parser = words::one_of(words::PURPOSES))]
    purpose: Option<ReadingPurpose>,
    /// Remarks. No person's name.
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Initials or staff code of who measured; the operator when left out.
    #[arg(long, value_name = "CODE")]
    by: Option<String>,
    /// Confirms values that were asked about, by the question's code; may be repeated.
    #[arg(long, value_name = "QUESTION")]
    confirm: Vec<String>,
    /// Batch of the rings, for example x7.
    #[arg(long, value_name = "BATCH", help_heading = "Rings")]
    batch: Option<String>,
    /// Gauge that measured them; the site's only one in use when left out.
    #[arg(long, value_name = "GAUGE", help_heading = "Rings")]
    gauge: Option<String>,
    /// Diameters of one ring at different angles, mm: 19,47 19.46 19,48.
    #[arg(long, value_name = "MM", num_args = 1.., value_parser = quantity::number,
          allow_negative_numbers = true, help_heading = "Rings")]
    diameters: Vec<f64>,
    /// Where the ring of --diameters, or the thermocouple's junction, was; centre when left out.
    #[arg(long, value_name = "POSITION")]
    position: Option<String>,
    /// Number printed on the ring of --diameters.
    #[arg(
        long,
        value_name = "NUMBER",
        requires = "diameters",
        help_heading = "Rings"
    )]
    ring_serial: Option<String>,
    /// One of several rings, "POSITION [#NUMBER]: MM MM MM", for example "left: 19.47 19.46".
    #[arg(long = "ring", value_name = "RING", value_parser = ring, help_heading = "Rings")]
    rings: Vec<Ring>,
    /// What the closed gauge showed before measuring, mm.
    #[arg(long, value_name = "MM", value_parser = quantity::number, allow_hyphen_values = true,
          help_heading = "Rings")]
    zero: Option<f64>,
    /// Temperature of the rings when measured, °C; warm rings measure large, so the furnace looks cold.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true,
          help_heading = "Rings")]
    ring_temperature: Option<f64>,
    /// Type of a reference thermocouple, when one was used in place of rings.
    #[arg(long, value_name = "TYPE", value_parser = words::one_of(words::REFERENCE_THERMOCOUPLES),
          conflicts_with_all = ["batch", "gauge", "diameters", "rings", "zero", "ring_temperature"],
          help_heading = "Thermocouple")]
    thermocouple_type: Option<ThermocoupleType>,
    /// Voltage that its instrument showed, mV.
    #[arg(long, value_name = "MV", value_parser = quantity::number, allow_hyphen_values = true,
          conflicts_with = "temperature", help_heading = "Thermocouple")]
    emf_mv: Option<f64>,
    /// Temperature that its instrument showed, °C.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true,
          help_heading = "Thermocouple")]
    temperature: Option<f64>,
    /// Temperature of the reference junction, °C; only with --emf-mv.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true,
          requires = "emf_mv", help_heading = "Thermocouple")]
    reference_junction: Option<f64>,
    /// Correction from its certificate, added to the indication, °C.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true,
          help_heading = "Thermocouple")]
    correction: Option<f64>,
    /// Expanded uncertainty (k = 2) of thermocouple and instrument, °C.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true,
          help_heading = "Thermocouple")]
    uncertainty: Option<f64>,
}

/// Reads a ring, `POSITION [#NUMBER]: MM MM MM`.
fn ring(text: &str) -> Result<Ring, String> {
    let Some((place, diameters)) = text.split_once(':') else {
        return Err(format!(
            "`{text}` is not a ring; write its position, a colon and its diameters, like \
             \"left: 19.47 19.46 19.48\""
        ));
    };
    let (position, serial) = match place.split_once('#') {
        Some((position, serial)) => (position, serial),
        None => (place, ""),
    };
    let diameters_mm = quantity::numbers(diameters)?;
    if diameters_mm.is_empty() {
        return Err(format!(
            "`{text}` has no diameter; write them behind the colon, in mm"
        ));
    }
    Ok(Ring {
        position: position.trim().to_owned(),
        diameters_mm,
        serial_number: serial.trim().to_owned(),
    })
}

impl Values {
    /// Writes what the flags give into a reading; what they leave out stays.
    pub(super) async fn given(
        &mut self,
        reading: &mut Reading,
        furnace: &str,
        repeatable: &Repeatable,
        session: &mut Session<'_, '_>,
    ) -> Result<(), Stop> {
        let site = names::site_of(furnace).to_owned();
        if let Some(text) = self.programme.take() {
            reading.programme = programme::named(&text, Some(furnace), session).await?;
        }
        if let Some(setpoint) = self.setpoint {
            reading.setpoint_c = Some(setpoint);
        }
        if let Some(text) = self.fired.take() {
            let at = session.moment(&text, &site, repeatable.now).await?;
            reading.fire_time = Some(moment::sent(at));
        }
        if let Some(text) = self.measured.take() {
            let at = session.moment(&text, &site, repeatable.now).await?;
            reading.measure_time = Some(moment::sent(at));
        }
        if let Some(purpose) = self.purpose {
            reading.purpose = purpose.into();
        }
        if let Some(note) = self.note.take() {
            reading.note = note;
        }
        if reading.performed_by.is_empty() || self.by.is_some() {
            reading.performed_by = session.who(self.by.take());
        }
        reading.answered_questions.append(&mut self.confirm);
        if let Some(kind) = self.thermocouple_type {
            let measured = self.thermocouple(kind, reading.method.take());
            reading.method = Some(Method::Thermocouple(measured));
            return Ok(());
        }
        if let Some(Method::Thermocouple(earlier)) = &reading.method {
            if self.speaks_of_rings() {
                return Err(Stop::Usage(
                    "That reading was made with a thermocouple; rings cannot take its place. \
                     Record them as a new reading."
                        .to_owned(),
                ));
            }
            let measured = self.thermocouple(earlier.r#type(), reading.method.clone());
            reading.method = Some(Method::Thermocouple(measured));
            return Ok(());
        }
        if self.speaks_of_thermocouple() {
            return Err(Stop::Usage(
                "Values of a thermocouple are given, but not which: add --thermocouple-type."
                    .to_owned(),
            ));
        }
        if self.position.is_some() && self.diameters.is_empty() {
            return Err(Stop::Usage(
                "--position belongs to --diameters, which are missing.".to_owned(),
            ));
        }
        let mut measured = match reading.method.take() {
            Some(Method::Rings(rings)) => rings,
            _ => RingMeasurement::default(),
        };
        self.rings(&mut measured, &site)?;
        reading.method = Some(Method::Rings(measured));
        Ok(())
    }

    fn rings(&mut self, measured: &mut RingMeasurement, site: &str) -> Result<(), Stop> {
        if let Some(text) = self.batch.take() {
            measured.ring_batch = names::batch(&text).map_err(Stop::Usage)?;
        }
        if let Some(text) = self.gauge.take() {
            measured.gauge = match names::spelled_out(&text, GAUGE) {
                Some(name) => name,
                None => names::below(site, "gauges", &text).map_err(Stop::Usage)?,
            };
        }
        if self.zero.is_some() {
            measured.zero_mm = self.zero;
        }
        if self.ring_temperature.is_some() {
            measured.ring_temperature_c = self.ring_temperature;
        }
        let mut rings = Vec::new();
        if !self.diameters.is_empty() {
            rings.push(Ring {
                position: self.position.take().unwrap_or_default(),
                diameters_mm: std::mem::take(&mut self.diameters),
                serial_number: self.ring_serial.take().unwrap_or_default(),
            });
        }
        rings.append(&mut self.rings);
        if !rings.is_empty() {
            measured.rings = rings;
        }
        Ok(())
    }

    fn speaks_of_rings(&self) -> bool {
        self.batch.is_some()
            || self.gauge.is_some()
            || !self.diameters.is_empty()
            || !self.rings.is_empty()
            || self.zero.is_some()
            || self.ring_temperature.is_some()
    }

    fn speaks_of_thermocouple(&self) -> bool {
        self.emf_mv.is_some()
            || self.temperature.is_some()
            || self.reference_junction.is_some()
            || self.correction.is_some()
            || self.uncertainty.is_some()
    }

    fn thermocouple(
        &mut self,
        kind: ThermocoupleType,
        earlier: Option<Method>,
    ) -> ThermocoupleMeasurement {
        let mut measured = match earlier {
            Some(Method::Thermocouple(earlier)) => earlier,
            _ => ThermocoupleMeasurement::default(),
        };
        measured.r#type = kind.into();
        if let Some(emf) = self.emf_mv {
            measured.indication = Some(Indication::EmfMv(emf));
        }
        if let Some(temperature) = self.temperature {
            measured.indication = Some(Indication::TemperatureC(temperature));
        }
        if let Some(junction) = self.reference_junction {
            measured.reference_junction_c = junction;
        }
        if let Some(correction) = self.correction {
            measured.correction_c = correction;
        }
        if let Some(uncertainty) = self.uncertainty {
            measured.expanded_uncertainty_c = uncertainty;
        }
        if let Some(position) = self.position.take() {
            measured.position = position;
        }
        measured
    }
}

/// Fills in what is still missing, by asking or by taking the only one there is. Says whether
/// somebody was asked.
pub(super) async fn completed(
    reading: &mut Reading,
    furnace: &str,
    repeatable: &Repeatable,
    session: &mut Session<'_, '_>,
) -> Result<bool, Stop> {
    let site = names::site_of(furnace).to_owned();
    let mut asked = false;
    let converses = session.converses() && incomplete(reading);
    if reading.programme.is_empty() {
        reading.programme = choice::programme(furnace, session).await?.name;
    }
    if reading.fire_time.is_none() {
        // Outside a conversation the missing flag is reported before anything is asked of the
        // server.
        if !session.converses() {
            return Err(lacking("--fired"));
        }
        let zone = session.zone(&site).await?;
        let now = repeatable.now;
        let question = "When did the firing end?";
        let help = "like friday 18:00, yesterday 18:00 or 2026-11-20 18:00";
        let at = session.ask_until(question, help, None, "--fired", |text| {
            let at = moment::spoken(text, now, &zone)?;
            if at > now {
                return Err(format!(
                    "{} is still to come; it is {} now",
                    moment::shown(at, &zone),
                    moment::shown(now, &zone)
                ));
            }
            Ok(at)
        })?;
        reading.fire_time = Some(moment::sent(at));
        asked = true;
    }
    // After the moment of firing, since it is about that moment, and with nothing offered: today's
    // setpoint would be wrong data once the programme was adjusted after the firing.
    if converses && reading.setpoint_c.is_none() {
        reading.setpoint_c = dialogue::setpoint(session)?;
        asked = true;
    }
    match &mut reading.method {
        Some(Method::Thermocouple(measured)) => {
            if measured.indication.is_none() {
                return Err(Stop::Usage(
                    "Give what the thermocouple's instrument showed: --emf-mv or --temperature."
                        .to_owned(),
                ));
            }
            if reading.measure_time.is_none() {
                reading.measure_time = reading.fire_time;
            }
        }
        Some(Method::Rings(measured)) => {
            asked |= completed_rings(measured, &site, session).await?;
        }
        None => {
            let mut measured = RingMeasurement::default();
            asked |= completed_rings(&mut measured, &site, session).await?;
            reading.method = Some(Method::Rings(measured));
        }
    }
    if reading.measure_time.is_none() {
        reading.measure_time = Some(moment::sent(repeatable.now));
    }
    Ok(asked)
}

/// Whether firing or rings are missing, so that a conversation begins anyway.
fn incomplete(reading: &Reading) -> bool {
    let no_rings = match &reading.method {
        Some(Method::Rings(measured)) => measured.rings.is_empty(),
        Some(Method::Thermocouple(_)) => false,
        None => true,
    };
    no_rings || reading.fire_time.is_none()
}

async fn completed_rings(
    measured: &mut RingMeasurement,
    site: &str,
    session: &mut Session<'_, '_>,
) -> Result<bool, Stop> {
    let mut asked = false;
    if measured.rings.is_empty() && !session.converses() {
        return Err(lacking("--diameters"));
    }
    if measured.ring_batch.is_empty() {
        measured.ring_batch = choice::batch(session).await?;
        asked = true;
    }
    if measured.gauge.is_empty() {
        measured.gauge = choice::gauge(site, session).await?;
    }
    if !measured.rings.is_empty() {
        return Ok(asked);
    }
    if measured.ring_temperature_c.is_none() {
        measured.ring_temperature_c = dialogue::ring_temperature(session)?;
    }
    if measured.zero_mm.is_none() {
        measured.zero_mm = dialogue::zero(session)?;
    }
    measured.rings = dialogue::rings(session)?;
    Ok(true)
}

/// Gives an earlier reading as a new draft: what was measured, without what followed from it.
/// Confirmations are not taken over, since a corrected value must be looked at afresh.
pub(super) fn without_outcome(reading: Reading) -> Reading {
    Reading {
        programme: reading.programme,
        setpoint_c: reading.setpoint_c,
        method: reading.method,
        fire_time: reading.fire_time,
        measure_time: reading.measure_time,
        purpose: reading.purpose,
        performed_by: reading.performed_by,
        note: reading.note,
        ..Reading::default()
    }
}

/// Draws what is about to be recorded, as the server evaluated it. A setpoint that nobody gave is said
/// to be the server's.
pub(super) async fn summary(
    reading: &Reading,
    given_setpoint_c: Option<f64>,
    session: &mut Session<'_, '_>,
) -> Result<String, Stop> {
    let zone = session.zone(names::site_of(&reading.programme)).await?;
    let mut lines = listing::measured(reading, &zone);
    if given_setpoint_c.is_none() {
        for (label, value) in &mut lines {
            if *label == "Controller at" && reading.setpoint_c.is_some() {
                value.push_str(", in force at the firing");
            }
        }
    }
    if let Some(evaluation) = &reading.evaluation {
        lines.push(("It says", listing::outcome(evaluation)));
    }
    let drawn = output::card(&lines, session.world.columns);
    Ok(format!("\nTo be recorded\n{drawn}\n"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rings_are_read_with_position_number_and_either_decimal_mark() {
        let read = ring("left #A12: 19,47 19.46 19,48").expect("a ring");
        assert_eq!(read.position, "left");
        assert_eq!(read.serial_number, "A12");
        assert_eq!(read.diameters_mm.len(), 3);
        assert_eq!(quantity::fixed(read.diameters_mm[1], 2), "19.46");
        for text in ["19.47 19.46", "left:", "left: 19.47;19.46", "left: 1,9,4"] {
            assert!(ring(text).is_err(), "{text}");
        }
    }

    #[test]
    fn an_amendment_keeps_the_measurement_and_drops_the_outcome() {
        let earlier = Reading {
            name: "sites/porto/furnaces/k2/readings/r1".to_owned(),
            programme: "sites/porto/furnaces/k2/programmes/standard".to_owned(),
            note: "kept".to_owned(),
            answered_questions: vec!["DIGITS_SWAPPED".to_owned()],
            evaluation: Some(ringtrue_proto::v1::Evaluation::default()),
            ..Reading::default()
        };
        let draft = without_outcome(earlier);
        assert_eq!(draft.note, "kept");
        assert_eq!(draft.name, "");
        assert!(draft.evaluation.is_none());
        assert!(draft.answered_questions.is_empty());
    }
}
