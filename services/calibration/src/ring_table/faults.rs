//! What can be wrong with a ring table, or with a question asked of it, in words for people.

use std::fmt;

use super::{DIAMETER_RANGE_MM, MOST_ENTRIES, SLOPE_RANGE_C_PER_MM, TEMPERATURE_RANGE_C};

/// Which column of a ring table is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Fired outside diameter, mm.
    Diameter,
    /// Temperature, °C.
    Temperature,
}

impl Quantity {
    fn unit(self) -> &'static str {
        match self {
            Quantity::Diameter => "mm",
            Quantity::Temperature => "°C",
        }
    }

    fn word(self) -> &'static str {
        match self {
            Quantity::Diameter => "diameter",
            Quantity::Temperature => "temperature",
        }
    }

    fn units_accepted(self) -> &'static str {
        match self {
            Quantity::Diameter => "mm or inch",
            Quantity::Temperature => "°C or °F",
        }
    }
}

/// A diameter or temperature the table does not hold; nothing is ever extrapolated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutOfTable {
    /// Which column was asked.
    pub quantity: Quantity,
    /// Value asked for, in the column's unit (mm or °C).
    pub asked: f64,
    /// Lowest value of that column.
    pub low: f64,
    /// Highest value of that column.
    pub high: f64,
    /// Smallest and largest diameter of the table, mm.
    pub diameter_range_mm: (f64, f64),
    /// Lowest and highest temperature of the table, °C.
    pub temperature_range_c: (f64, f64),
}

impl OutOfTable {
    /// True when a table reaching higher temperatures is needed, false when one reaching lower.
    pub fn needs_hotter_table(&self) -> bool {
        match self.quantity {
            Quantity::Diameter => self.asked < self.low,
            Quantity::Temperature => self.asked > self.high,
        }
    }
}

impl fmt::Display for OutOfTable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.asked.is_finite() {
            return write!(
                f,
                "the {} is not a number; measure the ring again and enter it in mm",
                self.quantity.word()
            );
        }
        let asked = match self.quantity {
            Quantity::Diameter => format!("{} mm", millimetres(self.asked)),
            Quantity::Temperature => format!("{} °C", degrees(self.asked)),
        };
        let (small, large) = self.diameter_range_mm;
        let (cold, hot) = self.temperature_range_c;
        let need = if self.needs_hotter_table() {
            format!("above {}", degrees(hot))
        } else {
            format!("below {}", degrees(cold))
        };
        write!(
            f,
            "{asked} is outside this table ({} to {} mm, {} to {} °C); a ring batch whose table \
             reaches {need} °C is needed",
            millimetres(small),
            millimetres(large),
            degrees(cold),
            degrees(hot),
        )
    }
}

impl std::error::Error for OutOfTable {}

/// Everything wrong with a proposed table, in row order.
#[derive(Debug, Clone, PartialEq)]
pub struct TableFaults(pub Vec<TableFault>);

impl fmt::Display for TableFaults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, fault) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for TableFaults {}

