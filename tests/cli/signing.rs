//! Signatures of a second person through the real programs, as far as a client without a credential gets.

use serde_json::Value;

use crate::workplace::Workplace;

#[test]
fn a_site_that_asks_for_signatures_lists_what_waits_and_restricts_use() {
    let place = Workplace::furnished();
    let shown = place.said("site show porto").done();
    assert!(shown.contains("A second person signs"), "{shown}");
    assert!(shown.contains("nothing"), "{shown}");
    let changed = place
        .said("site change porto --readings-sign-off true --adjustments-sign-off true")
        .done();
    assert!(changed.contains("readings and adjustments"), "{changed}");
    let none = place.said("sign-off list");
    assert!(none.err.contains("Nothing waits"), "{}", none.err);

    place.reading("add", "19.47 19.465 19.475", "").done();
    place.said("adjustment confirm k2 --setpoint 1481").done();
    let waiting = place.said("sign-off list").done();
    for words in ["reading of k2: 1519 °C", "setpoint of k2: 1500 °C"] {
        assert!(waiting.contains(words), "{words} in\n{waiting}");
    }
    let used = place.said("use k2 --programme standard --json");
    assert!(used.out.contains("SIGN_OFF_WAITING"), "{}", used.out);

    // Nobody is known to be one person here.
    let listed = place.said("sign-off list --json").done();
    let listed: Value = serde_json::from_str(&listed).expect("JSON");
    let phrase = place.with_file("phrase", "three rings, two furnaces\n");
    for waiting in listed["awaited"].as_array().expect("two") {
        let subject = waiting["subject"].as_str().expect("a name");
        let short: Vec<&str> = subject.split('/').collect();
        let short = format!("{}/{}", short[3], short[5]);
        let shown = place.said(&format!("sign-off show {short}"));
        assert!(shown.err.contains("Nobody has signed"), "{}", shown.err);
        let line = format!("sign-off add {short} --phrase-file");
        let refused = place.said_with(&line, &[&phrase]);
        assert_eq!(refused.code, Some(3), "{}", refused.err);
        assert!(
            refused.err.contains("enrol a credential of your own"),
            "{}",
            refused.err
        );
    }
    assert_eq!(
        place.said("sign-off show k2/none").code,
        Some(5),
        "there is no such record"
    );
}
