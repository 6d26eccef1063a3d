//! Charts of an invented half year, in the terminal and in files.

use std::collections::BTreeSet;

use super::control::{self, Panel};
use super::control_picture::ControlPicture;
use super::picture::{Format, Scene, drawn};
use super::sample::{self, charts, history, lisbon, programme};
use super::terminal::Look;
use super::track::Track;
use super::track_lines;
use super::track_picture::TrackPicture;
use crate::standing;

const UNICODE: Look = Look {
    unicode: true,
    colour: false,
};
const ASCII: Look = Look {
    unicode: false,
    colour: false,
};

fn track() -> Track {
    Track::of(&history(), &lisbon(), Some(&programme()))
}

fn panels() -> Vec<Panel> {
    let mut panels = Vec::new();
    for chart in charts() {
        panels.push(Panel::of(&chart, &lisbon()));
    }
    panels
}

fn svg(scene: &impl Scene) -> String {
    let content = drawn(scene, Format::Svg).expect("drawn");
    String::from_utf8(content).expect("UTF-8")
}

/// Width, height and count of distinct colours of a PNG.
fn looked_at(content: &[u8]) -> (u32, u32, usize) {
    let decoder = png::Decoder::new(std::io::Cursor::new(content));
    let mut reader = decoder.read_info().expect("a PNG");
    let mut pixels = vec![0; reader.output_buffer_size().expect("a size that fits")];
    let frame = reader.next_frame(&mut pixels).expect("one frame");
    let mut colours = BTreeSet::new();
    for pixel in pixels[..frame.buffer_size()].chunks_exact(3) {
        colours.insert([pixel[0], pixel[1], pixel[2]]);
    }
    (frame.width, frame.height, colours.len())
}

/// Goes through an XML text: every element that is opened is closed, in order, and no sign is left bare.
fn assert_well_formed(text: &str) {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = text.trim();
    while let Some(start) = rest.find('<') {
        let (between, tail) = rest.split_at(start);
        assert!(!between.contains('>'), "bare > in {between}");
        for entity in between.split('&').skip(1) {
            let known = ["lt;", "gt;", "amp;", "quot;", "apos;"];
            assert!(
                known.iter().any(|name| entity.starts_with(name)),
                "bare & in {between}"
            );
        }
        let end = tail.find('>').expect("every < has its >");
        let tag = &tail[1..end];
        rest = &tail[end + 1..];
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name.trim()));
        } else if !tag.starts_with(['?', '!']) && !tag.ends_with('/') {
            open.push(tag.split_whitespace().next().expect("a name"));
        }
    }
    assert!(open.is_empty(), "{open:?} are never closed");
    assert!(rest.trim().is_empty(), "{rest}");
}

#[test]
fn a_furnaces_offset_is_drawn_through_time() {
    let expected = "\
Offset at 1500 °C (true minus set temperature), °C
    │                            ┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄
    │                                                ┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄
    │                     ○                                                  · ·
+30 ┤                           ░░░░ ░░░░  ░░░░░░                  · · · · ·
    │ ┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄●⡠●⠤●⠤●⠤●⢄●⠤●⠤●⠔●░       · · · · ·             ·
    │                          ⠠⠁░░░░░░░░░░░░░░░░⢂░░░░ ·     · · · · · · · · ·
    │              ░░░░░●░░░░░●⠂░                ░●⠒●⠒●· · ·
+20 ┤░●░░░●░●⣀░⣀●⣀●⠤●⠤●⠔⠒⠊⠉⠉●⠉⠁░                  ░░░░ · · · · · · · · · · · · ·
    │●⠉⠉●⠉⠉⠉⠁░●░░░░░░░░░░        ┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄
    │                                                ┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄
    │
+10 ┤┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄
    │
    │
    │
  0 ┤───────────────────────────────────────────────────────────────────────────
    │
    │
    │
-10 ┤┄
    └─────────┬────────────────┬────────────────┬────────────────┬──────────────
           2026-07          2026-09          2026-11          2027-01
     A1                       E1       C1       E2 A3
                                A2
● reading; ○ at reduced weight; ⠒ offset; ░ about 95 %;
┄ tolerance at the setpoint in force; ─ zero; · outlook, about 95 %; E event;
A adjustment; C new batch or gauge

MARK  DAY         WHAT HAPPENED
A1    2026-06-01  standard from 1500 to 1481 °C
E1    2026-09-01  elements replaced
A2    2026-09-07  standard from 1481 to 1472 °C
C1    2026-10-02  batch x8
E2    2026-11-03  thermocouple replaced
A3    2026-11-16  standard from 1472 to 1474 °C";
    assert_eq!(track_lines::drawn(&track(), 80, UNICODE), expected);
}

