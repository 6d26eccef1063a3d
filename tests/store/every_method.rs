//! Every public method of the store is called in this folder; a new one without a test fails here.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).expect("a folder of sources") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            files.append(&mut rust_files(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
    files
}

/// Public methods of a source by their type, for example `Tx` and `commit`.
fn methods(source: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut of = String::new();
    for line in source.lines() {
        if let Some(rest) = line.strip_prefix("impl ") {
            rest.trim_end_matches([' ', '{']).clone_into(&mut of);
        }
        let line = line.trim_start();
        for start in ["pub async fn ", "pub fn "] {
            if let Some(rest) = line.strip_prefix(start) {
                let name = rest.split(['(', '<']).next().unwrap_or_default();
                found.push((of.clone(), name.to_owned()));
            }
        }
    }
    found
}

/// How a call of a method looks in this folder, white space left out.
fn calls(of: &str, method: &str) -> Vec<String> {
    match of {
        "Tx" => vec![format!("tx.{method}("), format!("first.{method}(")],
        "Read" => vec![format!("read.{method}("), format!("read().{method}(")],
        "Store" => vec![
            format!("store.{method}("),
            format!("Store::{method}("),
            format!("store.clone().{method}("),
        ],
        _ => vec![format!(".{method}("), format!("{of}::{method}(")],
    }
}

#[test]
fn every_public_method_of_the_store_is_called_here() {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR")).join("store");
    let mut called = String::new();
    for file in rust_files(&tests) {
        let text = fs::read_to_string(file).expect("a readable source");
        called.extend(text.split_whitespace());
    }
    let store = Path::new(env!("CARGO_MANIFEST_DIR")).join("../services/store/src");
    let mut all = BTreeSet::new();
    for file in rust_files(&store) {
        all.extend(methods(
            &fs::read_to_string(file).expect("a readable source"),
        ));
    }
    assert!(
        all.len() > 60,
        "only {} methods were found; has the store moved?",
        all.len()
    );
    let mut missing = Vec::new();
    for (of, method) in all {
        if !calls(&of, &method)
            .iter()
            .any(|call| called.contains(call.as_str()))
        {
            missing.push(format!("{of}::{method}"));
        }
    }
    assert!(
        missing.is_empty(),
        "without a test in tests/store: {}",
        missing.join(", ")
    );
}
