//! Exit codes that scripts rely on, each with words that say what to do next.

use ringtrue_tests::process::{command, text};

use crate::workplace::Workplace;

#[test]
fn a_line_that_is_not_understood_is_2() {
    let place = Workplace::furnished();
    assert_eq!(place.said("furnace melt").code, Some(2));
    let missing = place.said("reading add k2");
    assert_eq!(missing.code, Some(2));
    assert!(
        missing.err.contains("--fired is missing"),
        "{}",
        missing.err
    );
    let mixed = place.reading("add", "1.947,2", "");
    assert_eq!(mixed.code, Some(2));
    assert!(
        mixed.err.contains("more than one decimal mark"),
        "{}",
        mixed.err
    );
}

#[test]
fn a_bad_value_is_3_and_named_once_in_plain_words() {
    let place = Workplace::furnished();
    let refused = place.reading("add", "0.767", "");
    assert_eq!(refused.code, Some(3));
    assert!(
        refused.err.contains("ring 1, diameter 1: "),
        "{}",
        refused.err
    );
    assert!(refused.err.contains("send mm"), "{}", refused.err);
    assert!(
        !refused.err.contains("diameters_mm"),
        "the protocol's words are not for people: {}",
        refused.err
    );
    assert_eq!(refused.err.matches("send mm").count(), 1, "{}", refused.err);
    let refused =
        place.said("site add --id lima --name Lima --time-zone Mars/Base --calibration-day friday");
    assert_eq!(refused.code, Some(3));
    assert!(
        refused.err.contains("time zone: `Mars/Base`"),
        "{}",
        refused.err
    );
    assert_eq!(place.readings(), 0);
}

#[test]
fn a_batch_on_hold_is_3_and_told_once() {
    let place = Workplace::furnished();
    place.said("batch hold x7 --why wet").done();
    let refused = place.reading("add", "19.47", "");
    assert_eq!(refused.code, Some(3));
    assert_eq!(
        refused.err.matches("is on hold (wet)").count(),
        1,
        "{}",
        refused.err
    );
    place.said("batch release x7").done();
    place.reading("add", "19.47", "").done();
}

#[test]
fn an_open_question_is_4_until_it_is_confirmed() {
    let place = Workplace::furnished();
    place.reading("add", "19.47 19.46 19.48", "").done();
    let again = place.reading("add", "19.46 19.46 19.47", "");
    assert_eq!(again.code, Some(4));
    assert!(
        again.err.contains("Not recorded. These values look wrong:"),
        "{}",
        again.err
    );
    assert!(again.err.contains("--confirm SAME_FIRING"), "{}", again.err);
    assert_eq!(place.readings(), 1);
    let preview = place.reading("preview", "19.46 19.46 19.47", "");
    assert_eq!(
        preview.code,
        Some(4),
        "a preview asks the same: {}",
        preview.err
    );
    place
        .reading("add", "19.46 19.46 19.47", "--confirm SAME_FIRING")
        .done();
    assert_eq!(place.readings(), 2);
}

#[test]
fn what_is_not_there_is_5() {
    let place = Workplace::furnished();
    for line in [
        "furnace show k9",
        "site show lima",
        "batch show x9",
        "gauge show caliper-9",
        "programme show k2/quick",
        "reading show k2/none",
    ] {
        let outcome = place.said(line);
        assert_eq!(outcome.code, Some(5), "{line}: {}", outcome.err);
        assert!(
            outcome.err.contains("check the name"),
            "{line}: {}",
            outcome.err
        );
    }
}

#[test]
fn what_exists_already_or_was_changed_meanwhile_is_6() {
    let place = Workplace::furnished();
    let twice = place.said("furnace add --id k2 --name K2 --maximum 1600");
    assert_eq!(twice.code, Some(6), "{}", twice.err);
    place.said("furnace change k2 --tolerance 8").done();
    for first in ["\"1\"", "1"] {
        let stale = place.said(&format!("furnace change k2 --tolerance 9 --etag {first}"));
        assert_eq!(stale.code, Some(6), "{}", stale.err);
        assert!(stale.err.contains("read it again"), "{}", stale.err);
    }
    place
        .said("furnace change k2 --tolerance 9 --etag 2")
        .done();
}

#[test]
fn nobody_answering_is_8() {
    let output = command("ringtrue")
        .args([
            "site",
            "list",
            "--endpoint",
            "http://127.0.0.1:1",
            "--deadline",
            "0.5",
        ])
        .output()
        .expect("the program starts");
    assert_eq!(output.status.code(), Some(8));
    let words = text(&output.stderr);
    assert!(
        words.contains("http://127.0.0.1:1") && words.contains("RINGTRUE_ENDPOINT"),
        "{words}"
    );
}

#[test]
fn a_repeat_with_the_same_request_id_records_once() {
    let place = Workplace::furnished();
    // A UUIDv7 of today would be made by the program; its moment is what `yesterday` is reckoned from.
    let line = "reading add k2 --batch x7 --diameters 19.47 --json --measured 2026-01-10T08:00:00Z \
                --fired 2026-01-09T18:00:00Z --request-id 01890a5d-ac96-774b-bcce-b302099a8057";
    let first = place.said(line).done();
    let again = place.said(line).done();
    assert_eq!(first, again);
    assert_eq!(place.readings(), 1);
}