/// One thing wrong with a proposed table.
///
/// `row` is the line of the file, counted from 1, when the table was read from one; else the number
/// of the entry, counted from 1.
#[derive(Debug, Clone, PartialEq)]
pub enum TableFault {
    /// A diameter or temperature is infinite or not a number.
    NotFinite {
        /// Where.
        row: usize,
    },
    /// Fewer than three entries.
    TooFewEntries {
        /// How many there are.
        count: usize,
    },
    /// More than two thousand entries.
    TooManyEntries {
        /// How many there are.
        count: usize,
    },
    /// The same diameter twice.
    DuplicateDiameter {
        /// The later of the two.
        row: usize,
        /// The diameter, mm.
        diameter_mm: f64,
    },
    /// A larger diameter that is not colder than the next smaller one.
    NotMonotone {
        /// The entry with the larger diameter.
        row: usize,
        /// Its diameter, mm.
        diameter_mm: f64,
        /// Its temperature, °C.
        temperature_c: f64,
        /// Temperature of the next smaller diameter, °C.
        before_c: f64,
    },
    /// A value no dental test ring has.
    OutOfPlausibleRange {
        /// The first such entry.
        row: usize,
        /// How many further entries have the same fault.
        others: usize,
        /// Which column.
        quantity: Quantity,
        /// The value, in mm or °C as read.
        value: f64,
        /// True when the value would be plausible in inches or °F.
        other_unit_fits: bool,
    },
    /// A stretch that is steeper or flatter than any ring is.
    ImplausibleSlope {
        /// The entry where the stretch begins.
        row: usize,
        /// The slope found, °C/mm.
        slope_c_per_mm: f64,
    },
    /// A hole in an otherwise regular grid of diameters.
    MissingStep {
        /// The last entry before the hole.
        row: usize,
        /// The diameters that are missing, mm.
        missing_mm: Vec<f64>,
    },
    /// An entry that breaks an otherwise smooth table.
    OutlyingEntry {
        /// Where.
        row: usize,
        /// Its diameter, mm.
        diameter_mm: f64,
        /// Its temperature, °C.
        temperature_c: f64,
        /// What its neighbours lead one to expect there, °C.
        expected_c: f64,
    },
    /// A hold that is not between 0 and 1440 min.
    HoldOutOfRange {
        /// The hold, min.
        hold_min: f64,
    },
    /// The file is not UTF-8 text.
    InvalidUtf8 {
        /// The first byte that cannot be read, counted from 1.
        byte: usize,
    },
    /// The file is larger than 1 MiB.
    TooLarge {
        /// Its size.
        bytes: usize,
    },
    /// No line names the columns, or one of the two columns is not named.
    NoHeader {
        /// The line where the header was looked for; none in an empty file.
        row: Option<usize>,
        /// The column that was not found; none when neither was.
        missing: Option<Quantity>,
    },
    /// Several columns could be the one wanted.
    ColumnNotClear {
        /// The header's line.
        row: usize,
        /// Which column.
        quantity: Quantity,
    },
    /// The header names a column without a unit that is known here.
    UnitNotStated {
        /// The header's line.
        row: usize,
        /// Which column.
        quantity: Quantity,
        /// The header as written.
        column: String,
    },
    /// A field that should be a number is not.
    NotANumber {
        /// Where.
        row: usize,
        /// The field as written.
        text: String,
    },
    /// Decimal commas and decimal points in one file.
    MixedDecimalMarks {
        /// The first row that differs from those before it.
        row: usize,
        /// The number as written.
        text: String,
    },
    /// A comma that may be a decimal mark or a separator.
    DecimalCommaNotClear {
        /// The first such row.
        row: usize,
    },
    /// A row with more or fewer fields than the header.
    UnevenRow {
        /// Where.
        row: usize,
        /// How many fields it has.
        fields: usize,
        /// How many the header has.
        expected: usize,
    },
}

impl TableFault {
    /// Line of the file, or number of the entry, counted from 1; none when the fault is of the whole.
    pub fn row(&self) -> Option<usize> {
        match self {
            TableFault::NotFinite { row }
            | TableFault::DuplicateDiameter { row, .. }
            | TableFault::NotMonotone { row, .. }
            | TableFault::OutOfPlausibleRange { row, .. }
            | TableFault::ImplausibleSlope { row, .. }
            | TableFault::MissingStep { row, .. }
            | TableFault::OutlyingEntry { row, .. }
            | TableFault::ColumnNotClear { row, .. }
            | TableFault::UnitNotStated { row, .. }
            | TableFault::NotANumber { row, .. }
            | TableFault::MixedDecimalMarks { row, .. }
            | TableFault::DecimalCommaNotClear { row }
            | TableFault::UnevenRow { row, .. } => Some(*row),
            TableFault::NoHeader { row, .. } => *row,
            TableFault::TooFewEntries { .. }
            | TableFault::TooManyEntries { .. }
            | TableFault::HoldOutOfRange { .. }
            | TableFault::InvalidUtf8 { .. }
            | TableFault::TooLarge { .. } => None,
        }
    }

    /// A word for programs, stable across releases.
    pub fn reason(&self) -> &'static str {
        match self {
            TableFault::NotFinite { .. } => "NOT_FINITE",
            TableFault::TooFewEntries { .. } => "TOO_FEW_ENTRIES",
            TableFault::TooManyEntries { .. } => "TOO_MANY_ENTRIES",
            TableFault::DuplicateDiameter { .. } => "DUPLICATE_DIAMETER",
            TableFault::NotMonotone { .. } => "NOT_MONOTONE",
            TableFault::OutOfPlausibleRange { .. } => "OUT_OF_PLAUSIBLE_RANGE",
            TableFault::ImplausibleSlope { .. } => "IMPLAUSIBLE_SLOPE",
            TableFault::MissingStep { .. } => "MISSING_STEP",
            TableFault::OutlyingEntry { .. } => "OUTLYING_ENTRY",
            TableFault::HoldOutOfRange { .. } => "HOLD_OUT_OF_RANGE",
            TableFault::InvalidUtf8 { .. } => "INVALID_UTF8",
            TableFault::TooLarge { .. } => "TOO_LARGE",
            TableFault::NoHeader { .. } => "NO_HEADER",
            TableFault::ColumnNotClear { .. } => "COLUMN_NOT_CLEAR",
            TableFault::UnitNotStated { .. } => "UNIT_NOT_STATED",
            TableFault::NotANumber { .. } => "NOT_A_NUMBER",
            TableFault::MixedDecimalMarks { .. } => "MIXED_DECIMAL_MARKS",
            TableFault::DecimalCommaNotClear { .. } => "DECIMAL_COMMA_NOT_CLEAR",
            TableFault::UnevenRow { .. } => "UNEVEN_ROW",
        }
    }
}

