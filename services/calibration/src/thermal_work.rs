//! Thermal work: what time and temperature together do to a ring.
//!
//! Under the master sintering curve the shrinkage of a body is a function of
//! Θ = ∫ (1/T) exp(-Q / (R T)) dt alone, T in kelvin (Su & Johnson, J. Am. Ceram. Soc. 79, 1996,
//! 3211-3217). Two firings with the same Θ leave the same ring, whatever their holds. Values of Θ lie
//! near 1e-20, so everything here works with its logarithm.

mod exponential_integral;
mod fit;

pub use fit::{FITTED_RANGE_KJ_PER_MOL, NotFitted, fitted_energy};

use std::fmt;

use crate::programme::{Cycle, Segment};
use crate::ring_table::bracketing::crossing;
use exponential_integral::{difference_times_exp, sum_of_logs};

/// Molar gas constant, J/(mol K), exact since 2019 to the digits given (SI Brochure, 9th edition).
pub const GAS_CONSTANT_J_PER_MOL_K: f64 = 8.314_462_618;
/// Temperature a firing starts from, °C. Work below 900 °C is a millionth of the whole, so the room's
/// own temperature does not matter.
pub const COLD_CHAMBER_C: f64 = 20.0;

const ZERO_CELSIUS_K: f64 = 273.15;
const SECONDS_PER_MINUTE: f64 = 60.0;
const JOULES_PER_KILOJOULE: f64 = 1000.0;
/// How exactly a peak is solved, °C.
const PEAK_TOLERANCE_C: f64 = 1e-7;
/// First distance looked for a peak on either side, °C; doubled until it is enclosed.
const FIRST_REACH_C: f64 = 16.0;
/// No ceramic is fired hotter, °C.
const HOTTEST_C: f64 = 3000.0;
/// Peaks are looked for no further than this from the one given, °C.
const LONGEST_REACH_C: f64 = 1024.0;

/// An apparent activation energy of sintering.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Energy {
    /// The energy, kJ/mol.
    pub kj_per_mol: f64,
    /// Its standard uncertainty, kJ/mol.
    pub standard_uncertainty_kj_per_mol: f64,
}

/// No peak temperature of the programme does the work asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoMatchingPeak {
    /// Peak of the reference firing, °C.
    pub equivalent_c: f64,
}

impl fmt::Display for NoMatchingPeak {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "no peak temperature of this programme does the same to a ring as {:.0} °C in the \
             table's programme; check the programme's ramps, temperatures and holds",
            self.equivalent_c
        )
    }
}

impl std::error::Error for NoMatchingPeak {}

/// Gives the natural logarithm of Θ (in s/K) of a firing from a cold chamber, for an activation
/// energy in kJ/mol.
///
/// Ramps use the closed form with exponential integrals, holds are isothermal; cooling counts only
/// as far as the segments say. Gives not a number for an energy that is not above zero or a programme
/// that cannot run, and minus infinity for one without any time.
pub fn ln_thermal_work(cycle: &Cycle, energy_kj_per_mol: f64) -> f64 {
    ln_work(cycle, None, energy_kj_per_mol)
}

/// A move of a programme's peak, both °C.
#[derive(Clone, Copy)]
struct PeakMove {
    from_c: f64,
    to_c: f64,
}

/// As [`ln_thermal_work`], with the peak moved on the way: solving for a peak asks often.
fn ln_work(cycle: &Cycle, moved: Option<PeakMove>, energy_kj_per_mol: f64) -> f64 {
    if !(energy_kj_per_mol > 0.0 && energy_kj_per_mol.is_finite()) {
        return f64::NAN;
    }
    let energy_k = energy_kj_per_mol * JOULES_PER_KILOJOULE / GAS_CONSTANT_J_PER_MOL_K;
    let mut total = f64::NEG_INFINITY;
    let mut before_c = COLD_CHAMBER_C;
    for segment in &cycle.segments {
        let temperature_c = moved.map_or(segment.temperature_c, |m| temperature_after(segment, m));
        let ramp = ln_ramp_work(before_c, temperature_c, segment.ramp_c_per_min, energy_k);
        let hold = ln_hold_work(temperature_c, segment.hold_min, energy_k);
        total = sum_of_logs(sum_of_logs(total, ramp), hold);
        before_c = temperature_c;
    }
    total
}

