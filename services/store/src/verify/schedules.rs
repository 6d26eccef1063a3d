//! Rules, acts, subscriptions and feeds against their entries; alerts against the log of their changes, and
//! what people said about them against its entries.

use std::collections::HashMap;

use super::{Fault, PAGE, Records, Verified};
use crate::Error;
use crate::audit::digest;
use crate::columns::json;
use crate::database::{Connection, query_as};
use crate::tables::acts::ActRow;
use crate::tables::alerts::AlertRow;
use crate::tables::feeds::FeedRow;
use crate::tables::rules::RuleRow;
use crate::tables::subscriptions::{SubscriptionRecord, SubscriptionRow};
use crate::tables::webhooks::{WebhookRecord, WebhookRow};

/// Adds what the audit chains vouch for.
pub(super) async fn add_records(
    connection: &mut Connection,
    records: &mut Records,
) -> Result<(), Error> {
    let rows: Vec<RuleRow> = query_as("SELECT * FROM schedule_rule")
        .fetch_all(&mut *connection)
        .await?;
    for row in rows {
        records.insert(row.name()?, digest(&json(&row)));
    }
    let rows: Vec<SubscriptionRow> = query_as("SELECT * FROM mail_subscription")
        .fetch_all(&mut *connection)
        .await?;
    for row in rows {
        let document = json(&SubscriptionRecord::from(&row));
        records.insert(row.name()?, digest(&document));
    }
    let rows: Vec<WebhookRow> = query_as("SELECT * FROM webhook")
        .fetch_all(&mut *connection)
        .await?;
    for row in rows {
        let document = json(&WebhookRecord::from(&row));
        records.insert(row.name()?, digest(&document));
    }
    let rows: Vec<FeedRow> = query_as("SELECT * FROM calendar_feed")
        .fetch_all(&mut *connection)
        .await?;
    for row in rows {
        records.insert(row.name(), digest(&json(&row)));
    }
    add_acts(connection, records).await
}

async fn add_acts(connection: &mut Connection, records: &mut Records) -> Result<(), Error> {
    const SQL: &str = "SELECT * FROM care_act WHERE (site_id, id) > ($1, $2)
        ORDER BY site_id, id LIMIT $3";
    let mut after = (String::new(), String::new());
    loop {
        let rows: Vec<ActRow> = query_as(SQL)
            .bind(&after.0)
            .bind(&after.1)
            .bind(PAGE)
            .fetch_all(&mut *connection)
            .await?;
        let Some(last) = rows.last() else {
            return Ok(());
        };
        after = last.place_in_order();
        for row in rows {
            records.insert(row.name(), digest(&json(&row)));
        }
    }
}

#[derive(sqlx::FromRow)]
struct ChangeRow {
    seq: i64,
    alert_id: String,
    site_id: String,
    kind: String,
    document: String,
}

/// Compares every alert with the last change in the log, and adds what people said last about each for the
/// audit chains to vouch for.
pub(super) async fn check_alerts(
    connection: &mut Connection,
    records: &mut Records,
    verified: &mut Verified,
) -> Result<(), Error> {
    const CHANGES: &str = "SELECT seq, alert_id, site_id, kind, document FROM alert_change
        WHERE seq > $1 ORDER BY seq LIMIT $2";
    let mut seq = 0;
    let mut last: HashMap<String, String> = HashMap::new();
    loop {
        let changes: Vec<ChangeRow> = query_as(CHANGES)
            .bind(seq)
            .bind(PAGE)
            .fetch_all(&mut *connection)
            .await?;
        if changes.is_empty() {
            break;
        }
        for change in changes {
            let subject = format!("alerts/{}", change.alert_id);
            if change.seq != seq + 1 {
                verified.faults.push(Fault::ChangesGone { seq: change.seq });
            }
            seq = change.seq;
            let digest = digest(&change.document);
            let fits = serde_json::from_str(&change.document)
                .is_ok_and(|then: AlertRow| then.is_of(&change.alert_id, &change.site_id));
            if !fits {
                verified.faults.push(Fault::RecordAltered {
                    subject: subject.clone(),
                });
            }
            if matches!(change.kind.as_str(), "acknowledged" | "snoozed") {
                records.insert(subject.clone(), digest.clone());
            }
            last.insert(subject, digest);
        }
    }
    compare(connection, last, verified).await
}

/// Compares alerts with the digest of the last change of each.
async fn compare(
    connection: &mut Connection,
    mut last: HashMap<String, String>,
    verified: &mut Verified,
) -> Result<(), Error> {
    const ALERTS: &str = "SELECT * FROM alert WHERE id > $1 ORDER BY id LIMIT $2";
    let mut after = String::new();
    loop {
        let alerts: Vec<AlertRow> = query_as(ALERTS)
            .bind(&after)
            .bind(PAGE)
            .fetch_all(&mut *connection)
            .await?;
        let Some(end) = alerts.last() else { break };
        after.clone_from(&end.id);
        for alert in alerts {
            let subject = alert.name();
            match last.remove(&subject) {
                None => verified.faults.push(Fault::RecordUnknown { subject }),
                Some(logged) if logged != digest(&json(&alert)) => {
                    verified.faults.push(Fault::RecordAltered { subject });
                }
                Some(_) => {}
            }
        }
    }
    let mut gone: Vec<String> = last.into_keys().collect();
    gone.sort_unstable();
    for subject in gone {
        verified.faults.push(Fault::RecordGone { subject });
    }
    Ok(())
}
