//! Charts drawn with characters. Own code: the plot crates for terminals draw points and lines, but no
//! bands and no labelled marks, or bring a whole user interface along.

use std::collections::BTreeMap;

use super::scale::{self, Range, Tick, count};

/// What stands in a cell, the later the more important.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Layer {
    /// Nothing.
    Empty,
    /// The band of about 95 %.
    Band,
    /// The line at zero, or a centre line.
    Zero,
    /// Tolerance or control limits.
    Limit,
    /// What is expected.
    Outlook,
    /// The tracked value.
    Line,
    /// A second series.
    Second,
    /// A reading.
    Reading,
    /// A reading at reduced weight.
    Reduced,
    /// A reading that is a signal.
    Signal,
}

/// Which characters and colours a terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Look {
    /// Whether it shows more than ASCII.
    pub(crate) unicode: bool,
    /// Whether colour may be used. It never carries meaning alone.
    pub(crate) colour: bool,
}

impl Look {
    /// Gives the look for an environment: ASCII when the locale says anything but UTF-8.
    pub(crate) fn of(environment: &BTreeMap<String, String>, colour: bool) -> Self {
        let mut unicode = true;
        for variable in ["LC_ALL", "LC_CTYPE", "LANG"] {
            if let Some(locale) = environment.get(variable).filter(|text| !text.is_empty()) {
                let locale = locale.to_lowercase();
                unicode = locale.contains("utf-8") || locale.contains("utf8");
                break;
            }
        }
        Look { unicode, colour }
    }

    /// Gives the character of a layer.
    pub(crate) fn sign(self, layer: Layer) -> char {
        if self.unicode {
            match layer {
                Layer::Empty => ' ',
                Layer::Band => '░',
                Layer::Zero => '─',
                Layer::Limit => '┄',
                Layer::Outlook => '·',
                Layer::Line => '•',
                Layer::Second => '▫',
                Layer::Reading => '●',
                Layer::Reduced => '○',
                Layer::Signal => '◆',
            }
        } else {
            match layer {
                Layer::Empty => ' ',
                Layer::Band => ':',
                Layer::Zero => '-',
                Layer::Limit => '=',
                Layer::Outlook => '.',
                Layer::Line => '+',
                Layer::Second => '%',
                Layer::Reading => 'o',
                Layer::Reduced => 'x',
                Layer::Signal => '#',
            }
        }
    }
}

/// A field of cells with a value axis at its left and ticks below.
#[derive(Debug)]
pub(crate) struct Field {
    across: Range,
    up: Range,
    width: usize,
    height: usize,
    cells: Vec<Layer>,
    /// Dots of the tracked line within cells, two across and four up, as braille numbers them.
    dots: Vec<u8>,
}

