//! Pictures in files: one drawing in two formats, SVG and PNG.
//!
//! Everything is placed in pixels of the finished picture. PNG is drawn twice as large and made smaller, so
//! that edges are smooth.

use std::path::Path;
use std::sync::OnceLock;

use plotters::backend::{BitMapBackend, DrawingBackend, SVGBackend};
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, IntoDrawingArea as _};
use plotters::element::{Circle, DashedPathElement, PathElement, Polygon, Text};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{
    Color as _, FontStyle, IntoTextStyle as _, RGBColor, ShapeStyle, TextStyle, register_font,
};

use super::scale::{Range, Tick};

/// Black of text and axes.
pub(crate) const BLACK: RGBColor = RGBColor(0, 0, 0);
/// Grey of what is secondary.
pub(crate) const GREY: RGBColor = RGBColor(110, 110, 110);
/// Light grey of grids.
pub(crate) const PALE: RGBColor = RGBColor(222, 222, 222);
// The colours below are told apart by people with every kind of colour vision: Okabe and Ito, Color
// Universal Design (2008), values from memory. Shapes and dashes say the same in black and white.
/// Blue.
pub(crate) const BLUE: RGBColor = RGBColor(0, 114, 178);
/// Vermilion.
pub(crate) const VERMILION: RGBColor = RGBColor(213, 94, 0);
/// Bluish green.
pub(crate) const GREEN: RGBColor = RGBColor(0, 158, 115);
/// Orange.
pub(crate) const ORANGE: RGBColor = RGBColor(230, 159, 0);

/// The bundled face, so that PNG has text on a machine without fonts. Its licence lies beside it.
const FACE: &[u8] = include_bytes!("../../fonts/Go-Regular.ttf");
/// Name of the face within pictures; an SVG viewer takes its own face of that kind.
const FAMILY: &str = "sans-serif";

/// A picture's format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Format {
    /// Scalable vector graphics.
    Svg,
    /// Portable network graphics.
    Png,
}

impl Format {
    /// Gives the format that a file's name asks for.
    ///
    /// # Errors
    /// A sentence for the person when the name ends otherwise.
    pub(crate) fn of(path: &Path) -> Result<Self, String> {
        let ending = path.extension().unwrap_or_default().to_ascii_lowercase();
        match ending.to_str() {
            Some("svg") => Ok(Format::Svg),
            Some("png") => Ok(Format::Png),
            _ => Err(format!(
                "`{}` says no format that can be written; let it end in .svg or .png",
                path.display()
            )),
        }
    }
}

/// Something that can be drawn in either format.
pub(crate) trait Scene {
    /// Width and height, pixels.
    fn size(&self) -> (u32, u32);

    /// Draws it.
    ///
    /// # Errors
    /// What the format said.
    fn draw<DB: DrawingBackend>(&self, sheet: &Sheet<'_, DB>) -> Result<(), String>;
}

/// Draws a scene and gives the file's content.
///
/// # Errors
/// A sentence when it cannot be drawn.
pub(crate) fn drawn(scene: &impl Scene, format: Format) -> Result<Vec<u8>, String> {
    static FOUND: OnceLock<bool> = OnceLock::new();
    let found = FOUND.get_or_init(|| register_font(FAMILY, FontStyle::Normal, FACE).is_ok());
    if !found {
        return Err("the bundled font cannot be read".to_owned());
    }
    match format {
        Format::Svg => svg(scene),
        Format::Png => png(scene),
    }
}

fn svg(scene: &impl Scene) -> Result<Vec<u8>, String> {
    let mut text = String::new();
    {
        let area = SVGBackend::with_string(&mut text, scene.size()).into_drawing_area();
        let sheet = Sheet {
            area: &area,
            scale: 1.0,
            sink: 0.0,
        };
        scene.draw(&sheet)?;
        area.present().map_err(|error| error.to_string())?;
    }
    Ok(text.into_bytes())
}

fn png(scene: &impl Scene) -> Result<Vec<u8>, String> {
    let (width, height) = scene.size();
    let large = (2 * width, 2 * height);
    let mut pixels = vec![255_u8; pixel_bytes(large.0, large.1)];
    {
        let backend = BitMapBackend::with_buffer(&mut pixels, large);
        let area = backend.into_drawing_area();
        let sheet = Sheet {
            area: &area,
            scale: 2.0,
            sink: 0.1,
        };
        scene.draw(&sheet)?;
        area.present().map_err(|error| error.to_string())?;
    }
    let small = halved(&pixels, width, height);
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().map_err(|error| error.to_string())?;
    let written = writer.write_image_data(&small);
    written.map_err(|error| error.to_string())?;
    writer.finish().map_err(|error| error.to_string())?;
    Ok(file)
}

fn pixel_bytes(width: u32, height: u32) -> usize {
    let pixels = u64::from(width) * u64::from(height) * 3;
    usize::try_from(pixels).unwrap_or(0)
}

/// Makes one pixel of every two by two; the sizes are those of the result.
fn halved(pixels: &[u8], width: u32, height: u32) -> Vec<u8> {
    let mut small = Vec::with_capacity(pixel_bytes(width, height));
    let row = pixel_bytes(2 * width, 1);
    for rows in pixels.chunks_exact(2 * row) {
        let (upper, lower) = rows.split_at(row);
        for (above, below) in upper.chunks_exact(6).zip(lower.chunks_exact(6)) {
            for colour in 0..3 {
                let sum = u16::from(above[colour])
                    + u16::from(above[colour + 3])
                    + u16::from(below[colour])
                    + u16::from(below[colour + 3]);
                small.push(u8::try_from((sum + 2) / 4).unwrap_or(u8::MAX));
            }
        }
    }
    small
}

/// Where a text lies relative to its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    /// Begins there.
    Left,
    /// Has its middle there.
    Middle,
    /// Ends there.
    Right,
}

