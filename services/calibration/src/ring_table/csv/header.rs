//! Which columns of a file hold the diameter and the temperature, and in which units.

use super::super::{Quantity, TableFault};
use super::{LengthUnit, SHOWN_CHARACTERS, TemperatureUnit};

/// Where the two columns are and what they are in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Columns {
    pub(super) diameter: usize,
    pub(super) length_unit: LengthUnit,
    pub(super) temperature: usize,
    pub(super) temperature_unit: TemperatureUnit,
}

const LENGTH_WORDS: [&str; 9] = [
    "diameter",
    "diameters",
    "dia",
    "diam",
    "ø",
    "durchmesser",
    "ringdurchmesser",
    "diamètre",
    "diametre",
];
const TEMPERATURE_WORDS: [&str; 8] = [
    "temperature",
    "temperatures",
    "temp",
    "temperatur",
    "ringtemperatur",
    "brenntemperatur",
    "température",
    "sintertemperatur",
];
const MILLIMETRE_WORDS: [&str; 7] = [
    "mm",
    "millimetre",
    "millimetres",
    "millimeter",
    "millimeters",
    "millimètre",
    "millimètres",
];
const INCH_WORDS: [&str; 6] = ["inch", "inches", "zoll", "pouce", "pouces", "\""];
const CELSIUS_WORDS: [&str; 5] = ["c", "°c", "ºc", "degc", "celsius"];
const FAHRENHEIT_WORDS: [&str; 5] = ["f", "°f", "ºf", "degf", "fahrenheit"];

/// What one header cell says.
#[derive(Debug, Default)]
struct Cell {
    length_word: bool,
    temperature_word: bool,
    millimetre: bool,
    inch: bool,
    celsius: bool,
    fahrenheit: bool,
}

impl Cell {
    fn read(header: &str) -> Cell {
        let words = words(header);
        let mut cell = Cell::default();
        for (i, word) in words.iter().enumerate() {
            let word = word.as_str();
            cell.length_word |= LENGTH_WORDS.contains(&word);
            cell.temperature_word |= TEMPERATURE_WORDS.contains(&word);
            cell.millimetre |= MILLIMETRE_WORDS.contains(&word);
            cell.celsius |= CELSIUS_WORDS.contains(&word);
            cell.fahrenheit |= FAHRENHEIT_WORDS.contains(&word);
            // "Durchmesser in mm" and "Temperatur in °C": "in" is an inch only where no unit follows.
            let inch_sign = word == "in" && i + 1 == words.len();
            cell.inch |= INCH_WORDS.contains(&word) || inch_sign;
        }
        cell
    }

    /// Words outrank units: "ring temperature, 16 mm ring, °C" is a temperature.
    fn quantity(&self) -> Option<Quantity> {
        match (self.length_word, self.temperature_word) {
            (true, false) => return Some(Quantity::Diameter),
            (false, true) => return Some(Quantity::Temperature),
            (true, true) => return None,
            (false, false) => {}
        }
        let length = self.millimetre || self.inch;
        let temperature = self.celsius || self.fahrenheit;
        match (length, temperature) {
            (true, false) => Some(Quantity::Diameter),
            (false, true) => Some(Quantity::Temperature),
            _ => None,
        }
    }

    fn length_unit(&self) -> Option<LengthUnit> {
        match (self.millimetre, self.inch) {
            (true, false) => Some(LengthUnit::Millimetre),
            (false, true) => Some(LengthUnit::Inch),
            _ => None,
        }
    }

    fn temperature_unit(&self) -> Option<TemperatureUnit> {
        match (self.celsius, self.fahrenheit) {
            (true, false) => Some(TemperatureUnit::Celsius),
            (false, true) => Some(TemperatureUnit::Fahrenheit),
            _ => None,
        }
    }
}

/// Lower-case words of a header; signs for degree, inch and diameter count as letters.
fn words(header: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut word = String::new();
    // "° C" is written too.
    let header = header
        .to_lowercase()
        .replace("° ", "°")
        .replace("deg ", "deg")
        .replace("deg. ", "deg");
    for character in header.chars() {
        if character.is_alphanumeric() || matches!(character, '°' | 'º') {
            word.push(character);
            continue;
        }
        if !word.is_empty() {
            found.push(std::mem::take(&mut word));
        }
        if character == '"' {
            found.push(String::from("\""));
        }
    }
    if !word.is_empty() {
        found.push(word);
    }
    found
}

