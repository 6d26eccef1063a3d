//! Alerts and the log of their changes.

use jiff::Timestamp;
use ringtrue_fleet::alert::{Alert, AlertChange, AlertKind, AlertState, ChangeKind, Level};
use ringtrue_fleet::key::{AlertId, SiteId};

use crate::audit::Answered;
use crate::{Error, Page, PagePart, Read, Request, Tx};

/// Which alerts are wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct AlertFilter {
    /// Of this site; of all that the scope reaches, and those that the whole network shares, when none.
    pub site: Option<SiteId>,
    /// In this state; those that are not closed when none.
    pub state: Option<AlertState>,
    /// Of this kind.
    pub kind: Option<AlertKind>,
    /// Having reached at least this level.
    pub level: Option<Level>,
}

/// An alert with what people call its subject.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedAlert {
    /// The alert.
    pub alert: Alert,
    /// What people call its subject; of a batch its code, of a finding that of the finding's subject.
    pub subject_display_name: String,
    /// What people call its site; empty for what the network shares.
    pub site_display_name: String,
    /// Time zone of its site; `UTC` for what the network shares.
    pub time_zone: String,
}

/// A change of an alert as it was logged.
#[derive(Debug, Clone, PartialEq)]
pub struct LoggedChange {
    /// Its place in the order of commit; counts from 1 without gaps.
    pub seq: i64,
    /// What happened.
    pub kind: ChangeKind,
    /// When.
    pub at: Timestamp,
    /// The alert as it was then, with the names of today.
    pub alert: NamedAlert,
}

impl NamedAlert {
    /// Its place in the list of [`Read::alerts`], for the page after it.
    pub fn place(&self) -> Vec<PagePart> {
        vec![
            PagePart::Number(-(self.alert.stage as i64)),
            PagePart::Number(self.alert.raised_at.as_microsecond()),
            PagePart::Text(self.alert.id.to_string()),
        ]
    }
}

impl Read {
    /// One alert; none when the scope does not reach its site. What the whole network shares is seen by all.
    pub async fn alert(&self, _id: &AlertId) -> Result<Option<NamedAlert>, Error> {
        Err(Error::OutOfScope)
    }

    /// Alerts: the most pressing first, then those raised first, then by id.
    pub async fn alerts(
        &self,
        _filter: &AlertFilter,
        _page: &Page,
    ) -> Result<Vec<NamedAlert>, Error> {
        Err(Error::OutOfScope)
    }

    /// How many alerts are not closed: of a site, or of all that the scope reaches with those that the
    /// whole network shares.
    pub async fn open_alert_count(&self, _site: Option<&SiteId>) -> Result<i64, Error> {
        Err(Error::OutOfScope)
    }

    /// The alerts that are not closed as of one moment, with the number of the last change then; with a
    /// site only its own.
    pub async fn alert_snapshot(
        &self,
        _site: Option<&SiteId>,
    ) -> Result<(i64, Vec<NamedAlert>), Error> {
        Err(Error::OutOfScope)
    }

    /// Changes after a number that the scope reaches, in order of commit.
    pub async fn alert_changes(&self, _after: i64, _most: u32) -> Result<Vec<LoggedChange>, Error> {
        Err(Error::OutOfScope)
    }

    /// The number of the last change; 0 before the first.
    pub async fn last_alert_change(&self) -> Result<i64, Error> {
        Err(Error::OutOfScope)
    }
}

impl Tx {
    /// One alert; none when the scope does not reach its site.
    pub async fn alert(&mut self, _id: &AlertId) -> Result<Option<NamedAlert>, Error> {
        Err(Error::OutOfScope)
    }

    /// The alerts of a site, or of the network, that are not closed.
    pub async fn standing_alerts(&mut self, _site: Option<&SiteId>) -> Result<Vec<Alert>, Error> {
        Err(Error::OutOfScope)
    }

    /// The alerts of some causes, in whatever state.
    pub async fn alerts_of_causes(&mut self, _causes: &[String]) -> Result<Vec<Alert>, Error> {
        Err(Error::OutOfScope)
    }

    /// Stores alerts as records now show them and logs the changes; gives the number of the last one.
    pub async fn put_alerts(
        &mut self,
        _changes: &[AlertChange],
        _now: Timestamp,
    ) -> Result<i64, Error> {
        Err(Error::OutOfScope)
    }

    /// Stores what someone said about an alert, logs it, and enters it in the audit chain; gives the number
    /// of the change.
    pub async fn note_alert(
        &mut self,
        _change: &AlertChange,
        _request: &Request,
        _now: Timestamp,
    ) -> Result<i64, Error> {
        Err(Error::OutOfScope)
    }

    /// The alert as a request was first answered about it.
    pub async fn alert_answered(
        &mut self,
        _earlier: &Answered,
    ) -> Result<Option<NamedAlert>, Error> {
        Err(Error::OutOfScope)
    }
}
