//! Ring tables as delimited text: what spreadsheets of several countries write, read without
//! guessing.
//!
//! Fields may be separated by semicolons, tabs or commas and quoted as in RFC 4180; decimal marks
//! may be points or commas; columns may stand in any order beside others. What cannot be told apart
//! for certain (a missing unit, a comma that may be either mark) is asked for, never assumed.

mod header;

use std::fmt::Write as _;

use super::screening::{self, Row};
use super::{Entry, RingTable, TableFault, TableFaults};
use header::Columns;

/// Largest file read, bytes.
pub const LARGEST_BYTES: usize = 1024 * 1024;
/// Longest piece of a field shown back in a fault.
const SHOWN_CHARACTERS: usize = 40;
/// Millimetres in an inch, exact by definition.
const MILLIMETRES_PER_INCH: f64 = 25.4;

/// Unit of the diameter column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LengthUnit {
    /// mm.
    Millimetre,
    /// Inch, 25.4 mm.
    Inch,
}

/// Unit of the temperature column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TemperatureUnit {
    /// °C.
    Celsius,
    /// °F.
    Fahrenheit,
}

/// One line of fields.
#[derive(Debug)]
struct Record {
    /// Line of the file it begins on, counted from 1.
    line: usize,
    fields: Vec<String>,
}

impl Record {
    fn is_blank(&self) -> bool {
        self.fields.iter().all(|field| field.trim().is_empty())
    }
}

/// Reads a table for a hold in minutes from UTF-8 text whose header states both units.
///
/// Inches and °F become mm and °C, rounded to a millionth. Fails with every fault found, each with
/// the line of the file.
pub fn parse(content: &[u8], hold_min: f64) -> Result<RingTable, TableFaults> {
    let text = text(content).map_err(|fault| TableFaults(vec![fault]))?;
    let separator = separator(text);
    let records = records(text, separator);
    let Some((header, body)) = records.split_first() else {
        return Err(TableFaults(vec![TableFault::NoHeader {
            row: None,
            missing: None,
        }]));
    };
    let columns = header::columns(header.line, &header.fields).map_err(TableFaults)?;
    let width = width(&header.fields);
    let (rows, mut faults) = rows(body, separator, width, columns);
    if faults.is_empty() {
        return RingTable::from_rows(hold_min, rows);
    }
    faults.append(&mut screening::faults(hold_min, &rows, false));
    faults.sort_by_key(TableFault::row);
    Err(TableFaults(faults))
}

/// Writes a table as the canonical text: `diameter_mm,temperature_c`, points for decimals, one entry
/// a line. Reading it back gives the same table exactly.
pub fn print(table: &RingTable) -> String {
    let mut text = String::from("diameter_mm,temperature_c\n");
    for entry in table.entries() {
        // Writing to a String cannot fail. Rust prints the shortest digits that read back exactly.
        let _written = writeln!(text, "{},{}", entry.diameter_mm, entry.temperature_c);
    }
    text
}

fn text(content: &[u8]) -> Result<&str, TableFault> {
    if content.len() > LARGEST_BYTES {
        return Err(TableFault::TooLarge {
            bytes: content.len(),
        });
    }
    let text = std::str::from_utf8(content).map_err(|error| TableFault::InvalidUtf8 {
        byte: error.valid_up_to() + 1,
    })?;
    Ok(text.strip_prefix('\u{feff}').unwrap_or(text))
}

/// The separator of the header line: a semicolon or tab wins, since a comma may be a decimal mark.
fn separator(text: &str) -> char {
    let header = text
        .lines()
        .find(|line| !line.trim().is_empty())
        .unwrap_or("");
    let mut quoted = false;
    let mut tab = false;
    for character in header.chars() {
        match character {
            '"' => quoted = !quoted,
            ';' if !quoted => return ';',
            '\t' if !quoted => tab = true,
            _ => {}
        }
    }
    if tab { '\t' } else { ',' }
}

