//! Control charts, taken from the protocol's messages and drawn with characters.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{ChartKind, ControlChart};

use super::scale::{Range, Tick, count, day_at, seconds};
use super::terminal::{Field, Layer, Look, flowed, label_width, value_ticks};
use crate::quantity::{brief, fixed, signed};
use crate::{moment, names, output};

/// Rows of a chart's field in the terminal.
const HEIGHT: usize = 9;

/// Narrower than this, characters, signals are marked with a sign instead of a word.
const NARROW: u16 = 60;

/// One control chart. Its points stand side by side at equal distances, since the rules count readings,
/// not days.
#[derive(Debug, Clone)]
pub(crate) struct Panel {
    /// Title in words.
    pub(crate) title: String,
    /// Unit of the values.
    pub(crate) unit: String,
    /// How it was made.
    pub(crate) basis: String,
    /// Points, earliest first.
    pub(crate) points: Vec<PanelPoint>,
}

/// One point.
#[derive(Debug, Clone)]
pub(crate) struct PanelPoint {
    /// Id of the reading.
    pub(crate) reading: String,
    /// Day of its firing at the site.
    pub(crate) day: String,
    /// The value, or the upper sum.
    pub(crate) value: f64,
    /// The lower sum.
    pub(crate) lower_value: Option<f64>,
    /// Centre line.
    pub(crate) centre: f64,
    /// Upper control limit.
    pub(crate) upper_limit: f64,
    /// Lower control limit.
    pub(crate) lower_limit: f64,
    /// Whether the point is a signal.
    pub(crate) signal: bool,
}

impl Panel {
    /// Takes a chart apart; points that are no numbers are left out.
    pub(crate) fn of(chart: &ControlChart, zone: &TimeZone) -> Self {
        let mut points = Vec::new();
        for point in &chart.points {
            let values = [
                point.value,
                point.lower_value.unwrap_or(0.0),
                point.centre,
                point.upper_limit,
                point.lower_limit,
            ];
            if !values.iter().all(|value| value.is_finite()) {
                continue;
            }
            let fired = moment::received(point.fire_time.as_ref());
            points.push(PanelPoint {
                reading: names::id(&point.reading).to_owned(),
                day: fired
                    .map(|at| day_at(seconds(at), zone))
                    .unwrap_or_default(),
                value: point.value,
                lower_value: point.lower_value,
                centre: point.centre,
                upper_limit: point.upper_limit,
                lower_limit: point.lower_limit,
                signal: point.signal,
            });
        }
        let title = if chart.title.is_empty() {
            match chart.kind() {
                ChartKind::Individuals => "Individual values",
                ChartKind::MovingRange => "Moving range of two",
                ChartKind::Ewma => "Exponentially weighted moving average",
                ChartKind::Cusum => "Cumulative sum",
                ChartKind::Unspecified => "Control chart",
            }
            .to_owned()
        } else {
            chart.title.clone()
        };
        let mut basis = chart.basis.clone();
        if let Some(length) = chart.average_run_length.filter(|length| *length > 0.0) {
            let sentence = format!(
                "About {} readings between false alarms when nothing changes.",
                fixed(length, 0)
            );
            if !basis.is_empty() {
                basis.truncate(basis.trim_end_matches('.').len());
                basis.push_str(". ");
            }
            basis.push_str(&sentence);
        }
        Panel {
            title,
            unit: chart.unit.clone(),
            basis,
            points,
        }
    }

    /// Gives the unit in words.
    pub(crate) fn unit_in_words(&self) -> &str {
        if self.unit.is_empty() {
            "standard deviations"
        } else {
            &self.unit
        }
    }

    /// Gives the places of the points: their order from 1, half a place at each end.
    pub(crate) fn across(&self) -> Range {
        Range {
            low: 0.5,
            high: count(self.points.len().max(1)) + 0.5,
        }
    }

    /// Gives what goes up.
    pub(crate) fn up(&self) -> Range {
        let mut values = Vec::new();
        for point in &self.points {
            values.extend([
                point.value,
                point.lower_value.unwrap_or(point.value),
                point.centre,
                point.upper_limit,
                point.lower_limit,
            ]);
        }
        Range::of(values).widened(0.06)
    }

    /// Gives at most `most` ticks with the days of some points.
    pub(crate) fn days(&self, most: usize) -> Vec<Tick> {
        let step = self.points.len().div_ceil(most.max(1)).max(1);
        let mut ticks = Vec::new();
        for (place, point) in self.points.iter().enumerate().step_by(step) {
            ticks.push(Tick {
                at: count(place) + 1.0,
                label: point.day.clone(),
            });
        }
        ticks
    }

