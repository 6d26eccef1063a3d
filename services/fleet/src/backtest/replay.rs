//! The history gone through reading by reading: what was known, and which setpoint each rule left.

use std::collections::BTreeMap;

use jiff::Timestamp;
use ringtrue_calibration::inference::{
    Check, Column, Components, Firing, GlobalEffect, LocalEffect, OffsetState, Online,
};

use super::history::{History, PastFiring, SharedError};
use super::rules::{Offsets, RULES, Rule, Setting, decided_c};
use super::{NoFigures, Progress, SETTLING_WEEKS, Span};
use crate::knowledge::{BiasSeen, CHECKED_PRIOR_FACTOR, expected_variance_c2};
use crate::tracking::{Happened, happened, weeks_between};

/// Readings between two reports of progress.
const REPORTED_EVERY: usize = 500;

/// A setpoint of every rule, in the order of [`RULES`], °C.
pub(super) type Setpoints = [f64; RULES.len()];

/// What every rule had on the panel when a reading came.
#[derive(Debug, Clone, Copy)]
pub(super) struct Judgeable {
    /// Index of the reading among the furnace's.
    pub firing: usize,
    /// Not a number where a rule has none.
    pub setpoints_c: Setpoints,
    /// Whether the rule had just changed it.
    pub changed: [bool; RULES.len()],
    /// How long it had stood, weeks.
    pub weeks: f64,
}

/// A history gone through.
#[derive(Debug)]
pub(super) struct Replayed {
    /// What all readings and all checks together say.
    pub fleet: Weighing,
    /// What is to be judged, by furnace.
    pub judgeable: Vec<Vec<Judgeable>>,
    /// Readings gone through.
    pub readings: u32,
    /// Of each furnace, how many of its readings were gone through.
    pub taken: Vec<usize>,
}

/// Readings weighed together as they come: of the whole network, or of each furnace by itself.
#[derive(Debug)]
pub(super) struct Weighing {
    pub online: Online,
    alone: bool,
    components: Components,
    /// Where an error stands: by the site of the filter (none for the whole network) and the error.
    columns: BTreeMap<(Option<usize>, usize), Column>,
    /// Prior variances of the errors of the whole network, °C².
    globals_c2: Vec<f64>,
    /// Errors of each site of the filter that checks bear on.
    checked: Vec<Vec<Checked>>,
}

/// An error that checks bear on.
#[derive(Debug, Clone, Copy)]
struct Checked {
    local: usize,
    error: usize,
    prior_c2: f64,
    /// How many of its checks were taken in.
    taken: usize,
}

impl Weighing {
    /// Begins with nothing read. `alone` makes each furnace a network of its own.
    fn new(history: &History, components: &Components, alone: bool) -> Self {
        let mut online = Online::new(*components);
        if !alone {
            for _ in &history.sites {
                online.add_site();
            }
        }
        for past in &history.furnaces {
            let site = if alone { online.add_site() } else { past.site };
            online.add_furnace(site);
        }
        let sites = if alone {
            history.furnaces.len()
        } else {
            history.sites.len()
        };
        Self {
            online,
            alone,
            components: *components,
            columns: BTreeMap::new(),
            globals_c2: Vec::new(),
            checked: vec![Vec::new(); sites],
        }
    }

    /// Takes a furnace's next reading in, and before it the checks made until then; gives the offset that
    /// then is known.
    fn take(
        &mut self,
        history: &History,
        furnace: usize,
        fired: &PastFiring,
        since: &Since,
    ) -> Option<OffsetState> {
        let site = if self.alone {
            furnace
        } else {
            history.furnaces.get(furnace)?.site
        };
        let mut effects = Vec::with_capacity(fired.errors.len());
        for (number, coefficient) in &fired.errors {
            let error = history.errors.get(*number)?;
            let column = self.column(site, *number, error, fired.fired_at)?;
            effects.push((column, *coefficient));
        }
        self.take_checks(history, site, Some(fired.fired_at));
        let taken = self.online.take(furnace, &firing(fired, since, &effects))?;
        Some(taken.state)
    }