/// Splits text into records by RFC 4180, without those that are blank. A quote inside an unquoted
/// field is a plain character: it is also the sign for inches.
fn records(text: &str, separator: char) -> Vec<Record> {
    let mut found = Vec::new();
    let mut record = Record {
        line: 1,
        fields: Vec::new(),
    };
    let mut field = String::new();
    let mut quoted = false;
    let mut line = 1;
    let mut characters = text.chars().peekable();
    while let Some(character) = characters.next() {
        if quoted {
            if character == '"' && characters.peek() == Some(&'"') {
                field.push('"');
                characters.next();
            } else if character == '"' {
                quoted = false;
            } else {
                field.push(character);
                line += usize::from(character == '\n');
            }
        } else if character == '"' && field.trim().is_empty() {
            field.clear();
            quoted = true;
        } else if character == separator {
            record.fields.push(std::mem::take(&mut field));
        } else if character == '\n' || character == '\r' {
            if character == '\r' && characters.peek() == Some(&'\n') {
                characters.next();
            }
            line += 1;
            record.fields.push(std::mem::take(&mut field));
            let next = Record {
                line,
                fields: Vec::new(),
            };
            let ended = std::mem::replace(&mut record, next);
            if !ended.is_blank() {
                found.push(ended);
            }
        } else {
            field.push(character);
        }
    }
    record.fields.push(field);
    if !record.is_blank() {
        found.push(record);
    }
    found
}

/// Number of fields without empty ones at the end, which spreadsheets like to add.
fn width(fields: &[String]) -> usize {
    fields
        .iter()
        .rposition(|field| !field.trim().is_empty())
        .map_or(0, |last| last + 1)
}

fn rows(
    body: &[Record],
    separator: char,
    header_width: usize,
    columns: Columns,
) -> (Vec<Row>, Vec<TableFault>) {
    let mut rows = Vec::with_capacity(body.len());
    let mut faults = Vec::new();
    let mut mark = None;
    let mut comma_told = false;
    for record in body {
        let row = record.line;
        let needed = columns.diameter.max(columns.temperature) + 1;
        let fields = width(&record.fields);
        if separator == ',' && fields > header_width && all_whole_numbers(&record.fields) {
            if !comma_told {
                faults.push(TableFault::DecimalCommaNotClear { row });
                comma_told = true;
            }
            continue;
        }
        if fields > header_width || fields < needed {
            faults.push(TableFault::UnevenRow {
                row,
                fields,
                expected: header_width,
            });
            continue;
        }
        let diameter = number(&record.fields[columns.diameter], row, &mut mark);
        let temperature = number(&record.fields[columns.temperature], row, &mut mark);
        match (diameter, temperature) {
            (Ok(diameter), Ok(temperature)) => {
                let entry = Entry {
                    diameter_mm: in_millimetres(diameter, columns.length_unit),
                    temperature_c: in_celsius(temperature, columns.temperature_unit),
                };
                rows.push(Row { number: row, entry });
            }
            (first, second) => {
                faults.extend(first.err());
                faults.extend(second.err());
            }
        }
    }
    (rows, faults)
}

fn all_whole_numbers(fields: &[String]) -> bool {
    fields
        .iter()
        .all(|field| field.trim().chars().all(|c| c.is_ascii_digit()))
}

/// Reads digits with at most one decimal mark, which must be the one seen before.
fn number(field: &str, row: usize, mark: &mut Option<char>) -> Result<f64, TableFault> {
    let digits = field.trim();
    let unsigned = digits.strip_prefix(['+', '-']).unwrap_or(digits);
    let marks = unsigned.chars().filter(|c| !c.is_ascii_digit()).count();
    let found = unsigned.chars().find(|c| !c.is_ascii_digit());
    let plain = !unsigned.is_empty() && marks <= 1 && matches!(found, None | Some('.' | ','));
    if !plain {
        return Err(TableFault::NotANumber {
            row,
            text: shown(digits),
        });
    }
    if found.is_some() {
        if mark.is_some_and(|earlier| Some(earlier) != found) {
            return Err(TableFault::MixedDecimalMarks {
                row,
                text: shown(digits),
            });
        }
        *mark = found;
    }
    let value = digits.replace(',', ".").parse::<f64>();
    value.map_err(|_| TableFault::NotANumber {
        row,
        text: shown(digits),
    })
}

fn shown(text: &str) -> String {
    text.chars().take(SHOWN_CHARACTERS).collect()
}

fn in_millimetres(value: f64, unit: LengthUnit) -> f64 {
    match unit {
        LengthUnit::Millimetre => value,
        LengthUnit::Inch => to_a_millionth(value * MILLIMETRES_PER_INCH),
    }
}

fn in_celsius(value: f64, unit: TemperatureUnit) -> f64 {
    match unit {
        TemperatureUnit::Celsius => value,
        TemperatureUnit::Fahrenheit => to_a_millionth((value - 32.0) / 1.8),
    }
}

/// Conversion leaves digits no one wrote; a millionth is far below any gauge or table.
fn to_a_millionth(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

#[cfg(test)]
mod tests;
