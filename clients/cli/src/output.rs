//! Tables and cards for people, canonical protobuf JSON for programs.

use std::sync::OnceLock;

use comfy_table::{ColumnConstraint, ContentArrangement, Table, Width, presets};
use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage, SerializeOptions};

use crate::failure::Stop;

/// Longest id that has a column of its own; ids made up by the server are longer.
const SHORT_ID: usize = 20;

/// Narrower than this, characters, a table that does not fit is drawn row by row.
const NARROW: u16 = 60;

/// A longer cell is a sentence, characters; shorter ones are figures and names.
const LONGEST_FIGURE: usize = 40;

/// Narrower than this, characters, a column of sentences is hard to read.
const READABLE: usize = 24;

/// Characters between columns.
const GAP: usize = 2;

/// Draws a table: a heading row, then one row each, columns two spaces apart. Long ids in a last column
/// `id` stand below the first column: beside everything else they would leave no room, and broken over
/// two lines nobody could copy them. No word is broken, and figures beside sentences stay whole. Where
/// there is no room for that, each row becomes a block of names and values.
pub(crate) fn table(headings: &[&str], rows: &[Vec<String>], columns: u16) -> String {
    if columns < NARROW && natural_width(headings, rows) > usize::from(columns) {
        return blocks(headings, rows, columns);
    }
    // The gap behind the last column is trimmed.
    let mut table = bare(columns.saturating_add(2));
    let mut heads: Vec<String> = headings.iter().map(|head| head.to_uppercase()).collect();
    let last = headings.len().saturating_sub(1);
    let is_long = |row: &Vec<String>| row.get(last).is_some_and(|id| id.len() > SHORT_ID);
    let below = last > 0 && heads[last] == "ID" && rows.iter().any(is_long);
    if below {
        heads.truncate(last);
        heads[0].push_str(", ID");
    }
    let mut drawn = Vec::with_capacity(rows.len());
    for row in rows {
        let mut cells = row.clone();
        if below && let Some(id) = cells.pop() {
            cells[0] = format!("{}\n{id}", cells[0]);
        }
        drawn.push(cells);
    }
    let least = least_widths(&heads, &drawn);
    let gaps = GAP * least.len().saturating_sub(1);
    if least.iter().sum::<usize>() + gaps > usize::from(columns) {
        return blocks(headings, rows, columns);
    }
    table.set_header(heads);
    table.add_rows(drawn);
    for (column, least) in table.column_iter_mut().zip(&least) {
        let width = u16::try_from(least + GAP).unwrap_or(u16::MAX);
        column.set_constraint(ColumnConstraint::LowerBoundary(Width::Fixed(width)));
    }
    if below && let Some(first) = table.column_mut(0) {
        first.set_constraint(ColumnConstraint::ContentWidth);
    }
    spaced(&mut table)
}

/// Width below which each column would be hard to read, characters: its longest word; beside sentences
/// the longest line of figures, and enough for the sentences.
fn least_widths(heads: &[String], rows: &[Vec<String>]) -> Vec<usize> {
    let wide = |text: &str| text.chars().count();
    let mut widths = Vec::with_capacity(heads.len());
    for (place, head) in heads.iter().enumerate() {
        let mut word = head.split_whitespace().map(wide).max().unwrap_or(0);
        let mut line = wide(head);
        for cell in rows.iter().filter_map(|row| row.get(place)) {
            word = word.max(cell.split_whitespace().map(wide).max().unwrap_or(0));
            line = line.max(cell.lines().map(wide).max().unwrap_or(0));
        }
        widths.push((word, line));
    }
    let sentences = widths.iter().any(|(_, line)| *line > LONGEST_FIGURE);
    let mut least = Vec::with_capacity(widths.len());
    for (word, line) in widths {
        least.push(match (sentences, line > LONGEST_FIGURE) {
            (true, true) => word.max(READABLE),
            (true, false) => line,
            (false, _) => word,
        });
    }
    least
}

/// Width of a table that breaks no cell, characters.
fn natural_width(headings: &[&str], rows: &[Vec<String>]) -> usize {
    let mut width = 0;
    for (place, heading) in headings.iter().enumerate() {
        let mut widest = heading.chars().count();
        for cell in rows.iter().filter_map(|row| row.get(place)) {
            widest = widest.max(cell.chars().count());
        }
        width += widest + if place == 0 { 0 } else { 2 };
    }
    width
}

/// Draws each row as a block of `name: value` lines, an empty line between blocks; names without a
/// value are left out.
fn blocks(headings: &[&str], rows: &[Vec<String>], columns: u16) -> String {
    let mut blocks = Vec::new();
    for row in rows {
        let mut lines = Vec::new();
        for (heading, cell) in headings.iter().zip(row) {
            if !cell.is_empty() {
                lines.push(named_value(heading, cell, columns));
            }
        }
        blocks.push(lines.join("\n"));
    }
    blocks.join("\n\n")
}

