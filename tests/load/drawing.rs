//! Pictures of what was measured, as SVG: panels one below the other, lines told apart by dash and mark and not by colour
//! alone, a legend beside each panel.

use anyhow::anyhow;
use plotters::backend::SVGBackend;
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, IntoDrawingArea as _};
use plotters::element::{Circle, DashedPathElement, PathElement, Text};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color as _, FontTransform, IntoFont as _, RGBColor, ShapeStyle, TextStyle};

const BLACK: RGBColor = RGBColor(0, 0, 0);
const GREY: RGBColor = RGBColor(110, 110, 110);
const PALE: RGBColor = RGBColor(222, 222, 222);

/// Told apart by people with every kind of colour vision: Okabe and Ito, Color Universal Design (2008), values from
/// memory.
const COLOURS: [RGBColor; 5] = [
    BLACK,
    RGBColor(0, 114, 178),
    RGBColor(213, 94, 0),
    RGBColor(0, 158, 115),
    RGBColor(204, 121, 167),
];

/// Lengths of dash and gap, pixels; none for a whole line. As many as there are marks would repeat the pairs.
const DASHES: [Option<(u32, u32)>; 4] = [None, Some((9, 4)), Some((3, 3)), Some((14, 6))];

/// Marks along a line, about.
const MARKS: usize = 8;

const WIDTH: u32 = 960;
const TITLE: u32 = 44;
const LEFT: i32 = 84;
const RIGHT: i32 = 220;
const TOP: i32 = 14;
const BOTTOM: i32 = 56;
/// Height of a line of text; the letters of an SVG are four fifths of it.
const LETTERS: i32 = 16;

/// One axis; values and ticks are in drawn units, which are logarithms where the axis is logarithmic.
#[derive(Debug, Clone)]
pub(crate) struct Axis {
    /// What it shows, with its unit.
    pub(crate) label: String,
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) ticks: Vec<(f64, String)>,
}

/// One line.
#[derive(Debug, Clone)]
pub(crate) struct Series {
    pub(crate) name: String,
    pub(crate) points: Vec<(f64, f64)>,
}

/// Lines over the same axes.
#[derive(Debug, Clone)]
pub(crate) struct Panel {
    /// Height of the panel with its axis, pixels.
    pub(crate) height: u32,
    pub(crate) across: Axis,
    pub(crate) up: Axis,
    pub(crate) series: Vec<Series>,
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

impl Axis {
    /// An axis from zero on with round ticks that reaches beyond the largest of the values.
    pub(crate) fn from_zero(label: &str, values: impl IntoIterator<Item = f64>) -> Self {
        let high = values.into_iter().fold(0.0, f64::max).max(1e-9);
        // Four to ten ticks at 1, 2 or 5 times a power of ten.
        let power = 10.0_f64.powf((high / 4.0).log10().floor());
        let fitting = [5.0, 2.0].iter().find(|step| high / (*step * power) >= 4.0);
        let step = power * fitting.unwrap_or(&1.0);
        let mut ticks = Vec::new();
        for number in 0_u32.. {
            let at = f64::from(number) * step;
            ticks.push((at, format!("{}", (at * 1e6).round() / 1e6)));
            if at >= high {
                break;
            }
        }
        Self {
            label: label.to_owned(),
            low: 0.0,
            high: ticks.last().map_or(high, |(at, _)| *at),
            ticks,
        }
    }

    fn share(&self, at: f64) -> f64 {
        ((at - self.low) / (self.high - self.low)).clamp(0.0, 1.0)
    }
}

/// Draws panels under a title.
pub(crate) fn svg(title: &str, panels: &[Panel]) -> anyhow::Result<String> {
    let height: u32 = panels.iter().map(|panel| panel.height).sum();
    let mut text = String::new();
    {
        let whole = SVGBackend::with_string(&mut text, (WIDTH, TITLE + height)).into_drawing_area();
        let drawn = draw(&whole, title, panels).and_then(|()| {
            let presented = whole.present();
            presented.map_err(|error| anyhow!("{error}"))
        });
        drawn?;
    }
    Ok(text)
}

fn draw(whole: &Area<'_>, title: &str, panels: &[Panel]) -> anyhow::Result<()> {
    whole.fill(&RGBColor(255, 255, 255))?;
    write(whole, (LEFT, 24), title, HPos::Left, LETTERS + 2)?;
    let mut rest = whole.split_vertically(TITLE).1;
    for panel in panels {
        let (area, below) = rest.split_vertically(panel.height);
        panel.draw(&area)?;
        rest = below;
    }
    Ok(())
}

fn write(
    area: &Area<'_>,
    place: (i32, i32),
    text: &str,
    across: HPos,
    size: i32,
) -> anyhow::Result<()> {
    let style = style(across, size);
    area.draw(&Text::new(text.to_owned(), place, style))?;
    Ok(())
}

fn style(across: HPos, size: i32) -> TextStyle<'static> {
    let font = ("sans-serif", f64::from(size)).into_font();
    TextStyle::from(font).pos(Pos::new(across, VPos::Center))
}

fn line(area: &Area<'_>, corners: Vec<(i32, i32)>, pen: ShapeStyle) -> anyhow::Result<()> {
    area.draw(&PathElement::new(corners, pen))?;
    Ok(())
}

/// The pen and the dash of the line with this number.
fn pen(number: usize) -> (ShapeStyle, Option<(u32, u32)>) {
    let colour = COLOURS[number % COLOURS.len()];
    (colour.stroke_width(2), DASHES[number % DASHES.len()])
}

fn stroke(area: &Area<'_>, corners: Vec<(i32, i32)>, number: usize) -> anyhow::Result<()> {
    let (pen, dash) = pen(number);
    match dash {
        Some((dash, gap)) => area.draw(&DashedPathElement::new(corners, dash, gap, pen))?,
        None => line(area, corners, pen)?,
    }
    Ok(())
}