/// Finds both columns of the header on a line, or everything that is wrong with it.
pub(super) fn columns(line: usize, fields: &[String]) -> Result<Columns, Vec<TableFault>> {
    let cells: Vec<Cell> = fields.iter().map(|field| Cell::read(field)).collect();
    let mut diameters = Vec::new();
    let mut temperatures = Vec::new();
    for (i, cell) in cells.iter().enumerate() {
        match cell.quantity() {
            Some(Quantity::Diameter) => diameters.push((i, cell.length_unit())),
            Some(Quantity::Temperature) => temperatures.push((i, cell.temperature_unit())),
            None => {}
        }
    }
    if diameters.is_empty() && temperatures.is_empty() {
        return Err(vec![TableFault::NoHeader {
            row: Some(line),
            missing: None,
        }]);
    }
    let diameter = chosen(
        line,
        fields,
        Quantity::Diameter,
        &diameters,
        LengthUnit::Millimetre,
    );
    let temperature = chosen(
        line,
        fields,
        Quantity::Temperature,
        &temperatures,
        TemperatureUnit::Celsius,
    );
    match (diameter, temperature) {
        (Ok((diameter, length_unit)), Ok((temperature, temperature_unit))) => Ok(Columns {
            diameter,
            length_unit,
            temperature,
            temperature_unit,
        }),
        (first, second) => Err(first.err().into_iter().chain(second.err()).collect()),
    }
}

/// The one column for a quantity. A file that gives it in two units is read in the metric one.
fn chosen<U: Copy + PartialEq>(
    line: usize,
    fields: &[String],
    quantity: Quantity,
    candidates: &[(usize, Option<U>)],
    metric: U,
) -> Result<(usize, U), TableFault> {
    match candidates {
        [] => Err(TableFault::NoHeader {
            row: Some(line),
            missing: Some(quantity),
        }),
        [(at, Some(unit))] => Ok((*at, *unit)),
        [(at, None)] => {
            let column = fields[*at].trim().chars().take(SHOWN_CHARACTERS).collect();
            Err(TableFault::UnitNotStated {
                row: line,
                quantity,
                column,
            })
        }
        several => {
            let mut in_metric = several.iter().filter(|(_, unit)| *unit == Some(metric));
            let all_stated = several.iter().all(|(_, unit)| unit.is_some());
            match (in_metric.next(), in_metric.next(), all_stated) {
                (Some((at, _)), None, true) => Ok((*at, metric)),
                _ => Err(TableFault::ColumnNotClear {
                    row: line,
                    quantity,
                }),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(header: &str) -> Result<Columns, Vec<TableFault>> {
        let fields: Vec<String> = header.split('|').map(str::to_owned).collect();
        columns(1, &fields)
    }

    fn reasons(header: &str) -> Vec<&'static str> {
        match read(header) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.iter().map(TableFault::reason).collect(),
        }
    }

    const METRIC: Columns = Columns {
        diameter: 0,
        length_unit: LengthUnit::Millimetre,
        temperature: 1,
        temperature_unit: TemperatureUnit::Celsius,
    };

    #[test]
    fn headers_of_three_languages_are_understood() {
        for header in [
            "diameter_mm|temperature_c",
            "Diameter (mm)|Temperature (°C)",
            "Durchmesser in mm|Temperatur in °C",
            "Ringdurchmesser [mm]|Temp. [° C]",
            "diamètre mm|température °C",
            "Ø mm|deg C",
            "mm|°C",
            "millimetres|Celsius",
        ] {
            assert_eq!(read(header), Ok(METRIC), "{header}");
        }
    }

    #[test]
    fn inches_and_fahrenheit_are_seen() {
        for header in [
            "diameter in|temp F",
            "Durchmesser Zoll|Temperatur °F",
            "dia \"|°F",
        ] {
            let columns = read(header).expect("both units are stated");
            assert_eq!(columns.length_unit, LengthUnit::Inch, "{header}");
            assert_eq!(
                columns.temperature_unit,
                TemperatureUnit::Fahrenheit,
                "{header}"
            );
        }
    }

    #[test]
    fn order_and_further_columns_do_not_matter() {
        let columns = read("note|Temperature °C|lot|fired diameter mm").expect("both are there");
        assert_eq!((columns.diameter, columns.temperature), (3, 1));
    }

    #[test]
    fn a_quantity_in_two_units_is_read_in_the_metric_one() {
        let columns = read("dia in|dia mm|temp F|temp C").expect("one of each is metric");
        assert_eq!((columns.diameter, columns.temperature), (1, 3));
    }

    #[test]
    fn a_missing_or_unknown_unit_is_asked_for() {
        assert_eq!(
            reasons("diameter|temperature"),
            ["UNIT_NOT_STATED", "UNIT_NOT_STATED"]
        );
        assert_eq!(reasons("diameter in cm|temp C"), ["UNIT_NOT_STATED"]);
        assert_eq!(reasons("diameter mm inch|temp C"), ["UNIT_NOT_STATED"]);
        assert_eq!(reasons("diameter mm|temp K"), ["UNIT_NOT_STATED"]);
    }

    #[test]
    fn a_missing_column_or_header_is_told() {
        assert_eq!(reasons("19.47|1519"), ["NO_HEADER"]);
        assert_eq!(reasons("diameter mm|x"), ["NO_HEADER"]);
        assert_eq!(reasons("x|temp C"), ["NO_HEADER"]);
    }

    #[test]
    fn two_columns_of_one_kind_are_not_chosen_between() {
        assert_eq!(
            reasons("inner diameter mm|outer diameter mm|temp C"),
            ["COLUMN_NOT_CLEAR"]
        );
        assert_eq!(
            reasons("inner diameter|outer diameter mm|temp C"),
            ["COLUMN_NOT_CLEAR"]
        );
    }
}