/// Bits of braille's dots (Unicode 2800 to 28FF): rows from the top, left column first.
const BRAILLE: [[u8; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

impl Field {
    /// Gives an empty field.
    pub(crate) fn new(across: Range, up: Range, width: usize, height: usize) -> Self {
        let (width, height) = (width.max(2), height.max(2));
        Field {
            across,
            up,
            width,
            height,
            cells: vec![Layer::Empty; width * height],
            dots: vec![0; width * height],
        }
    }

    /// Gives the column of a place across; none outside.
    pub(crate) fn column(&self, at: f64) -> Option<usize> {
        place(self.across.share(at), self.width)
    }

    fn row(&self, value: f64) -> Option<usize> {
        place(1.0 - self.up.share(value), self.height)
    }

    fn put(&mut self, column: usize, row: usize, layer: Layer) {
        let cell = row * self.width + column;
        if self.cells[cell] < layer {
            self.cells[cell] = layer;
        }
    }

    /// Puts one sign.
    pub(crate) fn point(&mut self, at: f64, value: f64, layer: Layer) {
        if let (Some(column), Some(row)) = (self.column(at), self.row(value)) {
            self.put(column, row, layer);
        }
    }

    /// Draws a level line over a stretch.
    pub(crate) fn level(&mut self, from: f64, to: f64, value: f64, layer: Layer) {
        let Some(row) = self.row(value) else { return };
        for column in 0..self.width {
            let at = self.middle(column);
            if at >= from && at <= to {
                self.put(column, row, layer);
            }
        }
    }

    /// Fills a band; the corners are (place, low, high), earliest first.
    pub(crate) fn band(&mut self, corners: &[(f64, f64, f64)], layer: Layer) {
        for column in 0..self.width {
            let at = self.middle(column);
            let Some((low, high)) = between(corners, at) else {
                continue;
            };
            for row in 0..self.height {
                let share = (count(row) + 0.5) / count(self.height);
                let value = self.up.high - share * self.up.length();
                if value >= low && value <= high {
                    self.put(column, row, layer);
                }
            }
        }
    }

    /// Draws a line through corners (place, value), earliest first, in dots finer than a cell.
    pub(crate) fn line(&mut self, corners: &[(f64, f64)]) {
        let bands: Vec<(f64, f64, f64)> = corners.iter().map(|(at, y)| (*at, *y, *y)).collect();
        for fine in 0..2 * self.width {
            let at = self.across.low
                + (count(fine) + 0.5) / count(2 * self.width) * self.across.length();
            let Some((value, _)) = between(&bands, at) else {
                continue;
            };
            let Some(fine_row) = place(1.0 - self.up.share(value), 4 * self.height) else {
                continue;
            };
            let (column, row) = (fine / 2, fine_row / 4);
            self.put(column, row, Layer::Line);
            self.dots[row * self.width + column] |= BRAILLE[fine_row % 4][fine % 2];
        }
    }

    /// Draws every second column of a line through corners (place, value), earliest first.
    pub(crate) fn dashes(&mut self, corners: &[(f64, f64)], layer: Layer) {
        let bands: Vec<(f64, f64, f64)> = corners.iter().map(|(at, y)| (*at, *y, *y)).collect();
        for column in (0..self.width).step_by(2) {
            if let Some((value, _)) = between(&bands, self.middle(column)) {
                self.point(self.middle(column), value, layer);
            }
        }
    }

    fn middle(&self, column: usize) -> f64 {
        self.across.low + (count(column) + 0.5) / count(self.width) * self.across.length()
    }

    /// Gives the lines of the drawing: the field with its axes and the ticks' labels.
    pub(crate) fn drawn(&self, values: &[Tick], below: &[Tick], look: Look) -> Vec<String> {
        let margin = label_width(values);
        let (upright, level, corner, value_tick, tick) = if look.unicode {
            ('│', '─', '└', '┤', '┬')
        } else {
            ('|', '-', '+', '+', '+')
        };
        let mut lines = Vec::new();
        for row in 0..self.height {
            let mut label = String::new();
            for value in values {
                if self.row(value.at) == Some(row) {
                    label.clone_from(&value.label);
                }
            }
            let axis = if label.is_empty() {
                upright
            } else {
                value_tick
            };
            let cells = self.row_drawn(row, look);
            lines.push(
                format!("{label:>margin$} {axis}{cells}")
                    .trim_end()
                    .to_owned(),
            );
        }
        let mut axis = vec![level; self.width];
        let mut labels = Lane::default();
        for day in below {
            let Some(column) = self.column(day.at) else {
                continue;
            };
            axis[column] = tick;
            labels.set(column, &day.label, self.width);
        }
        let axis: String = axis.into_iter().collect();
        lines.push(format!("{:margin$} {corner}{axis}", ""));
        lines.push(
            format!("{:margin$}  {}", "", labels.text)
                .trim_end()
                .to_owned(),
        );
        lines
    }

    fn row_drawn(&self, row: usize, look: Look) -> String {
        let mut text = String::new();
        let mut inked = "";
        for column in 0..self.width {
            let cell = row * self.width + column;
            let layer = self.cells[cell];
            let sign = if layer == Layer::Line && look.unicode {
                // U+2800 with eight bits more is braille for every value of them.
                char::from_u32(0x2800 + u32::from(self.dots[cell])).unwrap_or('•')
            } else {
                look.sign(layer)
            };
            let ink = if look.colour { ink_of(layer) } else { "" };
            if ink != inked {
                if !inked.is_empty() {
                    text.push_str("\u{1b}[0m");
                }
                text.push_str(ink);
                inked = ink;
            }
            text.push(sign);
        }
        if inked.is_empty() {
            text.trim_end().to_owned()
        } else {
            format!("{text}\u{1b}[0m")
        }
    }
}

fn ink_of(layer: Layer) -> &'static str {
    match layer {
        Layer::Empty | Layer::Line | Layer::Second => "",
        Layer::Band | Layer::Zero => "\u{1b}[2m",
        Layer::Limit => "\u{1b}[33m",
        Layer::Outlook => "\u{1b}[36m",
        Layer::Reading | Layer::Reduced => "\u{1b}[1m",
        Layer::Signal => "\u{1b}[1;31m",
    }
}

/// Gives the width of the value axis' labels, so that what stands below can be aligned.
pub(crate) fn label_width(values: &[Tick]) -> usize {
    let widths = values.iter().map(|tick| tick.label.chars().count());
    widths.max().unwrap_or(0)
}

/// Labels side by side on a line; what has no room is left out.
#[derive(Debug, Default)]
pub(crate) struct Lane {
    /// The line so far.
    pub(crate) text: String,
}

impl Lane {
    /// Sets a label with its middle at a column, as far as the width allows; says whether it had room.
    pub(crate) fn set(&mut self, column: usize, label: &str, width: usize) -> bool {
        let length = label.chars().count();
        let start = column
            .saturating_sub(length / 2)
            .min(width.saturating_sub(length));
        let used = self.text.chars().count();
        if length > width || (used > 0 && start < used + 1) {
            return false;
        }
        self.text.push_str(&" ".repeat(start - used));
        self.text.push_str(label);
        true
    }
}

/// Writes parts behind each other with semicolons; a line is broken between parts only.
pub(crate) fn flowed(parts: &[String], columns: u16) -> String {
    let mut lines = vec![String::new()];
    for (place, part) in parts.iter().enumerate() {
        let end = if place + 1 < parts.len() { ";" } else { "" };
        let line = lines.last_mut();
        let used = line.as_ref().map_or(0, |line| line.chars().count());
        let more = part.chars().count() + end.len() + 1;
        match line {
            Some(line) if used == 0 || used + more <= usize::from(columns) => {
                if used > 0 {
                    line.push(' ');
                }
                line.push_str(part);
                line.push_str(end);
            }
            _ => lines.push(format!("{part}{end}")),
        }
    }
    lines.join("\n")
}

/// Gives the place of a share among `places` equal parts; none outside.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a share between 0 and 1 of a count that fits"
)]
fn place(share: f64, places: usize) -> Option<usize> {
    // A little more than nothing is forgiven, so that ends of a range are inside.
    if !(-1e-9..=1.0 + 1e-9).contains(&share) {
        return None;
    }
    let at = (share * count(places)).floor().max(0.0) as usize;
    Some(at.min(places.saturating_sub(1)))
}

