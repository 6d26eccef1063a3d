//! The few words that differ between the two databases. PostgreSQL has the other functions of our
//! statements from its first migration, under the same names.

use std::borrow::Cow;

/// What SQLite says, and what PostgreSQL says for it. SQLite's `CROSS JOIN` fixes the order of the tables;
/// PostgreSQL chooses by itself and takes no condition there.
const WORDS: [(&str, &str); 3] = [
    ("CROSS JOIN", "JOIN"),
    ("json_group_array(", "json_agg("),
    ("json_array(", "json_build_array("),
];

/// What only PostgreSQL needs to be told: SQLite lets one transaction write at a time, so rows need no locks.
const LOCKS: [&str; 1] = [" FOR SHARE"];

/// A word of ours that both put in their own way, around the column that `{}` stands for.
struct Phrase {
    ours: &'static str,
    sqlite: &'static str,
    postgres: &'static str,
}

/// How a column gets into a JSON list: numbers with all their digits, truths as truths.
const PHRASES: [Phrase; 3] = [
    Phrase {
        ours: "real_json(",
        sqlite: "json(iif({} IS NULL, 'null', format('%!.17g', {})))",
        postgres: "{}",
    },
    Phrase {
        ours: "real_text(",
        sqlite: "iif({} IS NULL, NULL, format('%!.17g', {}))",
        postgres: "CAST({} AS TEXT)",
    },
    Phrase {
        ours: "truth_json(",
        sqlite: "json(CASE WHEN {} THEN 'true' WHEN {} IS NULL THEN 'null' ELSE 'false' END)",
        postgres: "{}",
    },
];

/// Puts a phrase of ours into the words of one database, wherever it stands.
fn put(sql: Cow<'static, str>, ours: &str, theirs: &str) -> Cow<'static, str> {
    if !sql.contains(ours) {
        return sql;
    }
    let mut text = String::with_capacity(2 * sql.len());
    let mut parts = sql.split(ours);
    text.push_str(parts.next().unwrap_or_default());
    for part in parts {
        let (column, rest) = part.split_once(')').unwrap_or((part, ""));
        text.push_str(&theirs.replace("{}", column));
        text.push_str(rest);
    }
    Cow::Owned(text)
}

/// A statement in SQLite's words.
pub(super) fn for_sqlite(sql: Cow<'static, str>) -> Cow<'static, str> {
    let sql = PHRASES
        .iter()
        .fold(sql, |sql, phrase| put(sql, phrase.ours, phrase.sqlite));
    LOCKS.iter().fold(sql, |sql, lock| {
        if sql.contains(lock) {
            Cow::Owned(sql.replace(lock, ""))
        } else {
            sql
        }
    })
}

/// A statement in PostgreSQL's words.
pub(super) fn for_postgres(sql: Cow<'static, str>) -> Cow<'static, str> {
    let sql = PHRASES
        .iter()
        .fold(sql, |sql, phrase| put(sql, phrase.ours, phrase.postgres));
    WORDS.iter().fold(sql, |sql, (ours, theirs)| {
        if sql.contains(ours) {
            Cow::Owned(sql.replace(ours, theirs))
        } else {
            sql
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_words_that_differ_are_put_into_others() {
        let same = "SELECT value FROM json_each($1)";
        assert!(matches!(for_postgres(Cow::Borrowed(same)), Cow::Borrowed(kept) if kept == same));
        assert!(matches!(for_sqlite(Cow::Borrowed(same)), Cow::Borrowed(kept) if kept == same));
        let sql = "SELECT json_group_array(json_array(s.id, real_json(s.tolerance_c), real_text(s.t))) \
                   FROM json_each($1) AS w CROSS JOIN site AS s ON s.id = w.value";
        assert_eq!(
            for_postgres(Cow::Borrowed(sql)),
            "SELECT json_agg(json_build_array(s.id, s.tolerance_c, CAST(s.t AS TEXT))) \
             FROM json_each($1) AS w JOIN site AS s ON s.id = w.value"
        );
        let locking = "SELECT fence FROM work_lease FOR SHARE";
        assert_eq!(for_postgres(Cow::Borrowed(locking)), locking);
        assert_eq!(
            for_sqlite(Cow::Borrowed(locking)),
            "SELECT fence FROM work_lease"
        );
        assert_eq!(
            for_sqlite(Cow::Borrowed("truth_json(a), real_text(b)")),
            "json(CASE WHEN a THEN 'true' WHEN a IS NULL THEN 'null' ELSE 'false' END), \
             iif(b IS NULL, NULL, format('%!.17g', b))"
        );
    }
}
