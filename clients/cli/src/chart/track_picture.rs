//! A furnace's offset through time as a picture.

use plotters::backend::DrawingBackend;

use super::picture::{BLACK, BLUE, Frame, GREEN, GREY, ORANGE, Pen, Scene, Sheet, Side, VERMILION};
use super::scale;
use super::track::{Mark, MarkKind, Track};
use crate::names;
use crate::quantity::brief;

/// Letters of titles, of text and of small print, pixels.
const TITLE: f64 = 27.0;
const LETTERS: f64 = 16.0;
const SMALL: f64 = 14.5;
/// Height of a line of labels below the time axis, pixels.
const LANE: f64 = 20.0;
/// Most such lines.
const LANES: usize = 6;
/// Most marks whose meaning is written out; more are told apart by their short labels alone.
const WRITTEN_OUT: usize = 14;
/// Most readings with large dots.
const LARGE_DOTS: usize = 150;

/// A track as a picture.
pub(crate) struct TrackPicture<'a> {
    /// The track.
    pub(crate) track: &'a Track,
    /// Where the furnace stands, in a sentence.
    pub(crate) standing: &'a str,
}

/// A label below the time axis and the line it stands on.
struct Placed<'m> {
    mark: &'m Mark,
    lane: usize,
    left: f64,
    text: String,
}

impl Scene for TrackPicture<'_> {
    fn size(&self) -> (u32, u32) {
        (1200, 700)
    }

    fn draw<DB: DrawingBackend>(&self, sheet: &Sheet<'_, DB>) -> Result<(), String> {
        let track = self.track;
        sheet.clear()?;
        let title = format!("Offset of furnace {}", names::id(&track.furnace));
        sheet.text((24.0, 26.0), &title, TITLE, BLACK, Side::Left)?;
        let below = sheet.wrapped((24.0, 56.0), self.standing, LETTERS, BLACK, 1050.0)?;
        let below = self.legend(sheet, below + 4.0)?;
        let unit = format!(
            "Offset (true minus set temperature) at {} °C, in °C",
            brief(track.at_temperature_c, 0)
        );
        sheet.text((24.0, below + 4.0), &unit, LETTERS, BLACK, Side::Left)?;
        let mut frame = Frame {
            left: 74.0,
            top: below + 22.0,
            right: 1170.0,
            bottom: 640.0,
            across: track.times(),
            up: track.offsets(),
        };
        let placed = placed(&frame, &track.marks, sheet)?;
        let lanes = placed.iter().map(|label| label.lane + 1).max().unwrap_or(0);
        frame.bottom = 640.0 - LANE * scale::count(lanes);
        let days = scale::days(frame.across, &track.zone, 9);
        frame.axes(sheet, &days, &scale::round(frame.up, 9), SMALL)?;
        self.bands(sheet, &frame)?;
        lines(track, sheet, &frame)?;
        labels(&placed, sheet, &frame)?;
        for mark in &track.marks {
            mark_sign(mark.kind, sheet, (frame.x(mark.at), frame.bottom))?;
        }
        readings(track, sheet, &frame)?;
        let days = format!("Day at the site ({})", track.zone_name);
        let place = (f64::midpoint(frame.left, frame.right), 682.0);
        sheet.text(place, &days, LETTERS, BLACK, Side::Middle)
    }
}

impl TrackPicture<'_> {
    fn bands<DB: DrawingBackend>(
        &self,
        sheet: &Sheet<'_, DB>,
        frame: &Frame,
    ) -> Result<(), String> {
        let track = self.track;
        let mut upper = Vec::new();
        let mut lower = Vec::new();
        for dot in &track.readings {
            upper.push((frame.x(dot.at), frame.y(dot.tracked_c + dot.half_band_c)));
            lower.push((frame.x(dot.at), frame.y(dot.tracked_c - dot.half_band_c)));
        }
        upper.extend(lower.iter().rev());
        sheet.area(&upper, Pen::fill(BLUE, 0.20))?;
        let mut upper = Vec::new();
        let mut lower = Vec::new();
        for expected in &track.outlook {
            let x = frame.x(expected.at);
            upper.push((x, frame.y(expected.offset_c + expected.half_band_c)));
            lower.push((x, frame.y(expected.offset_c - expected.half_band_c)));
        }
        upper.extend(lower.iter().rev());
        sheet.area(&upper, Pen::fill(GREY, 0.13))
    }

    /// Draws what each sign means, side by side; gives the middle height of what may follow.
    fn legend<DB: DrawingBackend>(&self, sheet: &Sheet<'_, DB>, top: f64) -> Result<f64, String> {
        let (mut x, mut y) = (24.0, top);
        for (key, text) in keys(self.track) {
            let width = 40.0 + sheet.width(text, SMALL)? + 22.0;
            if x + width > 1130.0 && x > 24.0 {
                x = 24.0;
                y += 22.0;
            }
            sign(key, sheet, x, y)?;
            sheet.text((x + 40.0, y), text, SMALL, BLACK, Side::Left)?;
            x += width;
        }
        Ok(y + 22.0)
    }
}

