//! Quality control with the real program and a real server: standings, histories, charts and findings.

use crate::workplace::Workplace;

/// A furnace with one reading, adjusted as advised.
fn read_once() -> Workplace {
    let place = Workplace::furnished();
    place.reading("add", "19.47 19.465 19.475", "").done();
    place
}

#[test]
fn a_furnace_that_was_never_read_is_listed_as_such_and_told_what_to_do() {
    let place = Workplace::furnished();
    let overview = place.said("qc overview");
    assert!(
        overview.err.contains("ringtrue reading add"),
        "{}",
        overview.err
    );
    let overview = overview.done();
    assert!(overview.contains("Never read"), "{overview}");
    let furnaces = place.said("qc furnaces");
    assert!(
        furnaces.err.contains("ringtrue reading add"),
        "{}",
        furnaces.err
    );
    let furnaces = furnaces.done();
    assert!(furnaces.contains("porto/k2"), "{furnaces}");
    assert!(furnaces.contains("never read"), "{furnaces}");
    let none = place.said("qc furnaces --conformity out");
    assert!(none.err.contains("--conformity"), "{}", none.err);
    let history = place.said("furnace history k2");
    assert_eq!(history.code, Some(0), "{}", history.err);
    assert!(
        history.err.contains("no evaluated reading yet"),
        "{}",
        history.err
    );
    let findings = place.said("qc findings");
    assert_eq!(findings.code, Some(0), "{}", findings.err);
    assert!(
        findings.err.contains("No findings are open"),
        "{}",
        findings.err
    );
}

#[test]
fn a_read_furnace_is_drawn_with_its_standing() {
    let place = read_once();
    let shown = place.said("furnace show k2").done();
    for part in ["Offset through time", "●", "Where it stands", "Error now"] {
        assert!(shown.contains(part), "{part}\n{shown}");
    }
    let bare = place.said("furnace show k2 --no-chart").done();
    assert!(!bare.contains("Offset through time"), "{bare}");
    let listed = place.said("qc furnaces --order error").done();
    assert!(!listed.contains("never read"), "{listed}");
    assert!(listed.contains("porto/k2"), "{listed}");
    assert!(listed.contains("°C"), "{listed}");
    let unmatched = place.said("qc furnaces --search nothing-like-it");
    assert!(
        unmatched.err.contains("No furnace is like that"),
        "{}",
        unmatched.err
    );
}

#[test]
fn what_is_known_of_batches_and_gauges_is_listed_with_units() {
    let place = read_once();
    let batches = place.said("qc batches").done();
    assert!(batches.contains("x7"), "{batches}");
    assert!(batches.contains("°C"), "{batches}");
    let gauges = place.said("qc gauges").done();
    assert!(gauges.contains("porto/caliper-1"), "{gauges}");
    assert!(gauges.contains("mm"), "{gauges}");
}

/// Three calibrations, a fortnight apart: as many as a control chart needs at least.
fn read_three_times() -> Workplace {
    let place = Workplace::furnished();
    for (day, diameters) in [
        ("2026-10-02", "19.47 19.465 19.475"),
        ("2026-10-16", "19.475 19.47 19.48"),
        ("2026-10-30", "19.465 19.47 19.46"),
    ] {
        let line = format!("reading add k2 --batch x7 --setpoint 1500 --diameters {diameters}");
        let (fired, measured) = (format!("{day} 18:00"), format!("{day} 23:00"));
        place
            .said_with(&line, &["--fired", &fired, "--measured", &measured])
            .done();
    }
    place
}

#[test]
fn histories_and_control_charts_are_exported_as_svg_and_png() {
    let place = read_three_times();
    for (command, name) in [
        ("furnace history k2", "history.svg"),
        ("furnace history k2", "history.png"),
        ("qc charts k2", "charts.svg"),
        ("qc charts k2", "charts.png"),
    ] {
        let path = place.folder().join(name);
        let written = place.said_with(
            &format!("{command} --output"),
            &[path.to_string_lossy().into_owned()],
        );
        assert_eq!(written.done(), "");
        let content = std::fs::read(&path).expect("the file was written");
        if path.extension().is_some_and(|ending| ending == "svg") {
            let text = String::from_utf8(content).expect("UTF-8");
            assert!(text.contains("furnace k2"), "{name}");
            assert!(text.contains("°C"), "{name}");
        } else {
            assert!(content.starts_with(b"\x89PNG\r\n\x1a\n"), "{name}");
        }
    }
    let refused = place.said("furnace history k2 --output history.pdf");
    assert_eq!(refused.code, Some(2), "{}", refused.err);
}

#[test]
fn programs_are_given_the_whole_history() {
    let place = read_once();
    let history = place
        .said("furnace history k2 --outlook-weeks 4 --json")
        .done();
    let history: serde_json::Value = serde_json::from_str(&history).expect("JSON");
    assert_eq!(history["timeZone"], "Europe/Lisbon");
    assert_eq!(history["points"].as_array().map(Vec::len), Some(1));
    assert!(history["standing"]["toleranceC"].is_number(), "{history}");
    let charts = place.said("qc charts k2 --json").done();
    let charts: serde_json::Value = serde_json::from_str(&charts).expect("JSON");
    assert_eq!(charts["charts"].as_array().map(Vec::len), Some(4));
}

#[test]
fn what_is_not_there_is_said_with_its_exit_code() {
    let place = Workplace::furnished();
    for line in [
        "furnace history k9",
        "qc charts k9",
        "qc finding show 0198f3a0-0000-7000-8000-000000000001",
    ] {
        let missing = place.said(line);
        assert_eq!(missing.code, Some(5), "{line}: {}", missing.err);
    }
    let unsaid = place.said("qc finding resolve 0198f3a0-0000-7000-8000-000000000001");
    assert_eq!(unsaid.code, Some(2), "{}", unsaid.err);
}
