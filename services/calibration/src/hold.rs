//! Reading a ring that was fired with another hold than its table was issued for.
//!
//! A ring integrates time and temperature: 60 min instead of the table's 120 min reads 17 to 37 °C
//! low, as much as the offsets being measured. So a table is read at its own hold, or with an
//! activation energy the batch's own tables imply, or (only where the site accepts it) with an
//! assumed one and its uncertainty, or not at all.

use crate::programme::Cycle;
use crate::ring_table::RingTable;
use crate::thermal_work::{
    Energy, GAS_CONSTANT_J_PER_MOL_K, NotFitted, fitted_energy, matching_peak_c, peak_hold_min,
    with_peak_hold,
};

/// Largest difference of holds, min, at which a table is read as it is.
pub const MATCHED_WITHIN_MIN: f64 = 3.0;
/// Largest ratio of holds that is ever corrected.
pub const LARGEST_RATIO: f64 = 4.0;
/// The activation energy taken where none is known, from the published 440 to 1000 kJ/mol for alumina
/// and zirconia (alumina's from memory).
///
/// A correction goes with 1/Q, and the middle of the published 1/Q is that of 611 kJ/mol. The 150
/// kJ/mol are a standard uncertainty, not a half-width: for half the table's hold at 1500 °C they leave
/// about 7 °C, as the whole published range does when it is taken as rectangular (GUM 4.3.7). As the
/// half-width of a rectangle they would leave under 5 °C and shut out published energies.
pub const ASSUMED_ENERGY: Energy = Energy {
    kj_per_mol: 600.0,
    standard_uncertainty_kj_per_mol: 150.0,
};

/// The ramp to the peak that tables are usually made with, °C/min (common practice, no source).
const USUAL_RAMP_C_PER_MIN: f64 = 10.0;
/// An uncertainty for the ramp below this is not worth a word, °C.
const LEAST_RAMP_C: f64 = 0.1;

const ZERO_CELSIUS_K: f64 = 273.15;
/// Lowest energy used when the uncertainty of an energy is carried through, kJ/mol.
const LOWEST_ENERGY_KJ_PER_MOL: f64 = 50.0;
/// Below this difference, min, two holds are the same number typed twice.
const SAME_HOLD_MIN: f64 = 1e-6;

/// How a reading's hold relates to the batch's tables.
#[derive(Debug, Clone, PartialEq)]
pub enum HoldTreatment {
    /// A table of the batch is for this hold, within 3 min.
    Matched,
    /// The batch's tables at two or more holds give the activation energy.
    Fitted {
        /// What they give.
        energy: Energy,
    },
    /// The site accepts a correction with an assumed activation energy.
    Assumed {
        /// What is assumed.
        energy: Energy,
    },
    /// The table cannot be turned into an absolute temperature for this firing.
    NotEvaluable {
        /// Why, and which programme to fire instead.
        reason: String,
    },
}

/// Which of a batch's tables to read, and how. Depends on no measurement, so one plan serves all
/// rings of a firing.
#[derive(Debug, Clone, PartialEq)]
pub struct HoldPlan {
    /// The table with the hold nearest in ratio; zero when the batch has no table.
    pub table_index: usize,
    /// That table's hold, min; zero when the batch has no table.
    pub table_hold_min: f64,
    /// Total hold at the peak of the fired programme, min.
    pub fired_hold_min: f64,
    /// Hold at the peak that would do the work of all the programme's holds together, min: a dwell just
    /// below the peak works nearly as hard as the peak itself.
    pub working_hold_min: f64,
    /// How the table is read.
    pub treatment: HoldTreatment,
}

/// What to add to a table's temperature, and what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct HoldCorrection {
    /// How the table is read.
    pub treatment: HoldTreatment,
    /// Hold of the table read, min.
    pub table_hold_min: f64,
    /// Total hold at the peak of the fired programme, min.
    pub fired_hold_min: f64,
    /// Added to the table's temperature to give the true peak, °C; zero when matched or not evaluable.
    pub correction_c: f64,
    /// Standard uncertainty of the correction, °C; zero when not evaluable.
    pub standard_uncertainty_c: f64,
    /// One or two sentences for people.
    pub explanation: String,
    /// What may still be concluded from a reading whose absolute temperature is not sure.
    pub statements_still_valid: Vec<String>,
}

