//! Who may do what, and audit chains.

use super::Elsewhere::{Denied, Filtered, Hidden, HiddenNetwork, Network, Shared};
use super::{AUDIT, GRANT, READ, Row, row};

pub(super) const ROWS: &[Row] = &[
    row(
        "AuditService/ListAuditEntries",
        AUDIT,
        Denied,
        r#"{"parent":"{site}"}"#,
    ),
    row(
        "AuditService/ListAuditEntries",
        AUDIT,
        Network,
        r#"{"parent":""}"#,
    ),
    row("AuditService/ListAuditCheckpoints", AUDIT, Filtered, "{}"),
    row("AccessService/WhoAmI", READ, Shared, "{}"),
    row("AccessService/ListEnrolments", GRANT, Filtered, "{}"),
    row(
        "AccessService/ListCredentials",
        GRANT,
        Filtered,
        r#"{"show_ended":true}"#,
    ),
    row(
        "AccessService/GetCredential",
        GRANT,
        Hidden,
        r#"{"name":"{credential}"}"#,
    ),
    row(
        "AccessService/CreateEnrolment",
        GRANT,
        Denied,
        r#"{"enrolment":{"credential":{"display_name":"{marker}","kind":"CREDENTIAL_KIND_DEVICE",
            "grant":{"role":"ROLE_TECHNICIAN","sites":["{site}"]}}}}"#,
    ),
    row(
        "AccessService/CreateEnrolment",
        GRANT,
        Network,
        r#"{"enrolment":{"credential":{"display_name":"Desk","kind":"CREDENTIAL_KIND_DEVICE",
            "grant":{"role":"ROLE_AUDITOR","whole_network":true}}}}"#,
    ),
    row(
        "AccessService/CreateCredential",
        GRANT,
        Denied,
        r#"{"credential":{"display_name":"{marker}","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_SITE_MANAGER","sites":["{site}"]}}}"#,
    ),
    // One site of their own and one of another's is another's.
    row(
        "AccessService/CreateCredential",
        GRANT,
        Network,
        r#"{"credential":{"display_name":"Both","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_TECHNICIAN","sites":["sites/north","sites/south"]}}}"#,
    ),
    row(
        "AccessService/CreateCredential",
        GRANT,
        Network,
        r#"{"credential":{"display_name":"Group","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_SUPPORT","site_groups":["{group}"]}}}"#,
    ),
    row(
        "AccessService/CreateCredential",
        GRANT,
        Network,
        r#"{"credential":{"display_name":"All","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_ADMINISTRATOR","whole_network":true}}}"#,
    ),
    row(
        "AccessService/CreateCredential",
        GRANT,
        Network,
        r#"{"credential":{"display_name":"Desk","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_QUALITY","whole_network":true}}}"#,
    ),
    row(
        "AccessService/RotateCredential",
        GRANT,
        Hidden,
        r#"{"name":"{credential}","overlap_min":5}"#,
    ),
    row(
        "AccessService/RotateCredential",
        GRANT, HiddenNetwork,
        r#"{"name":"{network_credential}"}"#,
    ),
    row(
        "AccessService/RevokeCredential",
        GRANT,
        Hidden,
        r#"{"name":"{credential}","reason":"{marker}"}"#,
    ),
    row(
        "AccessService/RevokeCredential",
        GRANT, HiddenNetwork,
        r#"{"name":"{network_credential}","reason":"Lost."}"#,
    ),
    row(
        "AccessService/RevokeEnrolment",
        GRANT,
        Hidden,
        r#"{"name":"{enrolment}"}"#,
    ),
    row("AccessService/ListSiteGroups", READ, Filtered, "{}"),
    row(
        "AccessService/SetSiteGroup",
        GRANT,
        Network,
        r#"{"site_group":{"name":"siteGroups/{new}","display_name":"New","sites":["sites/north"]}}"#,
    ),
    row(
        "AccessService/SetSiteGroup",
        GRANT,
        Network,
        r#"{"site_group":{"name":"{group}","display_name":"{marker}","sites":["{site}"]}}"#,
    ),
    row(
        "AccessService/RemoveSiteGroup",
        GRANT,
        Network,
        r#"{"name":"{group}"}"#,
    ),
];
