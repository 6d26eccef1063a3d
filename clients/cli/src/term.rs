//! The terminal: asking people, colour, and digits large enough to read across a room.

use std::collections::BTreeMap;

use inquire::ui::RenderConfig;
use inquire::{Confirm, InquireError, Password, PasswordDisplayMode, Select, Text};

/// Somebody who answers questions, normally a person at a terminal.
pub trait Conversation {
    /// Asks for a line of text; `preset` is taken when the line is empty.
    ///
    /// # Errors
    /// [`Left`] when the person leaves.
    fn text(&mut self, question: &str, help: &str, preset: Option<&str>) -> Result<String, Left>;

    /// Asks for a line that is not shown while it is typed.
    ///
    /// # Errors
    /// [`Left`] when the person leaves.
    fn secret(&mut self, question: &str, help: &str) -> Result<String, Left>;

    /// Asks to pick one of several; gives its place in the list, counted from 0.
    ///
    /// # Errors
    /// [`Left`] when the person leaves.
    fn choice(&mut self, question: &str, options: &[String]) -> Result<usize, Left>;

    /// Asks yes or no; there is no preset, since a slip of a glove must not decide.
    ///
    /// # Errors
    /// [`Left`] when the person leaves.
    fn agreement(&mut self, question: &str) -> Result<bool, Left>;
}

/// The person left the conversation; nothing was decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Left;

/// The terminal of this process. It asks on the error stream, so that results stay clean.
#[derive(Debug)]
pub(crate) struct Terminal {
    /// True when nothing may be coloured.
    pub(crate) plain: bool,
}

impl Terminal {
    fn look(&self) -> RenderConfig<'static> {
        if self.plain {
            RenderConfig::empty()
        } else {
            RenderConfig::default_colored()
        }
    }
}

impl Conversation for Terminal {
    fn text(&mut self, question: &str, help: &str, preset: Option<&str>) -> Result<String, Left> {
        let mut prompt = Text::new(question).with_render_config(self.look());
        if !help.is_empty() {
            prompt = prompt.with_help_message(help);
        }
        if let Some(preset) = preset {
            prompt = prompt.with_default(preset);
        }
        prompt.prompt().map_err(|error| left(&error))
    }

    fn secret(&mut self, question: &str, help: &str) -> Result<String, Left> {
        let mut prompt = Password::new(question)
            .with_render_config(self.look())
            .with_display_mode(PasswordDisplayMode::Hidden)
            .without_confirmation();
        if !help.is_empty() {
            prompt = prompt.with_help_message(help);
        }
        prompt.prompt().map_err(|error| left(&error))
    }

    fn choice(&mut self, question: &str, options: &[String]) -> Result<usize, Left> {
        Select::new(question, options.to_vec())
            .with_render_config(self.look())
            .raw_prompt()
            .map(|chosen| chosen.index)
            .map_err(|error| left(&error))
    }

    fn agreement(&mut self, question: &str) -> Result<bool, Left> {
        Confirm::new(question)
            .with_render_config(self.look())
            .with_help_message("y or n")
            .prompt()
            .map_err(|error| left(&error))
    }
}

/// Leaving, being interrupted and losing the terminal all mean the same: nothing was decided.
fn left(_: &InquireError) -> Left {
    Left
}

/// Width of the output, characters: `COLUMNS`, else the terminal's, else 100.
pub(crate) fn columns(environment: &BTreeMap<String, String>) -> u16 {
    if let Some(Ok(columns)) = environment.get("COLUMNS").map(|text| text.parse::<u16>()) {
        return columns.clamp(40, 400);
    }
    match comfy_table::Table::new().width() {
        Some(columns) => columns.clamp(40, 120),
        None => 100,
    }
}

/// How a stretch of text is set off, where colour may be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Ink {
    /// Bold.
    Strong,
    /// Good, nothing to do.
    Calm,
    /// Something to do.
    Act,
    /// Something is wrong.
    Alarm,
}

/// Sets text off when colour may be used; the words alone must say everything.
pub(crate) fn ink(text: &str, ink: Ink, colour: bool) -> String {
    if !colour {
        return text.to_owned();
    }
    let code = match ink {
        Ink::Strong => "1",
        Ink::Calm => "1;32",
        Ink::Act => "1;36",
        Ink::Alarm => "1;31",
    };
    format!("\u{1b}[{code}m{text}\u{1b}[0m")
}

