//! A setpoint from one ring alone, for a bench that nobody answers: worked out from what this computer has seen, marked
//! provisional, and refused wherever that is not enough.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::{
    Furnace, Gauge, Programme, Reading, RingBatch, RingBatchState, RingMeasurement, RingTable, Site,
};
use ringtrue_remote::plain;

use super::known::Known;
use crate::quantity::{brief, fixed, mean, signed};
use crate::term::{Ink, ink};
use crate::{cautions, moment, names, output};

/// Setpoints that the protocol takes, °C.
const LOWEST_SETPOINT_C: f64 = 900.0;
/// Largest step where the site's own is not known, °C; the service's default.
const LARGEST_STEP_C: f64 = 30.0;
/// Tolerance where neither furnace nor site says one, °C; the service's default.
const TOLERANCE_C: f64 = 10.0;

/// The figure, and what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Provisional {
    /// target - (ring temperature - setpoint), °C, to the tenth that is shown.
    pub(crate) setpoint_c: f64,
    /// What the ring says, °C.
    pub(crate) ring_temperature_c: f64,
    /// What the controller was set to, °C.
    pub(crate) set_c: f64,
    /// True temperature wanted, °C.
    pub(crate) target_c: f64,
    /// Tolerance, ±°C.
    pub(crate) tolerance_c: f64,
    /// Hold of the table, min.
    pub(crate) table_hold_min: f64,
    /// Code of the batch.
    pub(crate) batch: String,
    /// When the oldest of what it rests on was seen.
    pub(crate) as_of: Timestamp,
}

/// Works the figure out.
///
/// # Errors
/// Why there is none, as a sentence.
pub(crate) fn worked_out(
    reading: &Reading,
    believed_setpoint_c: Option<f64>,
    zone: Option<&TimeZone>,
    known: &Known,
) -> Result<Provisional, String> {
    let Some(Method::Rings(measured)) = &reading.method else {
        return Err("only rings are read on this computer".to_owned());
    };
    let furnace_name = names::parent(&reading.programme);
    let programme = known
        .one::<Programme>(&reading.programme)
        .ok_or_else(|| unseen("programme", &reading.programme))?;
    let furnace = known
        .one::<Furnace>(furnace_name)
        .ok_or_else(|| unseen("furnace", furnace_name))?;
    let batch = known
        .one::<RingBatch>(&measured.ring_batch)
        .ok_or_else(|| unseen("batch", &measured.ring_batch))?;
    let gauge = known
        .one::<Gauge>(&measured.gauge)
        .ok_or_else(|| unseen("gauge", &measured.gauge))?;
    usable(&batch.it, reading, zone)?;
    let table = table(&batch.it, &programme.it)?;
    let bias_mm = bias_mm(&gauge.it, reading)
        .ok_or_else(|| format!("gauge {} was checked since", names::id(&gauge.it.name)))?;
    let ring_temperature_c = ring_temperature_c(measured, &furnace.it, table, bias_mm)?;
    let set_c = reading
        .setpoint_c
        .or(believed_setpoint_c)
        .unwrap_or(programme.it.setpoint_c);
    let target_c = programme.it.target_c;
    let setpoint_c = shown(plain::plain_setpoint_c(target_c, ring_temperature_c, set_c));
    let site = known.one::<Site>(names::site_of(furnace_name));
    let site = site.map(|seen| seen.it).unwrap_or_default();
    let largest_step_c = positive(site.largest_step_c).unwrap_or(LARGEST_STEP_C);
    within_limits(
        setpoint_c,
        set_c,
        largest_step_c,
        &programme.it,
        &furnace.it,
    )?;
    let tolerance_c = furnace
        .it
        .tolerance_c
        .or_else(|| positive(site.tolerance_c));
    let as_of = [programme.at, furnace.at, batch.at, gauge.at];
    Ok(Provisional {
        setpoint_c,
        ring_temperature_c,
        set_c,
        target_c,
        tolerance_c: tolerance_c.unwrap_or(TOLERANCE_C),
        table_hold_min: table.hold_min,
        batch: batch.it.code,
        as_of: as_of.into_iter().min().unwrap_or(programme.at),
    })
}

