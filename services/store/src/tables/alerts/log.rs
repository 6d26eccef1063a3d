//! Storing alerts, each with its place in the log of changes.

use jiff::Timestamp;
use ringtrue_fleet::alert::{Alert, AlertChange, ChangeKind};
use ringtrue_fleet::key::{AlertId, SiteId};

use super::row::AlertRow;
use super::{NamedAlert, last_change, one_alert};
use crate::audit::{Answered, By, Happening, digest};
use crate::columns::json;
use crate::database::{Connection, Sequence, Word, hold_sequence, insert_rows, query_as, say};
use crate::tables::readings::chunks;
use crate::tables::sites::reach;
use crate::{Error, Request, Tx};

impl Tx {
    /// One alert; none when the scope does not reach its site.
    pub async fn alert(&mut self, id: &AlertId) -> Result<Option<NamedAlert>, Error> {
        let sites = reach(&self.scope);
        one_alert(self.connection(), id, sites).await
    }

    /// The alerts of some sites, none for the network itself, that are not closed.
    pub async fn standing_alerts(
        &mut self,
        sites: &[Option<&SiteId>],
    ) -> Result<Vec<Alert>, Error> {
        const SQL: &str = "SELECT a.* FROM json_each($1) AS wanted
            CROSS JOIN alert AS a ON a.site_id = wanted.value
                AND a.state IN ('open', 'acknowledged', 'snoozed')
            ORDER BY a.id";
        let mut places = Vec::with_capacity(sites.len());
        for site in sites {
            self.at_place(*site)?;
            places.push(site.map_or("", SiteId::as_str));
        }
        let rows: Vec<AlertRow> = query_as(SQL)
            .bind(json(&places))
            .fetch_all(self.connection())
            .await?;
        rows.into_iter().map(AlertRow::alert).collect()
    }

    /// The alerts of some causes, in whatever state; for work on the whole network.
    pub async fn alerts_of_causes(&mut self, causes: &[String]) -> Result<Vec<Alert>, Error> {
        const SQL: &str = "SELECT a.* FROM json_each($1) AS wanted
            CROSS JOIN alert AS a ON a.cause = wanted.value";
        self.everywhere()?;
        let rows: Vec<AlertRow> = query_as(SQL)
            .bind(json(&causes))
            .fetch_all(self.connection())
            .await?;
        rows.into_iter().map(AlertRow::alert).collect()
    }

    /// Stores alerts as records now show them and logs the changes in this order; gives the number of the
    /// last change. They follow from records, so they get no entry in the audit chain. Fails with
    /// [`Error::Exists`] when another alert has the cause of a new one.
    pub async fn put_alerts(
        &mut self,
        changes: &[AlertChange],
        now: Timestamp,
    ) -> Result<i64, Error> {
        for change in changes {
            self.at_place(change.alert.site.as_ref())?;
        }
        let seq = logged(self.connection(), changes, now).await?;
        self.has_entered = true;
        Ok(seq)
    }

    /// Stores what someone said about an alert, logs it, and enters it in the audit chain; gives the number
    /// of the change.
    pub async fn note_alert(
        &mut self,
        change: &AlertChange,
        request: &Request,
        now: Timestamp,
    ) -> Result<i64, Error> {
        let alert = &change.alert;
        if let Some(site) = &alert.site {
            self.within(site)?;
        }
        let seq = logged(self.connection(), std::slice::from_ref(change), now).await?;
        let document = json(&AlertRow::from(alert));
        let happening = Happening {
            chain: alert
                .site
                .as_ref()
                .map_or_else(String::new, ToString::to_string),
            at: now,
            by: By::of(&self.scope),
            action: match change.kind {
                ChangeKind::Snoozed => "alert.snooze",
                _ => "alert.acknowledge",
            },
            subject: alert.id.name(),
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        };
        self.append(vec![happening]).await?;
        Ok(seq)
    }

    /// The alert as a request was first answered about it, with the names of today.
    pub async fn alert_answered(
        &mut self,
        earlier: &Answered,
    ) -> Result<Option<NamedAlert>, Error> {
        let then: AlertRow = earlier.document()?;
        let then = then.alert()?;
        Ok(self.alert(&then.id).await?.map(|named| NamedAlert {
            alert: then,
            ..named
        }))
    }
}

/// Writes alerts over what is known of them and appends the changes. Numbers have no gaps: one transaction
/// writes at a time, and what is undone takes its numbers with it.
async fn logged(
    connection: &mut Connection,
    changes: &[AlertChange],
    now: Timestamp,
) -> Result<i64, Error> {
    hold_sequence(connection, Sequence::AlertLog).await?;
    let mut seq = last_change(connection).await?;
    for now_written in chunks(changes) {
        write(connection, now_written).await?;
        insert_rows(
            connection,
            "INSERT INTO alert_change (seq, alert_id, site_id, kind, at, document) ",
            "",
            now_written,
            |row, change| {
                let written = AlertRow::from(&change.alert);
                seq += 1;
                let document = json(&written);
                row.push(seq)
                    .push(written.id)
                    .push(written.site_id)
                    .push(change.kind.word())
                    .push(now.as_microsecond())
                    .push(document);
            },
        )
        .await?;
    }
    say(connection, Word::Alerts).await?;
    Ok(seq)
}

/// What makes an alert the one it is never changes: cause, kind, site, subject, moment.
async fn write(connection: &mut Connection, changes: &[AlertChange]) -> Result<(), Error> {
    insert_rows(connection, "INSERT INTO alert (id, cause, kind, site_id, subject, stage, level, state, statement, next_step,
        due_on, raised_at, updated_at, note, noted_by, snoozed_until, snoozes, snooze_limit, closed_at,
        close_reason, revision) ", " ON CONFLICT (id) DO UPDATE SET stage = excluded.stage, level = excluded.level,
        state = excluded.state, statement = excluded.statement, next_step = excluded.next_step,
        due_on = excluded.due_on, updated_at = excluded.updated_at, note = excluded.note,
        noted_by = excluded.noted_by, snoozed_until = excluded.snoozed_until,
        snoozes = excluded.snoozes, snooze_limit = excluded.snooze_limit,
        closed_at = excluded.closed_at, close_reason = excluded.close_reason,
        revision = excluded.revision", changes, |row, change| {
        let written = AlertRow::from(&change.alert);
        row.push(written.id)
            .push(written.cause)
            .push(written.kind)
            .push(written.site_id)
            .push(written.subject)
            .push(written.stage)
            .push(written.level)
            .push(written.state)
            .push(written.statement)
            .push(written.next_step)
            .push(written.due_on)
            .push(written.raised_at)
            .push(written.updated_at)
            .push(written.note)
            .push(written.noted_by)
            .push(written.snoozed_until)
            .push(written.snoozes)
            .push(written.snooze_limit)
            .push(written.closed_at)
            .push(written.close_reason)
            .push(written.revision);
}).await
        .map_err(Error::of_insert)?;
    Ok(())
}
