//! Firings as people read them.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{Firing, FiringCase, FiringOutcome};

use crate::quantity::brief;
use crate::{moment, names, output, words};

/// Headings of a list.
pub(super) fn headings(names_furnace: bool) -> [&'static str; 7] {
    let place = if names_furnace {
        "furnace"
    } else {
        "programme"
    };
    [
        "firing", "ended", "lasted", place, "setpoint", "cases", "outcome",
    ]
}

/// A line of a list.
pub(super) fn row(firing: &Firing, names_furnace: bool, zone: &TimeZone) -> Vec<String> {
    let programme = names::id(&firing.programme);
    let furnace = names::id(names::parent(&firing.name));
    let place = if names_furnace {
        format!("{furnace}, {programme}")
    } else {
        programme.to_owned()
    };
    vec![
        firing.external_id.clone(),
        when(firing.end_time.as_ref(), zone),
        lasted(firing),
        place,
        celsius(firing.setpoint_c),
        cases_in_brief(&firing.cases),
        ended(firing),
    ]
}

fn lasted(firing: &Firing) -> String {
    let (start, end) = (&firing.start_time, &firing.end_time);
    let ends = (
        moment::received(start.as_ref()),
        moment::received(end.as_ref()),
    );
    let (Some(start), Some(end)) = ends else {
        return String::new();
    };
    let minutes = end.duration_since(start).as_mins();
    format!("{}:{:02} h", minutes / 60, minutes % 60)
}

fn when(stamp: Option<&prost_types::Timestamp>, zone: &TimeZone) -> String {
    let at = moment::received(stamp);
    at.map(|at| moment::brief(at, zone)).unwrap_or_default()
}

/// A moment as every command takes it, whatever the zone.
pub(super) fn utc(stamp: Option<&prost_types::Timestamp>) -> String {
    let at = moment::received(stamp);
    at.map(|at| at.to_string()).unwrap_or_default()
}

fn celsius(value: Option<f64>) -> String {
    value
        .map(|value| format!("{} °C", brief(value, 2)))
        .unwrap_or_default()
}

fn units(units: i32) -> String {
    match units {
        0 => "units not known".to_owned(),
        1 => "1 unit".to_owned(),
        units => format!("{units} units"),
    }
}

/// The first cases, and how many more there are.
fn cases_in_brief(cases: &[FiringCase]) -> String {
    const SHOWN: usize = 3;
    let mut told: Vec<&str> = cases.iter().map(|case| case.case_id.as_str()).collect();
    let more = told.len().saturating_sub(SHOWN);
    told.truncate(SHOWN);
    match more {
        0 => told.join(", "),
        more => format!("{} and {more} more", told.join(", ")),
    }
}

/// How it ended, and whether it is the version that counts.
fn ended(firing: &Firing) -> String {
    let outcome = match firing.outcome() {
        FiringOutcome::Cancelled => "never took place",
        outcome => words::word(words::FIRING_OUTCOMES, outcome),
    };
    if firing.amended_by.is_empty() {
        outcome.to_owned()
    } else {
        format!("{outcome}; corrected since")
    }
}

/// A firing with all that is known of it.
pub(super) fn whole(firing: &Firing, zone: &TimeZone, columns: u16) -> String {
    let shown = |stamp: Option<&prost_types::Timestamp>| {
        let at = moment::received(stamp);
        at.map(|at| moment::shown(at, zone)).unwrap_or_default()
    };
    let mut cases = Vec::new();
    for case in &firing.cases {
        cases.push(format!("{} ({})", case.case_id, units(case.units)));
    }
    let mut segments = Vec::new();
    for segment in &firing.segments {
        segments.push(format!(
            "{} °C after {} min",
            brief(segment.indicated_c, 1),
            brief(segment.duration_min, 1)
        ));
    }
    let lines = [
        ("Firing", firing.external_id.clone()),
        ("Outcome", ended(firing)),
        ("Furnace", names::id(names::parent(&firing.name)).to_owned()),
        ("Programme", names::id(&firing.programme).to_owned()),
        ("Started", shown(firing.start_time.as_ref())),
        ("Ended", shown(firing.end_time.as_ref())),
        ("Setpoint", celsius(firing.setpoint_c)),
        (
            "True peak wanted",
            format!("{} °C", brief(firing.target_c, 2)),
        ),
        (
            "At sintering heat",
            firing
                .hours_hot
                .map(|hours| format!("{} h", brief(hours, 2)))
                .unwrap_or_default(),
        ),
        (
            "Cases",
            if cases.is_empty() {
                "none reported".to_owned()
            } else {
                cases.join("\n")
            },
        ),
        ("Controller showed", segments.join("\n")),
        ("By", firing.performed_by.clone()),
        ("Note", firing.note.clone()),
        ("Corrects", names::id(&firing.amends).to_owned()),
        ("Why corrected", firing.amend_reason.clone()),
        ("Corrected by", names::id(&firing.amended_by).to_owned()),
        ("Stored", shown(firing.receive_time.as_ref())),
        ("Name", firing.name.clone()),
    ];
    output::card(&lines, columns)
}
