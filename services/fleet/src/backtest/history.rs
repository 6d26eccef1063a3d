//! A network's history, kept small: names of shared errors are told apart once, by number.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::rules::Setting;
use super::{FurnacePast, SiteChecks};
use crate::adjustment::Adjustment;
use crate::effect::Effect;
use crate::event::FurnaceEvent;
use crate::gauge::GaugeCheck;
use crate::key::{FurnaceKey, GaugeId, ProgrammeId, ReadingId, SiteId};
use crate::knowledge::{BiasSeen, bias_seen, checks_of};
use crate::tracking::TrackPoint;

/// What is on record of a network.
#[derive(Debug, Clone, Default)]
pub struct History {
    pub(super) sites: Vec<SitePast>,
    pub(super) furnaces: Vec<Past>,
    pub(super) errors: Vec<SharedError>,
    numbers: BTreeMap<(Option<usize>, Effect), usize>,
}

/// One site.
#[derive(Debug, Clone)]
pub(super) struct SitePast {
    pub key: SiteId,
    checks: Vec<(GaugeId, Vec<GaugeCheck>)>,
}

/// An error that several readings have in common.
#[derive(Debug, Clone)]
pub(super) struct SharedError {
    /// The site that it belongs to; none when the whole network shares it.
    pub site: Option<usize>,
    pub effect: Effect,
    /// Expected standard deviation, °C, as the first reading stated it.
    pub sd_c: f64,
    /// What checks showed of it, earliest first.
    pub checks: Vec<(Timestamp, BiasSeen)>,
}

/// One furnace.
#[derive(Debug, Clone)]
pub(super) struct Past {
    pub key: FurnaceKey,
    /// Index among the sites.
    pub site: usize,
    pub fired: Vec<PastFiring>,
    pub events: Vec<FurnaceEvent>,
    pub programmes: Vec<Programme>,
}

/// One reading.
#[derive(Debug, Clone)]
pub(super) struct PastFiring {
    pub reading: ReadingId,
    pub fired_at: Timestamp,
    pub setpoint_c: f64,
    pub observed_offset_c: f64,
    pub removed_c: f64,
    pub independent_c: f64,
    /// Numbers of the errors with their coefficients.
    pub errors: Vec<(usize, f64)>,
    /// Index among the furnace's programmes.
    pub programme: usize,
    pub setting: Setting,
}

/// One programme of a furnace and the setpoints that were confirmed for it.
#[derive(Debug, Clone)]
pub(super) struct Programme {
    key: ProgrammeId,
    /// On the panel before the first confirmed one, °C.
    as_found_c: Option<f64>,
    /// When, and what then was left, °C; earliest first.
    confirmed: Vec<(Timestamp, f64)>,
}

impl Programme {
    fn of(key: &ProgrammeId, adjustments: &[Adjustment]) -> Self {
        let mut own: Vec<(Timestamp, &Adjustment)> = Vec::new();
        for adjustment in adjustments {
            let details = &adjustment.details;
            let is_own = details
                .programme
                .as_ref()
                .is_some_and(|p| &p.programme == key);
            if let (true, Some(at)) = (is_own, details.adjusted_at) {
                own.push((at, adjustment));
            }
        }
        own.sort_by(|one, other| {
            (one.0, &one.1.key.adjustment).cmp(&(other.0, &other.1.key.adjustment))
        });
        Self {
            key: key.clone(),
            as_found_c: own.first().map(|(_, first)| first.previous_setpoint_c),
            confirmed: own
                .iter()
                .map(|(at, adjustment)| (*at, adjustment.details.setpoint_c))
                .collect(),
        }
    }

    /// What the panel showed at a firing, °C, by what was confirmed; none when nothing ever was.
    pub(super) fn in_force_c(&self, fired_at: Timestamp) -> Option<f64> {
        let mut setpoint_c = self.as_found_c?;
        for (at, confirmed_c) in &self.confirmed {
            if *at <= fired_at {
                setpoint_c = *confirmed_c;
            }
        }
        Some(setpoint_c)
    }
}

impl History {
    /// Adds a site with the checks of its gauges and with all its furnaces. Sites are added in order of
    /// their ids, furnaces in order of theirs: the order decides the last digits.
    pub fn add_site(&mut self, key: &SiteId, checks: &SiteChecks, furnaces: Vec<FurnacePast>) {
        let site = self.sites.len();
        self.sites.push(SitePast {
            key: key.clone(),
            checks: checks.to_vec(),
        });
        for furnace in furnaces {
            self.add_furnace(site, furnace);
        }
    }

    /// How many readings were added.
    pub fn readings(&self) -> usize {
        let mut readings = 0;
        for furnace in &self.furnaces {
            readings += furnace.fired.len();
        }
        readings
    }

    /// Whether a site of this id was added.
    pub fn has_site(&self, key: &SiteId) -> bool {
        self.sites.iter().any(|site| &site.key == key)
    }

    fn add_furnace(&mut self, site: usize, mut furnace: FurnacePast) {
        furnace.fired.sort_by(|one, other| {
            (one.point.fired_at, &one.point.reading)
                .cmp(&(other.point.fired_at, &other.point.reading))
        });
        let mut past = Past {
            key: furnace.key,
            site,
            fired: Vec::with_capacity(furnace.fired.len()),
            events: furnace.events,
            programmes: Vec::new(),
        };
        for fired in furnace.fired {
            let known = past
                .programmes
                .iter()
                .position(|programme| programme.key == fired.programme);
            let programme = known.unwrap_or_else(|| {
                past.programmes
                    .push(Programme::of(&fired.programme, &furnace.adjustments));
                past.programmes.len() - 1
            });
            let errors = self.numbered(site, &fired.point);
            past.fired.push(PastFiring {
                reading: fired.point.reading,
                fired_at: fired.point.fired_at,
                setpoint_c: fired.point.setpoint_c,
                observed_offset_c: fired.point.observed_offset_c,
                removed_c: fired.point.removed_c,
                independent_c: fired.point.independent_c,
                errors,
                programme,
                setting: Setting {
                    target_c: fired.target_c,
                    limits: fired.limits,
                    policy: fired.policy,
                },
            });
        }
        self.furnaces.push(past);
    }

    fn numbered(&mut self, site: usize, point: &TrackPoint) -> Vec<(usize, f64)> {
        let mut numbered = Vec::with_capacity(point.effects.len());
        for part in &point.effects {
            let of = (!part.effect.is_global()).then_some(site);
            let next = self.errors.len();
            let number = *self
                .numbers
                .entry((of, part.effect.clone()))
                .or_insert(next);
            if number == next {
                self.errors.push(SharedError {
                    site: of,
                    effect: part.effect.clone(),
                    sd_c: part.sd_c,
                    checks: seen(&self.sites[site].checks, &part.effect, part.sd_c),
                });
            }
            numbered.push((number, part.coefficient));
        }
        numbered
    }
}

/// What the checks of a gauge showed, and when.
fn seen(checks: &SiteChecks, effect: &Effect, sd_c: f64) -> Vec<(Timestamp, BiasSeen)> {
    let mut seen = Vec::new();
    for check in checks_of(checks, effect) {
        if let Some(at) = check.details.checked_at {
            seen.push((at, bias_seen(check, effect, sd_c)));
        }
    }
    seen
}
