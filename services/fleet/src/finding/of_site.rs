//! All rules over the records of one site.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::{
    AdjustmentMade, Candidate, ChamberSeen, DriftInput, Movement, OffsetThen, PositionDifference,
    SettingHistory, SiteSeen, Subject, Surprising, Tested, Watched, drifting, gauge, leaving,
    operator_patterns, over_adjusted, site_shift, uneven,
};
use crate::adjustment::Adjustment;
use crate::event::FurnaceEvent;
use crate::furnace::{Furnace, FurnaceState};
use crate::gauge::Gauge;
use crate::history::history;
use crate::key::{BatchId, FurnaceId, FurnaceKey, GaugeId, ReadingKey};
use crate::knowledge::Knowledge;
use crate::known_bias::gauge_known;
use crate::programme::Programme;
use crate::rule::RuleBook;
use crate::site::Site;
use crate::standing::{StandingInput, glance};
use crate::tracking::{Surprise, TrackPoint, TrackedOffset, offset_then, replayed, shared_errors};

/// One reading of late that counts.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingOfLate {
    /// The reading.
    pub key: ReadingKey,
    /// End of its firing.
    pub fired_at: Timestamp,
    /// How far it was from what was expected; none at a furnace's first.
    pub surprise: Option<Surprise>,
    /// Staff code of who measured it; may be empty.
    pub performed_by: String,
    /// The batch; none for a thermocouple.
    pub batch: Option<BatchId>,
    /// The gauge; none for a thermocouple.
    pub gauge: Option<GaugeId>,
    /// Position and temperature, °C, of each ring where there were several.
    pub rings: Vec<(String, f64)>,
}

/// What the rules look at of one site. Readings and adjustments are those of the last
/// [`super::WEEKS_LOOKED_AT`] weeks.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteOfLate {
    /// The site.
    pub site: Site,
    /// The rules by which its calibrations are due.
    pub rules: RuleBook,
    /// Its furnaces.
    pub furnaces: Vec<Furnace>,
    /// Their programmes.
    pub programmes: Vec<Programme>,
    /// Its gauges.
    pub gauges: Vec<Gauge>,
    /// What is known of the furnaces' offsets.
    pub tracked: Vec<(FurnaceId, TrackedOffset)>,
    /// All events of the furnaces, in order for each furnace.
    pub events: Vec<FurnaceEvent>,
    /// Readings that count, in order of firing and id for each furnace.
    pub readings: Vec<ReadingOfLate>,
    /// Adjustments, in order for each furnace.
    pub adjustments: Vec<Adjustment>,
}

/// Every counted reading of a furnace and its events, each in order.
pub type Records = (Vec<TrackPoint>, Vec<FurnaceEvent>);

/// What one site's records show.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Shown {
    /// A test for each furnace: whether it drifts.
    pub drifting: Vec<Tested>,
    /// A test: whether its furnaces moved together.
    pub shifted: Vec<Tested>,
    /// A test for each staff code.
    pub operators: Vec<Tested>,
    /// What needs no comparison with other sites.
    pub candidates: Vec<Candidate>,
    /// Whether and when each subject was fired about; batches are left to the whole network.
    pub watched: Vec<(Subject, Watched)>,
    /// Readings of late with rings, by batch.
    pub batches: Vec<(BatchId, Timestamp, ReadingKey)>,
}

impl SiteOfLate {
    /// The furnaces whose whole history the rules need: few, because a first look at what is kept tells
    /// most of them apart.
    pub fn histories_wanted(&self, knowledge: &Knowledge) -> Vec<FurnaceKey> {
        let mut wanted = Vec::new();
        for furnace in &self.furnaces {
            let Some(tracked) = self.tracked(&furnace.key) else {
                continue;
            };
            let band_c = self.site.details.action_band_c;
            let moves = Movement::of(&offset_then(tracked, knowledge)).matters(band_c);
            let chased = self.programmes_of(&furnace.key).any(|programme| {
                over_adjusted::could_be_a_habit(&self.adjustments_of(programme), tracked)
            });
            if moves || chased {
                wanted.push(furnace.key.clone());
            }
        }
        wanted
    }

    /// Applies every rule.
    pub fn shown(
        &self,
        histories: &BTreeMap<FurnaceKey, Records>,
        knowledge: &Knowledge,
        now: Timestamp,
    ) -> Shown {
        let mut shown = Shown::default();
        let mut of_site = Vec::new();
        for furnace in &self.furnaces {
            let readings = self.surprising(&furnace.key);
            self.look_at_furnace(furnace, &readings, histories, knowledge, now, &mut shown);
            of_site.extend(readings);
        }
        self.look_at_chambers(&mut shown);
        let mut seen = SiteSeen {
            site: &self.site.key,
            display_name: &self.site.details.display_name,
            readings: &of_site,
        };
        shown.operators.extend(operator_patterns(&seen));
        let without = without_lone_drifter(&of_site, &shown.drifting);
        seen.readings = &without;
        shown.shifted.push(site_shift(&seen));
        let latest = self.readings.iter().map(|reading| reading.fired_at).max();
        if let Some(fired_at) = latest {
            let subject = Subject::Site(self.site.key.clone());
            shown.watched.push((subject, Watched::LastFired(fired_at)));
        }
        self.look_at_gauges(knowledge, now, &mut shown);
        for reading in &self.readings {
            if let Some(batch) = &reading.batch {
                let of_batch = (batch.clone(), reading.fired_at, reading.key.clone());
                shown.batches.push(of_batch);
            }
        }
        shown
    }