/// What is drawn in a chart.
#[derive(Debug, Clone, Copy)]
enum Key {
    Tracked,
    Reading,
    Observed,
    Reduced,
    Tolerance,
    Zero,
    Outlook,
    Mark(MarkKind),
}

/// Gives the signs that a track uses, with what they mean.
fn keys(track: &Track) -> Vec<(Key, &'static str)> {
    let mut keys = vec![
        (Key::Tracked, "offset, about 95 % coverage"),
        (Key::Reading, "reading"),
    ];
    if track.readings.iter().any(is_shifted) {
        keys.push((
            Key::Observed,
            "as the ring gave it, biases of batch and gauge included",
        ));
    }
    if track.readings.iter().any(|dot| dot.reduced) {
        keys.push((Key::Reduced, "reading at reduced weight"));
    }
    if !track.corridor.is_empty() {
        keys.push((Key::Tolerance, "tolerance at the setpoint in force"));
    }
    if track.offsets().holds(0.0) {
        keys.push((Key::Zero, "zero"));
    }
    if track.outlook.len() > 1 {
        keys.push((Key::Outlook, "outlook, about 95 % coverage"));
    }
    for (kind, text) in [
        (MarkKind::Event, "event"),
        (MarkKind::Adjustment, "adjustment of a setpoint"),
        (MarkKind::Change, "new batch or gauge"),
    ] {
        if track.marks.iter().any(|mark| mark.kind == kind) {
            keys.push((Key::Mark(kind), text));
        }
    }
    keys
}

/// Draws the sign of a key, 30 pixels wide, its middle at a height.
fn sign<DB: DrawingBackend>(key: Key, sheet: &Sheet<'_, DB>, x: f64, y: f64) -> Result<(), String> {
    let across = [(x, y), (x + 30.0, y)];
    let box_of = |half: f64| {
        [
            (x, y - half),
            (x + 30.0, y - half),
            (x + 30.0, y + half),
            (x, y + half),
        ]
    };
    let middle = (x + 15.0, y);
    match key {
        Key::Tracked => {
            sheet.area(&box_of(7.0), Pen::fill(BLUE, 0.20))?;
            sheet.line(&across, OFFSET)
        }
        Key::Reading => dot(sheet, middle, 5.0),
        Key::Observed => sheet.circle(middle, 3.0, Pen::line(GREY, 1.0)),
        Key::Reduced => reduced(sheet, middle),
        Key::Tolerance => sheet.dashes(&across, 9.0, 4.0, TOLERANCE),
        Key::Zero => sheet.line(&across, ZERO),
        Key::Outlook => {
            sheet.area(&box_of(7.0), Pen::fill(GREY, 0.13))?;
            sheet.dashes(&across, 4.0, 4.0, OUTLOOK)
        }
        Key::Mark(kind) => mark_sign(kind, sheet, middle),
    }
}

const OFFSET: Pen = Pen::line(BLUE, 2.0);
const TOLERANCE: Pen = Pen::line(VERMILION, 2.0);
const ZERO: Pen = Pen::line(BLACK, 1.0);
const OUTLOOK: Pen = Pen::line(GREY, 2.0);

fn dot<DB: DrawingBackend>(
    sheet: &Sheet<'_, DB>,
    at: (f64, f64),
    radius: f64,
) -> Result<(), String> {
    sheet.circle(at, radius, Pen::fill(BLACK, 1.0))
}

/// A ring with a cross, so that it is told from a dot in print.
fn reduced<DB: DrawingBackend>(sheet: &Sheet<'_, DB>, (x, y): (f64, f64)) -> Result<(), String> {
    let pen = Pen::line(BLACK, 1.5);
    sheet.circle((x, y), 6.0, Pen::fill(super::picture::PALE, 1.0))?;
    sheet.circle((x, y), 6.0, pen)?;
    sheet.line(&[(x - 4.0, y - 4.0), (x + 4.0, y + 4.0)], pen)?;
    sheet.line(&[(x - 4.0, y + 4.0), (x + 4.0, y - 4.0)], pen)
}

