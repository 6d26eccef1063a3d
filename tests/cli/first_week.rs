//! From an empty server to a furnace that fires true, with flags only.

use ringtrue_tests::bench::TABLE_CSV;

use crate::workplace::Workplace;

/// The two figures of a worked example of the trade: set 1500 °C, ring 19.47 mm, which the table gives as
/// 1519 °C; so set 1481 °C (common practice, no source).
const WORKED: &str = "19,47 19.465 19,475";

#[test]
fn an_empty_server_says_what_to_do_first() {
    let place = Workplace::empty();
    let sites = place.said("site list");
    assert_eq!(sites.code, Some(0));
    assert!(
        sites.err.contains("There are no sites yet"),
        "{}",
        sites.err
    );
    let furnaces = place.said("furnace list");
    assert_eq!(furnaces.code, Some(5));
    assert!(
        furnaces.err.contains("ringtrue site add"),
        "{}",
        furnaces.err
    );
}

#[test]
fn a_laboratory_is_set_up_read_and_adjusted_with_flags_only() {
    let place = Workplace::empty();
    let site = place.said(
        "site add --id porto --name Porto --time-zone Europe/Lisbon --calibration-day friday --closed sunday",
    );
    assert!(site.done().contains("Calibrates on            friday"));
    let furnace = place
        .said("furnace add --id k2 --name K2 --maximum 1600 --step 1 --control-thermocouple B");
    assert!(furnace.done().contains("sites/porto/furnaces/k2"));
    let programme = place.said(
        "programme add k2 --id standard --name Standard --segment 8:1500:120 --target 1500 --setpoint 1500",
    );
    assert!(programme.done().contains("1500 °C on the controller"));
    let gauge = place.said(
        "gauge add --id caliper-1 --name Caliper --kind caliper --resolution 0.01 --maximum-error 0.02",
    );
    assert!(
        gauge.done().contains("ringtrue gauge check caliper-1"),
        "the next step is told"
    );
    let check = place.said("gauge check caliper-1 --nominal 20 --measured 20 20,00 20");
    let check = check.done();
    assert!(check.contains("Bias            0.0000 ±"), "{check}");
    let table = place.with_file("x7.csv", TABLE_CSV);
    let batch = place.said_with(
        "batch import --code X7 --id x7 --hold 120 --expiry 2099-12-31",
        &[table],
    );
    assert!(batch.done().contains("19.20 to 20.00 mm  1383 to 1570 °C"));

    let reading = place.reading("add", WORKED, "--zero 0 --ring-temperature 22");
    assert!(
        reading
            .err
            .contains("Recorded as sites/porto/furnaces/k2/readings/"),
        "{}",
        reading.err
    );
    let told = reading.done();
    assert!(told.contains("ENTER 1481 °C"), "{told}");
    assert!(told.contains("Ring temperature    1519.0 ±"), "{told}");
    assert!(
        told.contains("██"),
        "the setpoint stands in large digits: {told}"
    );
    assert!(told.contains("maker"), "cautions are told: {told}");
    let next = told.lines().last().expect("a last line").trim();
    assert!(
        next.starts_with(
            "ringtrue adjustment confirm k2 --programme standard --setpoint 1481 --reading"
        ),
        "{next}"
    );

    // The next step is carried out as it was shown.
    let confirmed = place.said(next.strip_prefix("ringtrue ").expect("a command"));
    let confirmed = confirmed.done();
    assert!(
        confirmed.contains("As found    1500 °C") && confirmed.contains("As left     1481 °C"),
        "{confirmed}"
    );
    let listed = place.said("adjustment list k2").done();
    assert!(listed.contains("1500 °C   1481 °C"), "{listed}");
    let programme = place.said("programme show k2/standard").done();
    assert!(
        programme.contains("1481 °C on the controller"),
        "{programme}"
    );
    let furnace = place.said("furnace show k2").done();
    assert!(furnace.contains("from 1 reading\n"), "{furnace}");
    assert!(furnace.contains("enter 1481 °C"), "{furnace}");
}

#[test]
fn a_preview_shows_the_advice_and_changes_nothing() {
    let place = Workplace::furnished();
    let preview = place.reading("preview", WORKED, "");
    assert!(
        preview.err.contains("PREVIEW ONLY. Nothing was recorded."),
        "{}",
        preview.err
    );
    let shown = preview.done();
    assert!(shown.starts_with("PREVIEW ONLY."), "{shown}");
    assert!(shown.contains("ENTER 1481 °C"), "{shown}");
    assert!(
        !shown.contains("adjustment confirm"),
        "nothing is to be confirmed: {shown}"
    );
    assert_eq!(place.readings(), 0);
}

#[test]
fn an_adjustment_that_differs_from_the_advice_wants_a_reason() {
    let place = Workplace::furnished();
    let recorded = place.reading("add", WORKED, "--json").done();
    let recorded: serde_json::Value = serde_json::from_str(&recorded).expect("JSON");
    let name = recorded["name"].as_str().expect("a name");
    let line = format!("adjustment confirm k2 --setpoint 1485 --reading {name}");
    let refused = place.said(&line);
    assert_eq!(refused.code, Some(3));
    assert!(
        refused.err.contains("advises 1481 °C, not 1485 °C"),
        "{}",
        refused.err
    );
    place
        .said_with(&line, &["--why", "the panel takes steps of 5"])
        .done();
}

#[test]
fn a_wrong_reading_is_amended_and_both_versions_stay() {
    let place = Workplace::furnished();
    let recorded = place.reading("add", "19.40 19.40 19.41", "--json").done();
    let recorded: serde_json::Value = serde_json::from_str(&recorded).expect("JSON");
    let name = recorded["name"].as_str().expect("a name");
    let line = format!("reading amend {name} --diameters {WORKED}");
    let amended = place.said_with(&line, &["--why", "read from the wrong line"]);
    assert!(amended.done().contains("ENTER 1481 °C"));
    assert_eq!(place.readings(), 2);
    let shown = place.said("reading list k2").done();
    assert_eq!(
        shown
            .lines()
            .filter(|line| line.contains("1500 °C"))
            .count(),
        1,
        "{shown}"
    );
    let again = place.said_with(&line, &["--why", "once more"]);
    assert_eq!(again.code, Some(3));
    assert!(again.err.contains("amended already"), "{}", again.err);
}
