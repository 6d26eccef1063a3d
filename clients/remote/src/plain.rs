//! The plain arithmetic of a ring: target - (ring temperature - setpoint), which a bench can do while no server
//! answers.
//!
//! It is written a second time here, since clients link nothing of the services: a table read between its lines, and
//! the rule that says which table fits a hold. Nothing is corrected, weighed or extrapolated. What would need more than
//! reading a table gives nothing. A test holds it against the server's own figure over many tables.

use ringtrue_proto::v1::{RingTable, RingTableEntry, Segment};

/// Largest step between diameters, mm, at which a table is read along straight lines.
const LARGEST_LINEAR_STEP_MM: f64 = 0.02;
/// Room for binary rounding when diameters are compared, mm.
const ROUNDING_MM: f64 = 1e-9;
/// Largest difference of holds, min, at which a table is read as it is.
const MATCHED_WITHIN_MIN: f64 = 3.0;
/// Largest ratio of holds at which it is.
const LARGEST_RATIO: f64 = 4.0;
/// Activation energy with which dwells below the peak count, 600 kJ/mol, over the gas constant, K.
const ENERGY_K: f64 = 600_000.0 / 8.314_462_618;
const ZERO_CELSIUS_K: f64 = 273.15;

/// Setpoint from one ring alone, °C, not rounded.
pub fn plain_setpoint_c(target_c: f64, ring_temperature_c: f64, setpoint_c: f64) -> f64 {
    target_c - (ring_temperature_c - setpoint_c)
}

/// The table of a batch that is for a programme's hold; none when none is, though a server may know a correction.
pub fn fitting_table<'t>(tables: &'t [RingTable], segments: &[Segment]) -> Option<&'t RingTable> {
    let hold_min = working_hold_min(segments)?;
    let mut best: Option<(&RingTable, f64)> = None;
    for table in tables {
        let matches = (table.hold_min - hold_min).abs() <= MATCHED_WITHIN_MIN;
        let ratio = table.hold_min.max(hold_min) / table.hold_min.min(hold_min);
        if matches && ratio <= LARGEST_RATIO && best.is_none_or(|(_, least)| ratio < least) {
            best = Some((table, ratio));
        }
    }
    best.map(|(table, _)| table)
}

/// The hold at the peak that would do the work of all holds together, min: a dwell just below the peak works nearly as
/// hard as the peak itself.
fn working_hold_min(segments: &[Segment]) -> Option<f64> {
    let mut peak_c = f64::NEG_INFINITY;
    for segment in segments {
        peak_c = peak_c.max(segment.temperature_c);
    }
    let peak_k = peak_c + ZERO_CELSIUS_K;
    let mut total_min = 0.0;
    for segment in segments {
        let kelvin = segment.temperature_c + ZERO_CELSIUS_K;
        if kelvin > 0.0 {
            let weight = peak_k / kelvin * (ENERGY_K * (1.0 / peak_k - 1.0 / kelvin)).exp();
            total_min += segment.hold_min * weight;
        }
    }
    (total_min > 0.0 && total_min.is_finite()).then_some(total_min)
}

/// The temperature that a diameter stands for, °C; none outside the table, or where it is no table.
///
/// Straight lines between lines of the table where no step is larger than 0.02 mm, else a monotone cubic (Fritsch &
/// Butland 1984).
pub fn table_temperature_c(table: &RingTable, diameter_mm: f64) -> Option<f64> {
    let mut entries = table.entries.clone();
    entries.sort_by(|a, b| a.diameter_mm.total_cmp(&b.diameter_mm));
    let (first, last) = (entries.first()?, entries.last()?);
    if !(first.diameter_mm..=last.diameter_mm).contains(&diameter_mm) || entries.len() < 3 {
        return None;
    }
    let after = entries.partition_point(|entry| entry.diameter_mm <= diameter_mm);
    let left = after.saturating_sub(1).min(entries.len() - 2);
    let (below, above) = (&entries[left], &entries[left + 1]);
    let width_mm = above.diameter_mm - below.diameter_mm;
    if width_mm <= 0.0 {
        return None;
    }
    let share = (diameter_mm - below.diameter_mm) / width_mm;
    let coarse = entries.windows(2).any(|pair| {
        pair[1].diameter_mm - pair[0].diameter_mm > LARGEST_LINEAR_STEP_MM + ROUNDING_MM
    });
    let read = if coarse {
        let rest = 1.0 - share;
        let bend = slope(&entries, left) * rest - slope(&entries, left + 1) * share;
        below.temperature_c * (1.0 + 2.0 * share) * rest * rest
            + above.temperature_c * share * share * (3.0 - 2.0 * share)
            + width_mm * share * rest * bend
    } else {
        below.temperature_c + share * (above.temperature_c - below.temperature_c)
    };
    // Rounding could carry the last digit past a neighbour.
    let (low, high) = (above.temperature_c, below.temperature_c);
    (low <= high).then(|| read.clamp(low, high))
}

