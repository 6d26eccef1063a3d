//! Rule: no Rust file is longer than a reader can hold.

use crate::sources::{assert_none, rust_files};

const MOST_LINES: usize = 700;

#[test]
fn no_file_is_longer_than_seven_hundred_lines() {
    let mut offenders = Vec::new();
    for file in rust_files() {
        let n_lines = file.text.lines().count();
        if n_lines > MOST_LINES {
            offenders.push(format!("{}: {n_lines} lines", file.path));
        }
    }
    assert_none(
        &offenders,
        "Split each of these files by noun, so that every part has a name a reader would guess first.",
    );
}
