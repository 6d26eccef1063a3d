//! Whether a furnace may be used, from its records.

use jiff::Timestamp;

use crate::due::Reason;

/// Whether a furnace may be used (the status of equipment, ISO/IEC 17025:2017 6.4, from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum UseState {
    /// Nothing on record speaks against use; reasons may warn.
    Fit,
    /// Only for work that the reasons do not exclude.
    Restricted,
    /// Not for patients' work until the reasons are mended.
    Unfit,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Usable {
    /// Whether.
    pub state: UseState,
    /// Why, most important first; warnings too.
    pub reasons: Vec<Reason>,
    /// Until when this holds if nothing is recorded meanwhile.
    pub valid_until: Option<Timestamp>,
}

/// What this program cannot do, and what overrides it.
pub const CAUTION: &str = "This is a statement from records. The program cannot see the furnace and cannot \
                           stop it. Follow the furnace maker's and the material maker's instructions, local \
                           codes and licensed practice; they override this text.";
