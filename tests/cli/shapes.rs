//! `--json`: nothing else on stdout, and a shape that programs can rely on.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::workplace::{Outcome, Workplace};

fn parsed(outcome: Outcome) -> Value {
    serde_json::from_str(&outcome.done()).expect("one JSON value and nothing else")
}

fn keys(value: &Value) -> BTreeSet<&str> {
    value
        .as_object()
        .expect("an object")
        .keys()
        .map(String::as_str)
        .collect()
}

#[test]
fn every_list_and_every_thing_is_canonical_json() {
    let place = Workplace::furnished();
    place.reading("add", "19.47 19.465 19.475", "").done();
    place.said("adjustment confirm k2 --setpoint 1481").done();
    place.said("furnace event k2 --kind moved").done();
    for (line, list) in [
        ("site list", "sites"),
        ("furnace list", "furnaces"),
        ("furnace list --everywhere", "furnaces"),
        ("furnace events k2", "events"),
        ("programme list k2", "programmes"),
        ("batch list", "ringBatches"),
        ("gauge list", "gauges"),
        ("gauge checks caliper-1", "checks"),
        ("reading list k2", "readings"),
        ("adjustment list k2", "adjustments"),
    ] {
        let value = parsed(place.said(&format!("{line} --json")));
        assert_eq!(
            value[list].as_array().map(Vec::len),
            Some(1),
            "{line}: {value}"
        );
        assert!(value[list][0]["name"].is_string(), "{line}: {value}");
    }
    for (line, key) in [
        ("site show porto", "timeZone"),
        ("furnace show k2", "maximumSetpointC"),
        ("programme show k2/standard", "materialTargetC"),
        ("batch show x7", "tables"),
        ("gauge show caliper-1", "resolutionMm"),
        ("reading show --furnace k2", "evaluation"),
    ] {
        let value = parsed(place.said(&format!("{line} --json")));
        assert!(!value[key].is_null(), "{line} has no {key}: {value}");
    }
}

#[test]
fn a_recorded_reading_keeps_the_shape_that_programs_rely_on() {
    let place = Workplace::furnished();
    let reading = parsed(place.reading("add", "19.47 19.465 19.475", "--zero 0 --json"));
    let expected = [
        "evaluation",
        "fireTime",
        "measureTime",
        "name",
        "performedBy",
        "programme",
        "receiveTime",
        "rings",
    ];
    let found = keys(&reading);
    for key in expected {
        assert!(found.contains(key), "{key} is missing among {found:?}");
    }
    assert_eq!(reading["rings"]["rings"][0]["diametersMm"][1], 19.465);
    let evaluation = &reading["evaluation"];
    assert_eq!(evaluation["advice"], "ADVICE_ADJUST");
    assert_eq!(evaluation["advisedSetpointC"], 1481.0);
    assert!(
        evaluation["budget"]["expandedUncertaintyC"].is_number(),
        "{evaluation}"
    );
    assert!(
        evaluation["nextDueDate"]["year"].is_number(),
        "{evaluation}"
    );
}

#[test]
fn a_failure_is_json_on_stderr_with_its_exit_code() {
    let place = Workplace::furnished();
    let failed = place.reading("add", "0.767", "--json");
    assert_eq!((failed.code, failed.out.as_str()), (Some(3), ""));
    let last = failed.err.lines().last().expect("a line");
    let value: Value = serde_json::from_str(last).expect("JSON");
    assert_eq!(value["error"]["exitCode"], 3);
    assert_eq!(value["error"]["code"], "INVALID_ARGUMENT");
    assert_eq!(
        value["error"]["fieldViolations"][0]["field"],
        "reading.rings.rings[0].diameters_mm[0]"
    );
    place.reading("add", "19.47", "").done();
    let open = place.reading("add", "19.46", "--json");
    assert_eq!(open.code, Some(4));
    let last = open.err.lines().last().expect("a line");
    let value: Value = serde_json::from_str(last).expect("JSON");
    assert_eq!(value["error"]["questions"][0]["code"], "SAME_FIRING");
}
