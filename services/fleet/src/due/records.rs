//! The records of a site that bear on what is due there.

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_calibration::decision::Advice;

use super::furnace::{ring_is_waited_for, use_matters};
use crate::act::{Act, Use};
use crate::calendar::Calendar;
use crate::event::EventKind;
use crate::finding::{FindingKind, Subject};
use crate::furnace::FurnaceState;
use crate::gauge::GaugeDetails;
use crate::key::{BatchId, FindingId, FurnaceKey, GaugeKey, ProgrammeId, ReadingKey};
use crate::reading::Purpose;
use crate::rule::RuleBook;
use crate::sign_off::Meaning;
use crate::site::Site;

/// A site with what bears on its due dates.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteRecords {
    /// The site.
    pub site: Site,
    /// The network's rules, the site's and its furnaces'.
    pub rules: RuleBook,
    /// Its furnaces, retired ones too.
    pub furnaces: Vec<FurnaceRecords>,
    /// Its gauges.
    pub gauges: Vec<GaugeRecords>,
    /// Its counted stock of rings, one for each batch.
    pub stocks: Vec<StockRecords>,
    /// Findings about it that are open or acknowledged.
    pub findings: Vec<OpenFinding>,
    /// When the last reading, act, event, check or adjustment came in; the site's own start when none did.
    pub last_record_at: Timestamp,
}

impl SiteRecords {
    /// Whether the days after this one may by themselves change what is due, beside the dates that are known
    /// already: counted use goes stale, a stock of rings lasts less long, a fired ring is given up.
    pub fn changes_with_the_day(&self, today: Date) -> bool {
        let calendar = Calendar::of(&self.site.details);
        !self.stocks.is_empty()
            || self.furnaces.iter().any(|furnace| {
                use_matters(furnace, today) || ring_is_waited_for(furnace, &calendar, today)
            })
    }
}

/// What bears on a furnace's due dates.
#[derive(Debug, Clone, PartialEq)]
pub struct FurnaceRecords {
    /// The furnace.
    pub key: FurnaceKey,
    /// What people call it.
    pub display_name: String,
    /// Whether it is in use.
    pub state: FurnaceState,
    /// When it was added.
    pub created_at: Timestamp,
    /// The last firing that counts for its offset; none before the first.
    pub calibrated: Option<Calibrated>,
    /// The reading of the latest firing, whether it counts or not; the last version where amended.
    pub latest: Option<Latest>,
    /// The adjustment made last.
    pub adjusted: Option<Adjusted>,
    /// Events of the last two years, latest first.
    pub events: Vec<(EventKind, Timestamp)>,
    /// Acts of the last two years, latest first.
    pub acts: Vec<Act>,
    /// Production firings that were reported, by local day; of the last two years, in order.
    pub fired: Vec<Use>,
}

/// The last firing that counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Calibrated {
    /// End of the firing.
    pub fired_at: Timestamp,
    /// Whether the readings speak for a drift.
    pub may_drift: bool,
}

/// The latest reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Latest {
    /// Its name.
    pub reading: ReadingKey,
    /// The programme.
    pub programme: ProgrammeId,
    /// End of the firing.
    pub fired_at: Timestamp,
    /// When it was measured.
    pub measured_at: Timestamp,
    /// What it was for.
    pub purpose: Purpose,
    /// What it advised; none when it could not be evaluated.
    pub advice: Option<Advice>,
    /// Probability that the furnace is within tolerance; none likewise.
    pub conformance: Option<f64>,
    /// The setpoint it advised, °C; none likewise.
    pub advised_setpoint_c: Option<f64>,
    /// Whether it counts for the furnace's offset.
    pub counts: bool,
    /// When it was recorded.
    pub received_at: Timestamp,
    /// The gravest that somebody signed about it.
    pub signed: Option<Meaning>,
}

/// The adjustment made last.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjusted {
    /// When.
    pub at: Timestamp,
    /// Of which programme.
    pub programme: ProgrammeId,
    /// The setpoint as left, °C.
    pub setpoint_c: f64,
}

/// What bears on a gauge's check.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeRecords {
    /// The gauge.
    pub key: GaugeKey,
    /// Its content.
    pub details: GaugeDetails,
    /// When it was added.
    pub created_at: Timestamp,
    /// When it was checked last.
    pub checked_at: Option<Timestamp>,
}

/// A counted stock of rings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StockRecords {
    /// The batch.
    pub batch: BatchId,
    /// What people call it.
    pub code: String,
    /// Last day on which its rings may be fired.
    pub expires_on: Option<Date>,
    /// Whether its rings may be fired.
    pub released: bool,
    /// When the rings were counted last.
    pub counted_at: Timestamp,
    /// How many were left then.
    pub left_then: i32,
    /// Rings of it in the site's readings fired after that.
    pub fired_since: i32,
}

/// A finding that is open or acknowledged.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenFinding {
    /// Which.
    pub id: FindingId,
    /// What was found.
    pub kind: FindingKind,
    /// About what.
    pub subject: Subject,
    /// What people call that.
    pub subject_display_name: String,
    /// What was found, in words.
    pub statement: String,
    /// What to do next.
    pub next_step: String,
    /// When it was first seen.
    pub first_seen_at: Timestamp,
}