    fn column(
        &mut self,
        site: usize,
        number: usize,
        error: &SharedError,
        now: Timestamp,
    ) -> Option<Column> {
        let is_global = error.site.is_none() && !self.alone;
        let place = ((!is_global).then_some(site), number);
        if let Some(known) = self.columns.get(&place) {
            return Some(*known);
        }
        // Scales are applied here, so that a batch keeps its own where it stands among a furnace's errors.
        let mut prior_c2 = expected_variance_c2(&error.effect, error.sd_c, false, &self.components);
        let column = if is_global {
            self.globals_c2.push(prior_c2);
            Column::Global(self.online.add_global(GlobalEffect {
                prior_variance_c2: prior_c2,
                scaled: false,
            }))
        } else {
            // A check that is less sure than what was expected can replace it only beforehand.
            if let Some((at, seen)) = error.checks.first()
                && *at <= now
            {
                prior_c2 = prior_c2.max(2.0 * seen.variance_c2);
            }
            let local = self.online.add_local(
                site,
                LocalEffect {
                    prior_variance_c2: prior_c2,
                    scaled: false,
                    checks: Vec::new(),
                },
            )?;
            if !error.checks.is_empty() {
                self.checked.get_mut(site)?.push(Checked {
                    local,
                    error: number,
                    prior_c2,
                    taken: 0,
                });
            }
            Column::Local(local)
        };
        self.columns.insert(place, column);
        Some(column)
    }

    /// Takes in a site's checks made until a moment; all of them when none is given.
    fn take_checks(&mut self, history: &History, site: usize, until: Option<Timestamp>) {
        let Some(checked) = self.checked.get_mut(site) else {
            return;
        };
        for gauge in checked {
            let Some(error) = history.errors.get(gauge.error) else {
                continue;
            };
            while let Some((at, seen)) = error.checks.get(gauge.taken)
                && until.is_none_or(|until| *at <= until)
            {
                let check = if gauge.taken == 0 {
                    first_check(gauge.prior_c2, seen)
                } else {
                    Check {
                        value_c: seen.value_c,
                        variance_c2: seen.variance_c2,
                    }
                };
                self.online.record_check(site, gauge.local, check);
                gauge.taken += 1;
            }
        }
    }

    /// Where a reading's errors stand, with their coefficients, among a furnace's columns.
    pub(super) fn entries(
        &self,
        history: &History,
        furnace: usize,
        fired: &PastFiring,
        columns: &[Column],
    ) -> Vec<(usize, f64)> {
        let site = history.furnaces[furnace].site;
        let mut entries = Vec::with_capacity(fired.errors.len());
        for (number, coefficient) in &fired.errors {
            let of = history.errors[*number].site.map(|_| site);
            let column = self.columns.get(&(of, *number));
            let place = columns.iter().position(|other| Some(other) == column);
            if let Some(place) = place {
                entries.push((place, *coefficient));
            }
        }
        entries
    }

    /// Prior variances of a furnace's columns, °C², as the filter's bound on far readings takes them.
    pub(super) fn column_priors_c2(
        &self,
        history: &History,
        furnace: usize,
        columns: &[Column],
    ) -> Vec<f64> {
        let site = history.furnaces[furnace].site;
        let locals = self.online.locals(site).unwrap_or_default();
        let mut priors = Vec::with_capacity(columns.len());
        for column in columns {
            priors.push(match column {
                Column::Local(at) => locals.get(*at).map_or(0.0, |own| own.prior_variance_c2),
                Column::Global(at) => self.globals_c2.get(*at).copied().unwrap_or(0.0),
            });
        }
        priors
    }
}

/// A gauge's first check takes the place of what was expected of it: this observation turns the one into
/// the other whenever it comes, whatever was learnt meanwhile, since normal information adds up.
fn first_check(prior_c2: f64, seen: &BiasSeen) -> Check {
    let expected = (1.0 - 1.0 / CHECKED_PRIOR_FACTOR) / prior_c2;
    let precision = 1.0 / seen.variance_c2 - expected;
    if precision > 0.0 && precision.is_finite() {
        Check {
            value_c: seen.value_c / seen.variance_c2 / precision,
            variance_c2: 1.0 / precision,
        }
    } else {
        Check {
            value_c: seen.value_c,
            variance_c2: seen.variance_c2,
        }
    }
}

