//! Somebody alters the file with another program: every table of the database, one by one. A new table fails here until
//! somebody has thought about it.

use std::collections::BTreeSet;
use std::path::Path;

use ringtrue_fleet::credential::{CredentialWish, Holder};
use ringtrue_fleet::grant::{Grant, Reach, Role, SiteGroup};
use ringtrue_fleet::key::{CredentialId, SiteGroupId, SiteId};
use ringtrue_server::app::{self, Because};
use ringtrue_server::clock::Clock;
use ringtrue_store::{Request, Store};
use ringtrue_tests::databases::is_on_postgresql;
use uuid::Uuid;

use crate::deliveries::{feed, subscription};
use crate::firings;
use crate::laboratory::{Laboratory, moment, request};
use crate::webhooks::webhook;

/// What becomes of damage to a table.
enum Damage {
    /// A verification finds each of these.
    Found(&'static [&'static str]),
    /// A verification finds it: shown in this file of the folder, which damages the table.
    ShownIn(&'static str),
    /// Nothing can vouch for it, and it decides about no record: why.
    NoRecord(&'static str),
}

use Damage::{Found, NoRecord, ShownIn};

/// Every table of the database.
const TABLES: [(&str, Damage); 53] = [
    (
        "site",
        Found(&[
            "UPDATE site SET tolerance_c = 50",
            "UPDATE site SET display_name = 'x'",
        ]),
    ),
    (
        "furnace",
        Found(&[
            "UPDATE furnace SET maximum_setpoint_c = 1700",
            "UPDATE furnace SET serial_number = 'x'",
        ]),
    ),
    (
        "programme",
        Found(&["UPDATE programme SET setpoint_c = setpoint_c + 20"]),
    ),
    ("gauge", Found(&["UPDATE gauge SET resolution_mm = 0.001"])),
    (
        "gauge_check",
        Found(&[
            "UPDATE gauge_check SET performed_by = 'x'",
            "DELETE FROM gauge_check",
        ]),
    ),
    ("ring_batch", Found(&["UPDATE ring_batch SET code = 'x'"])),
    (
        "ring_table",
        Found(&["UPDATE ring_table SET hold_min = hold_min + 1"]),
    ),
    (
        "furnace_event",
        Found(&[
            "DELETE FROM furnace_event",
            "UPDATE furnace_event SET note = 'x'",
        ]),
    ),
    (
        "adjustment",
        Found(&[
            "UPDATE adjustment SET setpoint_c = 1400",
            "DELETE FROM adjustment",
        ]),
    ),
    (
        "reading",
        Found(&[
            "UPDATE reading SET setpoint_c = setpoint_c + 10",
            "UPDATE reading SET performed_by = 'x'",
        ]),
    ),
    (
        "evaluation",
        Found(&[
            "UPDATE evaluation SET advised_setpoint_c = 1400",
            "UPDATE evaluation SET gain = 1",
        ]),
    ),
    (
        "amendment",
        Found(&[
            "INSERT INTO amendment (site_id, furnace_id, reading_id, amended_by)
            SELECT site_id, furnace_id, id, id FROM reading LIMIT 1",
        ]),
    ),
    (
        "fired_ring",
        Found(&[
            "DELETE FROM fired_ring",
            "UPDATE fired_ring SET serial_number = 'x-' || serial_number",
        ]),
    ),
    ("tracked_offset", Found(&["DELETE FROM tracked_offset"])),
    (
        "gauge_scatter",
        Found(&["UPDATE gauge_scatter SET degrees_of_freedom = degrees_of_freedom + 1"]),
    ),
    (
        "reference_version",
        NoRecord("a number that memories go by: another one makes them start anew"),
    ),
    (
        "audit",
        Found(&[
            "UPDATE audit SET actor = 'x' WHERE seq = 1",
            "UPDATE audit SET at = at + 1 WHERE seq = 2",
        ]),
    ),
    (
        "request",
        Found(&[
            "UPDATE request SET subject = 'x'",
            "UPDATE request SET digest = ''",
        ]),
    ),
    (
        "fleet_change",
        Found(&["UPDATE fleet_change SET changes = changes + 1"]),
    ),
    (
        "fleet_fit",
        Found(&["UPDATE fleet_fit SET changes = changes + 9"]),
    ),
    (
        "site_fit",
        Found(&[
            "UPDATE site_fit SET document = substr(document, 2)",
            "DELETE FROM site_fit",
        ]),
    ),
    (
        "work_lease",
        NoRecord("whose turn it is: it runs out, and what is stored names its fence"),
    ),
    ("finding", ShownIn("findings.rs")),
    ("schedule_rule", ShownIn("verification_of_schedules.rs")),
    ("care_act", ShownIn("verification_of_schedules.rs")),
    (
        "firing_report",
        Found(&[
            "UPDATE firing_report SET received_at = received_at + 1",
            "UPDATE firing_report SET names = '[]'",
            "DELETE FROM firing_report",
        ]),
    ),
    (
        "firing",
        Found(&[
            "UPDATE firing SET setpoint_c = 1400",
            "UPDATE firing SET performed_by = 'x'",
            "UPDATE firing SET place = place + 1",
            "DELETE FROM firing",
        ]),
    ),
    (
        "firing_external",
        Found(&[
            "DELETE FROM firing_external",
            "UPDATE firing_external SET firing_id = 'x'",
        ]),
    ),
    ("firing_amendment", Found(&["DELETE FROM firing_amendment"])),
    (
        "firing_case",
        Found(&[
            "DELETE FROM firing_case",
            "UPDATE firing_case SET case_id = case_id || 'x'",
        ]),
    ),
    (
        "firing_day",
        Found(&[
            "UPDATE firing_day SET firings = firings + 1",
            "UPDATE firing_day SET minutes_hot = 0",
            "DELETE FROM firing_day",
        ]),
    ),
    (
        "exposure_decision",
        Found(&[
            "UPDATE exposure_decision SET outcome = 'no_action'",
            "UPDATE exposure_decision SET reason = 'x'",
            "DELETE FROM exposure_decision",
        ]),
    ),
    ("site_agenda", Found(&["DELETE FROM site_agenda"])),
    ("alert", ShownIn("verification_of_schedules.rs")),
    ("alert_change", ShownIn("verification_of_schedules.rs")),
    (
        "work_run",
        NoRecord("how background work did; the next run writes over it"),
    ),
    (
        "mail_subscription",
        Found(&["UPDATE mail_subscription SET address = 'x@example.org'"]),
    ),
    (
        "mail",
        NoRecord("mail under way; what it tells of are alerts, which are records"),
    ),
    (
        "calendar_feed",
        Found(&["UPDATE calendar_feed SET is_revoked = TRUE"]),
    ),
    (
        "credential",
        Found(&[
            "UPDATE credential SET role = 'auditor'",
            "UPDATE credential SET secret_digest = '00'",
            "DELETE FROM credential",
        ]),
    ),
    (
        "credential_use",
        NoRecord("when a credential was used last; the next use writes over it"),
    ),
    ("enrolment", ShownIn("enrolments.rs")),
    ("site_group", Found(&["UPDATE site_group SET sites = '[]'"])),
    (
        "access_version",
        NoRecord("a number that memories go by: another one makes them start anew"),
    ),
    (
        "change",
        NoRecord(
            "tells again what the chains and the log of alerts hold, for as long as it is kept",
        ),
    ),
    (
        "change_log",
        NoRecord("how far the change feed has come in the log of alerts"),
    ),
    (
        "change_place",
        NoRecord("how far the change feed has come in each chain"),
    ),
    (
        "webhook",
        Found(&["UPDATE webhook SET url = 'https://other.example/'"]),
    ),
    (
        "webhook_delivery",
        NoRecord("events under way; what they tell of are changes of records"),
    ),
    ("sign_off", ShownIn("sign_offs.rs")),
    (
        "signing_phrase",
        NoRecord(
            "a hash of a phrase; a signature made with another is bound to person and record by its entry",
        ),
    ),
    (
        "audit_checkpoint",
        Found(&[
            "UPDATE audit_checkpoint SET at = at + 1",
            "UPDATE audit_checkpoint SET hash = ''",
        ]),
    ),
    (
        "audit_covered",
        Found(&[
            "UPDATE audit_covered SET seq = seq + 1",
            "DELETE FROM audit_covered",
        ]),
    ),
];

/// A laboratory with a row in each table that is damaged here, closed.
async fn with_everything() -> Laboratory {
    filled(Laboratory::furnished().await).await
}

/// The same in a laboratory that is furnished already.
pub(crate) async fn filled(lab: Laboratory) -> Laboratory {
    let mut tx = lab.begin().await;
    tx.insert_gauge_check(&lab.new_check(-24), &request(1))
        .await
        .expect("a check");
    tx.insert_furnace_event(&lab.new_event(-12), &request(2))
        .await
        .expect("an event");
    tx.insert_adjustment(&lab.new_adjustment(30), &request(3))
        .await
        .expect("an adjustment");
    let wish = CredentialWish {
        display_name: "bench".to_owned(),
        holder: Holder::Device,
        grant: Grant {
            role: Role::Quality,
            permissions: BTreeSet::new(),
            reach: Reach::Network,
        },
        certificate: None,
        lifetime_days: 10,
    };
    let key = CredentialId::from_uuid(Uuid::from_u128(7));
    let credential = wish.credential(key, Some([7; 32]), moment(0));
    tx.insert_credential(&credential, &Request::NONE)
        .await
        .expect("a credential");
    let group = SiteGroup {
        key: SiteGroupId::new("all").expect("an id"),
        display_name: "all".to_owned(),
        sites: BTreeSet::<SiteId>::from([lab.site.clone()]),
        revision: 1,
        updated_at: moment(0),
    };
    tx.put_site_group(&group, &Request::NONE)
        .await
        .expect("a group");
    let subscribed = subscription(Some(&lab.site), "own");
    tx.insert_subscription(&subscribed, "s1", &Request::NONE)
        .await
        .expect("a subscription");
    tx.insert_webhook(&webhook(Some(&lab.site), "w1"), 0, &Request::NONE)
        .await
        .expect("a webhook");
    tx.insert_feed(&feed(&lab, "screen"), "d1", &Request::NONE)
        .await
        .expect("a feed");
    tx.commit().await.expect("committed");
    firings::recorded(&lab).await;
    lab.recorded("k1", 0, 19.47, "first").await;
    lab.recorded("k1", 24 * 28, 19.46, "second").await;
    let clock = Clock::manual(moment(24 * 29));
    app::refit(&lab.store, &clock, "test", Because::Asked)
        .await
        .expect("a fit");
    app::make_checkpoint(&lab.store, &clock, "test", None)
        .await
        .expect("a checkpoint");
    lab.store.clone().close().await.expect("closed");
    lab
}

/// What a verification finds in a copy of the database after damage.
async fn found_after(lab: &Laboratory, damage: &'static str) -> Vec<String> {
    let copy = lab.database.copied().await;
    let mut behind = copy.behind_its_back().await;
    let done = sqlx::raw_sql(damage).execute(&mut behind).await;
    let touched = done.expect("damaged").rows_affected();
    assert!(touched > 0, "`{damage}` touched nothing");
    drop(behind);
    let store = Store::open(copy.owners_location()).await.expect("opened");
    let verified = store.verify().await;
    store.close().await.expect("closed");
    match verified {
        Ok(verified) => verified.faults.iter().map(ToString::to_string).collect(),
        // A value that cannot be read back at all is found too.
        Err(fault) => vec![fault.to_string()],
    }
}

#[tokio::test]
async fn an_untouched_file_with_everything_is_as_recorded() {
    let lab = with_everything().await;
    let verified = lab.verified().await;
    assert_eq!(verified.faults, []);
    assert!(!verified.fit_is_outdated);
}

#[tokio::test]
async fn tampering_is_found_in_every_table_that_holds_or_repeats_records() {
    let lab = with_everything().await;
    for (table, damage) in &TABLES {
        let Found(damages) = damage else { continue };
        for damage in *damages {
            assert!(damage.contains(table), "`{damage}` is not about {table}");
            let found = found_after(&lab, damage).await;
            assert!(!found.is_empty(), "nobody noticed `{damage}`");
        }
    }
}

#[tokio::test]
async fn every_table_is_thought_of() {
    const IN_FILE: &str = "SELECT name FROM sqlite_master WHERE type = 'table'
        AND name NOT LIKE 'sqlite_%' AND name <> '_sqlx_migrations'";
    // A partition is part of its table; which programs may serve is nothing that a laboratory says.
    const ON_POSTGRESQL: &str = "SELECT CAST(relname AS TEXT) FROM pg_class
        WHERE relnamespace = CAST('public' AS REGNAMESPACE) AND relkind IN ('r', 'p')
            AND NOT relispartition AND relname NOT IN ('_sqlx_migrations', 'schema_compatibility')";
    let sql = if is_on_postgresql() {
        ON_POSTGRESQL
    } else {
        IN_FILE
    };
    let lab = Laboratory::furnished().await;
    let mut behind = lab.behind_its_back().await;
    let tables: Vec<String> = sqlx::query_scalar(sql)
        .fetch_all(&mut behind)
        .await
        .expect("the tables are listed");
    let tables: BTreeSet<String> = tables.into_iter().collect();
    let listed = TABLES.iter().map(|(table, _)| (*table).to_owned());
    assert_eq!(listed.collect::<BTreeSet<String>>(), tables);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("store");
    for (table, damage) in &TABLES {
        match damage {
            ShownIn(file) => {
                let text = std::fs::read_to_string(folder.join(file)).expect("a test");
                let damages = [
                    format!("UPDATE {table} SET"),
                    format!("DELETE FROM {table}"),
                ];
                assert!(
                    damages.iter().any(|damage| text.contains(damage)),
                    "{file} does not damage {table}"
                );
            }
            NoRecord(why) => assert!(why.len() > 20, "{table}"),
            Found(damages) => assert!(!damages.is_empty(), "{table}"),
        }
    }
}

#[tokio::test]
async fn a_trigger_put_in_from_outside_is_found() {
    const IN_FILE: &str =
        "CREATE TRIGGER x AFTER INSERT ON reading BEGIN DELETE FROM adjustment; END;
        UPDATE work_lease SET until = until";
    const ON_POSTGRESQL: &str = "CREATE FUNCTION x() RETURNS TRIGGER LANGUAGE plpgsql
            AS 'BEGIN DELETE FROM adjustment; RETURN NEW; END';
        CREATE TRIGGER x AFTER INSERT ON reading FOR EACH ROW EXECUTE FUNCTION x();
        UPDATE work_lease SET until = until";
    let damage = if is_on_postgresql() {
        ON_POSTGRESQL
    } else {
        IN_FILE
    };
    let lab = with_everything().await;
    let found = found_after(&lab, damage).await;
    assert!(
        found.iter().any(|fault| fault.contains("trigger")),
        "{found:?}"
    );
}
