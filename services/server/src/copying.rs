//! Copying an installation on the command line: where from and where to, how far it has come, what came of it.

use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use ringtrue_store::{Address, Copied, CopyStep, CopyWish, Location, Place};
use serde_json::{Value, json};

use crate::config::{copy_password, holds_password};

/// People hear of it at most this often, apart from what happens once.
const EVERY: SignedDuration = SignedDuration::from_secs(2);

/// Reads one end of a copy; its password is in the environment. Fails in words when it stands in the address.
pub fn location(given: &str, end: &str) -> Result<Location, String> {
    let option = end.to_lowercase();
    match Location::parse(given) {
        Location::Postgres(_) if holds_password(given) => Err(format!(
            "the address of --{option} holds a password, which everybody on this machine can see: take it out and \
             put it into RINGTRUE_COPY_{end}_PASSWORD"
        )),
        Location::Postgres(address) => {
            let password = copy_password(end).map_err(|faults| faults.to_string())?;
            Ok(Location::Postgres(Address {
                password: password.map(|password| password.reveal().to_owned()),
                ..address
            }))
        }
        Location::File(_) if given.contains("://") => Err(format!(
            "--{option} is an address of no kind that works here: name a file, such as ringtrue.db, or an address \
             that begins with postgres://"
        )),
        file @ Location::File(_) => Ok(file),
    }
}

/// Fails in words when a file that is to be copied is not there.
pub fn check_source(from: &Location) -> Result<(), String> {
    match from {
        Location::File(file) if !file.exists() => Err(format!(
            "there is no source {}; name it with --from",
            file.display()
        )),
        Location::File(_) | Location::Postgres(_) => Ok(()),
    }
}

/// Tells people how far a copy has come, now and then.
#[derive(Debug)]
pub struct Told {
    /// When the part of the work began that goes on now, and after how many rows; none before the first.
    since: Option<(Timestamp, u64)>,
    last: Timestamp,
    compares: bool,
    /// Rows that were in the target when it began.
    found: u64,
}

impl Told {
    /// Nothing was told yet.
    pub fn new(now: Timestamp) -> Self {
        Self {
            since: None,
            last: now,
            compares: false,
            found: 0,
        }
    }

    /// What is to be told of a step, if anything.
    pub fn line(&mut self, step: CopyStep<'_>, now: Timestamp) -> Option<String> {
        match step {
            CopyStep::GoesOn { rows } => {
                self.found = rows;
                Some(format!(
                    "Going on with a copy that was interrupted: {rows} rows are in the target already."
                ))
            }
            CopyStep::BeginsAnew => {
                *self = Self::new(now);
                Some(
                    "The source was written to since the copy was interrupted: beginning anew."
                        .to_owned(),
                )
            }
            CopyStep::Copied(place) => {
                // What was found is read and not written, so it says nothing about the time that the rest takes.
                if self.since.is_none() || place.all_rows <= self.found {
                    self.since = Some((now, place.all_rows));
                }
                self.now_and_then("copied", place, now)
            }
            CopyStep::Compared(place) => {
                if !self.compares {
                    self.compares = true;
                    self.since = Some((now, place.all_rows));
                    self.last = now;
                    return Some(format!("All {} rows are copied; comparing.", place.of_all));
                }
                self.now_and_then("compared", place, now)
            }
        }
    }

    fn now_and_then(&mut self, done: &str, place: Place<'_>, now: Timestamp) -> Option<String> {
        if now.duration_since(self.last) < EVERY {
            return None;
        }
        self.last = now;
        let Place {
            table,
            rows,
            of,
            all_rows,
            of_all,
        } = place;
        let percent = 100 * all_rows / of_all.max(1);
        let mut line = format!("{table}: {rows} of {of} rows {done}; {percent} % of all rows");
        if let Some(left) = self.left_s(place, now) {
            write!(line, ", about {} left", duration(left)).expect("a text takes what is written");
        }
        Some(line)
    }

    /// How long the rest takes; none while too little is done to tell.
    fn left_s(&self, place: Place<'_>, now: Timestamp) -> Option<u64> {
        let (since, before) = self.since?;
        let done = place.all_rows.checked_sub(before)?;
        let took = now.duration_since(since);
        if took < EVERY {
            return None;
        }
        let left = place.of_all.saturating_sub(place.all_rows);
        let took_ms = u64::try_from(took.as_millis()).ok()?;
        (took_ms * left).checked_div(1_000 * done)
    }
}

fn duration(seconds: u64) -> String {
    match seconds {
        0..120 => format!("{seconds} s"),
        _ => format!("{} min", seconds.div_ceil(60)),
    }
}

/// What came of it, as a table with what to do next.
pub fn words(copied: &Copied, wish: CopyWish) -> String {
    let mut words = String::new();
    write_words(&mut words, copied, wish).expect("a text takes what is written");
    words
}

