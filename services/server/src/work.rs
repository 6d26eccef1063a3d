//! Background work: one file for each thing that is done again and again.

pub(crate) mod changes;
pub(crate) mod checkpoint;
pub(crate) mod find;
pub(crate) mod fold_log;
pub(crate) mod follow;
pub(crate) mod glances;
pub(crate) mod look;
pub(crate) mod mail;
pub(crate) mod others;
pub(crate) mod partitions;
pub(crate) mod ready;
pub(crate) mod refit;
pub(crate) mod serving;
pub(crate) mod told;
pub(crate) mod webhooks;
