//! What a verification finds when somebody changed rules, acts, alerts or deliveries behind the store's back.

use ringtrue_fleet::rule::RulePlace;
use ringtrue_fleet::task::TaskKind;
use ringtrue_store::{Fault, Request, Store};
use ringtrue_tests::databases::is_on_postgresql;

use crate::alerts::{acknowledged, alert, raised};
use crate::deliveries::{feed, subscription};
use crate::laboratory::{Laboratory, moment};
use crate::schedules::{acts_of_every_kind, rule};

/// A laboratory with some of everything, closed.
async fn with_records() -> Laboratory {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let mut tx = lab.begin().await;
    for place in [RulePlace::Network, RulePlace::Furnace(lab.furnace.clone())] {
        let rule = rule(place, TaskKind::Calibration);
        tx.put_rule(&rule, &Request::NONE).await.expect("a rule");
    }
    for act in acts_of_every_kind(&lab) {
        tx.insert_act(&act, &Request::NONE).await.expect("an act");
    }
    let (silent, said) = (alert(&lab, "silent"), alert(&lab, "said"));
    tx.put_alerts(&[raised(silent), raised(said.clone())], moment(1))
        .await
        .expect("alerts");
    tx.note_alert(&acknowledged(&said), &Request::NONE, moment(2))
        .await
        .expect("a note");
    let own = subscription(Some(&lab.site), "own");
    tx.insert_subscription(&own, "s1", &Request::NONE)
        .await
        .expect("a subscription");
    tx.insert_feed(&feed(&lab, "f1"), "d1", &Request::NONE)
        .await
        .expect("a feed");
    tx.commit().await.expect("committed");
    lab.store.clone().close().await.expect("closed");
    lab
}

async fn faults_after(damage: &'static str) -> Vec<Fault> {
    let lab = with_records().await;
    let mut behind = lab.behind_its_back().await;
    let done = sqlx::raw_sql(damage)
        .execute(&mut behind)
        .await
        .expect("damaged");
    assert!(done.rows_affected() > 0, "`{damage}` touched nothing");
    drop(behind);
    lab.verified().await.faults
}

fn altered(subject: &str) -> Fault {
    Fault::RecordAltered {
        subject: subject.to_owned(),
    }
}

#[tokio::test]
async fn an_untouched_file_is_as_recorded() {
    let lab = with_records().await;
    let verified = lab.verified().await;
    assert_eq!((verified.faults, verified.readings), (vec![], 1));
    // Five of the laboratory, a reading, two rules, six acts, a note, a subscription, a feed.
    assert_eq!(verified.entries, 17);
}

/// The columns of a table.
async fn columns(lab: &Laboratory, table: &str) -> Vec<(String, String)> {
    const IN_FILE: &str = "SELECT name, type FROM pragma_table_info($1)";
    const ON_POSTGRESQL: &str = "SELECT CAST(column_name AS TEXT), CAST(upper(data_type) AS TEXT)
        FROM information_schema.columns WHERE table_name = $1 ORDER BY ordinal_position";
    let sql = if is_on_postgresql() {
        ON_POSTGRESQL
    } else {
        IN_FILE
    };
    let mut behind = lab.behind_its_back().await;
    sqlx::query_as(sql)
        .bind(table)
        .fetch_all(&mut behind)
        .await
        .expect("columns")
}

#[tokio::test]
async fn a_change_of_any_column_of_any_record_is_found() {
    let records = [
        ("schedule_rule", "site_id <> ''", &[][..]),
        (
            "schedule_rule",
            "site_id = ''",
            &["site_id", "furnace_id"][..],
        ),
        ("care_act", "kind = 'use_counted'", &[]),
        ("care_act", "kind = 'rings_counted'", &[]),
        ("alert", "id = 'silent'", &[]),
        ("alert", "id = 'said'", &[]),
        ("calendar_feed", "TRUE", &[]),
        (
            "mail_subscription",
            "TRUE",
            // How mail goes is no record; the secret itself is vouched for by its digest.
            &[
                "last_sent_at",
                "last_failure",
                "failing_since",
                "digested_at",
                "after_seq",
                "stop_secret",
            ],
        ),
    ];
    let lab = with_records().await;
    for (table, which, free) in records {
        for (column, kind) in columns(&lab, table).await {
            if free.contains(&column.as_str()) {
                continue;
            }
            let value = match (kind.as_str(), column.as_str()) {
                ("TEXT", "site_id") => "'bogota'".to_owned(),
                ("BOOLEAN", _) => format!("NOT COALESCE({column}, FALSE)"),
                ("TEXT", _) => format!("COALESCE({column}, '') || '1'"),
                _ => format!("CASE WHEN {column} IS NULL OR {column} = 0 THEN 1 ELSE 0 END"),
            };
            let copy = lab.database.copied().await;
            let mut behind = copy.behind_its_back().await;
            let damage = format!("UPDATE {table} SET {column} = {value} WHERE {which}");
            let done = sqlx::query(sqlx::AssertSqlSafe(damage.clone()))
                .execute(&mut behind)
                .await
                .expect("damaged");
            assert_eq!(done.rows_affected(), 1, "{damage}");
            drop(behind);
            let store = Store::open(copy.owners_location()).await.expect("opened");
            // What cannot be read back at all is found too.
            let is_found = store
                .verify()
                .await
                .map_or(true, |verified| !verified.faults.is_empty());
            store.close().await.expect("closed");
            assert!(is_found, "{damage}");
        }
    }
}

