//! One cell of a CSV file: what stands in it as text, number, moment or word, and how the same is written.

use clap::ValueEnum;
use jiff::Timestamp;
use ringtrue_proto::Date;

use crate::moment;

/// Mark before the decimals of a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Decimal {
    /// 19.47
    Point,
    /// 19,47
    Comma,
}

/// Why a cell cannot be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Wrong {
    /// Code in UPPER_SNAKE_CASE.
    pub(crate) reason: &'static str,
    /// What is wrong and what to do.
    pub(crate) words: String,
}

/// A fault of a cell.
pub(crate) fn wrong<T>(reason: &'static str, words: String) -> Result<T, Wrong> {
    Err(Wrong { reason, words })
}

/// A cell that is not empty.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cell<'c> {
    /// What stands in it.
    pub(crate) text: &'c str,
    /// Mark before decimals.
    pub(crate) decimal: Decimal,
}

impl Cell<'_> {
    /// The text as it stands.
    pub(crate) fn text(&self) -> String {
        self.text.to_owned()
    }

    /// A number with the file's decimal mark.
    pub(crate) fn number(&self) -> Result<f64, Wrong> {
        self.number_in(self.text)
    }

    /// A number that is a part of the cell.
    pub(crate) fn number_in(&self, text: &str) -> Result<f64, Wrong> {
        let trimmed = text.trim();
        let (mark, other, flag) = match self.decimal {
            Decimal::Point => ('.', ',', "comma"),
            Decimal::Comma => (',', '.', "point"),
        };
        if trimmed.contains(other) && !trimmed.contains(mark) {
            return wrong(
                "NOT_A_NUMBER",
                format!(
                    "`{trimmed}` has a {other} where this file has `{mark}` before decimals; say --decimal {flag} when \
                     all numbers are written so"
                ),
            );
        }
        let plain = |letter: char| {
            letter.is_ascii_digit() || matches!(letter, '+' | '-' | 'e' | 'E') || letter == mark
        };
        let number = trimmed.chars().all(plain).then(|| {
            let pointed = trimmed.replace(mark, ".");
            pointed.parse::<f64>().ok()
        });
        match number.flatten() {
            Some(number) if number.is_finite() => Ok(number),
            _ => wrong(
                "NOT_A_NUMBER",
                format!(
                    "`{trimmed}` is not a number; write it without a unit and without marks between thousands"
                ),
            ),
        }
    }

    /// A whole number.
    pub(crate) fn whole(&self) -> Result<i32, Wrong> {
        self.text.trim().parse().map_err(|_| Wrong {
            reason: "NOT_A_NUMBER",
            words: format!("`{}` is not a whole number", self.text.trim()),
        })
    }

    /// Yes or no.
    pub(crate) fn yes_no(&self) -> Result<bool, Wrong> {
        match self.text.trim().to_ascii_lowercase().as_str() {
            "true" | "yes" | "1" => Ok(true),
            "false" | "no" | "0" => Ok(false),
            other => wrong(
                "NOT_YES_OR_NO",
                format!("`{other}` is neither `true` nor `false`"),
            ),
        }
    }

    /// A moment with its offset.
    pub(crate) fn moment(&self) -> Result<prost_types::Timestamp, Wrong> {
        match self.text.trim().parse::<Timestamp>() {
            Ok(moment) => Ok(moment::sent(moment)),
            Err(_) => wrong(
                "NOT_A_MOMENT",
                format!(
                    "`{}` is not a moment; write date, time and offset, like 2026-03-04T14:00:00+01:00 or \
                     2026-03-04T13:00:00Z",
                    self.text.trim()
                ),
            ),
        }
    }

    /// A day.
    pub(crate) fn day(&self) -> Result<Date, Wrong> {
        day_in(self.text)
    }

    /// A word of an enumeration: its name in the protocol, with or without what all its names begin with.
    pub(crate) fn choice<T: Into<i32>>(
        &self,
        prefix: &str,
        named: fn(&str) -> Option<T>,
    ) -> Result<i32, Wrong> {
        choice_in(self.text, prefix, named)
    }

    /// The entries of a list, which `;` separates; `\` before a `;` or a `\` takes it as it is.
    pub(crate) fn listed(&self) -> Vec<String> {
        let mut entries = vec![String::new()];
        let mut letters = self.text.chars();
        while let Some(letter) = letters.next() {
            let letter = match letter {
                ';' => {
                    entries.push(String::new());
                    continue;
                }
                '\\' => letters.next().unwrap_or('\\'),
                other => other,
            };
            if let Some(last) = entries.last_mut() {
                last.push(letter);
            }
        }
        let trimmed = entries.iter().map(|entry| entry.trim().to_owned());
        trimmed.filter(|entry| !entry.is_empty()).collect()
    }
}

/// Reads a day that is a part of a cell.
pub(crate) fn day_in(text: &str) -> Result<Date, Wrong> {
    moment::day(text).map_err(|words| Wrong {
        reason: "NOT_A_DAY",
        words,
    })
}

/// Reads a word that is a part of a cell.
pub(crate) fn choice_in<T: Into<i32>>(
    text: &str,
    prefix: &str,
    named: fn(&str) -> Option<T>,
) -> Result<i32, Wrong> {
    let upper = text.trim().to_ascii_uppercase();
    let found = named(&upper).or_else(|| named(&format!("{prefix}{upper}")));
    match found {
        Some(value) => Ok(value.into()),
        None => wrong(
            "UNKNOWN_WORD",
            format!(
                "`{}` is not one of the words of this column; they are in `proto/ringtrue/v1`, with or without `{prefix}`",
                text.trim()
            ),
        ),
    }
}

/// Writes a number.
pub(crate) fn number(value: f64, decimal: Decimal) -> String {
    let text = value.to_string();
    match decimal {
        Decimal::Point => text,
        Decimal::Comma => text.replace('.', ","),
    }
}

/// Writes a number that 0 leaves unset.
pub(crate) fn set_number(value: f64, decimal: Decimal) -> String {
    if value.total_cmp(&0.0).is_eq() {
        String::new()
    } else {
        number(value, decimal)
    }
}

/// Writes a moment; nothing when there is none.
pub(crate) fn moment_text(stamp: Option<&prost_types::Timestamp>) -> String {
    moment::received(stamp).map_or_else(String::new, |moment| moment.to_string())
}

/// Writes a word of an enumeration without what all begin with; nothing for the one that is not given.
pub(crate) fn word(name: &str, prefix: &str) -> String {
    let bare = name.strip_prefix(prefix).unwrap_or(name);
    if bare == "UNSPECIFIED" {
        String::new()
    } else {
        bare.to_ascii_lowercase()
    }
}

/// Writes the entries of a list.
pub(crate) fn list(entries: &[String]) -> String {
    let escaped: Vec<String> = entries
        .iter()
        .map(|entry| entry.replace('\\', "\\\\").replace(';', "\\;"))
        .collect();
    escaped.join("; ")
}
