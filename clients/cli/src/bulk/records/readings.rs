//! Calibration firings as rows: the first has the reading with its first ring, each further one a ring more.

use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::thermocouple_measurement::Indication;
use ringtrue_proto::v1::{
    ListReadingsRequest, Reading, ReadingPurpose, RecordReadingRequest, Ring, RingMeasurement,
    ThermocoupleMeasurement, ThermocoupleType,
};
use ringtrue_remote::{Failure, Remote};

use crate::bulk::cell::{Cell, Decimal, Wrong, list, number, set_number, word, wrong};
use crate::bulk::columns::{Column, Need, choice, maybe, moment, text};
use crate::bulk::record::{Became, How, Objection, Record, Wanted, objections, request_id};
use crate::names;

const TYPE: &str = "THERMOCOUPLE_TYPE_";

fn both<T>() -> Result<T, Wrong> {
    wrong(
        "TWO_METHODS",
        "the row has columns of rings and of a thermocouple; leave those of one empty".to_owned(),
    )
}

fn rings(reading: &mut Reading) -> Result<&mut RingMeasurement, Wrong> {
    let method = reading
        .method
        .get_or_insert_with(|| Method::Rings(RingMeasurement::default()));
    match method {
        Method::Rings(rings) => Ok(rings),
        Method::Thermocouple(_) => both(),
    }
}

fn ring(reading: &mut Reading) -> Result<&mut Ring, Wrong> {
    let rings = &mut rings(reading)?.rings;
    if rings.is_empty() {
        rings.push(Ring::default());
    }
    Ok(&mut rings[0])
}

fn thermocouple(reading: &mut Reading) -> Result<&mut ThermocoupleMeasurement, Wrong> {
    let method = reading
        .method
        .get_or_insert_with(|| Method::Thermocouple(ThermocoupleMeasurement::default()));
    match method {
        Method::Thermocouple(thermocouple) => Ok(thermocouple),
        Method::Rings(_) => both(),
    }
}

fn of_rings(reading: &Reading, write: impl FnOnce(&RingMeasurement) -> String) -> String {
    match &reading.method {
        Some(Method::Rings(rings)) => write(rings),
        _ => String::new(),
    }
}

fn of_ring(reading: &Reading, row: usize, write: impl FnOnce(&Ring) -> String) -> String {
    of_rings(reading, |rings| {
        rings.rings.get(row).map_or_else(String::new, write)
    })
}

fn of_thermocouple(
    reading: &Reading,
    write: impl FnOnce(&ThermocoupleMeasurement) -> String,
) -> String {
    match &reading.method {
        Some(Method::Thermocouple(thermocouple)) => write(thermocouple),
        _ => String::new(),
    }
}

fn maybe_text(value: Option<f64>, decimal: Decimal) -> String {
    value.map_or_else(String::new, |value| number(value, decimal))
}

fn diameters(reading: &mut Reading, cell: &Cell<'_>) -> Result<(), Wrong> {
    let mut values = Vec::new();
    for part in cell.text.split([' ', ';']).filter(|part| !part.is_empty()) {
        values.push(cell.number_in(part)?);
    }
    ring(reading)?.diameters_mm = values;
    Ok(())
}

/// A column of one value of the method, read and written by itself.
macro_rules! of_method {
    ($name:literal $read:expr, $write:expr) => {
        Column {
            name: $name,
            need: Need::Free,
            further: false,
            read: $read,
            write: $write,
        }
    };
}

