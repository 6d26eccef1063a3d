//! Rule: SQL is written in the store and nowhere else.

use crate::sources::{Kind, assert_none, rust_files};

/// Where SQL may be written, and why.
const MAY: [(&str, &str); 16] = [
    (
        "services/store/",
        "the store is the one place that knows the database",
    ),
    (
        "clients/cli/src/queue/file",
        "what a bench keeps while the line is down is a file of the client's own",
    ),
    (
        "clients/cli/src/queue/known.rs",
        "so is what it has seen of the server's records",
    ),
    (
        "clients/cli/src/bulk/journal.rs",
        "what an import is at is a file of the client's own, and doubles are found on the disk",
    ),
    (
        "clients/cli/src/bulk/export.rs",
        "records on their way into a file are turned round on the disk",
    ),
    (
        "tests/tidy/sql.rs",
        "this rule has to spell what it looks for",
    ),
    (
        "tests/load/bare.rs",
        "the floor that recording is measured against is a bare loop of inserts",
    ),
    (
        "tests/load/rows.rs",
        "a store is filled with more rows than can be recorded in the time, and its size is asked for",
    ),
    (
        "tests/store/",
        "these tests look at the file behind the store's back, and damage it",
    ),
    (
        "tests/harness/databases.rs",
        "somebody with a database program looks at no keys",
    ),
    (
        "tests/harness/postgresql",
        "clusters and databases are made and taken away, which no laboratory's server may do",
    ),
    (
        "tests/process/copying.rs",
        "many rows are made at once, and a look into the target says how far a copy got",
    ),
    (
        "tests/process/draining.rs",
        "somebody else holds the write lock, as a slow disk does",
    ),
    (
        "tests/process/failing_commit.rs",
        "a trap in the file makes a commit fail",
    ),
    (
        "tests/process/schema.rs",
        "a file of a program of tomorrow is made",
    ),
    (
        "tests/process/tampering.rs",
        "somebody alters records with another program",
    ),
];

/// Beginnings of a literal that are SQL in capitals and in small letters.
const OPENINGS: [&str; 5] = [
    "CREATE TABLE ",
    "DELETE FROM ",
    "INSERT INTO ",
    "PRAGMA ",
    "SELECT * FROM ",
];

/// Texts in capitals that are SQL wherever they stand; a second text, when given, must follow later.
const STATEMENTS: [(&str, &str); 13] = [
    ("SELECT ", "FROM "),
    ("INSERT ", "INTO "),
    ("UPDATE ", "SET "),
    ("DELETE FROM ", ""),
    ("CREATE TABLE ", ""),
    ("CREATE INDEX ", ""),
    ("CREATE UNIQUE INDEX ", ""),
    ("CREATE TRIGGER ", ""),
    ("ALTER TABLE ", ""),
    ("DROP TABLE ", ""),
    ("PRAGMA ", ""),
    ("BEGIN IMMEDIATE", ""),
    ("ON CONFLICT ", ""),
];

#[test]
fn sql_is_written_in_the_store_only() {
    let mut offenders = Vec::new();
    for file in rust_files() {
        if MAY.iter().any(|(place, _)| file.path.starts_with(place)) {
            continue;
        }
        for token in file.tokens() {
            if token.kind == Kind::Literal && is_sql(&token.text) {
                offenders.push(format!(
                    "{}:{}: {}",
                    file.path,
                    token.line,
                    token.text.replace('\n', " ")
                ));
            }
        }
    }
    assert_none(
        &offenders,
        "Move each of these statements into services/store as a function that says what it gives. A test that must \
         damage a database on purpose gets a row in `MAY` with its reason.",
    );
}

/// Says whether a literal holds a statement: in capitals anywhere, in small letters only at its beginning, because
/// people are told to "select a furnace from the list" too.
fn is_sql(literal: &str) -> bool {
    let spaced = literal.split_whitespace().collect::<Vec<_>>().join(" ");
    let opening = spaced
        .trim_start_matches(['b', 'r', '#', '"', ' ', '('])
        .to_ascii_uppercase();
    if OPENINGS.iter().any(|start| opening.starts_with(start)) {
        return true;
    }
    for (first, second) in STATEMENTS {
        if let Some(at) = spaced.find(first)
            && spaced[at + first.len()..].contains(second)
        {
            return true;
        }
    }
    false
}

/// Where a row is looked for by what is taken out of JSON in the same place, and why that does no harm.
const TAKES_JSON_APART_WHERE_IT_LOOKS: [(&str, &str); 4] = [
    (
        "services/store/src/tables/changes/unfed.rs",
        "the server's own work, before which no rule of rows stands",
    ),
    (
        "services/store/src/tables/credentials.rs",
        "the server's own work",
    ),
    (
        "services/store/src/tables/agenda.rs",
        "the server's own work, and an UPDATE of few rows",
    ),
    ("services/store/src/verify/", "run by the owner"),
];

#[test]
fn keys_are_taken_out_of_json_before_rows_are_looked_for() {
    let mut offenders = Vec::new();
    for file in rust_files() {
        let may = TAKES_JSON_APART_WHERE_IT_LOOKS;
        if !file.path.starts_with("services/store/src/")
            || may.iter().any(|(place, _)| file.path.starts_with(place))
        {
            continue;
        }
        for token in file.tokens() {
            if token.kind == Kind::Literal && looks_by_json(&token.text) {
                offenders.push(format!("{}:{}", file.path, token.line));
            }
        }
    }
    assert_none(
        &offenders,
        "Behind row-level security PostgreSQL looks for a row by an index only when the condition cannot leak one, which \
         no function of ours is known for: it reads everything in reach. Take the keys apart in a WITH wanted AS \
         MATERIALIZED (...) first.",
    );
}

/// Whether something is compared with what is taken out of JSON on the spot.
fn looks_by_json(literal: &str) -> bool {
    let spaced = literal.split_whitespace().collect::<Vec<_>>().join(" ");
    ["= ", "< ", "> "].iter().any(|sign| {
        let parts = spaced.split(sign).skip(1);
        parts
            .map(|part| part.strip_prefix("CAST(").unwrap_or(part))
            .any(|part| part.starts_with("json_extract("))
    })
}

#[test]
fn looking_by_json_is_told_from_taking_it_apart() {
    for by_json in [
        "\"JOIN furnace AS f ON f.id =\n json_extract(one.value, '$[0]')\"",
        "\"AND e.at >= CAST(json_extract(one.value, '$[1]') AS BIGINT)\"",
    ] {
        assert!(looks_by_json(by_json), "{by_json}");
    }
    for apart in [
        "\"SELECT json_extract(value, '$[0]') AS id FROM json_each($1)\"",
        "\"JOIN furnace AS f ON f.id = wanted.id\"",
    ] {
        assert!(!looks_by_json(apart), "{apart}");
    }
}

#[test]
fn sql_is_told_from_prose() {
    for sql in [
        "\"SELECT id FROM furnace WHERE site_id = $1\"",
        "r\"INSERT INTO reading\n  (id) VALUES ($1)\"",
        "\"insert into reading values (1)\"",
        "\"UPDATE furnace SET etag = $1\"",
        "\"PRAGMA journal_mode = WAL\"",
    ] {
        assert!(is_sql(sql), "{sql} is SQL");
    }
    for prose in [
        "\"select a furnace from the list\"",
        "\"UPDATE\"",
        "\"delete it\"",
        "\"SELECTED\"",
        "1.0",
    ] {
        assert!(!is_sql(prose), "{prose} is not SQL");
    }
}