impl fmt::Display for TableFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(row) = self.row() {
            write!(f, "Row {row}: ")?;
        }
        match self {
            TableFault::NotFinite { .. } => {
                f.write_str("the diameter or temperature is not a number; enter both as numbers.")
            }
            TableFault::TooFewEntries { count } => {
                write!(
                    f,
                    "The table needs at least 3 entries and has {count}; add the missing ones."
                )
            }
            TableFault::TooManyEntries { count } => write!(
                f,
                "The table has {count} entries; enter at most {MOST_ENTRIES}, for example by \
                 leaving out every other step."
            ),
            TableFault::DuplicateDiameter { diameter_mm, .. } => write!(
                f,
                "{} mm is in the table twice; compare with the printed table and keep the right row.",
                millimetres(*diameter_mm)
            ),
            TableFault::NotMonotone {
                diameter_mm,
                temperature_c,
                before_c,
                ..
            } => write!(
                f,
                "{} °C at {} mm does not lie below the {} °C of the next smaller diameter; a larger \
                 ring was colder, so compare both rows with the printed table.",
                degrees(*temperature_c),
                millimetres(*diameter_mm),
                degrees(*before_c)
            ),
            TableFault::OutOfPlausibleRange {
                others,
                quantity,
                value,
                other_unit_fits,
                ..
            } => implausible(f, *others, *quantity, *value, *other_unit_fits),
            TableFault::ImplausibleSlope { slope_c_per_mm, .. } => write!(
                f,
                "the table changes by {:.0} °C per mm from here, outside {:.0} to {:.0} °C per mm; \
                 compare this row and the next with the printed table.",
                slope_c_per_mm.abs(),
                SLOPE_RANGE_C_PER_MM.0,
                SLOPE_RANGE_C_PER_MM.1
            ),
            TableFault::MissingStep { missing_mm, .. } => missing(f, missing_mm),
            TableFault::OutlyingEntry {
                diameter_mm,
                temperature_c,
                expected_c,
                ..
            } => write!(
                f,
                "{} °C at {} mm breaks an otherwise smooth table, about {:.0} °C is expected there; \
                 compare the row with the printed table.",
                degrees(*temperature_c),
                millimetres(*diameter_mm),
                expected_c
            ),
            TableFault::HoldOutOfRange { hold_min } => write!(
                f,
                "A hold of {hold_min} min is not possible; enter the hold the table was issued for, \
                 above 0 and at most 1440 min."
            ),
            file_fault => in_file(f, file_fault),
        }
    }
}

fn implausible(
    f: &mut fmt::Formatter<'_>,
    others: usize,
    quantity: Quantity,
    value: f64,
    other_unit_fits: bool,
) -> fmt::Result {
    let (low, high) = match quantity {
        Quantity::Diameter => DIAMETER_RANGE_MM,
        Quantity::Temperature => TEMPERATURE_RANGE_C,
    };
    write!(
        f,
        "{value} {unit} is not a plausible ring {word} ({low:.0} to {high:.0} {unit})",
        unit = quantity.unit(),
        word = quantity.word()
    )?;
    match others {
        0 => {}
        1 => f.write_str(", nor is another row")?,
        _ => write!(f, ", nor are {others} other rows")?,
    }
    match (other_unit_fits, quantity) {
        (true, Quantity::Diameter) => {
            f.write_str("; are these inches? State the unit and send the table again.")
        }
        (true, Quantity::Temperature) => {
            f.write_str("; are these °F? State the unit and send the table again.")
        }
        (false, _) => f.write_str("; compare with the printed table."),
    }
}

fn missing(f: &mut fmt::Formatter<'_>, missing_mm: &[f64]) -> fmt::Result {
    const NAMED: usize = 5;
    f.write_str("after this row the table skips ")?;
    for (i, diameter_mm) in missing_mm.iter().take(NAMED).enumerate() {
        if i > 0 {
            f.write_str(", ")?;
        }
        f.write_str(&millimetres(*diameter_mm))?;
    }
    f.write_str(" mm")?;
    if missing_mm.len() > NAMED {
        write!(f, " and {} more", missing_mm.len() - NAMED)?;
    }
    f.write_str("; add what the printed table says there.")
}