/// A figure to the tenth that is shown: the digits behind it are no knowledge, and would look like it.
fn shown(value_c: f64) -> f64 {
    (value_c * 10.0).round() / 10.0
}

fn unseen(what: &str, name: &str) -> String {
    format!("this computer has not seen {what} {} yet", names::id(name))
}

fn positive(value: f64) -> Option<f64> {
    (value > 0.0).then_some(value)
}

/// Whether a batch may be used, as far as is known here.
fn usable(batch: &RingBatch, reading: &Reading, zone: Option<&TimeZone>) -> Result<(), String> {
    match batch.state() {
        RingBatchState::Released => {}
        RingBatchState::OnHold => return Err(format!("batch {} is on hold", batch.code)),
        RingBatchState::Withdrawn => return Err(format!("batch {} is withdrawn", batch.code)),
        RingBatchState::Unspecified => {
            return Err(format!("batch {} is not released", batch.code));
        }
    }
    let Some(expiry) = &batch.expiry_date else {
        return Ok(());
    };
    let fired = moment::received(reading.fire_time.as_ref());
    let (Some(fired), Some(zone)) = (fired, zone) else {
        return Err("the day of the firing at the site is not known here".to_owned());
    };
    let fired_on = crate::day::sent(crate::day::of(fired, zone));
    let number = |date: &ringtrue_proto::Date| (date.year, date.month, date.day);
    if number(&fired_on) > number(expiry) {
        return Err(format!(
            "the rings of batch {} were out of date at the firing",
            batch.code
        ));
    }
    Ok(())
}

/// The table of a batch for a programme.
///
/// # Errors
/// Why there is none, as a sentence.
pub(super) fn table<'b>(
    batch: &'b RingBatch,
    programme: &Programme,
) -> Result<&'b RingTable, String> {
    let found = plain::fitting_table(&batch.tables, &programme.segments).ok_or_else(|| {
        format!(
            "batch {} has no table for the hold of programme {}",
            batch.code,
            names::id(&programme.name)
        )
    })?;
    if found.entries.is_empty() {
        return Err(format!(
            "this computer has not seen the table of batch {} yet; `ringtrue queue refresh` fetches it",
            batch.code
        ));
    }
    Ok(found)
}

/// What a gauge showed too much when the ring was measured, mm, as its latest check found; none when it was checked
/// since, so that an earlier check counts, which is not known here.
pub(super) fn bias_mm(gauge: &Gauge, reading: &Reading) -> Option<f64> {
    let Some(check) = &gauge.latest_check else {
        return Some(0.0);
    };
    let checked = moment::received(check.check_time.as_ref());
    let measured = moment::received(reading.measure_time.as_ref());
    (checked <= measured).then_some(check.bias_mm)
}

/// Mean of the rings at the position that counts, °C.
fn ring_temperature_c(
    measured: &RingMeasurement,
    furnace: &Furnace,
    table: &RingTable,
    bias_mm: f64,
) -> Result<f64, String> {
    let plain = |position: &str| {
        let position = position.trim().to_lowercase();
        if position.is_empty() {
            "centre".to_owned()
        } else {
            position
        }
    };
    let first = measured.rings.first().map(|ring| plain(&ring.position));
    let asked = Some(&furnace.reference_position).filter(|position| !position.trim().is_empty());
    let asked = asked.map(|position| plain(position));
    let stands = |position: &String| {
        measured
            .rings
            .iter()
            .any(|ring| plain(&ring.position) == *position)
    };
    let counts = asked.filter(stands).or(first);
    let mut temperatures = Vec::new();
    for ring in &measured.rings {
        let mean_mm = mean(&ring.diameters_mm).ok_or("a ring has no diameter")?;
        let read = plain::table_temperature_c(table, mean_mm - bias_mm)
            .ok_or_else(|| format!("{} mm is outside the table", fixed(mean_mm - bias_mm, 3)))?;
        if Some(plain(&ring.position)) == counts {
            temperatures.push(read);
        }
    }
    mean(&temperatures).ok_or_else(|| "there is no ring".to_owned())
}