/// Time and events since a furnace's reading before.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Since {
    pub weeks: f64,
    pub happened: Happened,
}

impl Since {
    /// What lies before a furnace's reading of this index.
    pub(super) fn before(history: &History, furnace: usize, index: usize) -> Self {
        let past = &history.furnaces[furnace];
        let (Some(before), Some(fired)) = (
            index.checked_sub(1).and_then(|i| past.fired.get(i)),
            past.fired.get(index),
        ) else {
            return Self::default();
        };
        Self {
            weeks: weeks_between(before.fired_at, fired.fired_at),
            happened: happened(&past.events, before.fired_at, fired.fired_at),
        }
    }
}

/// A reading as a filter sees it.
pub(super) fn firing<'a, C>(
    fired: &PastFiring,
    since: &Since,
    effects: &'a [(C, f64)],
) -> Firing<'a, C> {
    Firing {
        weeks: since.weeks,
        setpoint_c: fired.setpoint_c,
        offset_c: fired.observed_offset_c + fired.removed_c,
        variance_c2: fired.independent_c * fired.independent_c,
        event_variance_c2: since.happened.variance_c2,
        redraws_slope: since.happened.redraws_slope,
        shift_c: since.happened.shift_c,
        effects,
    }
}

/// What every rule left on the panel for one programme of a furnace.
#[derive(Debug, Clone, Copy)]
struct Held {
    decided_at: Timestamp,
    target_c: f64,
    setpoints_c: Setpoints,
    changed: [bool; RULES.len()],
}

/// Goes through the history in order of firing over the whole network, ties in order of ids.
pub(super) fn replayed(
    history: &History,
    components: &Components,
    span: &Span,
    progress: &mut dyn FnMut(Progress),
) -> Result<Replayed, NoFigures> {
    let order = in_order(history, span);
    let mut fleet = Weighing::new(history, components, false);
    let mut alone = Weighing::new(history, components, true);
    let mut judgeable = vec![Vec::new(); history.furnaces.len()];
    let mut taken = vec![0_usize; history.furnaces.len()];
    let mut held: Vec<Vec<Option<Held>>> = Vec::with_capacity(history.furnaces.len());
    for past in &history.furnaces {
        held.push(vec![None; past.programmes.len()]);
    }
    for (done, (furnace, index)) in order.iter().enumerate() {
        if done % REPORTED_EVERY == 0 {
            progress(Progress {
                done,
                all: order.len(),
            });
        }
        let past = &history.furnaces[*furnace];
        let fired = &past.fired[*index];
        let before = held[*furnace][fired.programme];
        let mut now = found(history, *furnace, *index, before.as_ref());
        if let Some(before) = &before
            && is_judged(history, span, *furnace, fired.fired_at)
        {
            judgeable[*furnace].push(Judgeable {
                firing: *index,
                setpoints_c: now.setpoints_c,
                changed: now.changed,
                weeks: weeks_between(before.decided_at, fired.fired_at),
            });
        }
        let since = Since::before(history, *furnace, *index);
        let offset_c = |state: Option<OffsetState>| {
            state.map(|state| state.estimate(fired.setting.target_c).offset_c)
        };
        let offsets = Offsets {
            plain_c: fired.observed_offset_c,
            alone_c: offset_c(alone.take(history, *furnace, fired, &since)),
            fleet_c: offset_c(fleet.take(history, *furnace, fired, &since)),
        };
        now.decide(&offsets, &fired.setting);
        held[*furnace][fired.programme] = Some(now);
        taken[*furnace] = *index + 1;
    }
    progress(Progress {
        done: order.len(),
        all: order.len(),
    });
    if order.is_empty() {
        return Err(NoFigures::NothingRead);
    }
    // The judge knows every check, also those made after the last reading.
    for site in 0..history.sites.len() {
        fleet.take_checks(history, site, span.until);
    }
    fleet.online.rebuild().map_err(|_| NoFigures::NotSolvable)?;
    Ok(Replayed {
        fleet,
        judgeable,
        readings: u32::try_from(order.len()).unwrap_or(u32::MAX),
        taken,
    })
}

