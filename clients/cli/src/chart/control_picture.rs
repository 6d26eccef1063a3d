//! The control charts of a furnace as one picture of several panels.

use plotters::backend::DrawingBackend;

use super::control::Panel;
use super::picture::{BLACK, BLUE, Frame, GREY, ORANGE, Pen, Scene, Sheet, Side, VERMILION};
use super::scale;
use crate::names;

const TITLE: f64 = 27.0;
const HEADING: f64 = 18.0;
const LETTERS: f64 = 16.0;
const SMALL: f64 = 14.0;
/// Height of a row of panels, pixels.
const ROW: u32 = 440;
/// Height of what stands above the panels, pixels.
const HEAD: u32 = 90;

/// Control charts as a picture.
pub(crate) struct ControlPicture<'a> {
    /// The furnace's resource name.
    pub(crate) furnace: &'a str,
    /// Name of the site's zone.
    pub(crate) zone_name: &'a str,
    /// The charts, two in a row.
    pub(crate) panels: &'a [Panel],
}

impl Scene for ControlPicture<'_> {
    fn size(&self) -> (u32, u32) {
        let rows = u32::try_from(self.panels.len().div_ceil(2)).unwrap_or(1);
        (1200, HEAD + ROW * rows.clamp(1, 8))
    }

    fn draw<DB: DrawingBackend>(&self, sheet: &Sheet<'_, DB>) -> Result<(), String> {
        sheet.clear()?;
        let title = format!("Control charts of furnace {}", names::id(self.furnace));
        sheet.text((24.0, 26.0), &title, TITLE, BLACK, Side::Left)?;
        let about = format!(
            "Readings in their order; days at the site ({}). What was known of batches and \
             gauges at the time is taken off.",
            self.zone_name
        );
        sheet.text((24.0, 58.0), &about, LETTERS, BLACK, Side::Left)?;
        for (place, panel) in self.panels.iter().enumerate() {
            let left = if place % 2 == 0 { 0.0 } else { 600.0 };
            let top = f64::from(HEAD) + f64::from(ROW) * scale::count(place / 2);
            panel_drawn(panel, sheet, left, top)?;
        }
        Ok(())
    }
}

fn panel_drawn<DB: DrawingBackend>(
    panel: &Panel,
    sheet: &Sheet<'_, DB>,
    left: f64,
    top: f64,
) -> Result<(), String> {
    let heading = (left + 24.0, top + 12.0);
    sheet.text(heading, &panel.title, HEADING, BLACK, Side::Left)?;
    let unit = format!("in {}", panel.unit_in_words());
    sheet.text((left + 24.0, top + 32.0), &unit, SMALL, BLACK, Side::Left)?;
    let frame = Frame {
        left: left + 74.0,
        top: top + 74.0,
        right: left + 572.0,
        bottom: top + 336.0,
        across: panel.across(),
        up: panel.up(),
    };
    if panel.points.is_empty() {
        let place = (left + 300.0, top + 180.0);
        return sheet.text(place, "no points yet", LETTERS, BLACK, Side::Middle);
    }
    frame.axes(sheet, &panel.days(5), &scale::round(frame.up, 7), SMALL)?;
    let limits = Pen::line(VERMILION, 2.0);
    let on = |corners: Vec<(f64, f64)>| -> Vec<(f64, f64)> {
        let place = |(at, value): (f64, f64)| (frame.x(at), frame.y(value));
        corners.into_iter().map(place).collect()
    };
    sheet.line(&on(panel.steps(|point| point.centre)), Pen::line(GREY, 1.5))?;
    let upper = on(panel.steps(|point| point.upper_limit));
    let lower = on(panel.steps(|point| point.lower_limit));
    sheet.dashes(&upper, 9.0, 4.0, limits)?;
    sheet.dashes(&lower, 9.0, 4.0, limits)?;
    let has_lower = panel.points.iter().any(|point| point.lower_value.is_some());
    if has_lower {
        let sums = on(panel.corners(|point| point.lower_value.unwrap_or(point.centre)));
        sheet.dashes(&sums, 4.0, 3.0, Pen::line(ORANGE, 2.0))?;
        for place in sums {
            sheet.diamond(place, 4.5, Pen::fill(ORANGE, 1.0))?;
        }
    }
    let values = on(panel.corners(|point| point.value));
    sheet.line(&values, Pen::line(BLUE, 2.0))?;
    for (place, point) in values.into_iter().zip(&panel.points) {
        sheet.circle(place, 4.0, Pen::fill(BLUE, 1.0))?;
        if point.signal {
            sheet.circle(place, 9.0, Pen::line(VERMILION, 2.5))?;
        }
    }
    legend(panel, has_lower, sheet, (left + 24.0, top + 54.0))?;
    let below = (left + 24.0, frame.bottom + 42.0);
    sheet.wrapped(below, &panel.basis, SMALL, BLACK, 510.0)?;
    Ok(())
}

/// Draws what each sign means, side by side.
fn legend<DB: DrawingBackend>(
    panel: &Panel,
    has_lower: bool,
    sheet: &Sheet<'_, DB>,
    (left, top): (f64, f64),
) -> Result<(), String> {
    let mut x = left;
    let y = top;
    let value = if has_lower { "upper sum" } else { "value" };
    let mut texts = vec![value];
    if has_lower {
        texts.push("lower sum");
    }
    texts.extend(["centre", "control limits"]);
    if panel.points.iter().any(|point| point.signal) {
        texts.push("signal");
    }
    for text in texts {
        let across = [(x, y), (x + 26.0, y)];
        let middle = (x + 13.0, y);
        match text {
            "lower sum" => {
                sheet.dashes(&across, 4.0, 3.0, Pen::line(ORANGE, 2.0))?;
                sheet.diamond(middle, 4.5, Pen::fill(ORANGE, 1.0))?;
            }
            "centre" => sheet.line(&across, Pen::line(GREY, 1.5))?,
            "control limits" => sheet.dashes(&across, 9.0, 4.0, Pen::line(VERMILION, 2.0))?,
            "signal" => sheet.circle(middle, 8.0, Pen::line(VERMILION, 2.5))?,
            _ => {
                sheet.line(&across, Pen::line(BLUE, 2.0))?;
                sheet.circle(middle, 4.0, Pen::fill(BLUE, 1.0))?;
            }
        }
        sheet.text((x + 32.0, top), text, SMALL, BLACK, Side::Left)?;
        x += 32.0 + sheet.width(text, SMALL)? + 18.0;
    }
    Ok(())
}
