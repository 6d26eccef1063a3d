//! Finds out who makes a call.

use http::HeaderMap;
use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::credential::is_staff_code;
use ringtrue_fleet::violation::Violations;

use super::Peer;
use crate::app::Error;

/// Metadata key of the staff code of whoever makes a call.
pub(crate) const OPERATOR: &str = "ringtrue-operator";

/// The gate; clones are the same gate.
#[derive(Debug, Clone, Default)]
pub struct Gate {}

impl Gate {
    /// Gives who makes a call, from what it carries and where it comes from.
    pub(crate) async fn admit(
        &self,
        headers: &HeaderMap,
        _peer: Option<&Peer>,
    ) -> Result<Caller, Error> {
        Ok(Caller::local(operator(headers)?))
    }
}

/// Reads the staff code that a call states.
fn operator(headers: &HeaderMap) -> Result<Option<&str>, Error> {
    let Some(value) = headers.get(OPERATOR).filter(|value| !value.is_empty()) else {
        return Ok(None);
    };
    match value.to_str() {
        Ok(operator) if is_staff_code(operator) => Ok(Some(operator)),
        _ => {
            let mut violations = Violations::default();
            violations.add(
                OPERATOR,
                "NOT_AN_OPERATOR",
                "is not a staff code; send at most 40 letters, digits and signs, without spaces",
            );
            Err(violations.into())
        }
    }
}

#[cfg(test)]
mod tests;