/// Furnace and index of every reading, in order.
fn in_order(history: &History, span: &Span) -> Vec<(usize, usize)> {
    let mut order = Vec::new();
    for (furnace, past) in history.furnaces.iter().enumerate() {
        for (index, fired) in past.fired.iter().enumerate() {
            if span.until.is_none_or(|until| fired.fired_at < until) {
                order.push((furnace, index));
            }
        }
    }
    order.sort_by(|one, other| {
        let fired = |at: &(usize, usize)| &history.furnaces[at.0].fired[at.1];
        let (a, b) = (fired(one), fired(other));
        (a.fired_at, &a.reading, one).cmp(&(b.fired_at, &b.reading, other))
    });
    order
}

fn is_judged(history: &History, span: &Span, furnace: usize, fired_at: Timestamp) -> bool {
    let past = &history.furnaces[furnace];
    let settled = past
        .fired
        .first()
        .is_some_and(|first| weeks_between(first.fired_at, fired_at) >= SETTLING_WEEKS);
    settled
        && span.from.is_none_or(|from| fired_at >= from)
        && span.site.as_ref().is_none_or(|site| site == &past.key.site)
}

/// What every rule has on the panel when a reading comes, before it is looked at.
///
/// A shade shift moves every setpoint, and so does what was entered in the controller since: whoever
/// entered it would have moved the setpoint back. What was confirmed is on record as it was.
fn found(history: &History, furnace: usize, index: usize, before: Option<&Held>) -> Held {
    let past = &history.furnaces[furnace];
    let fired = &past.fired[index];
    let mut now = Held {
        decided_at: fired.fired_at,
        target_c: fired.setting.target_c,
        setpoints_c: [fired.setpoint_c; RULES.len()],
        changed: [false; RULES.len()],
    };
    let moved_c = before.map(|held| {
        let shift_c = happened(&past.events, held.decided_at, fired.fired_at).shift_c;
        now.target_c - held.target_c - shift_c
    });
    let in_force_c = past
        .programmes
        .get(fired.programme)
        .and_then(|programme| programme.in_force_c(fired.fired_at));
    for (at, rule) in RULES.iter().enumerate() {
        if *rule == Rule::Confirmed {
            now.setpoints_c[at] = in_force_c.unwrap_or(f64::NAN);
            now.changed[at] = before
                .is_some_and(|held| (held.setpoints_c[at] - now.setpoints_c[at]).abs() > SAME_C);
        } else if let (Some(held), Some(moved_c)) = (before, moved_c) {
            now.setpoints_c[at] = held.setpoints_c[at] + moved_c;
            now.changed[at] = held.changed[at];
        }
    }
    now
}

/// Setpoints closer than this are the same, °C.
const SAME_C: f64 = 1e-6;

impl Held {
    /// Lets every rule set its setpoint.
    fn decide(&mut self, offsets: &Offsets, setting: &Setting) {
        for (at, rule) in RULES.iter().enumerate() {
            if *rule == Rule::Confirmed {
                continue;
            }
            let current_c = self.setpoints_c[at];
            self.setpoints_c[at] = decided_c(*rule, current_c, offsets, setting);
            self.changed[at] = (self.setpoints_c[at] - current_c).abs() > SAME_C;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_first_check_replaces_what_was_expected_of_the_gauge() {
        let seen = BiasSeen {
            value_c: 6.0,
            variance_c2: 1.2,
        };
        let check = first_check(9.0, &seen);
        let precision = 1.0 / 9.0 + 1.0 / check.variance_c2;
        let mean_c = check.value_c / check.variance_c2 / precision;
        // Up to the share of one in ten thousand that a checked gauge's expectation keeps.
        assert!((mean_c - 6.0).abs() < 1e-3, "{mean_c}");
        assert!((precision - 1.0 / 1.2).abs() < 1e-4, "{precision}");
    }

    #[test]
    fn a_check_less_sure_than_what_was_expected_only_adds_to_it() {
        let seen = BiasSeen {
            value_c: 6.0,
            variance_c2: 20.0,
        };
        let check = first_check(9.0, &seen);
        assert!((check.value_c - 6.0).abs() < 1e-12);
        assert!((check.variance_c2 - 20.0).abs() < 1e-12);
    }
}
