//! Findings: what readings show when they are looked at together, in words that say what to do next.
//!
//! Each rule is a function from plain figures, which a background job takes from the records, to
//! candidates; `merged` turns candidates into findings that open, are seen again and close. A rule that
//! looks at many furnaces, sites or staff codes at once bounds the share of false findings among all that it
//! reports; a rule that has a probability of its own gives that probability and is ordered by it.

mod batch;
mod bias;
mod discovered;
mod drifting;
mod gauge;
mod leaving;
mod of_site;
mod operator;
mod over_adjusted;
mod probability;
mod register;
mod site_shift;
mod uneven;

use jiff::Timestamp;

use crate::key::{BadName, BatchId, FindingId, FurnaceKey, GaugeKey, ReadingKey, SiteId};

pub use batch::{BatchKnown, batch, batch_statement, batch_z};
pub use discovered::{Tested, discovered};
pub use drifting::{DriftInput, Movement, Surprising, drifting};
pub use gauge::{GaugeKnown, gauge, gauge_statement, gauge_z};
pub use leaving::leaving;
pub use of_site::{ReadingOfLate, Records, Shown, SiteOfLate};
pub use operator::{SiteSeen, operator_patterns};
pub use over_adjusted::{AdjustmentMade, OffsetThen, SettingHistory, over_adjusted};
pub use register::{Said, Watched, acknowledged, merged, resolved};
pub use site_shift::site_shift;
pub use uneven::{ChamberSeen, PositionDifference, uneven};

/// Weeks of readings that the rules look at.
pub const WEEKS_LOOKED_AT: i64 = 26;

/// Share of false ones that is allowed among the findings of rules that look at many subjects at once
/// (Benjamini & Hochberg 1995).
pub const FALSE_DISCOVERY_RATE: f64 = 0.05;

/// Coverage factor of the uncertainties in sentences (GUM 6.2): about 95 %.
const COVERAGE: f64 = 2.0;

/// Most readings that a finding names.
pub const MOST_READINGS: usize = 50;

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FindingKind {
    /// A furnace drifts.
    FurnaceDrifting,
    /// A furnace is likely to leave tolerance before its next calibration is due.
    FurnaceLeavingTolerance,
    /// A ring batch reads hot or cold.
    BatchSuspect,
    /// A gauge reads large or small.
    GaugeSuspect,
    /// The furnaces of a site moved together.
    SiteShift,
    /// Readings by one staff code differ from those by others.
    OperatorPattern,
    /// A furnace's setpoint is changed after noise.
    FurnaceOverAdjusted,
    /// A chamber's positions differ.
    ChamberUneven,
}

impl FindingKind {
    /// All kinds.
    pub const ALL: [Self; 8] = [
        Self::FurnaceDrifting,
        Self::FurnaceLeavingTolerance,
        Self::BatchSuspect,
        Self::GaugeSuspect,
        Self::SiteShift,
        Self::OperatorPattern,
        Self::FurnaceOverAdjusted,
        Self::ChamberUneven,
    ];

    /// The word under which it is kept; never renamed.
    pub fn word(self) -> &'static str {
        match self {
            Self::FurnaceDrifting => "furnace_drifting",
            Self::FurnaceLeavingTolerance => "furnace_leaving_tolerance",
            Self::BatchSuspect => "batch_suspect",
            Self::GaugeSuspect => "gauge_suspect",
            Self::SiteShift => "site_shift",
            Self::OperatorPattern => "operator_pattern",
            Self::FurnaceOverAdjusted => "furnace_over_adjusted",
            Self::ChamberUneven => "chamber_uneven",
        }
    }

    /// Reads the word; none when it is none of them.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// Share of false ones that the rule allows among all findings of the kind. Where a finding needs a
    /// probability of at least a half, up to half of those just above it may be false; the probability of
    /// each says how much to believe it.
    pub fn false_discovery_rate(self) -> f64 {
        match self {
            Self::FurnaceDrifting
            | Self::SiteShift
            | Self::OperatorPattern
            | Self::ChamberUneven => FALSE_DISCOVERY_RATE,
            Self::FurnaceLeavingTolerance
            | Self::BatchSuspect
            | Self::GaugeSuspect
            | Self::FurnaceOverAdjusted => 0.5,
        }
    }
}

/// What a finding is about.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Subject {
    /// A furnace.
    Furnace(FurnaceKey),
    /// A ring batch; the whole network shares it.
    Batch(BatchId),
    /// A gauge.
    Gauge(GaugeKey),
    /// A site.
    Site(SiteId),
}

impl Subject {
    /// Its resource name.
    pub fn name(&self) -> String {
        match self {
            Self::Furnace(key) => key.name(),
            Self::Batch(key) => key.name(),
            Self::Gauge(key) => key.name(),
            Self::Site(key) => key.name(),
        }
    }

