//! Background work: one file for each thing that is done again and again.

pub(crate) mod fold_log;