    fn look_at_furnace(
        &self,
        furnace: &Furnace,
        readings: &[Surprising],
        histories: &BTreeMap<FurnaceKey, Records>,
        knowledge: &Knowledge,
        now: Timestamp,
        shown: &mut Shown,
    ) {
        let Some(tracked) = self.tracked(&furnace.key) else {
            return;
        };
        // What is retired for good is no test: it would only make the others' harder to pass.
        let subject = Subject::Furnace(furnace.key.clone());
        if furnace.details.state == FurnaceState::Retired {
            shown.watched.push((subject, Watched::Retired));
            return;
        }
        let last = Watched::LastFired(tracked.last.fired_at);
        shown.watched.push((subject, last));
        let programmes: Vec<Programme> = self.programmes_of(&furnace.key).cloned().collect();
        let events: Vec<FurnaceEvent> = self
            .events
            .iter()
            .filter(|event| event.key.furnace == furnace.key)
            .cloned()
            .collect();
        let input = StandingInput {
            furnace,
            site: &self.site,
            rules: &self.rules,
            programmes: &programmes,
            tracked: Some(tracked),
            events: &events,
            fired_before_at: None,
            open_findings: 0,
        };
        shown
            .candidates
            .extend(leaving(&glance(&input, knowledge, now)));
        let records = histories.get(&furnace.key);
        shown.drifting.push(drifting(&DriftInput {
            furnace: &furnace.key,
            display_name: &furnace.details.display_name,
            readings,
            events: &events,
            movement: Some(Movement::of(&offset_then(tracked, knowledge))),
            movement_before: records.and_then(|records| movement_before(records, knowledge)),
            action_band_c: self.site.details.action_band_c,
        }));
        // A rule may find the same in several programmes; they are one subject.
        for programme in &programmes {
            let found =
                records.and_then(|records| self.chased(furnace, programme, records, knowledge));
            shown.candidates.extend(found);
        }
    }

    /// Whether a programme's setpoint was changed after noise.
    fn chased(
        &self,
        furnace: &Furnace,
        programme: &Programme,
        (points, events): &Records,
        knowledge: &Knowledge,
    ) -> Option<Candidate> {
        let adjustments = self.adjustments_of(programme);
        let first = adjustments.first()?.adjusted_at;
        let target_c = programme.details.target_c();
        let mut offsets = Vec::new();
        // The reading that advised the first change comes before it.
        let from = points
            .iter()
            .rposition(|point| point.fired_at <= first)
            .unwrap_or(0);
        let looked = history(points, events, knowledge, target_c);
        for (point, seen) in points.iter().zip(&looked).skip(from) {
            offsets.push(OffsetThen {
                reading: ReadingKey {
                    furnace: furnace.key.clone(),
                    reading: point.reading.clone(),
                },
                fired_at: point.fired_at,
                offset_c: seen.tracked.offset_c,
                standard_uncertainty_c: seen.tracked.standard_uncertainty_c,
                noise_c: point.independent_c,
            });
        }
        over_adjusted(&SettingHistory {
            furnace: &furnace.key,
            display_name: &furnace.details.display_name,
            programme_display_name: &programme.details.display_name,
            target_c,
            action_band_c: self.site.details.action_band_c,
            adjustments: &adjustments,
            offsets: &offsets,
        })
    }

    fn look_at_chambers(&self, shown: &mut Shown) {
        let mut differences = Vec::with_capacity(self.furnaces.len());
        for furnace in &self.furnaces {
            let reference = furnace.details.reference_position.trim().to_lowercase();
            let mut own = Vec::new();
            for reading in self.readings_of(&furnace.key) {
                own.extend(differences_in(reading, &reference));
            }
            differences.push(own);
        }
        let mut chambers = Vec::with_capacity(self.furnaces.len());
        for (furnace, differences) in self.furnaces.iter().zip(&differences) {
            chambers.push(ChamberSeen {
                furnace: &furnace.key,
                display_name: &furnace.details.display_name,
                tolerance_c: furnace
                    .details
                    .tolerance_c
                    .unwrap_or(self.site.details.tolerance_c),
                differences,
            });
        }
        shown.candidates.extend(uneven(&chambers));
    }