    /// Reads a resource name of a furnace, batch, gauge or site.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let mut parts = name.split('/');
        let (collection, within) = (parts.next(), parts.nth(1));
        match (collection, within) {
            (Some("ringBatches"), _) => BatchId::parse(name).map(Self::Batch),
            (_, Some("furnaces")) => FurnaceKey::parse(name).map(Self::Furnace),
            (_, Some("gauges")) => GaugeKey::parse(name).map(Self::Gauge),
            _ => SiteId::parse(name).map(Self::Site),
        }
    }

    /// The site that it belongs to; none for what the whole network shares.
    pub fn site(&self) -> Option<&SiteId> {
        match self {
            Self::Furnace(key) => Some(&key.site),
            Self::Gauge(key) => Some(&key.site),
            Self::Site(site) => Some(site),
            Self::Batch(_) => None,
        }
    }
}

/// One figure behind a finding.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// What it is, in words.
    pub label: String,
    /// The figure, rounded as people see it.
    pub value: f64,
    /// Its unit; empty for a pure number.
    pub unit: String,
}

impl Evidence {
    /// Gives a figure rounded to so many decimals: nothing is written anew for a change that nobody sees.
    fn of(label: &str, value: f64, decimals: i32, unit: &str) -> Self {
        Self {
            label: label.to_owned(),
            value: rounded(value, decimals),
            unit: unit.to_owned(),
        }
    }
}

/// Whether a candidate is strong enough to open a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Strength {
    /// It says how probable something on record is by now, and opens nothing.
    Faint,
    /// It opens a finding, or shows one again.
    Clear,
}

/// What a rule found.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// What.
    pub kind: FindingKind,
    /// About what.
    pub subject: Subject,
    /// Whether it opens a finding.
    pub strength: Strength,
    /// Probability that it is true, to three decimals.
    pub probability: f64,
    /// Probability of something as strong when nothing is wrong; none where the rule has only the
    /// probability above.
    pub p_value: Option<f64>,
    /// What was found, in words, with figures.
    pub statement: String,
    /// What to do next, in words.
    pub next_step: String,
    /// Figures behind it.
    pub evidence: Vec<Evidence>,
    /// Readings it rests on, latest first, at most [`MOST_READINGS`].
    pub readings: Vec<ReadingKey>,
    /// End of the latest firing that it rests on.
    pub seen_at: Timestamp,
}

/// Where a finding stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum FindingState {
    /// Nobody has said anything about it.
    Open,
    /// Seen; something is being done.
    Acknowledged,
    /// Closed, by hand or because the readings no longer show it.
    Resolved,
}

impl FindingState {
    /// The word under which it is kept; never renamed.
    pub fn word(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Acknowledged => "acknowledged",
            Self::Resolved => "resolved",
        }
    }

    /// Reads the word; none when it is none of them.
    pub fn parse(word: &str) -> Option<Self> {
        [Self::Open, Self::Acknowledged, Self::Resolved]
            .into_iter()
            .find(|state| state.word() == word)
    }
}

/// A finding on record.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What tells it apart.
    pub id: FindingId,
    /// What was found.
    pub kind: FindingKind,
    /// What it is about.
    pub subject: Subject,
    /// Where it stands.
    pub state: FindingState,
    /// Probability that it is true.
    pub probability: f64,
    /// What was found, in words.
    pub statement: String,
    /// What to do next, in words.
    pub next_step: String,
    /// Figures behind it.
    pub evidence: Vec<Evidence>,
    /// Readings it rests on, latest first.
    pub readings: Vec<ReadingKey>,
    /// End of the latest firing behind it when it opened.
    pub first_seen_at: Timestamp,
    /// End of the latest firing that showed it.
    pub last_seen_at: Timestamp,
    /// Share of false ones that the rule allows among all of its kind.
    pub false_discovery_rate: f64,
    /// What was noted when it was acknowledged or resolved.
    pub note: String,
    /// Who noted it.
    pub noted_by: String,
    /// When; none when nobody has, also when it was resolved because readings no longer show it.
    pub noted_at: Option<Timestamp>,
    /// Counts changes of state and note from 1; its text is the etag. Figures are refreshed without.
    pub revision: i64,
}

impl Finding {
    /// The version as callers see it.
    pub fn etag(&self) -> String {
        format!("\"{}\"", self.revision)
    }
}

/// A number to so many decimals; never minus zero, so that equal words have equal bits.
fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    let rounded = (value * scale).round() / scale;
    if rounded.is_finite() {
        rounded + 0.0
    } else {
        value
    }
}

/// A probability to three decimals.
fn rounded_probability(probability: f64) -> f64 {
    rounded(probability.clamp(0.0, 1.0), 3)
}

/// The latest readings, latest first, at most [`MOST_READINGS`]; the input is in order of firing.
fn latest<'a>(readings: impl DoubleEndedIterator<Item = &'a ReadingKey>) -> Vec<ReadingKey> {
    readings.rev().take(MOST_READINGS).cloned().collect()
}

#[cfg(test)]
mod tests;