/// Rows of a large digit.
const ROWS: usize = 7;

/// Pixels of one character, row by row, five columns in the low bits.
fn pixels(character: char) -> Option<[u8; ROWS]> {
    Some(match character {
        '0' => [
            0b01110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110,
        ],
        '1' => [
            0b00100, 0b01100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110,
        ],
        '2' => [
            0b01110, 0b10001, 0b00001, 0b00110, 0b01000, 0b10000, 0b11111,
        ],
        '3' => [
            0b11110, 0b00001, 0b00001, 0b01110, 0b00001, 0b00001, 0b11110,
        ],
        '4' => [
            0b00010, 0b00110, 0b01010, 0b10010, 0b11111, 0b00010, 0b00010,
        ],
        '5' => [
            0b11111, 0b10000, 0b11110, 0b00001, 0b00001, 0b10001, 0b01110,
        ],
        '6' => [
            0b01110, 0b10000, 0b10000, 0b11110, 0b10001, 0b10001, 0b01110,
        ],
        '7' => [
            0b11111, 0b00001, 0b00010, 0b00100, 0b01000, 0b01000, 0b01000,
        ],
        '8' => [
            0b01110, 0b10001, 0b10001, 0b01110, 0b10001, 0b10001, 0b01110,
        ],
        '9' => [
            0b01110, 0b10001, 0b10001, 0b01111, 0b00001, 0b00001, 0b01110,
        ],
        '.' => [
            0b00000, 0b00000, 0b00000, 0b00000, 0b00000, 0b01100, 0b01100,
        ],
        '-' => [
            0b00000, 0b00000, 0b00000, 0b11111, 0b00000, 0b00000, 0b00000,
        ],
        _ => return None,
    })
}

/// Draws a number in digits seven rows tall, each pixel two characters wide, or one where a terminal
/// of `columns` characters has no room. Characters without a drawing are left out, so the number must
/// also stand nearby as plain text.
pub(crate) fn large(number: &str, block: char, columns: u16) -> Vec<String> {
    let wide = drawn(number, block, 2);
    let widest = wide.iter().map(|line| line.chars().count()).max();
    if widest.unwrap_or(0) <= usize::from(columns) {
        wide
    } else {
        drawn(number, block, 1)
    }
}

fn drawn(number: &str, block: char, pixel: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for row in 0..ROWS {
        let mut line = String::from("   ");
        for character in number.chars() {
            let Some(pixels) = pixels(character) else {
                continue;
            };
            for column in (0..5).rev() {
                let filled = pixels[row] & (1 << column) != 0;
                let dot = if filled { block } else { ' ' };
                for _ in 0..pixel {
                    line.push(dot);
                }
            }
            line.push_str("  ");
        }
        lines.push(line.trim_end().to_owned());
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn large_digits_are_seven_rows_and_fit_beside_each_other_in_eighty_columns() {
        for columns in [80, 44] {
            let lines = large("1480.5", '#', columns);
            assert_eq!(lines.len(), 7);
            for line in &lines {
                assert!(line.chars().count() <= usize::from(columns), "{line}");
            }
        }
    }

    #[test]
    fn every_digit_is_drawn_differently() {
        let mut seen: Vec<[u8; ROWS]> = Vec::new();
        for character in "0123456789.-".chars() {
            let drawn = pixels(character).expect("a drawing of every character of a number");
            assert!(!seen.contains(&drawn), "{character}");
            seen.push(drawn);
        }
    }

    #[test]
    fn a_one_reads_as_a_one() {
        assert_eq!(
            large("1", '#', 80),
            [
                "       ##",
                "     ####",
                "       ##",
                "       ##",
                "       ##",
                "       ##",
                "     ######",
            ]
        );
    }

    #[test]
    fn without_colour_text_is_untouched() {
        assert_eq!(ink("ENTER", Ink::Act, false), "ENTER");
        assert!(ink("ENTER", Ink::Act, true).contains("ENTER"));
    }

    #[test]
    fn the_width_is_kept_within_reason() {
        let width =
            |text: &str| columns(&BTreeMap::from([("COLUMNS".to_owned(), text.to_owned())]));
        assert_eq!(width("80"), 80);
        assert_eq!(width("3"), 40);
        assert_eq!(width("9999"), 400);
    }
}
