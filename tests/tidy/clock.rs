//! Rule: in the services, time, ids, chance and the environment come in through one named door each.
//!
//! The linter refuses the same calls one by one; this rule also knows where they are allowed, and catches crates that
//! the linter's list does not name.

use crate::sources::{Token, assert_none, rust_files};

/// Calls that let something in from outside, and the places that may make them.
struct Door {
    calls: &'static [&'static [&'static str]],
    may: &'static [&'static str],
    mend: &'static str,
}

const DOORS: [Door; 5] = [
    Door {
        calls: &[
            &["SystemTime", ":", ":", "now"],
            &["Timestamp", ":", ":", "now"],
            &["Zoned", ":", ":", "now"],
            &["Utc", ":", ":", "now"],
        ],
        may: &["services/server/src/clock.rs"],
        mend: "take `now` as an argument, or ask the server's clock once at the start of the use case",
    },
    Door {
        calls: &[&["Instant", ":", ":", "now"]],
        may: &[
            "services/server/src/clock.rs",
            "services/server/src/telemetry.rs",
            "services/server/src/telemetry/",
            // How long each call took, and when its deadline comes.
            "services/server/src/rpc/stack.rs",
            // How long background work took, and so how long it rests; what it finds does not depend on it.
            "services/server/src/work/",
            // How long a receiver took, which people are told.
            "services/server/src/webhook/sending.rs",
        ],
        mend: "measure durations in telemetry, and take anything that decides as an argument",
    },
    Door {
        calls: &[&["Uuid", ":", ":", "now_v7"], &["Uuid", ":", ":", "new_v4"]],
        may: &["services/server/src/clock.rs", "services/server/src/ids.rs"],
        mend: "take the id as an argument, or ask the server's ids",
    },
    Door {
        calls: &[
            &["env", ":", ":", "var"],
            &["env", ":", ":", "var_os"],
            &["env", ":", ":", "vars"],
        ],
        may: &[
            "services/server/src/config.rs",
            "services/server/src/config/",
        ],
        mend: "read it in the server's config and pass the value on",
    },
    Door {
        calls: &[
            &["rand"],
            &["rand_chacha"],
            &["rand_distr"],
            &["getrandom"],
            &["fastrand"],
        ],
        may: &[
            "services/server/src/demo.rs",
            "services/server/src/demo/",
            "services/server/src/ids.rs",
            // A signing key is drawn by its own library.
            "services/server/src/seal.rs",
            // The proofs draw an invented network from a fixed seed.
            "services/calibration/src/inference/bulk/invented_network.rs",
        ],
        mend: "only ids and the demonstration data draw at random, the latter from a seed",
    },
];

#[test]
fn time_ids_chance_and_environment_come_in_by_their_doors() {
    let mut offenders = Vec::new();
    let mut n_files = 0;
    for file in rust_files() {
        if !file.path.starts_with("services/") || file.path.contains("/benches/") {
            continue;
        }
        n_files += 1;
        let tokens = file.tokens();
        for door in &DOORS {
            if door.may.iter().any(|place| file.path.starts_with(place)) {
                continue;
            }
            for (call, line) in calls_found(&tokens, door.calls) {
                offenders.push(format!("{}:{line}: {call}: {}", file.path, door.mend));
            }
        }
    }
    assert!(
        n_files > 0,
        "no files were found in services/; has the folder moved?"
    );
    assert_none(
        &offenders,
        "A value that a test cannot set is a value that a test cannot check.",
    );
}

fn calls_found(tokens: &[Token], calls: &[&[&str]]) -> Vec<(String, usize)> {
    let mut found = Vec::new();
    for call in calls {
        for window in tokens.windows(call.len()) {
            let same = window
                .iter()
                .zip(call.iter())
                .all(|(token, part)| token.text == *part);
            if same {
                found.push((call.concat(), window[0].line));
            }
        }
    }
    found
}

#[test]
fn a_call_is_found_however_it_is_wrapped() {
    let source = crate::sources::Source {
        path: "example.rs".to_owned(),
        text: "fn f() {\n    // Instant::now() in a comment\n    let at = std::time::Instant\n        ::now();\n}\n"
            .to_owned(),
    };
    let found = calls_found(&source.tokens(), DOORS[1].calls);
    assert_eq!(found, [("Instant::now".to_owned(), 3)]);
}
