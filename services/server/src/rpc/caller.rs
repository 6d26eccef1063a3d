//! Who makes a call, as the gate found out, and what the call may touch.

use ringtrue_fleet::caller::{Caller, Scope};
use ringtrue_fleet::key::SiteId;
use tonic::Request;

use super::access::Method;
use crate::app::Error;

/// A caller of one method, known to hold the right that it needs.
#[derive(Debug)]
pub(crate) struct Asking {
    pub(crate) caller: Caller,
    method: Method,
}

impl Asking {
    /// Takes the caller that the gate let in, who may call this method at all. A call that did not come through
    /// the gate has no caller.
    pub(crate) fn of<T>(method: Method, request: &Request<T>) -> Result<Self, Error> {
        let caller = request.extensions().get::<Caller>();
        let caller = caller.cloned().ok_or(Error::Unknown)?;
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

    /// Access to what belongs to a site, or to the whole network where none is named.
    pub(crate) fn site_or_network(&self, site: Option<&SiteId>) -> Result<Scope, Error> {
        self.caller
            .site_or_network(self.method.right, site)
            .map_err(Error::Denied)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use ringtrue_fleet::caller::Right;

    use super::super::access::method;
    use super::*;

    fn asking(path: &'static str, caller: Option<Caller>) -> Result<Asking, Error> {
        let mut request = Request::new(());
        if let Some(caller) = caller {
            request.extensions_mut().insert(caller);
        }
        Asking::of(method(path), &request)
    }

    fn reader(site: &SiteId) -> Caller {
        let own = BTreeSet::from([site.clone()]);
        Caller::of_sites("x".to_owned(), [Right::Read].into(), own)
    }

    #[test]
    fn a_call_that_did_not_come_through_the_gate_is_nobodys() {
        let asked = asking("/ringtrue.v1.SiteService/GetSite", None);
        assert!(matches!(asked, Err(Error::Unknown)));
    }

    #[test]
    fn a_caller_without_the_right_is_denied_at_the_door() {
        let own = SiteId::new("north").expect("an id");
        let asked = asking("/ringtrue.v1.SiteService/CreateSite", Some(reader(&own)));
        assert!(matches!(asked, Err(Error::Denied(_))));
    }

    #[test]
    fn a_caller_of_one_site_is_denied_at_another() {
        let own = SiteId::new("north").expect("an id");
        let other = SiteId::new("south").expect("an id");
        let asked = asking("/ringtrue.v1.SiteService/GetSite", Some(reader(&own)));
        let asked = asked.expect("may read");
        assert!(asked.site(&own).is_ok());
        assert!(matches!(asked.site(&other), Err(Error::Denied(_))));
    }
}
