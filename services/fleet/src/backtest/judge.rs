//! The judge: every setpoint against the offset that all readings, later ones included, show.

use ringtrue_calibration::decision::conformance_probability;
use ringtrue_calibration::inference::{Components, Gaussian, OffsetState, smoothed};

use super::figures::{Report, Tallies, Verdict};
use super::history::History;
use super::replay::{Replayed, Since, firing};
use super::{FEWEST_JUDGED, NoFigures};

/// A furnace's offsets as all readings show them.
struct Shown {
    /// With the shared errors as uncertain as they are.
    offsets: Vec<OffsetState>,
    /// As if the shared errors were known: what is left is the furnace's own.
    own: Vec<OffsetState>,
}

/// Judges every setpoint of every rule.
pub(super) fn judged(
    history: &History,
    replayed: &Replayed,
    components: &Components,
) -> Result<Report, NoFigures> {
    let mut tallies = Tallies::default();
    for (furnace, judgeable) in replayed.judgeable.iter().enumerate() {
        if judgeable.is_empty() {
            continue;
        }
        let Some(shown) = shown(history, replayed, furnace, components) else {
            return Err(NoFigures::NotSolvable);
        };
        tallies.begin_furnace(history.furnaces[furnace].site);
        for one in judgeable {
            let (Some(fired), Some(offset), Some(own)) = (
                history.furnaces[furnace].fired.get(one.firing),
                shown.offsets.get(one.firing),
                shown.own.get(one.firing),
            ) else {
                continue;
            };
            let at_target = offset
                .estimate(fired.setting.target_c)
                .standard_uncertainty_c;
            let own = own.estimate(fired.setting.target_c).standard_uncertainty_c;
            tallies.judge(fired.fired_at, at_target, own);
            let tolerance_c = fired.setting.policy.tolerance_c;
            let verdicts = one.setpoints_c.map(|setpoint_c| {
                let shown = offset.estimate(setpoint_c);
                let error_c = setpoint_c + shown.offset_c - fired.setting.target_c;
                let u_c = shown.standard_uncertainty_c;
                error_c.is_finite().then(|| Verdict {
                    error_c,
                    standard_uncertainty_c: u_c,
                    within: error_c.abs() <= tolerance_c,
                    probability_within: conformance_probability(error_c, u_c, tolerance_c),
                })
            });
            tallies.add(&verdicts, one);
        }
        tallies.end_furnace();
    }
    let report = tallies.report(replayed.readings);
    if report.judged < FEWEST_JUDGED {
        return Err(NoFigures::TooFew {
            readings: replayed.readings,
            judged: report.judged,
        });
    }
    Ok(report)
}

fn shown(
    history: &History,
    replayed: &Replayed,
    furnace: usize,
    components: &Components,
) -> Option<Shown> {
    let past = &history.furnaces[furnace];
    let fleet = &replayed.fleet;
    let columns = fleet.online.columns(furnace)?;
    let effects = fleet.online.effects(furnace)?;
    let priors_c2 = fleet.column_priors_c2(history, furnace, columns);
    let fired = past.fired.get(..replayed.taken[furnace])?;
    let mut entries = Vec::with_capacity(fired.len());
    for one in fired {
        entries.push(fleet.entries(history, furnace, one, columns));
    }
    let mut firings = Vec::with_capacity(fired.len());
    for (index, one) in fired.iter().enumerate() {
        let since = Since::before(history, furnace, index);
        firings.push(firing(one, &since, &entries[index]));
    }
    let known = Gaussian {
        mean: effects.mean.clone(),
        covariance: vec![0.0; effects.covariance.len()],
    };
    Some(Shown {
        offsets: smoothed(&firings, &priors_c2, components, &effects),
        own: smoothed(&firings, &priors_c2, components, &known),
    })
}