    /// Gives the corners of one of the lines: (place, value).
    pub(crate) fn corners(&self, value: impl Fn(&PanelPoint) -> f64) -> Vec<(f64, f64)> {
        let mut corners = Vec::new();
        for (place, point) in self.points.iter().enumerate() {
            corners.push((count(place) + 1.0, value(point)));
        }
        corners
    }

    /// Gives the same as steps, each as wide as its point.
    pub(crate) fn steps(&self, value: impl Fn(&PanelPoint) -> f64) -> Vec<(f64, f64)> {
        let mut corners = Vec::new();
        for (at, value) in self.corners(value) {
            corners.push((at - 0.5, value));
            corners.push((at + 0.5, value));
        }
        corners
    }
}

/// Draws charts below each other, each with its signals in words.
pub(crate) fn drawn(panels: &[Panel], columns: u16, look: Look) -> String {
    let mut parts = Vec::new();
    for panel in panels {
        parts.push(panel_drawn(panel, columns, look));
    }
    if panels
        .iter()
        .flat_map(|panel| &panel.points)
        .any(|point| point.signal)
    {
        let next = "A signal asks for a look, not for a new setpoint: `ringtrue furnace history` shows \
                    events, adjustments and new batches or gauges of that day. One on the first day of a \
                    batch or gauge is rather theirs than the furnace's. Else fire a second ring.";
        parts.push(output::paragraph(next, columns));
    }
    let text = parts.join("\n\n");
    if look.unicode {
        text
    } else {
        text.replace("°C", "C")
    }
}

fn panel_drawn(panel: &Panel, columns: u16, look: Look) -> String {
    let unit = panel.unit_in_words();
    let mut lines = vec![if panel.title.ends_with(unit) {
        panel.title.clone()
    } else {
        format!("{}, {unit}", panel.title)
    }];
    if panel.points.is_empty() {
        lines.push("No points yet.".to_owned());
        return lines.join("\n");
    }
    let up = panel.up();
    let values = value_ticks(up, HEIGHT);
    let margin = label_width(&values);
    let width = usize::from(columns).saturating_sub(margin + 2).max(20);
    let mut field = Field::new(panel.across(), up, width, HEIGHT);
    for (place, point) in panel.points.iter().enumerate() {
        let at = count(place) + 1.0;
        let (from, to) = (at - 0.5, at + 0.5);
        field.level(from, to, point.centre, Layer::Zero);
        field.level(from, to, point.upper_limit, Layer::Limit);
        field.level(from, to, point.lower_limit, Layer::Limit);
        if let Some(lower) = point.lower_value {
            field.point(at, lower, Layer::Second);
        }
        let layer = if point.signal {
            Layer::Signal
        } else {
            Layer::Reading
        };
        field.point(at, point.value, layer);
    }
    let days = panel.days((width / 14).clamp(2, 8));
    lines.append(&mut field.drawn(&values, &days, look));
    let mut legend = vec![
        format!("{} value", look.sign(Layer::Reading)),
        format!("{} signal", look.sign(Layer::Signal)),
        format!("{} centre", look.sign(Layer::Zero)),
        format!("{} control limits", look.sign(Layer::Limit)),
    ];
    if panel.points.iter().any(|point| point.lower_value.is_some()) {
        legend.push(format!("{} lower sum", look.sign(Layer::Second)));
    }
    lines.push(flowed(&legend, columns));
    if !panel.basis.is_empty() {
        lines.push(output::paragraph(&panel.basis, columns));
    }
    let mut signals = Vec::new();
    for point in &panel.points {
        if point.signal {
            signals.push(format!(
                "{}: {} {unit}{}, limits {} and {}, reading {}",
                point.day,
                signed(point.value, 2),
                point
                    .lower_value
                    .map(|lower| format!(" (lower sum {})", signed(lower, 2)))
                    .unwrap_or_default(),
                brief(point.lower_limit, 2),
                brief(point.upper_limit, 2),
                point.reading
            ));
        }
    }
    if signals.is_empty() {
        lines.push("No signals.".to_owned());
    } else {
        // On a narrow terminal an id beside the longer word would be broken.
        let mark = if columns < NARROW { "!" } else { "Signal" };
        lines.push(output::marked(mark, &signals, columns));
    }
    lines.join("\n")
}