/// Gives low and high between two corners, on a straight line; none outside all of them.
fn between(corners: &[(f64, f64, f64)], at: f64) -> Option<(f64, f64)> {
    for pair in corners.windows(2) {
        let [(from, low, high), (to, next_low, next_high)] = pair else {
            continue;
        };
        if at >= *from && at <= *to {
            let share = if to > from {
                (at - from) / (to - from)
            } else {
                0.0
            };
            return Some((
                low + share * (next_low - low),
                high + share * (next_high - high),
            ));
        }
    }
    None
}

/// Gives value ticks for a field of some height, one in about two rows.
pub(crate) fn value_ticks(up: Range, height: usize) -> Vec<Tick> {
    scale::round(up, (height / 2).max(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: Look = Look {
        unicode: false,
        colour: false,
    };

    fn range(low: f64, high: f64) -> Range {
        Range { low, high }
    }

    #[test]
    fn a_field_has_axes_ticks_and_signs_at_their_places() {
        let mut field = Field::new(range(0.0, 10.0), range(-1.0, 1.0), 10, 5);
        field.level(0.0, 10.0, 0.0, Layer::Zero);
        field.point(0.5, 0.9, Layer::Reading);
        field.point(9.5, -0.9, Layer::Reduced);
        let values = [Tick {
            at: 0.0,
            label: "0".to_owned(),
        }];
        let below = [Tick {
            at: 5.0,
            label: "five".to_owned(),
        }];
        assert_eq!(
            field.drawn(&values, &below, PLAIN),
            [
                "  |o",
                "  |",
                "0 +----------",
                "  |",
                "  |         x",
                "  +-----+----",
                "      five",
            ]
        );
    }

    #[test]
    fn a_line_is_drawn_finer_than_a_cell_where_the_terminal_can() {
        let mut field = Field::new(range(0.0, 4.0), range(0.0, 2.0), 4, 2);
        field.line(&[(0.0, 0.0), (4.0, 2.0)]);
        let look = Look {
            unicode: true,
            colour: false,
        };
        let drawn = field.drawn(&[], &[], look);
        assert_eq!(drawn[0], " │  ⡠⠊");
        assert_eq!(drawn[1], " │⡠⠊");
    }

    #[test]
    fn what_lies_outside_is_left_out_and_labels_do_not_run_into_each_other() {
        let mut field = Field::new(range(0.0, 10.0), range(0.0, 1.0), 10, 2);
        field.point(11.0, 0.5, Layer::Reading);
        field.point(5.0, 1.5, Layer::Reading);
        let below: Vec<Tick> = [1.0, 2.0, 9.0]
            .into_iter()
            .map(|at| Tick {
                at,
                label: format!("d{at}"),
            })
            .collect();
        let drawn = field.drawn(&[], &below, PLAIN);
        assert_eq!(drawn, [" |", " |", " +-++------+", "  d1      d9"]);
    }

    #[test]
    fn a_band_reaches_from_its_low_to_its_high_edge() {
        let mut field = Field::new(range(0.0, 4.0), range(0.0, 4.0), 4, 4);
        field.band(&[(0.0, 1.0, 2.0), (4.0, 1.0, 4.0)], Layer::Band);
        let drawn = field.drawn(&[], &[], PLAIN);
        assert_eq!(drawn[..4], [" |   :", " | :::", " |::::", " |"]);
    }

    #[test]
    fn a_legend_is_broken_between_its_parts_only() {
        let parts = ["o reading", "- zero", "= tolerance"].map(str::to_owned);
        assert_eq!(flowed(&parts, 80), "o reading; - zero; = tolerance");
        assert_eq!(flowed(&parts, 20), "o reading; - zero;\n= tolerance");
        assert_eq!(flowed(&parts, 5), "o reading;\n- zero;\n= tolerance");
        assert_eq!(flowed(&[], 5), "");
    }

    #[test]
    fn anything_but_utf_8_is_drawn_in_ascii() {
        let look = |locale: &str| {
            let environment = BTreeMap::from([("LANG".to_owned(), locale.to_owned())]);
            Look::of(&environment, false).unicode
        };
        assert!(look("pt_PT.UTF-8"));
        assert!(!look("C"));
        assert!(Look::of(&BTreeMap::new(), false).unicode);
    }

    #[test]
    fn colour_only_adds_to_the_signs() {
        let mut field = Field::new(range(0.0, 4.0), range(0.0, 4.0), 4, 2);
        field.point(1.0, 1.0, Layer::Signal);
        let coloured = Look {
            unicode: false,
            colour: true,
        };
        let plain = field.drawn(&[], &[], PLAIN).join("\n");
        let inked = field.drawn(&[], &[], coloured).join("\n");
        assert!(inked.contains("\u{1b}[1;31m#\u{1b}[0m"), "{inked}");
        assert!(plain.contains('#') && !plain.contains('\u{1b}'), "{plain}");
    }
}
