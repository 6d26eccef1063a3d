//! Rows of `reading` and `evaluation`.

use std::collections::BTreeSet;

use ringtrue_calibration::evaluation::Evaluation;
use ringtrue_fleet::effect::Effect;
use ringtrue_fleet::key::{
    BatchId, FurnaceId, FurnaceKey, GaugeId, GaugeKey, ProgrammeId, ProgrammeKey, ReadingId,
    ReadingKey, SiteId,
};
use ringtrue_fleet::reading::{Assessed, Method, Purpose, Reading, Report};
use ringtrue_fleet::tracking::{PointEffect, Surprise, TrackPoint};
use sha2::{Digest as _, Sha256};

use crate::audit::hexadecimal;
use crate::columns::{Place, json, written};
use crate::documents::evaluation::{ADVICE, EvaluationDocument};
use crate::documents::inputs::InputsDocument;
use crate::documents::measurement::Measurement;
use crate::{Error, Evaluated};

pub(crate) const PURPOSES: &[(Purpose, &str)] = &[
    (Purpose::Routine, "routine"),
    (Purpose::Verification, "verification"),
    (Purpose::AfterEvent, "after_event"),
    (Purpose::Practice, "practice"),
];

/// A row of `reading`; with the evaluation's row, its record in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub(crate) struct ReadingRow {
    pub(crate) site_id: String,
    pub(crate) furnace_id: String,
    pub(crate) fired_at: i64,
    pub(crate) id: String,
    pub(crate) programme_id: String,
    pub(crate) setpoint_c: f64,
    pub(crate) setpoint_reported: bool,
    pub(crate) batch_id: Option<String>,
    pub(crate) gauge_id: Option<String>,
    pub(crate) measurement: String,
    pub(crate) measured_at: i64,
    pub(crate) purpose: String,
    pub(crate) performed_by: String,
    pub(crate) note: String,
    pub(crate) answered: String,
    pub(crate) received_at: i64,
    pub(crate) amends: Option<String>,
    pub(crate) amend_reason: String,
}

/// A row of `evaluation`, without the key columns that repeat the reading's.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub(crate) struct EvaluationRow {
    pub(crate) reading_id: String,
    pub(crate) method_version: String,
    pub(crate) counts: bool,
    pub(crate) observed_offset_c: f64,
    pub(crate) independent_c: f64,
    pub(crate) shared_c: f64,
    pub(crate) mean_mm: f64,
    pub(crate) removed_c: f64,
    pub(crate) effects: String,
    pub(crate) innovation_z: Option<f64>,
    pub(crate) innovation_sd_c: Option<f64>,
    pub(crate) gain: Option<f64>,
    pub(crate) advised_setpoint_c: Option<f64>,
    pub(crate) next_due_on: String,
    pub(crate) inputs: String,
    pub(crate) result: String,
    /// Repeats what `result` holds, for reading without it; so not part of the record's digest.
    pub(crate) advice: Option<String>,
    /// Likewise.
    pub(crate) conformance: Option<f64>,
}

impl From<&Reading> for ReadingRow {
    fn from(reading: &Reading) -> Self {
        let report = &reading.report;
        let (batch_id, gauge_id) = match &report.method {
            Method::Rings(rings) => (
                Some(rings.batch.to_string()),
                Some(rings.gauge.gauge.to_string()),
            ),
            Method::Thermocouple(_) => (None, None),
        };
        Self {
            site_id: reading.key.furnace.site.to_string(),
            furnace_id: reading.key.furnace.furnace.to_string(),
            fired_at: report.fired_at.as_microsecond(),
            id: reading.key.reading.to_string(),
            programme_id: report.programme.programme.to_string(),
            setpoint_c: reading.setpoint_c,
            setpoint_reported: report.setpoint_c.is_some(),
            batch_id,
            gauge_id,
            measurement: json(&Measurement::from(&report.method)),
            measured_at: report.measured_at.as_microsecond(),
            purpose: written(&report.purpose, PURPOSES),
            performed_by: report.performed_by.clone(),
            note: report.note.clone(),
            answered: json(&report.answered),
            received_at: reading.received_at.as_microsecond(),
            amends: reading.amends.as_ref().map(ToString::to_string),
            amend_reason: reading.amend_reason.clone(),
        }
    }
}