/// (1/rate) [E1(Q/RT₂) - E1(Q/RT₁)], rate in K/s.
fn ln_ramp_work(from_c: f64, to_c: f64, ramp_c_per_min: f64, energy_k: f64) -> f64 {
    if ramp_c_per_min.is_nan() || ramp_c_per_min <= 0.0 {
        return f64::NAN;
    }
    let cold_k = from_c.min(to_c) + ZERO_CELSIUS_K;
    let hot_k = from_c.max(to_c) + ZERO_CELSIUS_K;
    if !(cold_k > 0.0 && hot_k.is_finite()) {
        return f64::NAN;
    }
    let (low, high) = (energy_k / hot_k, energy_k / cold_k);
    let rate_k_per_s = ramp_c_per_min / SECONDS_PER_MINUTE;
    libm::log(difference_times_exp(low, high)) - low - libm::log(rate_k_per_s)
}

/// (t/T) exp(-Q/RT), t in s.
fn ln_hold_work(temperature_c: f64, hold_min: f64, energy_k: f64) -> f64 {
    let temperature_k = temperature_c + ZERO_CELSIUS_K;
    libm::log(hold_min * SECONDS_PER_MINUTE / temperature_k) - energy_k / temperature_k
}

fn temperature_after(segment: &Segment, moved: PeakMove) -> f64 {
    if segment.temperature_c >= moved.from_c {
        moved.to_c
    } else {
        segment.temperature_c.min(moved.to_c)
    }
}

/// Gives the programme with its peak at `peak_c`: every segment at the old peak is moved there, the
/// others stay where they are unless they would then be hotter than the peak.
pub fn with_peak(cycle: &Cycle, peak_c: f64) -> Cycle {
    let Some(peak) = cycle.peak() else {
        return cycle.clone();
    };
    let moved = PeakMove {
        from_c: peak.temperature_c,
        to_c: peak_c,
    };
    let mut changed = cycle.clone();
    for segment in &mut changed.segments {
        segment.temperature_c = temperature_after(segment, moved);
    }
    changed
}

/// Gives the programme with another total hold at its peak, min: the reference firing of a table
/// issued for that hold, with the programme's own ramps.
///
/// Where several segments share the peak, each keeps its share of the hold.
pub fn with_peak_hold(cycle: &Cycle, hold_min: f64) -> Cycle {
    let Some(peak_c) = cycle.peak().map(|peak| peak.temperature_c) else {
        return cycle.clone();
    };
    let total_min = peak_hold_min(cycle);
    let mut changed = cycle.clone();
    for segment in changed.segments.iter_mut().rev() {
        if segment.temperature_c < peak_c {
            continue;
        }
        if total_min > 0.0 {
            segment.hold_min *= hold_min / total_min;
        } else {
            segment.hold_min = hold_min;
            break;
        }
    }
    changed
}

/// Gives the total hold at the programme's peak temperature, min; zero for a programme without
/// segments.
pub fn peak_hold_min(cycle: &Cycle) -> f64 {
    let Some(peak_c) = cycle.peak().map(|peak| peak.temperature_c) else {
        return 0.0;
    };
    let mut total_min = 0.0;
    for segment in &cycle.segments {
        if segment.temperature_c >= peak_c {
            total_min += segment.hold_min;
        }
    }
    total_min
}

/// Gives the true peak of `cycle`, °C, that does the same thermal work as `reference` with its peak at
/// `equivalent_c`, for an activation energy in kJ/mol.
///
/// Fails when no peak within about 1000 °C does, as in a programme without segments.
pub fn matching_peak_c(
    cycle: &Cycle,
    reference: &Cycle,
    equivalent_c: f64,
    energy_kj_per_mol: f64,
) -> Result<f64, NoMatchingPeak> {
    let failed = NoMatchingPeak { equivalent_c };
    if !(COLD_CHAMBER_C..=HOTTEST_C).contains(&equivalent_c) {
        return Err(failed);
    }
    let from_c = cycle.peak().ok_or(failed)?.temperature_c;
    let reference_c = reference.peak().ok_or(failed)?.temperature_c;
    let wanted = ln_work(
        reference,
        Some(PeakMove {
            from_c: reference_c,
            to_c: equivalent_c,
        }),
        energy_kj_per_mol,
    );
    if !wanted.is_finite() {
        return Err(failed);
    }
    let excess =
        |to_c: f64| ln_work(cycle, Some(PeakMove { from_c, to_c }), energy_kj_per_mol) - wanted;
    let mut reach_c = FIRST_REACH_C;
    while reach_c <= LONGEST_REACH_C {
        let (low, high) = (
            (equivalent_c - reach_c).max(COLD_CHAMBER_C),
            equivalent_c + reach_c,
        );
        if let Some(peak_c) = crossing(low, high, PEAK_TOLERANCE_C, excess) {
            return Ok(peak_c);
        }
        reach_c *= 2.0;
    }
    Err(failed)
}

#[cfg(test)]
mod tests;
