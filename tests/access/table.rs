//! Who may call what, written down a second time: from what the roles mean (`proto/ringtrue/v1/access.proto`), not from
//! the server's own table of rights. Where the two differ, one of them is wrong.

mod credentials;
mod deliveries;
mod fleet;
mod laboratory;
mod readings;

/// What somebody is to the network.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum As {
    /// Reads, notes, records and signs at some sites.
    Technician,
    /// Also configures these sites, reads their audit chains and lets people in there.
    SiteManager,
    /// Reads, notes and tries out at some sites.
    Support,
    /// Everything in the whole network but who may do what.
    Quality,
    /// What its credential names; here all of it: reads, records and notes at some sites.
    Integration,
    /// Reads records and audit chains.
    Auditor,
    /// Everything in the whole network.
    Administrator,
}

use As::{Administrator, Auditor, Integration, Quality, SiteManager, Support, Technician};

/// What somebody of another site is answered, who may do the same at their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Elsewhere {
    /// The name says whose it is: PERMISSION_DENIED, whether it exists or not.
    Denied,
    /// The name says nothing: NOT_FOUND, as if it did not exist.
    Hidden,
    /// It belongs to the network itself: PERMISSION_DENIED for whoever is not there for the whole network.
    Network,
    /// So does it, and everybody sees it: who may not do so is told PERMISSION_DENIED of what there is.
    NetworkShown,
    /// It belongs to the network, and nobody else sees it: NOT_FOUND for whoever is not there for the whole network.
    HiddenNetwork,
    /// It shows what is theirs and nothing else.
    Filtered,
    /// It is the same for all.
    Shared,
}

/// One call in one way.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Row {
    /// `{service}/{call}`.
    pub(crate) call: &'static str,
    /// Who may do so at their own sites.
    pub(crate) may: &'static [As],
    /// What others are answered.
    pub(crate) elsewhere: Elsewhere,
    /// A whole request that is right in every field, as protobuf JSON, with names to be put in.
    pub(crate) ask: &'static str,
}

const fn row(
    call: &'static str,
    may: &'static [As],
    elsewhere: Elsewhere,
    ask: &'static str,
) -> Row {
    Row {
        call,
        may,
        elsewhere,
        ask,
    }
}

/// Everybody reads, and learns who they are.
pub(crate) const READ: &[As] = &[
    Technician,
    SiteManager,
    Support,
    Quality,
    Integration,
    Auditor,
    Administrator,
];

/// Notes on alerts and findings, and tries readings out.
pub(crate) const NOTE: &[As] = &[
    Technician,
    SiteManager,
    Support,
    Quality,
    Integration,
    Administrator,
];

/// Records what happened in a laboratory.
pub(crate) const RECORD: &[As] = &[Technician, SiteManager, Quality, Integration, Administrator];

/// Signs; programs do not.
const SIGN: &[As] = &[Technician, SiteManager, Quality, Administrator];

/// Says what sites, furnaces, programmes and gauges are, and who is told.
const CONFIGURE: &[As] = &[SiteManager, Quality, Administrator];

/// Lets people, devices and programs in.
const GRANT: &[As] = &[SiteManager, Administrator];

/// Reads audit chains.
const AUDIT: &[As] = &[SiteManager, Quality, Auditor, Administrator];

/// Calls that nobody needs a credential for.
pub(crate) const OPEN: &[&str] = &["AccessService/Enrol"];

/// Every row, in an order in which nothing is taken away before it is needed.
pub(crate) fn rows() -> Vec<Row> {
    let parts = [
        laboratory::ROWS,
        readings::ROWS,
        fleet::ROWS,
        deliveries::ROWS,
        credentials::ROWS,
    ];
    parts.concat()
}