/// Chooses the table of a batch to read for a firing, and how.
///
/// A table within 3 min of the fired hold is read as it is. Otherwise tables at two or more holds
/// give an activation energy, or the site accepts an assumed one; beyond a factor of four nothing is
/// corrected.
pub fn plan(tables: &[RingTable], cycle: &Cycle, accepts_assumed_energy: bool) -> HoldPlan {
    let fired_hold_min = peak_hold_min(cycle);
    let working_hold_min = working_hold_min(cycle);
    let Some(table_index) = nearest(tables, working_hold_min) else {
        return HoldPlan {
            table_index: 0,
            table_hold_min: 0.0,
            fired_hold_min,
            working_hold_min,
            treatment: HoldTreatment::NotEvaluable {
                reason: "This ring batch has no table yet; enter the table that came with it."
                    .to_owned(),
            },
        };
    };
    let table_hold_min = tables[table_index].hold_min();
    let treatment = if can_run(cycle) {
        treatment(
            tables,
            cycle,
            table_hold_min,
            (fired_hold_min, working_hold_min),
            accepts_assumed_energy,
        )
    } else {
        HoldTreatment::NotEvaluable {
            reason: "The programme cannot run as entered; check its ramps, temperatures and holds."
                .to_owned(),
        }
    };
    HoldPlan {
        table_index,
        table_hold_min,
        fired_hold_min,
        working_hold_min,
        treatment,
    }
}

/// The hold at the peak that would do the work of all the programme's holds together, min, with the
/// assumed activation energy; ramps are left out, being alike in the table's firing.
fn working_hold_min(cycle: &Cycle) -> f64 {
    let Some(peak) = cycle.peak() else { return 0.0 };
    let peak_k = peak.temperature_c + ZERO_CELSIUS_K;
    let energy_k = ASSUMED_ENERGY.kj_per_mol * 1000.0 / GAS_CONSTANT_J_PER_MOL_K;
    let mut total_min = 0.0;
    for segment in &cycle.segments {
        let kelvin = segment.temperature_c + ZERO_CELSIUS_K;
        if kelvin > 0.0 {
            let weight = peak_k / kelvin * libm::exp(energy_k * (1.0 / peak_k - 1.0 / kelvin));
            total_min += segment.hold_min * weight;
        }
    }
    total_min
}

/// The table's firing: the programme's own ramps and the table's hold at the peak, without dwells below
/// it.
fn reference_firing(cycle: &Cycle, table_hold_min: f64) -> Cycle {
    let mut reference = with_peak_hold(cycle, table_hold_min);
    let peak_c = cycle.peak().map_or(0.0, |peak| peak.temperature_c);
    for segment in &mut reference.segments {
        if segment.temperature_c < peak_c {
            segment.hold_min = 0.0;
        }
    }
    reference
}

fn can_run(cycle: &Cycle) -> bool {
    for segment in &cycle.segments {
        let ramp_runs = segment.ramp_c_per_min > 0.0 && segment.ramp_c_per_min.is_finite();
        let hold_runs = segment.hold_min >= 0.0 && segment.hold_min.is_finite();
        if !ramp_runs || !hold_runs || !segment.temperature_c.is_finite() {
            return false;
        }
    }
    !cycle.segments.is_empty()
}

/// The table to read: one within 3 min if there is any, else the nearest by ratio of holds.
fn nearest(tables: &[RingTable], fired_hold_min: f64) -> Option<usize> {
    let mut best: Option<(usize, bool, f64)> = None;
    for (i, table) in tables.iter().enumerate() {
        let matched = (table.hold_min() - fired_hold_min).abs() <= MATCHED_WITHIN_MIN;
        let ratio = ratio(table.hold_min(), fired_hold_min);
        let better = best.is_none_or(|(_, best_matched, best_ratio)| {
            (matched && !best_matched) || (matched == best_matched && ratio < best_ratio)
        });
        if better {
            best = Some((i, matched, ratio));
        }
    }
    best.map(|(i, _, _)| i)
}

/// The longer hold divided by the shorter; infinite when one is zero.
fn ratio(a_min: f64, b_min: f64) -> f64 {
    a_min.max(b_min) / a_min.min(b_min)
}