/// Words for the faults only a file can have.
fn in_file(f: &mut fmt::Formatter<'_>, fault: &TableFault) -> fmt::Result {
    match fault {
        TableFault::InvalidUtf8 { byte } => write!(
            f,
            "The file is not UTF-8 text (byte {byte} cannot be read); save it as CSV in UTF-8."
        ),
        TableFault::TooLarge { bytes } => write!(
            f,
            "The file has {bytes} bytes, more than 1 MiB; send only the diameter and temperature \
             columns of one table."
        ),
        TableFault::NoHeader { missing: None, .. } => f.write_str(
            "no header names the columns; begin the file with a line such as \
             \"diameter mm;temperature °C\".",
        ),
        TableFault::NoHeader {
            missing: Some(quantity),
            ..
        } => write!(
            f,
            "the header names no {} column; name it with its unit ({}).",
            quantity.word(),
            quantity.units_accepted()
        ),
        TableFault::ColumnNotClear { quantity, .. } => write!(
            f,
            "several columns could be the {}; keep only the fired outside diameter and its \
             temperature.",
            quantity.word()
        ),
        TableFault::UnitNotStated {
            quantity, column, ..
        } => write!(
            f,
            "the column \"{column}\" does not state its unit; write {} into the header.",
            quantity.units_accepted()
        ),
        TableFault::NotANumber { text, .. } => write!(
            f,
            "\"{text}\" is not a number; write digits with one decimal mark and no unit."
        ),
        TableFault::MixedDecimalMarks { text, .. } => write!(
            f,
            "\"{text}\" has another decimal mark than the rows before; use points only or commas \
             only."
        ),
        TableFault::DecimalCommaNotClear { .. } => f.write_str(
            "a comma here may separate columns or decimals; save the file with semicolons between \
             the columns.",
        ),
        TableFault::UnevenRow {
            fields, expected, ..
        } => write!(
            f,
            "this row has {fields} fields where the header has {expected}; complete the row."
        ),
        _ => f.write_str(fault.reason()),
    }
}

/// At least two decimals, as a gauge shows them, and no more than needed.
fn millimetres(value: f64) -> String {
    let mut text = format!("{value:.4}");
    for _ in 0..2 {
        if text.ends_with('0') {
            text.truncate(text.len() - 1);
        }
    }
    text
}

/// Whole degrees where they are whole, else one decimal.
fn degrees(value: f64) -> String {
    let text = format!("{value:.1}");
    match text.strip_suffix(".0") {
        Some(whole) => whole.to_owned(),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outside(quantity: Quantity, asked: f64) -> OutOfTable {
        let (low, high) = match quantity {
            Quantity::Diameter => (19.2, 20.0),
            Quantity::Temperature => (1383.0, 1570.0),
        };
        OutOfTable {
            quantity,
            asked,
            low,
            high,
            diameter_range_mm: (19.2, 20.0),
            temperature_range_c: (1383.0, 1570.0),
        }
    }

    #[test]
    fn a_small_ring_asks_for_a_hotter_table() {
        assert_eq!(
            outside(Quantity::Diameter, 19.12).to_string(),
            "19.12 mm is outside this table (19.20 to 20.00 mm, 1383 to 1570 °C); a ring batch \
             whose table reaches above 1570 °C is needed"
        );
    }

    #[test]
    fn a_cold_temperature_asks_for_a_colder_table() {
        assert_eq!(
            outside(Quantity::Temperature, 1350.5).to_string(),
            "1350.5 °C is outside this table (19.20 to 20.00 mm, 1383 to 1570 °C); a ring batch \
             whose table reaches below 1383 °C is needed"
        );
    }

    #[test]
    fn what_is_no_number_is_asked_for_again() {
        let words = outside(Quantity::Diameter, f64::NAN).to_string();
        assert!(words.contains("not a number"), "{words}");
    }

    #[test]
    fn lengths_are_written_as_a_gauge_shows_them() {
        assert_eq!(millimetres(19.2), "19.20");
        assert_eq!(millimetres(20.0), "20.00");
        assert_eq!(millimetres(19.123), "19.123");
        assert_eq!(millimetres(19.4685), "19.4685");
        assert_eq!(millimetres(5.0), "5.00");
    }

    #[test]
    fn faults_are_told_one_a_line_with_their_row() {
        let faults = TableFaults(vec![
            TableFault::TooFewEntries { count: 1 },
            TableFault::DuplicateDiameter {
                row: 7,
                diameter_mm: 19.47,
            },
        ]);
        assert_eq!(
            faults.to_string(),
            "The table needs at least 3 entries and has 1; add the missing ones.\nRow 7: 19.47 mm is in \
             the table twice; compare with the printed table and keep the right row."
        );
    }

    #[test]
    fn a_long_hole_names_its_first_diameters_and_counts_the_rest() {
        let missing_mm = vec![19.41, 19.42, 19.43, 19.44, 19.45, 19.46, 19.47];
        let words = TableFault::MissingStep { row: 3, missing_mm }.to_string();
        assert_eq!(
            words,
            "Row 3: after this row the table skips 19.41, 19.42, 19.43, 19.44, 19.45 mm and 2 more; \
             add what the printed table says there."
        );
    }
}
