//! Rule: every Rust file begins by saying what it is for.

use crate::sources::{assert_none, rust_files};

#[test]
fn every_file_says_what_it_is_for() {
    let mut offenders = Vec::new();
    for file in rust_files() {
        let first = file.text.lines().next().unwrap_or_default();
        let said = first.strip_prefix("//!").unwrap_or_default();
        if said.trim().len() < 10 {
            offenders.push(format!("{}:1: {first}", file.path));
        }
    }
    assert_none(
        &offenders,
        "Begin each of these files with a line `//! ...` that says in a sentence what the file is for.",
    );
}
