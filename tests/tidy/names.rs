//! Rule: modules and types are named after what they hold, never after a drawer.

use crate::sources::{Kind, Token, assert_none, rust_files};

/// Last words that say nothing about the thing named.
const DRAWERS: [&str; 18] = [
    "base",
    "common",
    "core",
    "handler",
    "handlers",
    "helper",
    "helpers",
    "impl",
    "manager",
    "managers",
    "misc",
    "models",
    "processor",
    "service",
    "shared",
    "types",
    "util",
    "utils",
];

#[test]
fn no_module_or_type_is_named_after_a_drawer() {
    let mut offenders = Vec::new();
    for file in rust_files() {
        for part in file.path.trim_end_matches(".rs").split('/') {
            if is_drawer(part) {
                offenders.push(format!("{}: {part}", file.path));
            }
        }
        let in_proto = file.path.starts_with("proto/");
        for (name, line) in declared_names(&file.tokens()) {
            if is_drawer(&name) && !in_proto {
                offenders.push(format!("{}:{line}: {name}", file.path));
            }
        }
    }
    assert_none(
        &offenders,
        "Name each of these by the noun of the trade it holds (`ring_table`, `Offset`), so that its place is the \
         first guess of someone who has never seen it.",
    );
}

/// Names that a file gives to modules and types, with their lines.
///
/// Type aliases count at the top of a file only: inside a trait implementation the name is the trait's choice.
fn declared_names(tokens: &[Token]) -> Vec<(String, usize)> {
    let mut names = Vec::new();
    for pair in tokens.windows(2) {
        let [keyword, name] = pair else { continue };
        if keyword.kind != Kind::Word || name.kind != Kind::Word {
            continue;
        }
        let declares = match keyword.text.as_str() {
            "mod" | "struct" | "enum" | "trait" | "union" => true,
            "type" => keyword.depth == 0,
            _ => false,
        };
        if declares {
            names.push((name.text.clone(), name.line));
        }
    }
    names
}

/// Says whether the last word of a `snake_case`, `kebab-case` or `CamelCase` name is a drawer.
fn is_drawer(name: &str) -> bool {
    let mut last = String::new();
    for letter in name.chars() {
        if letter == '_' || letter == '-' {
            last.clear();
            continue;
        }
        if letter.is_uppercase() {
            last.clear();
        }
        last.extend(letter.to_lowercase());
    }
    DRAWERS.contains(&last.as_str())
}

#[test]
fn a_drawer_is_known_in_every_way_of_writing() {
    for name in [
        "utils",
        "ring_utils",
        "ring-common",
        "RingManager",
        "Core",
        "FurnaceService",
    ] {
        assert!(is_drawer(name), "{name} should be refused");
    }
    for name in [
        "services",
        "score",
        "ring_table",
        "Score",
        "ServiceDate",
        "main",
    ] {
        assert!(!is_drawer(name), "{name} should be allowed");
    }
}
