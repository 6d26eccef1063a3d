//! Who makes a call, from its metadata, and what the call may touch.

use ringtrue_fleet::caller::{Caller, Scope};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::violation::Violations;
use tonic::metadata::MetadataMap;

use super::access::Method;
use crate::app::Error;

/// Metadata key of the staff code of whoever makes a call.
pub(crate) const OPERATOR: &str = "ringtrue-operator";

/// Most characters of a staff code.
const MOST_OPERATOR: usize = 40;

/// A caller of one method, known to hold the right that it needs.
#[derive(Debug)]
pub(crate) struct Asking {
    pub(crate) caller: Caller,
    method: Method,
}

impl Asking {
    /// Finds out who calls, and that they may call this method at all.
    pub(crate) fn of(method: Method, metadata: &MetadataMap) -> Result<Self, Error> {
        let caller = caller(metadata).map_err(Error::Invalid)?;
        caller.network(method.right).map_err(Error::Denied)?;
        Ok(Self { caller, method })
    }

    /// Access to one site's records.
    pub(crate) fn site(&self, site: &SiteId) -> Result<Scope, Error> {
        self.caller
            .site(self.method.right, site)
            .map_err(Error::Denied)
    }

    /// Access to what the network shares, and to every site that the caller may see.
    pub(crate) fn network(&self) -> Result<Scope, Error> {
        self.caller
            .network(self.method.right)
            .map_err(Error::Denied)
    }
}

fn caller(metadata: &MetadataMap) -> Result<Caller, Violations> {
    let Some(value) = metadata.get(OPERATOR) else {
        return Ok(Caller::local(None));
    };
    let bytes = value.as_bytes();
    match value.to_str() {
        Ok(operator) if bytes.len() <= MOST_OPERATOR && bytes.iter().all(u8::is_ascii_graphic) => {
            Ok(Caller::local(Some(operator)))
        }
        _ => {
            let mut violations = Violations::default();
            violations.add(
                OPERATOR,
                "NOT_AN_OPERATOR",
                format!(
                    "is not a staff code; send at most {MOST_OPERATOR} letters, digits and signs, \
                     without spaces"
                ),
            );
            Err(violations)
        }
    }
}

#[cfg(test)]
mod tests {
    use ringtrue_fleet::caller::Right;

    use super::super::access::method;
    use super::*;

    fn actor(operator: Option<&str>) -> Result<String, Error> {
        let mut metadata = MetadataMap::new();
        if let Some(operator) = operator {
            metadata.insert(OPERATOR, operator.parse().expect("valid in metadata"));
        }
        let asking = Asking::of(method("/ringtrue.v1.SiteService/GetSite"), &metadata)?;
        Ok(asking.network()?.actor().to_owned())
    }

    #[test]
    fn the_staff_code_travels_into_the_scope() {
        assert_eq!(actor(Some("ab-7")).ok().as_deref(), Some("local:ab-7"));
        assert_eq!(actor(None).ok().as_deref(), Some("local"));
        assert_eq!(actor(Some("")).ok().as_deref(), Some("local"));
        assert_eq!(
            actor(Some(&"x".repeat(40))).ok(),
            Some(format!("local:{}", "x".repeat(40)))
        );
    }

    #[test]
    fn what_is_not_a_staff_code_is_refused() {
        for wrong in [&"x".repeat(41), "a b", "a\tb"] {
            let Err(Error::Invalid(violations)) = actor(Some(wrong)) else {
                panic!("{wrong} was taken");
            };
            assert_eq!(violations.0[0].field, OPERATOR);
        }
    }

    #[test]
    fn a_caller_without_the_right_is_denied_at_the_door() {
        let asking = Asking {
            caller: Caller::of_sites("x".to_owned(), [Right::Read].into(), [].into()),
            method: method("/ringtrue.v1.SiteService/CreateSite"),
        };
        assert!(matches!(asking.network(), Err(Error::Denied(_))));
    }

    #[test]
    fn a_caller_of_one_site_is_denied_at_another() {
        let own = SiteId::new("north").expect("an id");
        let other = SiteId::new("south").expect("an id");
        let asking = Asking {
            caller: Caller::of_sites("x".to_owned(), [Right::Read].into(), [own.clone()].into()),
            method: method("/ringtrue.v1.SiteService/GetSite"),
        };
        assert!(asking.site(&own).is_ok());
        assert!(matches!(asking.site(&other), Err(Error::Denied(_))));
    }
}