fn mark_sign<DB: DrawingBackend>(
    kind: MarkKind,
    sheet: &Sheet<'_, DB>,
    (x, y): (f64, f64),
) -> Result<(), String> {
    match kind {
        MarkKind::Event => sheet.diamond((x, y), 7.0, Pen::fill(VERMILION, 1.0)),
        MarkKind::Adjustment => {
            let corners = [(x - 7.0, y + 6.0), (x, y - 7.0), (x + 7.0, y + 6.0)];
            sheet.area(&corners, Pen::fill(GREEN, 1.0))
        }
        MarkKind::Change => {
            let corners = [
                (x - 5.0, y - 5.0),
                (x + 5.0, y - 5.0),
                (x + 5.0, y + 5.0),
                (x - 5.0, y + 5.0),
            ];
            sheet.area(&corners, Pen::fill(ORANGE, 1.0))
        }
    }
}

fn lines<DB: DrawingBackend>(
    track: &Track,
    sheet: &Sheet<'_, DB>,
    frame: &Frame,
) -> Result<(), String> {
    if frame.up.holds(0.0) {
        let y = frame.y(0.0);
        sheet.line(&[(frame.left, y), (frame.right, y)], ZERO)?;
    }
    let mut low = Vec::new();
    let mut high = Vec::new();
    for stretch in &track.corridor {
        for at in [stretch.from, stretch.to] {
            low.push((frame.x(at), frame.y(stretch.low_c)));
            high.push((frame.x(at), frame.y(stretch.high_c)));
        }
    }
    sheet.dashes(&low, 9.0, 4.0, TOLERANCE)?;
    sheet.dashes(&high, 9.0, 4.0, TOLERANCE)?;
    let mut expected = Vec::new();
    for point in &track.outlook {
        expected.push((frame.x(point.at), frame.y(point.offset_c)));
    }
    sheet.dashes(&expected, 4.0, 4.0, OUTLOOK)?;
    let mut tracked = Vec::new();
    for dot in &track.readings {
        tracked.push((frame.x(dot.at), frame.y(dot.tracked_c)));
    }
    sheet.line(&tracked, OFFSET)
}

fn readings<DB: DrawingBackend>(
    track: &Track,
    sheet: &Sheet<'_, DB>,
    frame: &Frame,
) -> Result<(), String> {
    let radius = if track.readings.len() > LARGE_DOTS {
        3.0
    } else {
        5.0
    };
    for reading in &track.readings {
        let x = frame.x(reading.at);
        let at = (x, frame.y(reading.corrected_c));
        if is_shifted(reading) {
            let observed = (x, frame.y(reading.observed_c));
            sheet.line(&[observed, at], Pen::line(GREY, 1.0))?;
            sheet.circle(observed, 3.0, Pen::line(GREY, 1.0))?;
        }
        if reading.reduced {
            reduced(sheet, at)?;
        } else {
            dot(sheet, at, radius)?;
        }
    }
    Ok(())
}

/// Says whether batch and gauge moved a reading by more than is seen.
fn is_shifted(dot: &super::track::Dot) -> bool {
    (dot.observed_c - dot.corrected_c).abs() >= 0.05
}

/// Finds a line for each mark's label, so that none lies on another: its meaning where there is room, its
/// short label where not.
fn placed<'m, DB: DrawingBackend>(
    frame: &Frame,
    marks: &'m [Mark],
    sheet: &Sheet<'_, DB>,
) -> Result<Vec<Placed<'m>>, String> {
    let mut ends = [f64::NEG_INFINITY; LANES];
    let mut placed = Vec::new();
    for mark in marks {
        let mut texts = vec![mark.label.clone()];
        if marks.len() <= WRITTEN_OUT {
            texts.insert(0, format!("{} {}", mark.label, mark.meaning));
        }
        let mut found = None;
        for text in texts {
            // The sign, the text, and a gap.
            let width = 17.0 + sheet.width(&text, SMALL)? + 12.0;
            let left = (frame.x(mark.at) - 8.0).min(frame.right - width).max(4.0);
            let free = ends.iter().position(|end| *end <= left);
            if let Some(lane) = free {
                ends[lane] = left + width;
                found = Some(Placed {
                    mark,
                    lane,
                    left,
                    text,
                });
                break;
            }
        }
        placed.extend(found);
    }
    Ok(placed)
}

fn labels<DB: DrawingBackend>(
    placed: &[Placed<'_>],
    sheet: &Sheet<'_, DB>,
    frame: &Frame,
) -> Result<(), String> {
    for label in placed {
        let x = frame.x(label.mark.at);
        let y = frame.bottom + 38.0 + LANE * scale::count(label.lane);
        let upright = [(x, frame.top), (x, frame.bottom)];
        sheet.dashes(&upright, 2.0, 5.0, Pen::line(GREY, 1.0))?;
        mark_sign(label.mark.kind, sheet, (label.left + 6.0, y))?;
        let place = (label.left + 17.0, y);
        sheet.text(place, &label.text, SMALL, BLACK, Side::Left)?;
    }
    Ok(())
}