fn write_words(out: &mut String, copied: &Copied, wish: CopyWish) -> std::fmt::Result {
    writeln!(
        out,
        "{:<24} {:>12} {:>12}  {:<16} COMPARED",
        "TABLE", "SOURCE ROWS", "TARGET ROWS", "SHA-256"
    )?;
    for table in &copied.tables {
        let verdict = if table.is_equal() { "equal" } else { "DIFFERS" };
        writeln!(
            out,
            "{:<24} {:>12} {:>12}  {:<16} {verdict}",
            table.name,
            table.from.rows,
            table.to.rows,
            &table.from.sha256[..16]
        )?;
    }
    let rows: u64 = copied.tables.iter().map(|table| table.from.rows).sum();
    writeln!(out, "\n{} tables, {rows} rows.", copied.tables.len())?;
    let differing = differing(copied);
    if !differing.is_empty() {
        return writeln!(
            out,
            "FAULT: {} differ. The target was changed while it was copied to, or its disk fails: copy into a new, \
             empty target. The source is as it was.",
            differing.join(", ")
        );
    }
    match copied.entries_behind {
        0 => writeln!(
            out,
            "Both are equal. Now run `ringtrue-server verify` on the target, name it in the servers' settings \
             (database), start them, and keep the source as a record that nobody writes to any more."
        ),
        behind if wish.rehearses => writeln!(
            out,
            "Both were equal when the copy began; {behind} audit entries were made on the source since, which the \
             target has not. A rehearsal is not to be served: remove it, stop the servers and copy into a new target."
        ),
        behind => writeln!(
            out,
            "FAULT: {behind} audit entries were made on the source while it was copied, which the target has not. \
             Stop every server and give the same command again."
        ),
    }
}

fn differing(copied: &Copied) -> Vec<&str> {
    let differing = copied.tables.iter().filter(|table| !table.is_equal());
    differing.map(|table| table.name.as_str()).collect()
}

/// The same for programs.
pub fn document(copied: &Copied, wish: CopyWish) -> Value {
    let tables: Vec<Value> = copied
        .tables
        .iter()
        .map(|table| {
            json!({
                "table": table.name,
                "source": {"rows": table.from.rows, "sha256": table.from.sha256},
                "target": {"rows": table.to.rows, "sha256": table.to.sha256},
                "equal": table.is_equal(),
            })
        })
        .collect();
    json!({
        "tables": tables,
        "equal": copied.is_equal(),
        "audit_entries_behind": copied.entries_behind,
        "rehearsal": wish.rehearses,
        "whole": copied.is_whole(wish),
    })
}

#[cfg(test)]
mod tests {
    use ringtrue_store::{CopiedTable, Sum};

    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(second).expect("a moment")
    }

    fn place(all_rows: u64) -> Place<'static> {
        Place {
            table: "reading",
            rows: all_rows,
            of: 800,
            all_rows,
            of_all: 1_000,
        }
    }

    #[test]
    fn progress_is_told_now_and_then_with_the_time_left() {
        let mut told = Told::new(at(0));
        // What comes before the first rows, such as making the tables, says nothing about the rest.
        let first = told.line(CopyStep::Copied(place(1)), at(3));
        let wanted = "reading: 1 of 800 rows copied; 0 % of all rows";
        assert_eq!(first.as_deref(), Some(wanted));
        assert_eq!(told.line(CopyStep::Copied(place(100)), at(4)), None);
        let line = told.line(CopyStep::Copied(place(201)), at(7));
        let wanted = "reading: 201 of 800 rows copied; 20 % of all rows, about 15 s left";
        assert_eq!(line.as_deref(), Some(wanted));
        assert_eq!(told.line(CopyStep::Copied(place(300)), at(8)), None);
        let comparing = told.line(CopyStep::Compared(place(1)), at(9));
        assert!(comparing.is_some_and(|line| line.contains("1000 rows")));
    }

    #[test]
    fn what_was_found_copied_does_not_shorten_the_time_left() {
        let mut told = Told::new(at(0));
        let line = told.line(CopyStep::GoesOn { rows: 500 }, at(0));
        assert!(line.is_some_and(|line| line.contains("500 rows")));
        told.line(CopyStep::Copied(place(500)), at(1));
        let line = told.line(CopyStep::Copied(place(600)), at(11));
        assert!(line.is_some_and(|line| line.ends_with("about 40 s left")));
    }

    #[test]
    fn a_password_in_an_address_is_refused_and_not_repeated() {
        for address in [
            "postgres://a:pa55@h/d",
            "postgres://a@h/d?password=pa55",
            "postgresql://a@h/d?sslmode=require&password=pa55",
        ] {
            let refused = location(address, "TO").expect_err("it holds a password");
            assert!(refused.contains("RINGTRUE_COPY_TO_PASSWORD"), "{refused}");
            assert!(!refused.contains("pa55"), "{refused}");
        }
        assert!(location("postgres://a@h:5432/d?sslmode=require", "TO").is_ok());
        assert!(location("mysql://a:pa55@h/d", "FROM").is_err_and(|words| !words.contains("pa55")));
        assert!(location("ringtrue.db", "FROM").is_ok());
    }

    #[test]
    fn a_table_that_differs_is_named() {
        let sum = |rows| Sum {
            rows,
            sha256: "0123456789abcdef0123".to_owned(),
        };
        let table = |name: &str, to| CopiedTable {
            name: name.to_owned(),
            from: sum(2),
            to: sum(to),
        };
        let wish = CopyWish {
            now: at(0),
            rehearses: false,
        };
        let mut copied = Copied {
            tables: vec![table("site", 2), table("reading", 1)],
            entries_behind: 0,
        };
        let told = words(&copied, wish);
        assert!(told.contains("FAULT: reading differ"), "{told}");
        assert_eq!(document(&copied, wish)["whole"], json!(false));
        copied.tables.pop();
        let told = words(&copied, wish);
        assert!(told.contains("Both are equal. Now run"), "{told}");
        copied.entries_behind = 3;
        assert!(words(&copied, wish).contains("FAULT: 3 audit entries"));
        assert!(!copied.is_whole(wish));
    }
}