/// The slope of the monotone cubic at a line of the table, °C/mm: the weighted harmonic mean of its neighbours' chords,
/// at an end one-sided (Moler 2004, section 3.6).
fn slope(entries: &[RingTableEntry], place: usize) -> f64 {
    let width = |at: usize| entries[at + 1].diameter_mm - entries[at].diameter_mm;
    let chord = |at: usize| (entries[at + 1].temperature_c - entries[at].temperature_c) / width(at);
    let last = entries.len() - 1;
    if place == 0 {
        return end_slope(width(0), width(1), chord(0), chord(1));
    }
    if place == last {
        return end_slope(
            width(last - 1),
            width(last - 2),
            chord(last - 1),
            chord(last - 2),
        );
    }
    let (before, after) = (chord(place - 1), chord(place));
    if before * after <= 0.0 {
        return 0.0;
    }
    let weight_before = 2.0 * width(place) + width(place - 1);
    let weight_after = width(place) + 2.0 * width(place - 1);
    (weight_before + weight_after) / (weight_before / before + weight_after / after)
}

fn end_slope(width: f64, next_width: f64, chord: f64, next_chord: f64) -> f64 {
    let slope = ((2.0 * width + next_width) * chord - width * next_chord) / (width + next_width);
    if slope * chord <= 0.0 {
        0.0
    } else if chord * next_chord <= 0.0 && slope.abs() > 3.0 * chord.abs() {
        3.0 * chord
    } else {
        slope
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(hold_min: f64, entries: &[(f64, f64)]) -> RingTable {
        let mut lines = Vec::new();
        for (diameter_mm, temperature_c) in entries {
            lines.push(RingTableEntry {
                diameter_mm: *diameter_mm,
                temperature_c: *temperature_c,
            });
        }
        RingTable {
            hold_min,
            entries: lines,
            ..RingTable::default()
        }
    }

    fn segment(temperature_c: f64, hold_min: f64) -> Segment {
        Segment {
            ramp_c_per_min: 8.0,
            temperature_c,
            hold_min,
        }
    }

    #[test]
    fn the_trades_worked_figure_comes_out() {
        // Common practice, no source: set to 1500 °C, a ring of 19.47 mm that its table reads as 1519 °C: enter 1481 °C.
        let table = table(120.0, &[(19.46, 1521.0), (19.47, 1519.0), (19.48, 1517.0)]);
        let ring_c = table_temperature_c(&table, 19.47).expect("inside the table");
        assert_eq!(format!("{ring_c:.1}"), "1519.0");
        assert_eq!(
            format!("{:.1}", plain_setpoint_c(1500.0, ring_c, 1500.0)),
            "1481.0"
        );
    }

    #[test]
    fn nothing_is_read_beyond_the_ends_of_a_table() {
        let table = table(120.0, &[(19.48, 1517.0), (19.46, 1521.0), (19.47, 1519.0)]);
        assert!(table_temperature_c(&table, 19.459).is_none());
        assert!(table_temperature_c(&table, 19.481).is_none());
        assert!(table_temperature_c(&table, f64::NAN).is_none());
        let middle = table_temperature_c(&table, 19.465).expect("inside the table");
        assert_eq!(format!("{middle:.1}"), "1520.0");
        assert!(table_temperature_c(&RingTable::default(), 19.47).is_none());
    }

    #[test]
    fn a_table_is_taken_only_for_its_own_hold() {
        let tables = [table(60.0, &[]), table(120.0, &[])];
        let of = |segments: &[Segment]| {
            fitting_table(&tables, segments).map(|table| format!("{} min", table.hold_min))
        };
        assert_eq!(
            of(&[segment(900.0, 30.0), segment(1500.0, 120.0)]),
            Some("120 min".to_owned())
        );
        assert_eq!(of(&[segment(1500.0, 118.0)]), Some("120 min".to_owned()));
        assert_eq!(of(&[segment(1500.0, 90.0)]), None);
        // A dwell just below the peak works like a longer hold.
        assert_eq!(of(&[segment(1480.0, 60.0), segment(1500.0, 120.0)]), None);
        assert_eq!(of(&[]), None);
    }
}
