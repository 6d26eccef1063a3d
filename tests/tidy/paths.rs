//! Rule: a path that the documentation names is there.

use crate::sources::{Source, assert_none, files_ending, root};

/// Documents that must exist; every other Markdown file of the repository is checked as well.
const DOCUMENTS: [&str; 2] = ["DEVELOPERS.md", "README.md"];

/// A text that begins so is meant as a path from the repository's root.
const FOLDERS: [&str; 8] = [
    "services/",
    "clients/",
    "proto/",
    "tests/",
    "deploy/",
    ".ci/",
    ".cargo/",
    ".config/",
];

#[test]
fn paths_named_in_the_documentation_exist() {
    let documents = files_ending(".md");
    let mut offenders = Vec::new();
    for name in DOCUMENTS {
        if !documents.iter().any(|document| document.path == name) {
            offenders.push(format!("{name}: missing"));
        }
    }
    for document in &documents {
        let file = root().join(&document.path);
        let folder = file.parent().expect("a document lies in a folder");
        for (path, line) in named_paths(document) {
            if !root().join(&path).exists() && !folder.join(&path).exists() {
                offenders.push(format!("{}:{line}: {path}", document.path));
            }
        }
    }
    assert_none(
        &offenders,
        "Correct each of these paths, or take out the sentence about what no longer exists.",
    );
}

/// Paths in backticks, in fenced blocks and in links to the repository's own files, with their lines.
fn named_paths(document: &Source) -> Vec<(String, usize)> {
    let mut found = Vec::new();
    let mut fenced = false;
    for (index, text) in document.text.lines().enumerate() {
        let line = index + 1;
        if text.trim_start().starts_with("```") {
            fenced = !fenced;
            continue;
        }
        if fenced {
            for word in text.split_whitespace() {
                if let Some(path) = repository_path(word) {
                    found.push((path, line));
                }
            }
            continue;
        }
        for quoted in text.split('`').skip(1).step_by(2) {
            for word in quoted.split_whitespace() {
                if let Some(path) = repository_path(word) {
                    found.push((path, line));
                }
            }
        }
        for rest in text.split("](").skip(1) {
            let target = rest.split([')', '#', ' ']).next().unwrap_or_default();
            let elsewhere =
                target.is_empty() || target.contains("://") || target.starts_with("mailto:");
            if !elsewhere {
                found.push((target.to_owned(), line));
            }
        }
    }
    found
}

/// The path a word means, when it looks like one of ours and has no part to be filled in.
fn repository_path(word: &str) -> Option<String> {
    let word = word
        .trim_start_matches(['"', '\'', '(', '['])
        .trim_start_matches("./");
    let word = word.trim_end_matches(['"', '\'', ')', ']', ',', ';', ':', '.', '/']);
    let ours = FOLDERS.iter().any(|folder| word.starts_with(folder)) || DOCUMENTS.contains(&word);
    let to_fill_in = word.contains(['{', '}', '*', '<', '>', '$', '…']) || word.contains("...");
    if !ours || to_fill_in {
        return None;
    }
    // `services/store/src/lib.rs:12` and `tests/tidy#walls` point into a file.
    let path = word.split([':', '#']).next().unwrap_or(word);
    // What tests/run installs is not in a fresh clone.
    if path.starts_with("tests/.tools") {
        return None;
    }
    Some(path.to_owned())
}

#[test]
fn paths_are_told_from_prose() {
    let document = Source {
        path: "EXAMPLE.md".to_owned(),
        text: "See `services/store/src`, `sites/{site}`, `services/*/src` and [how](deploy/README.md#run).\n\
               ```\ncargo run -- --config ./deploy/server.toml\n```\nNot services/prose.\n"
            .to_owned(),
    };
    let expected = [
        ("services/store/src".to_owned(), 1),
        ("deploy/README.md".to_owned(), 1),
        ("deploy/server.toml".to_owned(), 3),
    ];
    assert_eq!(named_paths(&document), expected);
}