impl ReadingRow {
    pub(crate) fn name(&self) -> String {
        format!(
            "sites/{}/furnaces/{}/readings/{}",
            self.site_id, self.furnace_id, self.id
        )
    }

    pub(crate) fn reading(self) -> Result<Reading, Error> {
        let place = Place {
            table: "reading",
            key: &self.id,
        };
        let site = place.id("site_id", SiteId::new(&self.site_id))?;
        let furnace = FurnaceKey {
            site: site.clone(),
            furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
        };
        let batch = match &self.batch_id {
            Some(batch) => Some(place.id("batch_id", BatchId::new(batch))?),
            None => None,
        };
        let gauge = match &self.gauge_id {
            Some(gauge) => Some(GaugeKey {
                site,
                gauge: place.id("gauge_id", GaugeId::new(gauge))?,
            }),
            None => None,
        };
        let amends = match &self.amends {
            Some(amends) => Some(place.id("amends", ReadingId::new(amends))?),
            None => None,
        };
        let measurement: Measurement = place.json("measurement", &self.measurement)?;
        let answered: BTreeSet<String> = place.json("answered", &self.answered)?;
        Ok(Reading {
            key: ReadingKey {
                furnace: furnace.clone(),
                reading: place.id("id", ReadingId::new(&self.id))?,
            },
            report: Report {
                programme: ProgrammeKey {
                    furnace,
                    programme: place.id("programme_id", ProgrammeId::new(&self.programme_id))?,
                },
                setpoint_c: self.setpoint_reported.then_some(self.setpoint_c),
                method: measurement
                    .method(batch, gauge)
                    .ok_or_else(|| place.corrupt("measurement"))?,
                fired_at: place.moment("fired_at", self.fired_at)?,
                measured_at: place.moment("measured_at", self.measured_at)?,
                purpose: place.word("purpose", &self.purpose, PURPOSES)?,
                performed_by: self.performed_by,
                note: self.note,
                answered,
            },
            setpoint_c: self.setpoint_c,
            received_at: place.moment("received_at", self.received_at)?,
            amends,
            amend_reason: self.amend_reason,
        })
    }
}

impl EvaluationRow {
    pub(crate) fn of(reading: &ReadingId, assessed: &Assessed) -> Self {
        let evaluation = &assessed.evaluation;
        Self {
            reading_id: reading.to_string(),
            method_version: evaluation.method_version.clone().into_owned(),
            counts: assessed.point.is_some(),
            observed_offset_c: evaluation.observed_offset_c,
            independent_c: evaluation.shared.own_c,
            shared_c: evaluation.budget.shared_c,
            mean_mm: evaluation.rings.first().map_or(0.0, |ring| ring.mean_mm),
            removed_c: evaluation.shared.gauge.map_or(0.0, |gauge| gauge.removed_c),
            effects: written_effects(assessed.point.as_ref()),
            innovation_z: evaluation.innovation_z,
            innovation_sd_c: evaluation.innovation_sd_c,
            gain: evaluation.gain,
            advised_setpoint_c: evaluation.decision.as_ref().map(|d| d.advised_setpoint_c),
            next_due_on: assessed.next_due_on.to_string(),
            inputs: json(&InputsDocument::from(&assessed.inputs)),
            result: json(&EvaluationDocument::of(
                evaluation,
                &assessed.questions,
                &assessed.cautions,
            )),
            advice: evaluation
                .decision
                .as_ref()
                .map(|d| written(&d.advice, ADVICE)),
            conformance: evaluation
                .decision
                .as_ref()
                .map(|d| d.conformance_probability),
        }
    }

    /// Whether the columns that repeat the result say the same.
    pub(crate) fn repeats(&self, evaluation: &Evaluation) -> bool {
        let decision = evaluation.decision.as_ref();
        let advice = decision.map(|d| written(&d.advice, ADVICE));
        // SQLite keeps a negative zero as zero.
        let bits = |probability: f64| (probability + 0.0).to_bits();
        self.advice == advice
            && self.conformance.map(bits) == decision.map(|d| bits(d.conformance_probability))
    }

