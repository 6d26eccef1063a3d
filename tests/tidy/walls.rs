//! Rule: a crate is a wall, and arrows between crates go one way only.
//!
//! The table is the workspace's map. A new edge is a decision: it is made here, in the commit that needs it.

use cargo_metadata::{DependencyKind, MetadataCommand, Package};

use crate::sources::{assert_none, root};

/// One crate of ours and what it may use at run time.
struct Wall {
    name: &'static str,
    /// Crates of ours it may use.
    ours: &'static [&'static str],
    /// Crates from outside it may use, where the list itself is a wall; `None` leaves the choice to its manifest.
    outside: Option<&'static [&'static str]>,
}

/// The crate that may use everything and that nothing may use.
const TESTS: &str = "ringtrue-tests";

const WALLS: [Wall; 7] = [
    Wall {
        name: "ringtrue-proto",
        ours: &[],
        outside: None,
    },
    // Numbers know no clock, no ids, no files, no formats.
    Wall {
        name: "ringtrue-calibration",
        ours: &[],
        outside: Some(&["libm", "rayon", "statrs", "thiserror"]),
    },
    // Rules never wait, store or speak a protocol. What RFC 5545 means by a rule is rrule's to know.
    Wall {
        name: "ringtrue-fleet",
        ours: &["ringtrue-calibration"],
        outside: Some(&["jiff", "rrule", "thiserror", "uuid"]),
    },
    Wall {
        name: "ringtrue-store",
        ours: &["ringtrue-calibration", "ringtrue-fleet"],
        outside: None,
    },
    Wall {
        name: "ringtrue-server",
        ours: &[
            "ringtrue-calibration",
            "ringtrue-fleet",
            "ringtrue-proto",
            "ringtrue-store",
        ],
        outside: None,
    },
    // Clients walk through the same front door as everyone: nothing of services/ is theirs.
    Wall {
        name: "ringtrue-remote",
        ours: &["ringtrue-proto"],
        outside: None,
    },
    Wall {
        name: "ringtrue",
        ours: &["ringtrue-proto", "ringtrue-remote"],
        outside: None,
    },
];

/// Crates from outside that belong to one crate of ours alone.
const ONE_OWNER: [(&str, &str); 7] = [
    ("sqlx", "ringtrue-store"),
    // What a bench keeps while the line is down is a file of its own; the service's databases are none of its business.
    ("rusqlite", "ringtrue"),
    ("rand", "ringtrue-server"),
    ("axum", "ringtrue-server"),
    ("icalendar", "ringtrue-server"),
    ("lettre", "ringtrue-server"),
    ("rrule", "ringtrue-fleet"),
];

#[test]
fn crates_use_only_what_the_table_allows() {
    let packages = workspace_packages();
    let mut offenders = Vec::new();
    for package in &packages {
        if package.name.as_str() == TESTS {
            continue;
        }
        match WALLS.iter().find(|wall| wall.name == package.name.as_str()) {
            Some(wall) => offenders.extend(forbidden_edges(package, wall, &packages)),
            None => offenders.push(format!("{}: not in the table", package.name)),
        }
    }
    for wall in &WALLS {
        if !packages
            .iter()
            .any(|package| package.name.as_str() == wall.name)
        {
            offenders.push(format!(
                "{}: in the table but not in the workspace",
                wall.name
            ));
        }
    }
    assert_none(
        &offenders,
        "Move the code to the crate that may use what it needs, or change the table in tests/tidy/walls.rs and the \
         section \"Walls\" of DEVELOPERS.md in the same commit, with the reason.",
    );
}

#[test]
fn no_crate_uses_the_tests() {
    let mut offenders = Vec::new();
    for package in workspace_packages() {
        if package
            .dependencies
            .iter()
            .any(|dependency| dependency.name == TESTS)
        {
            offenders.push(package.name.to_string());
        }
    }
    assert_none(
        &offenders,
        "Move what these crates need from the tests into a crate they may use.",
    );
}

fn forbidden_edges(package: &Package, wall: &Wall, packages: &[Package]) -> Vec<String> {
    let mut forbidden = Vec::new();
    for dependency in &package.dependencies {
        // What a crate's own unit tests use does not reach its users.
        if dependency.kind == DependencyKind::Development {
            continue;
        }
        let name = dependency.name.as_str();
        let is_ours = packages.iter().any(|other| other.name.as_str() == name);
        if is_ours {
            if !wall.ours.contains(&name) {
                forbidden.push(format!("{} uses {name}", wall.name));
            }
            continue;
        }
        let listed = wall.outside.is_none_or(|outside| outside.contains(&name));
        let owned_by_another = ONE_OWNER
            .iter()
            .any(|(owned, owner)| *owned == name && *owner != wall.name);
        if !listed || owned_by_another {
            forbidden.push(format!("{} uses {name}, from outside", wall.name));
        }
    }
    forbidden
}

fn workspace_packages() -> Vec<Package> {
    let metadata = MetadataCommand::new()
        .manifest_path(root().join("Cargo.toml"))
        .no_deps()
        .exec()
        .expect("cargo can describe the workspace it is testing");
    assert!(
        metadata.packages.len() > 1,
        "cargo named {} packages only",
        metadata.packages.len()
    );
    metadata.packages
}
