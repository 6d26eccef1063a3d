//! The columns of a kind of record: how each is read from a cell and written into one.

use super::cell::{Cell, Decimal, Wrong};

/// Whether a record can do without a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Need {
    /// The file must have it and no record may leave it empty.
    Needed,
    /// It may be left out or empty.
    Free,
}

/// A column.
pub(crate) struct Column<T: 'static> {
    /// Its name in the header: that of the field in the protocol.
    pub(crate) name: &'static str,
    /// Whether a record can do without it.
    pub(crate) need: Need,
    /// Whether further rows of the same record have it too.
    pub(crate) further: bool,
    /// Takes what stands in a cell that is not empty.
    pub(crate) read: fn(&mut T, &Cell<'_>) -> Result<(), Wrong>,
    /// Writes the cell of a record's row, 0 for the first; empty when nothing is to be said.
    pub(crate) write: fn(&T, usize, Decimal) -> String,
}

/// A column of text.
macro_rules! text {
    ($need:ident $field:ident) => {
        Column {
            name: stringify!($field),
            need: Need::$need,
            further: false,
            read: |it, cell| {
                it.$field = cell.text();
                Ok(())
            },
            write: |it, _, _| it.$field.clone(),
        }
    };
}

/// A column of numbers that 0 leaves unset.
macro_rules! number {
    ($need:ident $field:ident) => {
        Column {
            name: stringify!($field),
            need: Need::$need,
            further: false,
            read: |it, cell| {
                it.$field = cell.number()?;
                Ok(())
            },
            write: |it, _, decimal| $crate::bulk::cell::set_number(it.$field, decimal),
        }
    };
}

/// A column of numbers that may be 0.
macro_rules! maybe {
    ($field:ident) => {
        Column {
            name: stringify!($field),
            need: Need::Free,
            further: false,
            read: |it, cell| {
                it.$field = Some(cell.number()?);
                Ok(())
            },
            write: |it, _, decimal| {
                it.$field.map_or_else(String::new, |value| {
                    $crate::bulk::cell::number(value, decimal)
                })
            },
        }
    };
}

/// A column of whole numbers that 0 leaves unset.
macro_rules! whole {
    ($field:ident) => {
        Column {
            name: stringify!($field),
            need: Need::Free,
            further: false,
            read: |it, cell| {
                it.$field = cell.whole()?;
                Ok(())
            },
            write: |it, _, _| match it.$field {
                0 => String::new(),
                value => value.to_string(),
            },
        }
    };
}

/// A column of yes and no; no leaves it unset.
macro_rules! yes_no {
    ($field:ident) => {
        Column {
            name: stringify!($field),
            need: Need::Free,
            further: false,
            read: |it, cell| {
                it.$field = cell.yes_no()?;
                Ok(())
            },
            write: |it, _, _| match it.$field {
                true => "true".to_owned(),
                false => String::new(),
            },
        }
    };
}

/// A column of words.
macro_rules! choice {
    ($need:ident $field:ident $kind:ident $prefix:literal) => {
        Column {
            name: stringify!($field),
            need: Need::$need,
            further: false,
            read: |it, cell| {
                it.$field = cell.choice($prefix, $kind::from_str_name)?;
                Ok(())
            },
            write: |it, _, _| $crate::bulk::cell::word(it.$field().as_str_name(), $prefix),
        }
    };
}

/// A column of moments.
macro_rules! moment {
    ($need:ident $field:ident) => {
        Column {
            name: stringify!($field),
            need: Need::$need,
            further: false,
            read: |it, cell| {
                it.$field = Some(cell.moment()?);
                Ok(())
            },
            write: |it, _, _| $crate::bulk::cell::moment_text(it.$field.as_ref()),
        }
    };
}

pub(crate) use {choice, maybe, moment, number, text, whole, yes_no};