/// Writes `name: value`, wrapped to the width where it is longer.
fn named_value(name: &str, value: &str, columns: u16) -> String {
    let line = format!("{name}: {value}");
    if line.chars().count() <= usize::from(columns) {
        line
    } else {
        paragraph(&line, columns)
    }
}

/// Draws labelled values, one below the other; those without a value are left out. On a narrow terminal
/// each value stands behind its label.
pub(crate) fn card(lines: &[(&str, String)], columns: u16) -> String {
    if columns < NARROW {
        let mut drawn = Vec::new();
        for (label, value) in lines {
            if !value.is_empty() {
                drawn.push(named_value(label, value, columns));
            }
        }
        return drawn.join("\n");
    }
    let mut table = bare(columns);
    for (label, value) in lines {
        if !value.is_empty() {
            table.add_row([(*label).to_owned(), value.clone()]);
        }
    }
    spaced(&mut table)
}

/// Draws sentences one below the other, each behind a mark.
pub(crate) fn marked(mark: &str, sentences: &[String], columns: u16) -> String {
    let mut table = bare(columns);
    for sentence in sentences {
        table.add_row([mark.to_owned(), sentence.clone()]);
    }
    spaced(&mut table)
}

/// Wraps a paragraph to a width.
pub(crate) fn paragraph(text: &str, columns: u16) -> String {
    let mut table = bare(columns);
    table.add_row([text.to_owned()]);
    spaced(&mut table)
}

fn bare(columns: u16) -> Table {
    let mut table = Table::new();
    table
        .load_style(presets::NOTHING)
        .force_no_tty()
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(columns);
    table
}

fn spaced(table: &mut Table) -> String {
    for column in table.column_iter_mut() {
        column.set_padding((0, 2));
    }
    table.trim_fmt()
}

fn pool() -> Result<&'static DescriptorPool, Stop> {
    static POOL: OnceLock<Option<DescriptorPool>> = OnceLock::new();
    POOL.get_or_init(|| DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).ok())
        .as_ref()
        .ok_or_else(|| Stop::Broken("the protocol's own description cannot be read".to_owned()))
}

/// Writes a message of `ringtrue.v1` as canonical protobuf JSON (lowerCamelCase, unset fields left
/// out).
pub(crate) fn json(kind: &str, message: &impl Message) -> Result<String, Stop> {
    let mut text = Vec::new();
    written(
        kind,
        message,
        &mut serde_json::Serializer::pretty(&mut text),
    )?;
    String::from_utf8(text).map_err(|error| no_json(kind, &error))
}

/// Writes the same on one line.
pub(crate) fn json_line(kind: &str, message: &impl Message) -> Result<String, Stop> {
    let mut text = Vec::new();
    written(kind, message, &mut serde_json::Serializer::new(&mut text))?;
    String::from_utf8(text).map_err(|error| no_json(kind, &error))
}

fn no_json(kind: &str, what: &dyn std::fmt::Display) -> Stop {
    Stop::Broken(format!("no JSON of {kind}: {what}"))
}