    fn look_at_gauges(&self, knowledge: &Knowledge, now: Timestamp, shown: &mut Shown) {
        let zone = self.site.details.zone();
        for one in &self.gauges {
            let mut measured: Vec<(Timestamp, &ReadingKey)> = Vec::new();
            for reading in &self.readings {
                if reading.gauge.as_ref() == Some(&one.key.gauge) {
                    measured.push((reading.fired_at, &reading.key));
                }
            }
            measured.sort();
            let mut known = gauge_known(one, &zone, knowledge, now);
            known.last_fired_at = measured.last().map(|(fired_at, _)| *fired_at);
            known.latest = super::latest(measured.iter().map(|(_, key)| *key));
            if let Some(fired_at) = known.last_fired_at {
                let subject = Subject::Gauge(one.key.clone());
                shown.watched.push((subject, Watched::LastFired(fired_at)));
            }
            shown.candidates.extend(gauge(&known));
        }
    }

    fn tracked(&self, furnace: &FurnaceKey) -> Option<&TrackedOffset> {
        let (_, tracked) = self.tracked.iter().find(|(id, _)| *id == furnace.furnace)?;
        Some(tracked)
    }

    fn programmes_of<'a>(&'a self, furnace: &FurnaceKey) -> impl Iterator<Item = &'a Programme> {
        let furnace = furnace.clone();
        self.programmes
            .iter()
            .filter(move |programme| programme.key.furnace == furnace)
    }

    fn readings_of<'a>(&'a self, furnace: &FurnaceKey) -> impl Iterator<Item = &'a ReadingOfLate> {
        let furnace = furnace.clone();
        self.readings
            .iter()
            .filter(move |reading| reading.key.furnace == furnace)
    }

    fn adjustments_of(&self, programme: &Programme) -> Vec<AdjustmentMade> {
        let mut made = Vec::new();
        for adjustment in &self.adjustments {
            if adjustment.details.programme.as_ref() == Some(&programme.key)
                && let Some(adjusted_at) = adjustment.details.adjusted_at
            {
                made.push(AdjustmentMade {
                    adjusted_at,
                    from_c: adjustment.previous_setpoint_c,
                    to_c: adjustment.details.setpoint_c,
                });
            }
        }
        made
    }

    fn surprising(&self, furnace: &FurnaceKey) -> Vec<Surprising> {
        let mut surprising = Vec::new();
        for reading in self.readings_of(furnace) {
            if let Some(surprise) = reading.surprise {
                surprising.push(Surprising {
                    reading: reading.key.clone(),
                    fired_at: reading.fired_at,
                    z: surprise.z,
                    standard_deviation_c: surprise.standard_deviation_c,
                    gain: surprise.gain,
                    performed_by: reading.performed_by.clone(),
                });
            }
        }
        surprising
    }
}

/// A site's readings without those of the one furnace that drifts: it would pull the site's average along.
/// Where several drift they are kept, because a gauge that changed makes all of them seem to drift.
fn without_lone_drifter(readings: &[Surprising], drifting: &[Tested]) -> Vec<Surprising> {
    let mut drifters = Vec::new();
    for tested in drifting {
        if let Some(found) = &tested.candidate {
            drifters.push(&found.subject);
        }
    }
    let mut kept = readings.to_vec();
    if let [Subject::Furnace(lone)] = drifters.as_slice() {
        kept.retain(|reading| reading.reading.furnace != *lone);
    }
    kept
}

/// The drift as it was tracked before the last reading.
fn movement_before((points, events): &Records, knowledge: &Knowledge) -> Option<Movement> {
    let (_, earlier) = points.split_last()?;
    let components = &knowledge.fit.components;
    let tracked = replayed(earlier, events, components, knowledge.fit.components_number)?;
    let state = tracked.chain.offset(&shared_errors(&tracked, knowledge));
    Some(Movement::of(&state))
}

/// How the positions of a reading differ from the reference: the position of that name, else the first
/// ring's.
fn differences_in(reading: &ReadingOfLate, reference: &str) -> Vec<PositionDifference> {
    let place = |position: &str| position.trim().to_lowercase();
    let Some((first, _)) = reading.rings.first() else {
        return Vec::new();
    };
    let reference = if reference.is_empty() {
        place(first)
    } else {
        reference.to_owned()
    };
    let (mut sum_c, mut count) = (0.0, 0.0);
    for (position, temperature_c) in &reading.rings {
        if place(position) == reference {
            sum_c += temperature_c;
            count += 1.0;
        }
    }
    let mut differences = Vec::new();
    for (position, temperature_c) in &reading.rings {
        if count > 0.0 && place(position) != reference {
            differences.push(PositionDifference {
                reading: reading.key.clone(),
                fired_at: reading.fired_at,
                position: position.clone(),
                difference_c: temperature_c - sum_c / count,
            });
        }
    }
    differences
}
