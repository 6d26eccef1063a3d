//! The kinds of records: their columns, their identity, and how they are sent and listed.

mod batches;
mod firings;
mod furnaces;
mod gauges;
mod readings;
mod sites;

use super::cell::Wrong;
use crate::names;

/// Spells out a name that may leave out its site.
fn whole_name(
    column: &'static str,
    text: &str,
    site: Option<&str>,
    kinds: &[&str],
) -> Result<String, (&'static str, Wrong)> {
    // Most files spell names out, and a million rows are read.
    if text.starts_with("sites/") && text.matches('/').count() + 1 == 2 * kinds.len() {
        return Ok(text.to_owned());
    }
    if let Some(name) = names::spelled_out(text, kinds) {
        return Ok(name);
    }
    let below = site.and_then(|site| {
        names::spelled_out(&format!("{}/{}", names::id(site), text.trim()), kinds)
    });
    below.ok_or_else(|| {
        let wrong = Wrong {
            reason: "NO_NAME",
            words: format!(
                "`{text}` does not say which one is meant; write the whole name, {}, or leave out the site's part and \
                 say --site",
                example(kinds)
            ),
        };
        (column, wrong)
    })
}

/// What a whole name looks like.
fn example(kinds: &[&str]) -> String {
    let parts: Vec<String> = kinds.iter().map(|kind| format!("{kind}/…")).collect();
    parts.join("/")
}

/// The number in the brackets behind a word of a field: 3 in `rings.rings[3].position` behind `rings[`.
fn index_after(field: &str, word: &str) -> Option<usize> {
    let (_, rest) = field.rsplit_once(word)?;
    let (digits, _) = rest.split_once(']')?;
    digits.parse().ok()
}