/// A line's or a shape's colour, width in pixels and strength.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pen {
    colour: RGBColor,
    width: f64,
    strength: f64,
    filled: bool,
}

impl Pen {
    /// Gives a pen for lines.
    pub(crate) const fn line(colour: RGBColor, width: f64) -> Self {
        Pen {
            colour,
            width,
            strength: 1.0,
            filled: false,
        }
    }

    /// Gives a pen that fills; strength 1 hides what lies below.
    pub(crate) const fn fill(colour: RGBColor, strength: f64) -> Self {
        Pen {
            colour,
            width: 1.0,
            strength,
            filled: true,
        }
    }
}

/// The sheet that a scene is drawn on.
pub(crate) struct Sheet<'a, DB: DrawingBackend> {
    area: &'a DrawingArea<DB, Shift>,
    scale: f64,
    /// How far letters are moved down, as a share of their size: the bitmap centres the room for letters,
    /// not the letters.
    sink: f64,
}

impl<DB: DrawingBackend> Sheet<'_, DB> {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a cast of a place far outside gives one just as far outside"
    )]
    fn pixels(&self, length: f64) -> i32 {
        (length * self.scale).round() as i32
    }

    #[expect(
        clippy::cast_sign_loss,
        reason = "pens and radii are widths, never negative"
    )]
    fn breadth(&self, length: f64) -> u32 {
        self.pixels(length).max(1) as u32
    }

    fn style(&self, pen: Pen) -> ShapeStyle {
        let style = ShapeStyle::from(pen.colour.mix(pen.strength));
        let style = style.stroke_width(self.breadth(pen.width));
        if pen.filled { style.filled() } else { style }
    }

    /// Gives corners in pixels; those that fall on one pixel are one.
    fn corners(&self, corners: &[(f64, f64)]) -> Vec<(i32, i32)> {
        let place = |(x, y): &(f64, f64)| (self.pixels(*x), self.pixels(*y));
        let mut places: Vec<(i32, i32)> = corners.iter().map(place).collect();
        places.dedup();
        places
    }

    /// Covers the sheet with white.
    pub(crate) fn clear(&self) -> Result<(), String> {
        let filled = self.area.fill(&RGBColor(255, 255, 255));
        filled.map_err(|error| error.to_string())
    }

    /// Draws a line through corners, piece by piece: at sharp corners a wide line drawn at once is thinned.
    pub(crate) fn line(&self, corners: &[(f64, f64)], pen: Pen) -> Result<(), String> {
        for piece in self.corners(corners).windows(2) {
            let path = PathElement::new(piece.to_vec(), self.style(pen));
            self.area.draw(&path).map_err(|error| error.to_string())?;
        }
        Ok(())
    }

    /// Draws a dashed line through corners.
    pub(crate) fn dashes(
        &self,
        corners: &[(f64, f64)],
        dash: f64,
        gap: f64,
        pen: Pen,
    ) -> Result<(), String> {
        if corners.len() < 2 {
            return Ok(());
        }
        let (dash, gap) = (self.breadth(dash), self.breadth(gap));
        let path = DashedPathElement::new(self.corners(corners), dash, gap, self.style(pen));
        self.area.draw(&path).map_err(|error| error.to_string())
    }

    /// Fills an area.
    pub(crate) fn area(&self, corners: &[(f64, f64)], pen: Pen) -> Result<(), String> {
        if corners.len() < 3 {
            return Ok(());
        }
        let polygon = Polygon::new(self.corners(corners), self.style(pen));
        self.area.draw(&polygon).map_err(|error| error.to_string())
    }

    /// Draws a circle.
    pub(crate) fn circle(&self, (x, y): (f64, f64), radius: f64, pen: Pen) -> Result<(), String> {
        let place = (self.pixels(x), self.pixels(y));
        let circle = Circle::new(place, self.breadth(radius), self.style(pen));
        self.area.draw(&circle).map_err(|error| error.to_string())
    }

    /// Fills a diamond.
    pub(crate) fn diamond(&self, (x, y): (f64, f64), radius: f64, pen: Pen) -> Result<(), String> {
        let corners = [
            (x - radius, y),
            (x, y - radius),
            (x + radius, y),
            (x, y + radius),
        ];
        self.area(&corners, pen)
    }

    fn face(size: f64, colour: &RGBColor) -> TextStyle<'_> {
        (FAMILY, size).into_text_style(&(1, 1)).color(colour)
    }

    /// Writes a text; the place is its middle height, and the size is that of its letters, pixels.
    pub(crate) fn text(
        &self,
        (x, y): (f64, f64),
        text: &str,
        size: f64,
        colour: RGBColor,
        side: Side,
    ) -> Result<(), String> {
        let across = match side {
            Side::Left => HPos::Left,
            Side::Middle => HPos::Center,
            Side::Right => HPos::Right,
        };
        let style = Self::face(size * self.scale, &colour).pos(Pos::new(across, VPos::Center));
        let place = (self.pixels(x), self.pixels(y + self.sink * size));
        let element = Text::new(text.to_owned(), place, style);
        self.area.draw(&element).map_err(|error| error.to_string())
    }

    /// Gives the width of a text, pixels.
    pub(crate) fn width(&self, text: &str, size: f64) -> Result<f64, String> {
        let style = Self::face(size * self.scale, &BLACK);
        let measured = self.area.estimate_text_size(text, &style);
        let (width, _) = measured.map_err(|error| error.to_string())?;
        Ok(f64::from(width) / self.scale)
    }

    /// Writes a text in as many lines as its width needs; gives the middle height of what may follow.
    pub(crate) fn wrapped(
        &self,
        (x, y): (f64, f64),
        text: &str,
        size: f64,
        colour: RGBColor,
        width: f64,
    ) -> Result<f64, String> {
        let mut y = y;
        let mut line = String::new();
        for word in text.split_whitespace() {
            let longer = if line.is_empty() {
                word.to_owned()
            } else {
                format!("{line} {word}")
            };
            if !line.is_empty() && self.width(&longer, size)? > width {
                self.text((x, y), &line, size, colour, Side::Left)?;
                y += size * 1.25;
                word.clone_into(&mut line);
            } else {
                line = longer;
            }
        }
        self.text((x, y), &line, size, colour, Side::Left)?;
        Ok(y + size * 1.25)
    }
}

