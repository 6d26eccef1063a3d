//! A furnace's offset through time, drawn with characters.

use super::scale::{self, day_at};
use super::terminal::{Field, Lane, Layer, Look, flowed, label_width, value_ticks};
use super::track::{MarkKind, Track};
use crate::output;
use crate::quantity::brief;

/// Rows of the field.
const HEIGHT: usize = 20;
/// Most lines of labels below the time axis.
const LANES: usize = 3;
/// Most marks explained one by one.
const EXPLAINED: usize = 12;

/// Draws a track to a width, with its legend and the meaning of its marks.
pub(crate) fn drawn(track: &Track, columns: u16, look: Look) -> String {
    let (across, up) = (track.times(), track.offsets());
    let values = value_ticks(up, HEIGHT);
    let margin = label_width(&values);
    let width = usize::from(columns).saturating_sub(margin + 2).max(20);
    let mut field = Field::new(across, up, width, HEIGHT);
    let mut band = Vec::new();
    let mut tracked = Vec::new();
    for dot in &track.readings {
        let (at, offset_c, half_c) = (dot.at, dot.tracked_c, dot.half_band_c);
        band.push((at, offset_c - half_c, offset_c + half_c));
        tracked.push((at, offset_c));
    }
    field.band(&band, Layer::Band);
    field.line(&tracked);
    field.level(across.low, across.high, 0.0, Layer::Zero);
    for stretch in &track.corridor {
        field.level(stretch.from, stretch.to, stretch.low_c, Layer::Limit);
        field.level(stretch.from, stretch.to, stretch.high_c, Layer::Limit);
    }
    let mut edges = [Vec::new(), Vec::new(), Vec::new()];
    for expected in &track.outlook {
        let (at, offset_c, half_c) = (expected.at, expected.offset_c, expected.half_band_c);
        edges[0].push((at, offset_c - half_c));
        edges[1].push((at, offset_c));
        edges[2].push((at, offset_c + half_c));
    }
    for edge in &edges {
        field.dashes(edge, Layer::Outlook);
    }
    for dot in &track.readings {
        let layer = if dot.reduced {
            Layer::Reduced
        } else {
            Layer::Reading
        };
        field.point(dot.at, dot.corrected_c, layer);
    }
    let days = scale::days(across, &track.zone, (width / 14).clamp(2, 8));
    let degree = if look.unicode { "°C" } else { "C" };
    let title = format!(
        "Offset at {} {degree} (true minus set temperature), {degree}",
        brief(track.at_temperature_c, 0)
    );
    let mut lines = vec![output::paragraph(&title, columns).trim_end().to_owned()];
    lines.append(&mut field.drawn(&values, &days, look));
    for lane in lanes(track, &field, width) {
        lines.push(format!("{:margin$}  {lane}", ""));
    }
    lines.push(flowed(&legend(track, look), columns));
    let left_out = track.marks.len().saturating_sub(EXPLAINED);
    let mut meanings = Vec::new();
    for mark in track.marks.iter().skip(left_out) {
        meanings.push(vec![
            mark.label.clone(),
            day_at(mark.at, &track.zone),
            mark.meaning.clone(),
        ]);
    }
    if !meanings.is_empty() {
        lines.push(String::new());
        lines.push(output::table(
            &["mark", "day", "what happened"],
            &meanings,
            columns,
        ));
    }
    if left_out > 0 {
        lines.push(format!(
            "{left_out} earlier; show them with --from and `ringtrue furnace events`."
        ));
    }
    let text = lines.join("\n");
    if look.unicode {
        text
    } else {
        text.replace("°C", "C").replace('±', "+/-")
    }
}

fn lanes(track: &Track, field: &Field, width: usize) -> Vec<String> {
    let mut lanes: Vec<Lane> = Vec::new();
    for mark in &track.marks {
        let Some(column) = field.column(mark.at) else {
            continue;
        };
        let mut set = false;
        for lane in &mut lanes {
            if lane.set(column, &mark.label, width) {
                set = true;
                break;
            }
        }
        if !set && lanes.len() < LANES {
            let mut lane = Lane::default();
            lane.set(column, &mark.label, width);
            lanes.push(lane);
        }
    }
    lanes.into_iter().map(|lane| lane.text).collect()
}

fn legend(track: &Track, look: Look) -> Vec<String> {
    let sign = |layer: Layer| look.sign(layer);
    let mut parts = vec![format!("{} reading", sign(Layer::Reading))];
    if track.readings.iter().any(|dot| dot.reduced) {
        parts.push(format!("{} at reduced weight", sign(Layer::Reduced)));
    }
    if track.readings.len() > 1 {
        let line = if look.unicode { '⠒' } else { '+' };
        parts.push(format!("{line} offset"));
        parts.push(format!("{} about 95 %", sign(Layer::Band)));
    }
    if !track.corridor.is_empty() {
        parts.push(format!(
            "{} tolerance at the setpoint in force",
            sign(Layer::Limit)
        ));
    }
    if track.offsets().holds(0.0) {
        parts.push(format!("{} zero", sign(Layer::Zero)));
    }
    if track.outlook.len() > 1 {
        parts.push(format!("{} outlook, about 95 %", sign(Layer::Outlook)));
    }
    for (kind, word) in [
        (MarkKind::Event, "E event"),
        (MarkKind::Adjustment, "A adjustment"),
        (MarkKind::Change, "C new batch or gauge"),
    ] {
        if track.marks.iter().any(|mark| mark.kind == kind) {
            parts.push(word.to_owned());
        }
    }
    parts
}
