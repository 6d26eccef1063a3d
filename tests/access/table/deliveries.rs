//! Who gets mail and calendars.

use super::Elsewhere::{Denied, Filtered, Network};
use super::{CONFIGURE, READ, Row, row};

pub(super) const ROWS: &[Row] = &[
    row(
        "DeliveryService/ListMailSubscriptions",
        READ,
        Denied,
        r#"{"parent":"{site}"}"#,
    ),
    row(
        "DeliveryService/ListMailSubscriptions",
        READ,
        Filtered,
        r#"{"parent":"sites/-"}"#,
    ),
    // Addresses of those who answer for the network are for them.
    row(
        "DeliveryService/ListMailSubscriptions",
        READ,
        Network,
        r#"{"parent":""}"#,
    ),
    row(
        "DeliveryService/CreateMailSubscription",
        CONFIGURE,
        Denied,
        r#"{"parent":"{site}","subscription":{"address":"{marker}@example.org","level":"ALERT_LEVEL_MANAGER",
            "mode":"MAIL_MODE_DIGEST"}}"#,
    ),
    row(
        "DeliveryService/CreateMailSubscription",
        CONFIGURE,
        Network,
        r#"{"parent":"","subscription":{"address":"network@example.org","level":"ALERT_LEVEL_QUALITY",
            "mode":"MAIL_MODE_DIGEST"}}"#,
    ),
    row(
        "DeliveryService/DeleteMailSubscription",
        CONFIGURE,
        Denied,
        r#"{"name":"{subscription}"}"#,
    ),
    row(
        "DeliveryService/DeleteMailSubscription",
        CONFIGURE,
        Network,
        r#"{"name":"{network_subscription}"}"#,
    ),
    row(
        "DeliveryService/ListCalendarFeeds",
        READ,
        Denied,
        r#"{"parent":"{site}"}"#,
    ),
    row(
        "DeliveryService/CreateCalendarFeed",
        CONFIGURE,
        Denied,
        r#"{"parent":"{site}","feed":{"display_name":"{marker}"}}"#,
    ),
    row(
        "DeliveryService/DeleteCalendarFeed",
        CONFIGURE,
        Denied,
        r#"{"name":"{feed}"}"#,
    ),
];
