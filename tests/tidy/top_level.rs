//! Rule: the top of the repository holds only what a newcomer expects there.

use crate::sources::{assert_none, root};

const ALLOWED: [&str; 22] = [
    ".cargo",
    ".ci",
    ".clippy.toml",
    ".config",
    ".deny.toml",
    ".git",
    ".gitattributes",
    ".gitignore",
    ".rustfmt.toml",
    "CHANGELOG.md",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "clients",
    "deploy",
    "proto",
    "rust-toolchain.toml",
    "services",
    "target",
    "tests",
];

const REQUIRED: [&str; 6] = [
    "CHANGELOG.md",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
];

/// Ends of names that `.gitignore` leaves out: a database someone tried things on is theirs.
const IGNORED: [&str; 3] = [".db", ".db-wal", ".db-shm"];

#[test]
fn the_top_of_the_repository_holds_only_what_is_expected() {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(root()).expect("the repository's root can be listed") {
        let entry = entry.expect("the repository's root can be read to its end");
        found.push(entry.file_name().to_string_lossy().into_owned());
    }
    let mut offenders = Vec::new();
    for name in &found {
        let ignored = IGNORED.iter().any(|end| name.ends_with(end));
        if !ignored && !ALLOWED.contains(&name.as_str()) {
            offenders.push(format!("{name}: not expected here"));
        }
    }
    for name in REQUIRED {
        if !found.iter().any(|there| there == name) {
            offenders.push(format!("{name}: missing"));
        }
    }
    offenders.sort();
    assert_none(
        &offenders,
        "Move what is not expected into the folder it belongs to (services, clients, proto, deploy, tests), or add it \
         to `ALLOWED` in tests/tidy/top_level.rs with the commit that explains it.",
    );
}