#[test]
fn a_terminal_without_unicode_is_given_nothing_but_ascii() {
    let mut lines = track_lines::drawn(&track(), 60, ASCII);
    lines.push('\n');
    lines.push_str(&control::drawn(&panels(), 60, ASCII));
    assert!(lines.is_ascii(), "{lines}");
    for line in lines.lines() {
        assert!(line.len() <= 60, "{line}");
    }
}

#[test]
fn a_control_chart_names_its_signals() {
    let text = control::drawn(&panels()[..1], 80, UNICODE);
    assert!(text.starts_with("Individual values, °C\n"), "{text}");
    assert!(
        text.contains("Signal  2026-08-14: +13.50 °C, limits -8 and 8, reading r11"),
        "{text}"
    );
    assert!(text.ends_with("second ring."), "it says what to do: {text}");
    assert!(!text.contains(".."), "{text}");
    assert_eq!(
        text.matches('◆').count(),
        2,
        "one signal and the legend: {text}"
    );
    let mut calm = panels();
    for point in &mut calm[0].points {
        point.signal = false;
    }
    let text = control::drawn(&calm[..1], 80, UNICODE);
    assert!(text.ends_with("No signals."), "{text}");
}

#[test]
fn the_tolerance_moves_with_the_setpoint() {
    // Present setpoint 1474 °C for 1500 °C wanted: the furnace is right at an offset of +26 °C. Before
    // the last adjustment it stood at 1472 °C, so it was right at +28 °C.
    let corridor = track().corridor;
    assert_eq!(corridor.len(), 4);
    let mut middles = Vec::new();
    for stretch in &corridor {
        middles.push(f64::midpoint(stretch.low_c, stretch.high_c).round());
        assert!((stretch.high_c - stretch.low_c - 20.0).abs() < 1e-9);
    }
    for (middle, expected) in middles.iter().zip([0.0, 19.0, 28.0, 26.0]) {
        assert!((middle - expected).abs() < 1e-9, "{middles:?}");
    }
    let without = Track::of(&history(), &lisbon(), None);
    assert!(without.corridor.is_empty());
}

#[test]
fn marks_are_lettered_by_kind_in_order_of_time() {
    let mut labels = Vec::new();
    for mark in track().marks {
        labels.push(format!("{} {}", mark.label, mark.meaning));
    }
    assert_eq!(
        labels,
        [
            "A1 standard from 1500 to 1481 °C",
            "E1 elements replaced",
            "A2 standard from 1481 to 1472 °C",
            "C1 batch x8",
            "E2 thermocouple replaced",
            "A3 standard from 1472 to 1474 °C",
        ]
    );
}

#[test]
fn values_that_are_no_numbers_are_left_out() {
    let mut odd = history();
    odd.points[3].corrected_offset_c = f64::NAN;
    odd.points[4].tracked_standard_uncertainty_c = f64::INFINITY;
    odd.outlook[2].offset_c = f64::NAN;
    let track = Track::of(&odd, &lisbon(), Some(&programme()));
    assert_eq!((track.readings.len(), track.outlook.len()), (24, 13));
    assert!(track.offsets().length().is_finite());
}

#[test]
fn a_single_reading_can_be_drawn_everywhere() {
    let mut first = history();
    first.points.truncate(1);
    first.events.clear();
    first.adjustments.clear();
    first.outlook.clear();
    let track = Track::of(&first, &lisbon(), None);
    let text = track_lines::drawn(&track, 80, UNICODE);
    assert!(text.contains('●'), "{text}");
    let scene = TrackPicture {
        track: &track,
        standing: "",
    };
    assert_well_formed(&svg(&scene));
    assert!(drawn(&scene, Format::Png).is_ok());
}