fn treatment(
    tables: &[RingTable],
    cycle: &Cycle,
    table_hold_min: f64,
    (fired_hold_min, working_hold_min): (f64, f64),
    accepts_assumed_energy: bool,
) -> HoldTreatment {
    let difference_min = (table_hold_min - working_hold_min).abs();
    let correctable = ratio(table_hold_min, working_hold_min) <= LARGEST_RATIO;
    if difference_min <= MATCHED_WITHIN_MIN && correctable {
        return HoldTreatment::Matched;
    }
    let asked = format!(
        "The ring was fired with a hold of {} min{}; its table is for {} min.",
        minutes(fired_hold_min),
        dwelling(fired_hold_min, working_hold_min),
        minutes(table_hold_min)
    );
    let instead = format!(
        "Fire a programme with a hold of {} min at the peak.",
        holds(tables)
    );
    if !correctable {
        let reason = format!("{asked} More than a factor of four is never corrected. {instead}");
        return HoldTreatment::NotEvaluable { reason };
    }
    let why = match fitted_energy(tables, cycle) {
        Ok(energy) => return HoldTreatment::Fitted { energy },
        Err(_) if accepts_assumed_energy => {
            return HoldTreatment::Assumed {
                energy: ASSUMED_ENERGY,
            };
        }
        Err(NotFitted::OneHold) => {
            "The batch has no table for another hold to correct by.".to_owned()
        }
        Err(other) => format!("A correction is not possible: {other}."),
    };
    HoldTreatment::NotEvaluable {
        reason: format!("{asked} {why} {instead}"),
    }
}

/// Words for dwells below the peak that work like a longer hold; empty when there is none worth a word.
fn dwelling(fired_hold_min: f64, working_hold_min: f64) -> String {
    if working_hold_min - fired_hold_min <= SAME_HOLD_MIN {
        return String::new();
    }
    let working = working_hold_min.round();
    format!(", and with its dwells below the peak it works like one of {working:.0} min")
}

/// Gives the correction for one table temperature, °C, over the programme's real segments.
///
/// Papers seldom say how fast the rings of a table were heated to the peak. The usual rate is taken,
/// and what the programme's own rate would change is the half-width of a rectangle in the uncertainty
/// (GUM 4.3.7); nothing is corrected for it.
///
/// The reference firing has the programme's ramps and the table's hold, without dwells below the peak:
/// the true peak is the one that does the work the table's temperature stands for. The uncertainty of the energy is
/// carried through by half the difference of the corrections at one standard uncertainty either side
/// (GUM 5.1.3, note 2).
pub fn correction(
    plan: &HoldPlan,
    tables: &[RingTable],
    cycle: &Cycle,
    table_temperature_c: f64,
) -> HoldCorrection {
    let mut found = of_the_hold(plan, tables, cycle, table_temperature_c);
    if matches!(found.treatment, HoldTreatment::NotEvaluable { .. }) {
        return found;
    }
    let reference = reference_firing(cycle, plan.table_hold_min);
    let Some((usual, ramp_c_per_min)) = with_usual_ramp(&reference) else {
        return found;
    };
    let energy = match found.treatment {
        HoldTreatment::Fitted { energy } => energy,
        _ => ASSUMED_ENERGY,
    };
    let Ok(peak_c) = matching_peak_c(&usual, &reference, table_temperature_c, energy.kj_per_mol)
    else {
        return found;
    };
    let ramp_c = (peak_c - table_temperature_c).abs() / 3.0_f64.sqrt();
    if ramp_c < LEAST_RAMP_C {
        return found;
    }
    found.standard_uncertainty_c = found.standard_uncertainty_c.hypot(ramp_c);
    let told = format!(
        " The ramp of {} °C/min to the peak, where tables are usually made at {USUAL_RAMP_C_PER_MIN} \
         °C/min, adds a standard uncertainty of {ramp_c:.1} °C.",
        minutes(ramp_c_per_min)
    );
    found.explanation.push_str(&told);
    found
}

/// The programme with the usual ramp to its peak, and its own ramp there; none without segments.
fn with_usual_ramp(cycle: &Cycle) -> Option<(Cycle, f64)> {
    let peak_c = cycle.peak()?.temperature_c;
    let mut usual = cycle.clone();
    for segment in &mut usual.segments {
        if segment.temperature_c >= peak_c {
            let own = segment.ramp_c_per_min;
            segment.ramp_c_per_min = USUAL_RAMP_C_PER_MIN;
            return Some((usual, own));
        }
    }
    None
}

