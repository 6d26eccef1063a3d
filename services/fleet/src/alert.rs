//! Alerts: what needs somebody now. Raised once for each cause, updated, escalated, closed by the act that
//! mends it.

mod causes;
mod credentials;
mod note;
mod register;
#[cfg(test)]
mod tests;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::key::{AlertId, SiteId};

pub use causes::{NetworkRecords, Undelivered, Wanted, of_network, of_site};
pub use credentials::{REMEMBERED_DAYS, of_credentials};
pub use note::{LONGEST_SNOOZE_H, MOST_SNOOZES, acknowledged, snoozed};
pub use register::{Registered, registered};

/// An alert.
#[derive(Debug, Clone, PartialEq)]
pub struct Alert {
    /// What tells it apart.
    pub id: AlertId,
    /// What raised it: kind, subject and the round it belongs to. One alert for each cause, ever.
    pub cause: String,
    /// What it is about.
    pub kind: AlertKind,
    /// Its site; none for what the network shares.
    pub site: Option<SiteId>,
    /// Resource name of the furnace, gauge, batch, site or finding.
    pub subject: String,
    /// How pressing.
    pub stage: Stage,
    /// Whom it is for.
    pub level: Level,
    /// How far people are with it.
    pub state: AlertState,
    /// What is the matter.
    pub statement: String,
    /// What to do next.
    pub next_step: String,
    /// Day by which it was or is due, local.
    pub due_on: Option<Date>,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// When it last changed.
    pub updated_at: Timestamp,
    /// What somebody said when acknowledging or snoozing it.
    pub note: String,
    /// Who.
    pub noted_by: String,
    /// Until when it rests.
    pub snoozed_until: Option<Timestamp>,
    /// How often it was snoozed.
    pub snoozes: i32,
    /// Up to when it may be snoozed; none for not at all.
    pub snooze_limit: Option<Timestamp>,
    /// When its cause was mended.
    pub closed_at: Option<Timestamp>,
    /// What mended it.
    pub close_reason: String,
    /// Counts changes from 1; its text is the etag.
    pub revision: i64,
}

/// What an alert is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum AlertKind {
    /// A calibration is due.
    CalibrationDue,
    /// A fired ring waits to be measured.
    RingWaiting,
    /// An advised setpoint was not entered.
    SetpointWaiting,
    /// A changed setpoint waits for its verification.
    VerificationWaiting,
    /// A care task is due.
    CareDue,
    /// A gauge's check is due.
    GaugeCheckDue,
    /// Rings run out or expire.
    RingStock,
    /// A furnace was found outside tolerance.
    OutOfTolerance,
    /// A finding is open.
    Finding,
    /// A site has recorded nothing for long.
    SiteSilent,
    /// Mail does not get through.
    DeliveryFailing,
    /// A credential ends soon, or has ended.
    CredentialEnds,
}

/// How pressing an alert is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Stage {
    /// Something to prepare for.
    Soon,
    /// To be done.
    Due,
    /// Late.
    Overdue,
    /// Grace is used up.
    Lapsed,
}

/// Whom an alert is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Level {
    /// The technicians of the site.
    Technician,
    /// Also its manager.
    Manager,
    /// Also quality control of the network.
    Quality,
}

/// How far people are with an alert.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum AlertState {
    /// Nobody has said anything.
    Open,
    /// Somebody has seen it.
    Acknowledged,
    /// It rests.
    Snoozed,
    /// Its cause is mended.
    Closed,
}

/// What happened to an alert.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ChangeKind {
    /// It was raised.
    Raised,
    /// It became more or less pressing, or its words changed.
    Updated,
    /// It rose to the next level.
    Escalated,
    /// Somebody acknowledged it.
    Acknowledged,
    /// Somebody snoozed it.
    Snoozed,
    /// Its rest is over, or it opened again.
    Reopened,
    /// Its cause is mended.
    Closed,
}

/// A change of an alert, with the alert as it is after it.
#[derive(Debug, Clone, PartialEq)]
pub struct AlertChange {
    /// What happened.
    pub kind: ChangeKind,
    /// The alert.
    pub alert: Alert,
}

macro_rules! words {
    ($($name:ident { $($variant:ident = $word:literal),+ $(,)? })+) => { $(
        impl $name {
            /// All of them, in order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The word under which it is kept; never renamed.
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }

            /// The one of a word.
            pub fn parse(word: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|one| one.word() == word)
            }
        }
    )+ };
}

words! {
    AlertKind {
        CalibrationDue = "calibration_due",
        RingWaiting = "ring_waiting",
        SetpointWaiting = "setpoint_waiting",
        VerificationWaiting = "verification_waiting",
        CareDue = "care_due",
        GaugeCheckDue = "gauge_check_due",
        RingStock = "ring_stock",
        OutOfTolerance = "out_of_tolerance",
        Finding = "finding",
        SiteSilent = "site_silent",
        DeliveryFailing = "delivery_failing",
        CredentialEnds = "credential_ends",
    }
    Stage { Soon = "soon", Due = "due", Overdue = "overdue", Lapsed = "lapsed" }
    Level { Technician = "technician", Manager = "manager", Quality = "quality" }
    AlertState { Open = "open", Acknowledged = "acknowledged", Snoozed = "snoozed", Closed = "closed" }
    ChangeKind {
        Raised = "raised",
        Updated = "updated",
        Escalated = "escalated",
        Acknowledged = "acknowledged",
        Snoozed = "snoozed",
        Reopened = "reopened",
        Closed = "closed",
    }
}

impl AlertKind {
    /// Whether alerts of the network are shown to whoever reaches only some sites: who holds what in other places is
    /// not theirs to know.
    pub fn is_everybodys(self) -> bool {
        self != Self::CredentialEnds
    }
}

impl Alert {
    /// The version as callers see it.
    pub fn etag(&self) -> String {
        format!("\"{}\"", self.revision)
    }
}