#[test]
fn many_marks_are_told_apart_by_their_short_labels() {
    let mut busy = history();
    for point in busy.points.clone() {
        let mut adjustment = busy.adjustments[0].clone();
        adjustment.adjust_time = point.fire_time;
        busy.adjustments.push(adjustment);
    }
    let track = Track::of(&busy, &lisbon(), Some(&programme()));
    let text = svg(&TrackPicture {
        track: &track,
        standing: "",
    });
    assert_well_formed(&text);
    assert!(text.contains("\nA17\n"), "{text}");
    assert!(!text.contains("A17 standard"), "{text}");
    let lines = track_lines::drawn(&track, 100, UNICODE);
    assert!(
        lines.contains("20 earlier; show them with --from"),
        "{lines}"
    );
}

#[test]
fn a_history_in_svg_is_well_formed_and_says_what_it_shows() {
    let track = track();
    let sentence = standing::sentence(&sample::standing());
    let text = svg(&TrackPicture {
        track: &track,
        standing: &sentence,
    });
    assert_well_formed(&text);
    for label in [
        "Offset of furnace k2",
        "Offset (true minus set temperature) at 1500 °C, in °C",
        "Day at the site (Europe/Lisbon)",
        "offset, about 95 % coverage",
        "outlook, about 95 % coverage",
        "tolerance at the setpoint in force",
        "reading at reduced weight",
        "E2 thermocouple replaced",
        "A3 standard from 1472 to 1474 °C",
        "C1 batch x8",
        "2026-09",
        "+20",
    ] {
        assert!(text.contains(label), "{label}");
    }
}

#[test]
fn control_charts_in_svg_have_four_panels_with_units() {
    let panels = panels();
    let text = svg(&ControlPicture {
        furnace: sample::K2,
        zone_name: "Europe/Lisbon",
        panels: &panels,
    });
    assert_well_formed(&text);
    for label in [
        "Control charts of furnace k2",
        "Individual values",
        "Moving range of two",
        "Exponentially weighted moving average",
        "Cumulative sum",
        "lower sum",
        "control limits",
        "2026-05-29",
    ] {
        assert!(text.contains(label), "{label}");
    }
    assert_eq!(text.matches("\nin °C\n").count(), 2);
    assert_eq!(text.matches("\nin standard deviations\n").count(), 2);
}

#[test]
fn signs_of_markup_in_names_stay_text() {
    let mut panels = panels();
    "Values <of> \"A & B\"".clone_into(&mut panels[0].title);
    let text = svg(&ControlPicture {
        furnace: "sites/porto/furnaces/k<2",
        zone_name: "UTC",
        panels: &panels,
    });
    assert_well_formed(&text);
    assert!(text.contains("A &amp; B"), "{text}");
}

#[test]
fn a_png_has_the_size_asked_for_and_something_to_see() {
    let track = track();
    let sentence = standing::sentence(&sample::standing());
    let history = drawn(
        &TrackPicture {
            track: &track,
            standing: &sentence,
        },
        Format::Png,
    )
    .expect("drawn");
    assert_eq!(history[..8], *b"\x89PNG\r\n\x1a\n");
    let (width, height, colours) = looked_at(&history);
    assert_eq!((width, height), (1200, 700));
    // Smooth edges make many shades; a blank sheet has one.
    assert!(colours > 200, "{colours} colours");
    let panels = panels();
    let charts = drawn(
        &ControlPicture {
            furnace: sample::K2,
            zone_name: "Europe/Lisbon",
            panels: &panels,
        },
        Format::Png,
    )
    .expect("drawn");
    let (width, height, colours) = looked_at(&charts);
    assert_eq!((width, height), (1200, 970));
    assert!(colours > 100, "{colours} colours");
}

#[test]
fn the_files_name_says_the_format() {
    let of = |name: &str| Format::of(std::path::Path::new(name));
    assert_eq!(of("k2.svg"), Ok(Format::Svg));
    assert_eq!(of("/tmp/K2.PNG"), Ok(Format::Png));
    let refused = of("k2.pdf").expect_err("no such format");
    assert!(refused.contains(".svg or .png"), "{refused}");
    assert!(of("k2").is_err());
}