impl Record for Reading {
    const MESSAGE: &'static str = "Reading";
    const IN_ORDER: bool = true;
    const COLUMNS: &'static [Column<Self>] = &[
        text!(Needed programme),
        maybe!(setpoint_c),
        moment!(Needed fire_time),
        moment!(Free measure_time),
        choice!(Free purpose ReadingPurpose "READING_PURPOSE_"),
        text!(Free performed_by),
        text!(Free note),
        Column {
            name: "answered_questions",
            need: Need::Free,
            further: false,
            read: |it, cell| {
                it.answered_questions = cell.listed();
                Ok(())
            },
            write: |it, _, _| list(&it.answered_questions),
        },
        // Before the columns that rings and thermocouples share, so that those find the method settled.
        of_method!(
            "type" | it,
            cell | {
                let kind = cell.choice(TYPE, ThermocoupleType::from_str_name)?;
                thermocouple(it)?.r#type = kind;
                Ok(())
            },
            |it, _, _| of_thermocouple(it, |t| word(t.r#type().as_str_name(), TYPE))
        ),
        of_method!(
            "emf_mv" | it,
            cell | {
                thermocouple(it)?.indication = Some(Indication::EmfMv(cell.number()?));
                Ok(())
            },
            |it, _, decimal| of_thermocouple(it, |t| match t.indication {
                Some(Indication::EmfMv(value)) => number(value, decimal),
                _ => String::new(),
            })
        ),
        of_method!(
            "temperature_c" | it,
            cell | {
                let value = cell.number()?;
                match &mut thermocouple(it)?.indication {
                    Some(Indication::EmfMv(_)) => wrong(
                        "TWO_INDICATIONS",
                        "emf_mv is given as well; leave one of them empty".to_owned(),
                    ),
                    indication => {
                        *indication = Some(Indication::TemperatureC(value));
                        Ok(())
                    }
                }
            },
            |it, _, decimal| of_thermocouple(it, |t| match t.indication {
                Some(Indication::TemperatureC(value)) => number(value, decimal),
                _ => String::new(),
            })
        ),
        of_method!(
            "reference_junction_c" | it,
            cell | {
                thermocouple(it)?.reference_junction_c = cell.number()?;
                Ok(())
            },
            |it, _, decimal| of_thermocouple(it, |t| set_number(t.reference_junction_c, decimal))
        ),
        of_method!(
            "correction_c" | it,
            cell | {
                thermocouple(it)?.correction_c = cell.number()?;
                Ok(())
            },
            |it, _, decimal| of_thermocouple(it, |t| set_number(t.correction_c, decimal))
        ),
        of_method!(
            "expanded_uncertainty_c" | it,
            cell | {
                thermocouple(it)?.expanded_uncertainty_c = cell.number()?;
                Ok(())
            },
            |it, _, decimal| of_thermocouple(it, |t| set_number(t.expanded_uncertainty_c, decimal))
        ),
        of_method!(
            "ring_batch" | it,
            cell | {
                rings(it)?.ring_batch = cell.text();
                Ok(())
            },
            |it, _, _| of_rings(it, |rings| rings.ring_batch.clone())
        ),
        of_method!(
            "gauge" | it,
            cell | {
                rings(it)?.gauge = cell.text();
                Ok(())
            },
            |it, _, _| of_rings(it, |rings| rings.gauge.clone())
        ),
        of_method!(
            "zero_mm" | it,
            cell | {
                rings(it)?.zero_mm = Some(cell.number()?);
                Ok(())
            },
            |it, _, decimal| of_rings(it, |rings| maybe_text(rings.zero_mm, decimal))
        ),
        of_method!(
            "ring_temperature_c" | it,
            cell | {
                rings(it)?.ring_temperature_c = Some(cell.number()?);
                Ok(())
            },
            |it, _, decimal| of_rings(it, |rings| maybe_text(rings.ring_temperature_c, decimal))
        ),
        Column {
            name: "position",
            need: Need::Free,
            further: true,
            read: |it, cell| {
                if let Some(Method::Thermocouple(thermocouple)) = &mut it.method {
                    thermocouple.position = cell.text();
                } else {
                    ring(it)?.position = cell.text();
                }
                Ok(())
            },
            write: |it, row, _| match &it.method {
                Some(Method::Thermocouple(t)) if row == 0 => t.position.clone(),
                _ => of_ring(it, row, |ring| ring.position.clone()),
            },
        },
        Column {
            name: "diameters_mm",
            need: Need::Free,
            further: true,
            read: diameters,
            write: |it, row, decimal| {
                of_ring(it, row, |ring| {
                    let values: Vec<String> = ring
                        .diameters_mm
                        .iter()
                        .map(|value| number(*value, decimal))
                        .collect();
                    values.join(" ")
                })
            },
        },
        Column {
            name: "serial_number",
            need: Need::Free,
            further: true,
            read: |it, cell| {
                ring(it)?.serial_number = cell.text();
                Ok(())
            },
            write: |it, row, _| of_ring(it, row, |ring| ring.serial_number.clone()),
        },
    ];

    fn emptied(&mut self) {
        self.name.clear();
        self.receive_time = None;
        self.amends.clear();
        self.amended_by.clear();
        self.amend_reason.clear();
        self.evaluation = None;
    }

    fn spelled_out(&mut self, site: Option<&str>) -> Result<(), (&'static str, Wrong)> {
        self.programme = super::whole_name("programme", &self.programme, site, names::PROGRAMME)?;
        if let Some(Method::Rings(rings)) = &mut self.method {
            if !rings.gauge.is_empty() {
                // A short name is one of the furnace's own site.
                let own = names::site_of(&self.programme);
                rings.gauge = super::whole_name("gauge", &rings.gauge, Some(own), names::GAUGE)?;
            }
            if !rings.ring_batch.is_empty() {
                rings.ring_batch = names::batch(&rings.ring_batch)
                    .or_else(|words| wrong("NO_NAME", words))
                    .map_err(|fault| ("ring_batch", fault))?;
            }
        }
        Ok(())
    }

    fn identity(&self) -> (&'static str, String) {
        // A reading has no id of its own: one that says all the same is the same.
        ("", request_id("RecordReading", self))
    }

    fn owner(&self) -> String {
        let (furnace, _) = self
            .programme
            .split_once("/programmes/")
            .unwrap_or_default();
        furnace.to_owned()
    }

    fn row_count(&self) -> usize {
        match &self.method {
            Some(Method::Rings(rings)) => rings.rings.len().max(1),
            _ => 1,
        }
    }

    fn absorb(&mut self, further: Self) {
        if let (Some(Method::Rings(own)), Some(Method::Rings(more))) =
            (&mut self.method, further.method)
        {
            own.rings.extend(more.rings);
        }
    }

    fn row_of(&self, field: &str) -> u64 {
        let ring = super::index_after(field, "rings[").unwrap_or(0);
        u64::try_from(ring).unwrap_or(0)
    }

    async fn sent(
        remote: Remote,
        owner: String,
        records: Vec<Self>,
        how: How,
    ) -> Result<Vec<Became>, Box<Failure>> {
        let mut became = Vec::with_capacity(records.len());
        for record in records {
            let mut ask = RecordReadingRequest {
                parent: owner.clone(),
                reading: Some(record),
                ..RecordReadingRequest::default()
            };
            ask.request_id = request_id("RecordReading", &ask);
            ask.validate_only = how == How::Tried;
            became.push(match remote.record_reading(ask).await {
                Ok(answer) if how == How::Tried => tried(answer.reading.unwrap_or_default()),
                Ok(_) => Became::Recorded,
                Err(failure) => match objections(&failure) {
                    Some(objections) => Became::Refused(objections),
                    None => return Err(failure),
                },
            });
        }
        Ok(became)
    }

    async fn page(
        remote: Remote,
        wanted: Wanted,
        page_token: String,
    ) -> Result<(Vec<Self>, String), Box<Failure>> {
        let ask = ListReadingsRequest {
            parent: wanted.furnaces(),
            page_size: 1000,
            page_token,
            ..ListReadingsRequest::default()
        };
        let page = remote.readings(ask).await?;
        Ok((page.readings, page.next_page_token))
    }
}

/// What the server said of a reading that was tried out.
fn tried(reading: Reading) -> Became {
    // It has a name only when it was recorded before.
    if !reading.name.is_empty() {
        return Became::Known;
    }
    let mut open = Vec::new();
    for question in reading.evaluation.unwrap_or_default().questions {
        if !question.answered {
            open.push(Objection {
                field: question.field.strip_prefix("reading.").unwrap_or_default().to_owned(),
                words: format!(
                    "{} If it is so, write {} into the column answered_questions; else mend the value.",
                    question.text, question.code
                ),
                reason: question.code,
            });
        }
    }
    if open.is_empty() {
        Became::Recorded
    } else {
        Became::Refused(open)
    }
}