fn within_limits(
    setpoint_c: f64,
    set_c: f64,
    largest_step_c: f64,
    programme: &Programme,
    furnace: &Furnace,
) -> Result<(), String> {
    let lowest = positive(programme.minimum_setpoint_c).unwrap_or(LOWEST_SETPOINT_C);
    let highest = positive(programme.maximum_setpoint_c)
        .unwrap_or(f64::INFINITY)
        .min(furnace.maximum_setpoint_c);
    let asked = brief(setpoint_c, 1);
    if setpoint_c < lowest || setpoint_c > highest {
        return Err(format!(
            "{asked} °C would be outside the limits of programme and furnace, {} to {} °C",
            brief(lowest, 1),
            brief(highest, 1)
        ));
    }
    if (setpoint_c - set_c).abs() > largest_step_c {
        return Err(format!(
            "{asked} °C would be a step of more than {} °C, which a second ring must confirm first",
            brief(largest_step_c, 1)
        ));
    }
    Ok(())
}

/// Cautions that belong to entering a setpoint.
const COLD: &str = "Enter a setpoint with the furnace cold or idle and read it back: chamber and work burn without \
                    looking hot.";
const RAISED: &str = "The setpoint goes up: it must stay below the lowest maximum of furnace, elements, tray and \
                      material.";
const LAST_WORD: &str =
    "The furnace maker's instructions and local rules decide; they override this text.";

/// Draws the figure: first that it is provisional, then when it may be entered at all. No large digits, so that
/// nobody takes it for the server's advice from across the room.
pub(crate) fn drawn(figure: &Provisional, columns: u16, colour: bool) -> String {
    let mut parts = Vec::new();
    let headline = format!("PROVISIONAL: {} °C", brief(figure.setpoint_c, 1));
    parts.push(ink(&headline, Ink::Strong, colour));
    let off_c = figure.ring_temperature_c - figure.target_c;
    let within = off_c.abs() <= figure.tolerance_c;
    let enter = if within {
        format!(
            "Leave the controller at {} °C: the ring is {} °C off, within ±{} °C.",
            brief(figure.set_c, 2),
            signed(off_c, 1),
            brief(figure.tolerance_c, 1)
        )
    } else {
        format!(
            "Enter it only if work cannot wait for the server and a second ring says the same: the ring is {} °C off, more \
             than ±{} °C.",
            signed(off_c, 1),
            brief(figure.tolerance_c, 1)
        )
    };
    let words = format!(
        "From this reading alone; do not chase noise. {enter} The server's advice replaces it."
    );
    parts.push(output::paragraph(&words, columns));
    let lines = [
        (
            "Ring",
            format!(
                "{} °C by batch {}'s table for {} min",
                fixed(figure.ring_temperature_c, 1),
                figure.batch,
                brief(figure.table_hold_min, 1)
            ),
        ),
        (
            "Reckoned",
            format!(
                "{} - ({} - {}) = {} °C",
                brief(figure.target_c, 1),
                brief(figure.ring_temperature_c, 1),
                brief(figure.set_c, 2),
                brief(figure.setpoint_c, 1)
            ),
        ),
    ];
    parts.push(output::card(&lines, columns));
    if !within {
        let raises = figure.setpoint_c > figure.set_c;
        let mut minded = vec![COLD.to_owned()];
        minded.extend(raises.then(|| RAISED.to_owned()));
        minded.push(LAST_WORD.to_owned());
        parts.extend(cautions::minded(&minded, true, columns, colour));
    }
    parts.join("\n")
}

#[cfg(test)]
mod tests;
