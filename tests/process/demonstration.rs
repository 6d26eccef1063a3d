//! The demonstration: an invented network, one reading through the front door, and a database that verifies.

use ringtrue_tests::process::{command, text, verified};

use crate::laboratory::Folder;

#[test]
fn the_demonstration_advises_1481_and_leaves_a_database_that_verifies() {
    let folder = Folder::new();
    let home = folder.path().join("demo");
    let output = command("ringtrue-server")
        .args(["demo", "--once", "--listen", "127.0.0.1:0", "--folder"])
        .arg(&home)
        .output()
        .expect("the server's program starts");
    let shown = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    // Set to 1500 °C, the ring says 1519 °C: enter 1481 °C (common practice, no source).
    assert!(shown.contains("ENTER 1481 °C"), "{shown}");
    assert!(shown.contains("caution:"), "{shown}");
    assert!(
        !shown.contains("Try next"),
        "a demonstration that ended offers nothing: {shown}"
    );

    let verified = verified(&home.join("ringtrue.db"));
    assert_eq!(
        verified.status.code(),
        Some(0),
        "{}",
        text(&verified.stdout)
    );

    let again = command("ringtrue-server")
        .args(["demo", "--once", "--listen", "127.0.0.1:0", "--folder"])
        .arg(&home)
        .output()
        .expect("the server's program starts");
    assert_eq!(
        again.status.code(),
        Some(1),
        "a folder with a database in it is not touched"
    );
    assert!(
        text(&again.stderr).contains("not empty"),
        "{}",
        text(&again.stderr)
    );
}
