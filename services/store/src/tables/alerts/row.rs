//! Rows of `alert` and `alert_change`.

use jiff::Timestamp;
use ringtrue_fleet::alert::{Alert, AlertKind, AlertState, ChangeKind, Level, Stage};
use ringtrue_fleet::key::AlertId;
use serde::{Deserialize, Serialize};

use super::{LoggedChange, NamedAlert};
use crate::Error;
use crate::columns::Place;

/// A row of `alert`; also its document in the log of changes and in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct AlertRow {
    pub(crate) id: String,
    pub(super) cause: String,
    pub(super) kind: String,
    pub(super) site_id: String,
    pub(super) subject: String,
    pub(super) stage: String,
    pub(super) level: String,
    pub(super) state: String,
    pub(super) statement: String,
    pub(super) next_step: String,
    pub(super) due_on: Option<String>,
    pub(super) raised_at: i64,
    pub(super) updated_at: i64,
    pub(super) note: String,
    pub(super) noted_by: String,
    pub(super) snoozed_until: Option<i64>,
    pub(super) snoozes: i64,
    pub(super) snooze_limit: Option<i64>,
    pub(super) closed_at: Option<i64>,
    pub(super) close_reason: String,
    pub(super) revision: i64,
}

/// A row of `alert` with names.
#[derive(sqlx::FromRow)]
pub(super) struct NamedRow {
    #[sqlx(flatten)]
    alert: AlertRow,
    #[sqlx(flatten)]
    names: Names,
}

/// What people call an alert's subject and site.
#[derive(sqlx::FromRow)]
struct Names {
    subject_display_name: String,
    site_display_name: String,
    time_zone: String,
}

/// A row of `alert_change` with names.
#[derive(sqlx::FromRow)]
pub(super) struct ChangeRow {
    seq: i64,
    change: String,
    at: i64,
    document: String,
    #[sqlx(flatten)]
    names: Names,
}

impl From<&Alert> for AlertRow {
    fn from(alert: &Alert) -> Self {
        Self {
            id: alert.id.to_string(),
            cause: alert.cause.clone(),
            kind: alert.kind.word().to_owned(),
            site_id: alert
                .site
                .as_ref()
                .map_or_else(String::new, ToString::to_string),
            subject: alert.subject.clone(),
            stage: alert.stage.word().to_owned(),
            level: alert.level.word().to_owned(),
            state: alert.state.word().to_owned(),
            statement: alert.statement.clone(),
            next_step: alert.next_step.clone(),
            due_on: alert.due_on.map(|day| day.to_string()),
            raised_at: alert.raised_at.as_microsecond(),
            updated_at: alert.updated_at.as_microsecond(),
            note: alert.note.clone(),
            noted_by: alert.noted_by.clone(),
            snoozed_until: alert.snoozed_until.map(Timestamp::as_microsecond),
            snoozes: i64::from(alert.snoozes),
            snooze_limit: alert.snooze_limit.map(Timestamp::as_microsecond),
            closed_at: alert.closed_at.map(Timestamp::as_microsecond),
            close_reason: alert.close_reason.clone(),
            revision: alert.revision,
        }
    }
}

impl AlertRow {
    pub(crate) fn name(&self) -> String {
        format!("alerts/{}", self.id)
    }

    /// Whether it is the alert of an id, of that site.
    pub(crate) fn is_of(&self, id: &str, site: &str) -> bool {
        self.id == id && self.site_id == site
    }

    pub(crate) fn alert(self) -> Result<Alert, Error> {
        let place = Place {
            table: "alert",
            key: &self.id,
        };
        let moment = |column, at: Option<i64>| match at {
            Some(at) => place.moment(column, at).map(Some),
            None => Ok(None),
        };
        Ok(Alert {
            id: place.id("id", AlertId::new(&self.id))?,
            kind: AlertKind::parse(&self.kind).ok_or_else(|| place.corrupt("kind"))?,
            site: place.site(&self.site_id)?,
            stage: Stage::parse(&self.stage).ok_or_else(|| place.corrupt("stage"))?,
            level: Level::parse(&self.level).ok_or_else(|| place.corrupt("level"))?,
            state: AlertState::parse(&self.state).ok_or_else(|| place.corrupt("state"))?,
            due_on: match &self.due_on {
                Some(day) => Some(place.date("due_on", day)?),
                None => None,
            },
            raised_at: place.moment("raised_at", self.raised_at)?,
            updated_at: place.moment("updated_at", self.updated_at)?,
            snoozed_until: moment("snoozed_until", self.snoozed_until)?,
            snoozes: place.small("snoozes", self.snoozes)?,
            snooze_limit: moment("snooze_limit", self.snooze_limit)?,
            closed_at: moment("closed_at", self.closed_at)?,
            cause: self.cause,
            subject: self.subject,
            statement: self.statement,
            next_step: self.next_step,
            note: self.note,
            noted_by: self.noted_by,
            close_reason: self.close_reason,
            revision: self.revision,
        })
    }
}

impl Names {
    fn of(self, alert: Alert) -> NamedAlert {
        NamedAlert {
            alert,
            subject_display_name: self.subject_display_name,
            site_display_name: self.site_display_name,
            time_zone: self.time_zone,
        }
    }
}

impl NamedRow {
    pub(super) fn named(self) -> Result<NamedAlert, Error> {
        Ok(self.names.of(self.alert.alert()?))
    }
}

impl ChangeRow {
    pub(super) fn change(self) -> Result<LoggedChange, Error> {
        let key = self.seq.to_string();
        let place = Place {
            table: "alert_change",
            key: &key,
        };
        let then: AlertRow = place.json("document", &self.document)?;
        Ok(LoggedChange {
            seq: self.seq,
            kind: ChangeKind::parse(&self.change).ok_or_else(|| place.corrupt("kind"))?,
            at: place.moment("at", self.at)?,
            alert: self.names.of(then.alert()?),
        })
    }
}