#[tokio::test]
async fn removed_and_foreign_records_are_named() {
    let gone = |subject: &str| Fault::RecordGone {
        subject: subject.to_owned(),
    };
    assert_eq!(
        faults_after("DELETE FROM schedule_rule WHERE site_id = ''").await,
        [gone("scheduleRules/calibration")]
    );
    assert_eq!(
        faults_after("DELETE FROM care_act WHERE id = 'act-2'").await,
        [gone("sites/porto/careActs/act-2")]
    );
    assert_eq!(
        faults_after("DELETE FROM alert WHERE id = 'silent'").await,
        [gone("alerts/silent")]
    );
    assert_eq!(
        faults_after(
            "INSERT INTO care_act SELECT site_id, subject, acted_at, 'forged', kind, task,
            deferred_until, reason, from_day, until_day, firings, hours_hot, rings_left,
            chamber_was_empty, performed_by, received_at FROM care_act WHERE id = 'act-0'"
        )
        .await,
        [Fault::RecordUnknown {
            subject: "sites/porto/careActs/forged".to_owned()
        }]
    );
}

#[tokio::test]
async fn a_log_of_changes_that_was_worked_on_is_found() {
    assert_eq!(
        faults_after("DELETE FROM alert_change WHERE seq = 1").await,
        [
            Fault::ChangesGone { seq: 2 },
            Fault::RecordUnknown {
                subject: "alerts/silent".to_owned()
            }
        ]
    );
    // What somebody said cannot be unsaid together with its change.
    let unsaid = "DELETE FROM alert_change WHERE seq = 3;
        UPDATE alert SET state = 'open', note = '', noted_by = '', updated_at = raised_at, revision = 1
        WHERE id = 'said'";
    let gone = Fault::RecordGone {
        subject: "alerts/said".to_owned(),
    };
    assert_eq!(faults_after(unsaid).await, [gone]);
    // Nor said by another, in both places.
    let forged = "UPDATE alert SET noted_by = 'local:t2' WHERE id = 'said';
        UPDATE alert_change SET document = replace(document, 'local:t1', 'local:t2') WHERE seq = 3";
    assert_eq!(faults_after(forged).await, [altered("alerts/said")]);
    let elsewhere = "UPDATE alert_change SET alert_id = 'other' WHERE seq = 1";
    assert!(
        faults_after(elsewhere)
            .await
            .contains(&altered("alerts/other"))
    );
}

#[tokio::test]
async fn advice_beside_an_evaluation_that_does_not_follow_from_it_is_found() {
    let reading = altered("sites/porto/furnaces/k1/readings/first");
    for damage in [
        "UPDATE evaluation SET advice = 'service'",
        "UPDATE evaluation SET conformance = 0.5",
        "UPDATE evaluation SET conformance = NULL",
    ] {
        assert_eq!(
            faults_after(damage).await,
            std::slice::from_ref(&reading),
            "{damage}"
        );
    }
}

#[tokio::test]
async fn what_the_migration_took_out_of_older_evaluations_follows_from_them() {
    const MIGRATION: &str =
        include_str!("../../services/store/migrations/sqlite/0007_calendars.sql");
    let lab = Laboratory::furnished_in_file().await;
    for (number, diameter_mm) in (0..).zip([19.47, 19.44, 19.52, 19.468, 19.3]) {
        lab.recorded("k1", number * 24 * 28, diameter_mm, &format!("r{number}"))
            .await;
    }
    lab.store.clone().close().await.expect("closed");
    let (_, filling) = MIGRATION.split_once("UPDATE ").expect("it fills in");
    let (filling, _) = filling.split_once(';').expect("a whole statement");
    let again =
        format!("UPDATE evaluation SET advice = NULL, conformance = NULL; UPDATE {filling};");
    let mut behind = lab.behind_its_back().await;
    sqlx::raw_sql(sqlx::AssertSqlSafe(again))
        .execute(&mut behind)
        .await
        .expect("migrated again");
    let advised: i64 = sqlx::query_scalar("SELECT COUNT(advice) FROM evaluation")
        .fetch_one(&mut behind)
        .await
        .expect("counted");
    assert!(advised >= 3, "only {advised} with advice");
    drop(behind);
    let verified = lab.verified().await;
    assert_eq!((verified.readings, verified.faults), (5, vec![]));
}