/// A mark whose shape belongs to the line with this number.
fn mark(area: &Area<'_>, (x, y): (i32, i32), number: usize) -> anyhow::Result<()> {
    let (pen, _) = pen(number);
    let closed = |corners: &[(i32, i32)]| {
        let mut all: Vec<(i32, i32)> = corners.iter().map(|(a, b)| (x + a, y + b)).collect();
        all.extend(all.first().copied());
        line(area, all, pen)
    };
    match number % 5 {
        0 => area.draw(&Circle::new((x, y), 4, pen.filled()))?,
        1 => closed(&[(-4, -4), (4, -4), (4, 4), (-4, 4)])?,
        2 => closed(&[(0, -6), (6, 0), (0, 6), (-6, 0)])?,
        3 => closed(&[(0, -5), (5, 4), (-5, 4)])?,
        _ => {
            line(area, vec![(x - 4, y - 4), (x + 4, y + 4)], pen)?;
            line(area, vec![(x - 4, y + 4), (x + 4, y - 4)], pen)?;
        }
    }
    Ok(())
}

impl Panel {
    fn place(&self, (x, y): (f64, f64)) -> (i32, i32) {
        let (right, bottom) = self.ends();
        (
            LEFT + along(self.across.share(x), right - LEFT),
            bottom - along(self.up.share(y), bottom - TOP),
        )
    }

    fn ends(&self) -> (i32, i32) {
        let height = i32::try_from(self.height).unwrap_or(i32::MAX);
        let width = i32::try_from(WIDTH).unwrap_or(i32::MAX);
        (width - RIGHT, height - BOTTOM)
    }

    fn draw(&self, area: &Area<'_>) -> anyhow::Result<()> {
        let (right, bottom) = self.ends();
        for (at, label) in &self.up.ticks {
            let (_, y) = self.place((self.across.low, *at));
            line(area, vec![(LEFT, y), (right, y)], PALE.stroke_width(1))?;
            write(area, (LEFT - 7, y), label, HPos::Right, LETTERS)?;
        }
        for (at, label) in &self.across.ticks {
            let (x, _) = self.place((*at, self.up.low));
            line(area, vec![(x, TOP), (x, bottom + 5)], PALE.stroke_width(1))?;
            write(area, (x, bottom + 14), label, HPos::Center, LETTERS)?;
        }
        let corner = vec![(LEFT, TOP), (LEFT, bottom), (right, bottom)];
        line(area, corner, GREY.stroke_width(1))?;
        let below = (i32::midpoint(LEFT, right), bottom + 36);
        write(area, below, &self.across.label, HPos::Center, LETTERS)?;
        let turned = style(HPos::Center, LETTERS).transform(FontTransform::Rotate270);
        let beside = (20, i32::midpoint(TOP, bottom));
        area.draw(&Text::new(self.up.label.clone(), beside, turned))?;
        for (number, series) in self.series.iter().enumerate() {
            self.draw_series(area, number, series)?;
        }
        Ok(())
    }

    fn draw_series(&self, area: &Area<'_>, number: usize, series: &Series) -> anyhow::Result<()> {
        let mut corners: Vec<(i32, i32)> = Vec::with_capacity(series.points.len());
        corners.extend(series.points.iter().map(|point| self.place(*point)));
        corners.dedup();
        // Marks of neighbouring lines stand apart, so that lines that lie together are still told apart.
        let every = (corners.len() / MARKS).max(1);
        let first = number * every / self.series.len().max(1);
        for at in corners.iter().skip(first).step_by(every) {
            mark(area, *at, number)?;
        }
        if corners.len() > 1 {
            stroke(area, corners, number)?;
        }
        let (right, _) = self.ends();
        let row = TOP + 10 + 22 * i32::try_from(number).unwrap_or(i32::MAX);
        let sample = vec![(right + 14, row), (right + 50, row)];
        stroke(area, sample, number)?;
        mark(area, (right + 32, row), number)?;
        write(area, (right + 58, row), &series.name, HPos::Left, LETTERS)
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "a share of a picture's pixels"
)]
fn along(share: f64, length: i32) -> i32 {
    (share * f64::from(length)).round() as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_has_round_ticks_up_to_beyond_the_largest_value() {
        let labels = |high: f64| -> Vec<String> {
            let axis = Axis::from_zero("ms", [0.3, high]);
            assert!(axis.high >= high && axis.high < 1.5 * high, "{axis:?}");
            axis.ticks.into_iter().map(|(_, label)| label).collect()
        };
        assert_eq!(labels(43.0), ["0", "10", "20", "30", "40", "50"]);
        assert_eq!(labels(0.9), ["0", "0.2", "0.4", "0.6", "0.8", "1"]);
    }

    #[test]
    fn every_line_of_a_picture_is_named_in_its_legend() {
        let panel = Panel {
            height: 300,
            across: Axis::from_zero("time / min", [2.0]),
            up: Axis::from_zero("memory / MiB", [50.0]),
            series: vec![
                Series {
                    name: "server 1".to_owned(),
                    points: vec![(0.0, 1.0), (2.0, 50.0)],
                },
                Series {
                    name: "server 2 < all".to_owned(),
                    points: vec![(0.0, 10.0)],
                },
            ],
        };
        let picture = svg("soak", &[panel]).expect("it can be drawn");
        for wanted in [
            "soak",
            "time / min",
            "memory / MiB",
            "server 1",
            "server 2 &lt; all",
        ] {
            assert!(
                picture.contains(wanted),
                "`{wanted}` is missing:\n{picture}"
            );
        }
    }
}
