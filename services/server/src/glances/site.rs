//! Where a site's furnaces stand, in as few bytes as a list of a hundred thousand can bear.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, ProgrammeId, ProgrammeKey, SiteId};
use ringtrue_fleet::standing::{
    Conformity, Drift, Foreseen, Overview, PresentError, Standing, overview,
};

use crate::loaded_site::LoadedSite;

/// Where a site's furnaces stood at a moment.
#[derive(Debug)]
pub(crate) struct SiteGlances {
    /// The site.
    pub(crate) site: SiteId,
    /// The number of the site's changes that was read before its records were.
    pub(crate) changes: i64,
    /// The moment for which it was worked out.
    pub(crate) at: Timestamp,
    /// The furnaces that are not retired, in a few figures.
    pub(crate) counts: Overview,
    /// The furnaces that are not retired, by id.
    pub(crate) furnaces: Box<[Glance]>,
    display_name: Box<str>,
}

/// Where one furnace stood.
#[derive(Debug)]
pub(crate) struct Glance {
    pub(crate) furnace: FurnaceId,
    pub(crate) conformity: Conformity,
    pub(crate) error: Option<GlancedError>,
    pub(crate) drift: Option<Drift>,
    pub(crate) next_due_on: Date,
    pub(crate) open_findings: u32,
    display_name: Box<str>,
    /// The display name in small letters, where that is another one.
    searched: Option<Box<str>>,
    state: FurnaceState,
    tolerance_c: f64,
    due: bool,
    last_fired_at: Option<Timestamp>,
    readings: u32,
    /// Worked out when the furnace is first shown: none where nothing is foreseen.
    foreseen: OnceLock<Option<Box<Foreseen>>>,
    shown: AtomicBool,
}

/// [`PresentError`] without the names that the site and the furnace repeat.
#[derive(Debug)]
pub(crate) struct GlancedError {
    programme: ProgrammeId,
    pub(crate) error_c: f64,
    standard_uncertainty_c: f64,
    pub(crate) outside_probability: f64,
    pub(crate) leaving_probability: f64,
}

impl SiteGlances {
    /// Looks at every furnace of a site.
    pub(crate) fn of(loaded: &LoadedSite, changes: i64, at: Timestamp) -> Self {
        let site = loaded.site();
        Self::from_standings(
            site.key.clone(),
            &site.details.display_name,
            changes,
            at,
            loaded.glances(at),
        )
    }

    /// A site that has no furnace.
    pub(crate) fn empty(site: SiteId, changes: i64, at: Timestamp) -> Self {
        Self::from_standings(site, "", changes, at, Vec::new())
    }

    /// Keeps what is known of the furnaces that are not retired.
    pub(crate) fn from_standings(
        site: SiteId,
        display_name: &str,
        changes: i64,
        at: Timestamp,
        standings: Vec<Standing>,
    ) -> Self {
        let counts = overview(&standings);
        let in_use = standings
            .into_iter()
            .filter(|standing| standing.state != FurnaceState::Retired);
        Self {
            site,
            changes,
            at,
            counts,
            furnaces: in_use.map(Glance::of).collect(),
            display_name: display_name.into(),
        }
    }

    /// One furnace's standing, with what is foreseen where that was worked out.
    pub(crate) fn standing(&self, glance: &Glance) -> Standing {
        let furnace = self.key(glance);
        Standing {
            display_name: glance.display_name.to_string(),
            site_display_name: self.display_name.to_string(),
            state: glance.state,
            tolerance_c: glance.tolerance_c,
            conformity: glance.conformity,
            error: glance.error.as_ref().map(|error| PresentError {
                programme: ProgrammeKey {
                    furnace: furnace.clone(),
                    programme: error.programme.clone(),
                },
                error_c: error.error_c,
                standard_uncertainty_c: error.standard_uncertainty_c,
                outside_probability: error.outside_probability,
                leaving_probability: error.leaving_probability,
            }),
            drift: glance.drift,
            foreseen: glance
                .foreseen
                .get()
                .and_then(|foreseen| foreseen.as_deref().cloned()),
            next_due_on: glance.next_due_on,
            due: glance.due,
            last_fired_at: glance.last_fired_at,
            // Nobody who lists furnaces asks for it, and a hundred thousand ids are not worth their bytes.
            last_reading: None,
            readings: glance.readings,
            open_findings: glance.open_findings,
            furnace,
        }
    }

    /// A furnace's key.
    pub(crate) fn key(&self, glance: &Glance) -> FurnaceKey {
        FurnaceKey {
            site: self.site.clone(),
            furnace: glance.furnace.clone(),
        }
    }

    /// One furnace; none when it is retired or not there.
    pub(crate) fn glance(&self, furnace: &FurnaceId) -> Option<&Glance> {
        let at = self
            .furnaces
            .binary_search_by(|glance| glance.furnace.cmp(furnace))
            .ok()?;
        self.furnaces.get(at)
    }

    /// Keeps what is foreseen of a furnace.
    pub(crate) fn foresee(&self, glance: &Glance, loaded: &LoadedSite, before: Option<Timestamp>) {
        glance.foreseen.get_or_init(|| {
            let standing = loaded.standing(&glance.furnace, before, self.at)?;
            standing.foreseen.map(Box::new)
        });
    }
}

impl Glance {
    fn of(standing: Standing) -> Self {
        let small = standing.display_name.to_lowercase();
        let searched = (small != standing.display_name).then(|| small.into());
        Self {
            furnace: standing.furnace.furnace,
            conformity: standing.conformity,
            error: standing.error.map(|error| GlancedError {
                programme: error.programme.programme,
                error_c: error.error_c,
                standard_uncertainty_c: error.standard_uncertainty_c,
                outside_probability: error.outside_probability,
                leaving_probability: error.leaving_probability,
            }),
            drift: standing.drift,
            next_due_on: standing.next_due_on,
            open_findings: standing.open_findings,
            display_name: standing.display_name.into(),
            searched,
            state: standing.state,
            tolerance_c: standing.tolerance_c,
            due: standing.due,
            last_fired_at: standing.last_fired_at,
            readings: standing.readings,
            foreseen: OnceLock::new(),
            shown: AtomicBool::new(false),
        }
    }

    /// The display name in small letters.
    pub(crate) fn searched(&self) -> &str {
        self.searched.as_deref().unwrap_or(&self.display_name)
    }

    /// Whether it is known what is foreseen.
    pub(crate) fn is_foreseen(&self) -> bool {
        self.foreseen.get().is_some()
    }

    /// Notes that somebody saw it: the next look works out what is foreseen beforehand.
    pub(crate) fn note_shown(&self) {
        self.shown.store(true, Ordering::Relaxed);
    }

    /// Whether somebody saw it since it was worked out.
    pub(crate) fn was_shown(&self) -> bool {
        self.shown.load(Ordering::Relaxed)
    }
}