/// A part of the sheet with a scale across and one up.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Frame {
    /// Left edge, pixels.
    pub(crate) left: f64,
    /// Upper edge.
    pub(crate) top: f64,
    /// Right edge.
    pub(crate) right: f64,
    /// Lower edge.
    pub(crate) bottom: f64,
    /// What goes across.
    pub(crate) across: Range,
    /// What goes up.
    pub(crate) up: Range,
}

impl Frame {
    /// Gives the pixel column of a place; places outside lie at the edge.
    pub(crate) fn x(&self, at: f64) -> f64 {
        self.left + self.across.share(at).clamp(0.0, 1.0) * (self.right - self.left)
    }

    /// Gives the pixel row of a value; values outside lie at the edge.
    pub(crate) fn y(&self, value: f64) -> f64 {
        self.bottom - self.up.share(value).clamp(0.0, 1.0) * (self.bottom - self.top)
    }

    /// Draws grid, labels and border.
    pub(crate) fn axes<DB: DrawingBackend>(
        &self,
        sheet: &Sheet<'_, DB>,
        across: &[Tick],
        up: &[Tick],
        size: f64,
    ) -> Result<(), String> {
        let grid = Pen::line(PALE, 1.0);
        let axis = Pen::line(GREY, 1.0);
        for tick in up {
            let y = self.y(tick.at);
            sheet.line(&[(self.left, y), (self.right, y)], grid)?;
            let place = (self.left - 7.0, y);
            sheet.text(place, &tick.label, size, BLACK, Side::Right)?;
        }
        for tick in across {
            let x = self.x(tick.at);
            sheet.line(&[(x, self.top), (x, self.bottom)], grid)?;
            sheet.line(&[(x, self.bottom), (x, self.bottom + 5.0)], axis)?;
            let place = (x, self.bottom + 8.0 + size * 0.5);
            sheet.text(place, &tick.label, size, BLACK, Side::Middle)?;
        }
        let border = [
            (self.left, self.top),
            (self.left, self.bottom),
            (self.right, self.bottom),
        ];
        sheet.line(&border, axis)
    }
}