/// What holds alone do: treatment, correction and its uncertainty.
fn of_the_hold(
    plan: &HoldPlan,
    tables: &[RingTable],
    cycle: &Cycle,
    table_temperature_c: f64,
) -> HoldCorrection {
    let mut found = HoldCorrection {
        treatment: plan.treatment.clone(),
        table_hold_min: plan.table_hold_min,
        fired_hold_min: plan.fired_hold_min,
        correction_c: 0.0,
        standard_uncertainty_c: 0.0,
        explanation: String::new(),
        statements_still_valid: Vec::new(),
    };
    let (energy, basis) = match &plan.treatment {
        HoldTreatment::Matched => {
            matched(&mut found, plan.working_hold_min, table_temperature_c);
            return found;
        }
        HoldTreatment::NotEvaluable { reason } => {
            found.explanation.clone_from(reason);
            found.statements_still_valid = still_valid();
            return found;
        }
        HoldTreatment::Fitted { energy } => (*energy, "which the batch's own tables give"),
        HoldTreatment::Assumed { energy } => {
            found.statements_still_valid = still_valid();
            (*energy, "which is an assumption this site accepts")
        }
    };
    let reference = reference_firing(cycle, plan.table_hold_min);
    let at = |kj_per_mol: f64| {
        let kj_per_mol = kj_per_mol.max(LOWEST_ENERGY_KJ_PER_MOL);
        matching_peak_c(cycle, &reference, table_temperature_c, kj_per_mol)
            .map(|peak_c| peak_c - table_temperature_c)
    };
    let spread = energy.standard_uncertainty_kj_per_mol;
    let solved = at(energy.kj_per_mol).and_then(|correction_c| {
        let low_c = at(energy.kj_per_mol - spread)?;
        let high_c = at(energy.kj_per_mol + spread)?;
        Ok((correction_c, (high_c - low_c).abs() / 2.0))
    });
    match solved {
        Ok((correction_c, standard_uncertainty_c)) => {
            found.correction_c = correction_c;
            found.standard_uncertainty_c = standard_uncertainty_c;
            found.explanation = format!(
                "Fired with a hold of {} min{}, read from the table for {} min: {correction_c:+.1} °C \
                 (standard uncertainty {standard_uncertainty_c:.1} °C), from an activation energy of \
                 {:.0} kJ/mol (standard uncertainty {spread:.0} kJ/mol), {basis}.",
                minutes(plan.fired_hold_min),
                dwelling(plan.fired_hold_min, plan.working_hold_min),
                minutes(plan.table_hold_min),
                energy.kj_per_mol
            );
        }
        Err(failed) => {
            let reason = format!(
                "The hold cannot be corrected: {failed}. Fire a programme with a hold of {} min at \
                 the peak.",
                holds(tables)
            );
            found.explanation.clone_from(&reason);
            found.treatment = HoldTreatment::NotEvaluable { reason };
            found.statements_still_valid = still_valid();
        }
    }
    found
}

/// Nothing is added, and what the few minutes may have done is the uncertainty. The isothermal first
/// order is used: real ramps only make it smaller.
fn matched(found: &mut HoldCorrection, working_hold_min: f64, table_temperature_c: f64) {
    let difference_min = (working_hold_min - found.table_hold_min).abs();
    if difference_min <= SAME_HOLD_MIN {
        found.explanation = format!(
            "Fired with the table's own hold of {} min.",
            minutes(found.table_hold_min)
        );
        return;
    }
    let kelvin = table_temperature_c + ZERO_CELSIUS_K;
    let energy_k = ASSUMED_ENERGY.kj_per_mol * 1000.0 / GAS_CONSTANT_J_PER_MOL_K;
    let log_ratio = libm::log(ratio(working_hold_min, found.table_hold_min));
    found.standard_uncertainty_c = kelvin * kelvin / (energy_k + kelvin) * log_ratio;
    found.explanation = format!(
        "Fired with a hold of {} min, read from the table for {} min: nothing is added, and {:.1} °C \
         for the difference goes into the uncertainty.",
        minutes(found.fired_hold_min),
        minutes(found.table_hold_min),
        found.standard_uncertainty_c
    );
}

fn still_valid() -> Vec<String> {
    vec![
        "Drift and changes of this furnace between readings fired with this same programme and ring \
         batch are right as they are."
            .to_owned(),
        "Differences between positions in the chamber, and between furnaces fired with this same \
         programme and ring batch, are right as they are."
            .to_owned(),
    ]
}

/// The holds of a batch's tables in words: "60 or 120".
fn holds(tables: &[RingTable]) -> String {
    let mut ascending: Vec<f64> = tables.iter().map(RingTable::hold_min).collect();
    ascending.sort_by(f64::total_cmp);
    ascending.dedup_by(|a, b| (*a - *b).abs() <= SAME_HOLD_MIN);
    let mut words = String::new();
    for (i, hold_min) in ascending.iter().enumerate() {
        if i > 0 {
            words.push_str(if i + 1 == ascending.len() {
                " or "
            } else {
                ", "
            });
        }
        words.push_str(&minutes(*hold_min));
    }
    words
}

/// Whole figures where they are whole, else one decimal.
fn minutes(value: f64) -> String {
    let text = format!("{value:.1}");
    match text.strip_suffix(".0") {
        Some(whole) => whole.to_owned(),
        None => text,
    }
}

#[cfg(test)]
mod tests;