    pub(crate) fn evaluated(&self) -> Result<Evaluated, Error> {
        let place = Place {
            table: "evaluation",
            key: &self.reading_id,
        };
        let inputs: InputsDocument = place.json("inputs", &self.inputs)?;
        let result: EvaluationDocument = place.json("result", &self.result)?;
        let (evaluation, questions, cautions) = result.read(&self.reading_id)?;
        Ok(Evaluated {
            evaluation,
            inputs: inputs.into(),
            questions,
            cautions,
            next_due_on: place.date("next_due_on", &self.next_due_on)?,
        })
    }
}

/// The errors that a reading shares with others, as a column holds them: a JSON list of [name, coefficient,
/// expected deviation].
fn written_effects(point: Option<&TrackPoint>) -> String {
    let parts: Vec<(String, f64, f64)> = point.map_or(Vec::new(), |point| {
        point
            .effects
            .iter()
            .map(|part| (part.effect.to_string(), part.coefficient, part.sd_c))
            .collect()
    });
    json(&parts)
}

/// Reads what [`written_effects`] wrote.
pub(crate) fn read_effects(place: &Place, text: &str) -> Result<Vec<PointEffect>, Error> {
    let parts: Vec<(String, f64, f64)> = place.json("effects", text)?;
    let mut effects = Vec::with_capacity(parts.len());
    for (name, coefficient, sd_c) in parts {
        effects.push(PointEffect {
            effect: place.id("effects", Effect::parse(&name))?,
            coefficient,
            sd_c,
        });
    }
    Ok(effects)
}

/// How far a reading was from what was expected, when something was.
pub(crate) fn surprise(
    z: Option<f64>,
    standard_deviation_c: Option<f64>,
    gain: Option<f64>,
) -> Option<Surprise> {
    Some(Surprise {
        z: z?,
        standard_deviation_c: standard_deviation_c?,
        gain: gain?,
    })
}

/// Digest of a reading's record in the audit chain: both rows together, column by column, each with its
/// length, so that no two records read the same.
pub(crate) fn record_digest(reading: &ReadingRow, evaluation: &EvaluationRow) -> String {
    let mut record = RecordDigest::default();
    record.text(&reading.site_id);
    record.text(&reading.furnace_id);
    record.integer(reading.fired_at);
    record.text(&reading.id);
    record.text(&reading.programme_id);
    record.number(reading.setpoint_c);
    record.integer(i64::from(reading.setpoint_reported));
    record.optional(reading.batch_id.as_deref());
    record.optional(reading.gauge_id.as_deref());
    record.text(&reading.measurement);
    record.integer(reading.measured_at);
    record.text(&reading.purpose);
    record.text(&reading.performed_by);
    record.text(&reading.note);
    record.text(&reading.answered);
    record.integer(reading.received_at);
    record.optional(reading.amends.as_deref());
    record.text(&reading.amend_reason);
    record.text(&evaluation.reading_id);
    record.text(&evaluation.method_version);
    record.integer(i64::from(evaluation.counts));
    record.number(evaluation.observed_offset_c);
    record.number(evaluation.independent_c);
    record.number(evaluation.shared_c);
    record.number(evaluation.mean_mm);
    record.number(evaluation.removed_c);
    record.text(&evaluation.effects);
    for figure in [
        evaluation.innovation_z,
        evaluation.innovation_sd_c,
        evaluation.gain,
    ] {
        record.optional(
            figure
                .map(|figure| (figure + 0.0).to_bits().to_string())
                .as_deref(),
        );
    }
    record.optional(
        evaluation
            .advised_setpoint_c
            .map(|c| c.to_bits().to_string())
            .as_deref(),
    );
    record.text(&evaluation.next_due_on);
    record.text(&evaluation.inputs);
    record.text(&evaluation.result);
    record.finished()
}

#[derive(Default)]
struct RecordDigest(Sha256);

impl RecordDigest {
    fn text(&mut self, text: &str) {
        self.0.update(text.len().to_be_bytes());
        self.0.update(text.as_bytes());
    }

    fn integer(&mut self, number: i64) {
        self.0.update(number.to_be_bytes());
    }

    /// SQLite keeps a negative zero as zero.
    fn number(&mut self, number: f64) {
        self.0.update((number + 0.0).to_bits().to_be_bytes());
    }

    fn optional(&mut self, text: Option<&str>) {
        self.0.update([u8::from(text.is_some())]);
        self.text(text.unwrap_or_default());
    }

    fn finished(self) -> String {
        hexadecimal(&self.0.finalize())
    }
}
