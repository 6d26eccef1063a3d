//! What the invented people do, and when.

use jiff::Timestamp;
use ringtrue_fleet::act::ActDetails;
use ringtrue_fleet::event::EventKind;
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::gauge::GaugeDetails;
use ringtrue_fleet::key::{FurnaceKey, GaugeKey, SiteId};
use ringtrue_fleet::reading::Purpose;
use ringtrue_fleet::rule::{RuleDetails, RuleKey};
use ringtrue_fleet::site::SiteDetails;

/// Something that somebody does.
#[derive(Debug, Clone)]
pub(crate) struct Deed {
    /// When; it is done at the next moment at which the year stands still.
    pub(crate) at: Timestamp,
    /// What tells it apart in the whole year.
    pub(crate) words: String,
    /// What.
    pub(crate) doing: Doing,
}

/// What is done.
#[derive(Debug, Clone)]
pub(crate) enum Doing {
    /// The batch of rings that all use arrives.
    AddBatch,
    /// A laboratory is added.
    AddSite(SiteId, Box<SiteDetails>),
    /// Its rules of the house are replaced.
    ChangeSite(SiteId, Box<SiteDetails>),
    /// A gauge arrives.
    AddGauge(GaugeKey, GaugeDetails),
    /// A furnace arrives, with its programme.
    AddFurnace(FurnaceKey),
    /// A furnace goes out of use or comes back.
    SetState(FurnaceKey, FurnaceState),
    /// A rule is set, or, with nothing, taken away.
    SetRule(RuleKey, Option<Box<RuleDetails>>),
    /// A gauge is checked.
    CheckGauge(GaugeKey),
    /// Something is done about a task, or a ring was fired, or firings are counted.
    Act(Box<ActDetails>),
    /// Something happened to a furnace.
    Happen(FurnaceKey, EventKind, Timestamp),
    /// A ring is measured and its reading recorded.
    Read(Firing),
    /// The setpoint that a firing's reading advised is entered, if it advised one.
    EnterSetpoint(FurnaceKey, String),
    /// Somebody goes through a site's alerts and says something about a few.
    Speak(SiteId),
}

/// A firing with its ring.
#[derive(Debug, Clone)]
pub(crate) struct Firing {
    pub(crate) furnace: FurnaceKey,
    pub(crate) gauge: GaugeKey,
    /// What tells it apart.
    pub(crate) words: String,
    pub(crate) fired_at: Timestamp,
    pub(crate) purpose: Purpose,
    pub(crate) diameters_mm: Vec<f64>,
}