fn written<F: serde_json::ser::Formatter>(
    kind: &str,
    message: &impl Message,
    writer: &mut serde_json::Serializer<&mut Vec<u8>, F>,
) -> Result<(), Stop> {
    let broken = |what: &dyn std::fmt::Display| no_json(kind, what);
    let descriptor = pool()?
        .get_message_by_name(&format!("ringtrue.v1.{kind}"))
        .ok_or_else(|| broken(&"not in the protocol"))?;
    let bytes = message.encode_to_vec();
    let dynamic =
        DynamicMessage::decode(descriptor, bytes.as_slice()).map_err(|error| broken(&error))?;
    dynamic
        .serialize_with_options(writer, &SerializeOptions::new())
        .map_err(|error| broken(&error))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::{Furnace, HeatingElement};

    #[test]
    fn json_is_canonical() {
        let furnace = Furnace {
            name: "sites/porto/furnaces/k2".to_owned(),
            maximum_setpoint_c: 1600.0,
            heating_element: HeatingElement::SiliconCarbide.into(),
            create_time: Some(prost_types::Timestamp {
                seconds: 1_795_449_600,
                nanos: 0,
            }),
            ..Furnace::default()
        };
        let text = json("Furnace", &furnace).expect("JSON");
        let value: serde_json::Value = serde_json::from_str(&text).expect("valid JSON");
        assert_eq!(value["maximumSetpointC"], serde_json::json!(1600.0));
        assert_eq!(value["heatingElement"], "HEATING_ELEMENT_SILICON_CARBIDE");
        assert_eq!(value["createTime"], "2026-11-23T16:00:00Z");
        assert!(
            value.get("displayName").is_none(),
            "unset fields are left out"
        );
    }

    #[test]
    fn a_message_that_is_not_in_the_protocol_is_said_to_be_so() {
        assert!(json("Nothing", &Furnace::default()).is_err());
    }

    #[test]
    fn tables_align_and_do_not_trail_spaces() {
        let rows = vec![
            vec!["k1".to_owned(), "1600 °C".to_owned()],
            vec!["k20".to_owned(), "1550 °C".to_owned()],
        ];
        assert_eq!(
            table(&["id", "maximum"], &rows, 80),
            "ID   MAXIMUM\nk1   1600 °C\nk20  1550 °C"
        );
    }

    #[test]
    fn a_narrow_terminal_is_given_a_block_of_names_and_values_for_each_row() {
        let headings = ["fired", "programme", "advice", "id"];
        let id = "0198f3a0-0000-7000-8000-000000000001";
        let row = |fired: &str, advice: &str| {
            let cells = [fired, "standard", advice, id];
            cells.map(str::to_owned).to_vec()
        };
        let rows = vec![row("Fri 20 Nov", "enter 1481 °C"), row("Fri 13 Nov", "")];
        assert_eq!(
            table(&headings, &rows, 59),
            format!(
                "fired: Fri 20 Nov\nprogramme: standard\nadvice: enter 1481 °C\nid: {id}\n\n\
                 fired: Fri 13 Nov\nprogramme: standard\nid: {id}"
            )
        );
        let wide = table(&headings, &rows, 60);
        assert!(wide.starts_with("FIRED, ID"), "{wide}");
        // Few and short columns fit anywhere.
        let short = vec![vec!["19.470 mm".to_owned(), "1519 °C".to_owned()]];
        let drawn = table(&["diameter", "temperature"], &short, 40);
        assert!(drawn.starts_with("DIAMETER   TEMPERATURE"), "{drawn}");
    }

    #[test]
    fn no_word_is_broken_and_figures_beside_sentences_stay_whole() {
        let row = ["alder/left", "+0.31 ± 0.20 °C", "2026-12-04"];
        let rows = vec![row.map(str::to_owned).to_vec(); 2];
        let headings = ["furnace", "drift a week", "due"];
        let drawn = table(&headings, &rows, 32);
        // Too narrow for one line each: blocks below 60 characters, else words below each other.
        assert!(drawn.starts_with("furnace: alder/left"), "{drawn}");
        let many = [row.as_slice(), row.as_slice()].concat();
        let rows = vec![many.iter().map(|cell| (*cell).to_owned()).collect()];
        let twice = [headings.as_slice(), headings.as_slice()].concat();
        let drawn = table(&twice, &rows, 70);
        assert!(drawn.contains("alder/left"), "{drawn}");
        assert_eq!(drawn.matches("2026-12-04").count(), 2, "{drawn}");
        let words = "It reads 0.013 ± 0.009 mm small, which makes furnaces look hotter.";
        let rows = vec![vec![
            "cal-1".to_owned(),
            "+2.7 ± 1.8 °C".to_owned(),
            words.to_owned(),
        ]];
        let drawn = table(&["gauge", "bias", "meaning"], &rows, 62);
        assert!(drawn.contains("+2.7 ± 1.8 °C"), "{drawn}");
        for line in drawn.lines() {
            assert!(line.chars().count() <= 62, "{line}");
        }
        // Less than 24 characters would be left for the sentence.
        let headings = ["gauge", "bias", "as length", "again", "meaning"];
        let mut cells = rows[0].clone();
        cells.insert(1, cells[1].clone());
        cells.insert(1, cells[1].clone());
        let drawn = table(&headings, &[cells], 70);
        assert!(drawn.starts_with("gauge: cal-1"), "{drawn}");
    }

    #[test]
    fn a_name_to_copy_stays_whole_on_a_narrow_terminal() {
        let name = "sites/porto/furnaces/k2/readings/r1";
        let drawn = card(&[("Reading", name.to_owned()), ("Note", String::new())], 40);
        assert_eq!(drawn, format!("Reading:\n{name}"));
    }

    #[test]
    fn long_sentences_are_wrapped_to_the_width() {
        let sentence = "word ".repeat(30);
        let drawn = marked("-", &[sentence], 40);
        assert!(drawn.lines().count() > 1);
        for line in drawn.lines() {
            assert!(line.chars().count() <= 40, "{line}");
        }
    }
}
