//! How values are written in columns, and read back with the column's name when they are not as
//! written.

use jiff::Timestamp;
use jiff::civil::{Date, Weekday};
use ringtrue_fleet::key::SiteId;
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::Error;

/// Where a value stands, for messages about values that cannot be read back.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place<'a> {
    pub(crate) table: &'static str,
    pub(crate) key: &'a str,
}

impl Place<'_> {
    pub(crate) fn corrupt(&self, column: &'static str) -> Error {
        Error::Corrupt {
            table: self.table,
            column,
            key: self.key.to_owned(),
        }
    }

    pub(crate) fn moment(&self, column: &'static str, micros: i64) -> Result<Timestamp, Error> {
        // `Timestamp::from_microsecond` refuses the last second of the calendar, which stands for "for ever".
        i32::try_from(micros % 1_000_000)
            .ok()
            .and_then(|rest| Timestamp::new(micros / 1_000_000, rest * 1_000).ok())
            .ok_or_else(|| self.corrupt(column))
    }

    pub(crate) fn date(&self, column: &'static str, text: &str) -> Result<Date, Error> {
        text.parse().map_err(|_| self.corrupt(column))
    }

    pub(crate) fn weekday(&self, column: &'static str, iso: i64) -> Result<Weekday, Error> {
        i8::try_from(iso)
            .ok()
            .and_then(|iso| Weekday::from_monday_one_offset(iso).ok())
            .ok_or_else(|| self.corrupt(column))
    }

    pub(crate) fn small(&self, column: &'static str, value: i64) -> Result<i32, Error> {
        i32::try_from(value).map_err(|_| self.corrupt(column))
    }

    pub(crate) fn word<T: Copy>(
        &self,
        column: &'static str,
        word: &str,
        words: &[(T, &'static str)],
    ) -> Result<T, Error> {
        for (value, written) in words {
            if *written == word {
                return Ok(*value);
            }
        }
        Err(self.corrupt(column))
    }

    pub(crate) fn json<T: DeserializeOwned>(
        &self,
        column: &'static str,
        text: &str,
    ) -> Result<T, Error> {
        serde_json::from_str(text).map_err(|_| self.corrupt(column))
    }

    /// Reads a SHA-256, hexadecimal; none of an empty text.
    pub(crate) fn sha256(
        &self,
        column: &'static str,
        text: &str,
    ) -> Result<Option<[u8; 32]>, Error> {
        if text.is_empty() {
            return Ok(None);
        }
        let mut digest = [0; 32];
        if text.len() != 64 || !text.bytes().all(|byte| byte.is_ascii_hexdigit()) {
            return Err(self.corrupt(column));
        }
        for (at, byte) in digest.iter_mut().enumerate() {
            let two = text.get(2 * at..2 * at + 2).unwrap_or_default();
            *byte = u8::from_str_radix(two, 16).map_err(|_| self.corrupt(column))?;
        }
        Ok(Some(digest))
    }

    pub(crate) fn id<T, E>(&self, column: &'static str, parsed: Result<T, E>) -> Result<T, Error> {
        parsed.map_err(|_| self.corrupt(column))
    }

    /// The site of a row's `site_id`; none for what belongs to the whole network.
    pub(crate) fn site(&self, text: &str) -> Result<Option<SiteId>, Error> {
        if text.is_empty() {
            return Ok(None);
        }
        self.id("site_id", SiteId::new(text)).map(Some)
    }
}

/// An id that may be null.
pub(crate) fn optional_id<T, E>(
    text: Option<&str>,
    parse: impl FnOnce(&str) -> Result<T, E>,
    corrupt: impl FnOnce() -> Error,
) -> Result<Option<T>, Error> {
    match text {
        None => Ok(None),
        Some(text) => parse(text).map(Some).map_err(|_| corrupt()),
    }
}

/// The word for a value.
pub(crate) fn written<T: PartialEq>(value: &T, words: &[(T, &'static str)]) -> String {
    for (known, word) in words {
        if known == value {
            return (*word).to_owned();
        }
    }
    String::new()
}

/// A value as JSON. The documents of this crate hold only text, finite and marked non-finite numbers
/// and lists, which always serialise.
pub(crate) fn json<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).expect("documents of this crate serialise")
}

/// A value as bytes, compact and without names.
pub(crate) fn bytes<T: Serialize>(value: &T) -> Vec<u8> {
    postcard::to_allocvec(value).expect("documents of this crate serialise")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_and_the_last_moment_come_back_as_they_were_stored() {
        let place = Place {
            table: "alert",
            key: "a1",
        };
        for stored in [Timestamp::MIN, Timestamp::UNIX_EPOCH, Timestamp::MAX] {
            let micros = stored.as_microsecond();
            let back = place.moment("at", micros).expect("it was stored");
            assert_eq!(back.as_microsecond(), micros);
        }
        for wrong in [i64::MIN, i64::MAX] {
            assert!(place.moment("at", wrong).is_err(), "{wrong}");
        }
    }
}
