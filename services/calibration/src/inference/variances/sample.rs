//! Which readings the variances are learnt from, and how each of them counts.

use rayon::prelude::*;

use crate::inference::bulk::{SiteRecords, Walk};
use crate::inference::chain::{Column, Firing, Step};
use crate::inference::components::{Components, usable_weeks};
use crate::inference::network::GlobalEffect;

/// Here a reading counts up to this distance, in standard deviations: one in sixteen thousand lies
/// beyond by chance, so that leaving it out hardly makes the noise look smaller than it is.
const BOUND_Z: f64 = 4.0;

/// Takes every n-th site, so that not many more readings than asked for remain.
pub(super) fn every_nth(sites: &[SiteRecords], most_readings: usize) -> Vec<&SiteRecords> {
    let mut all = 0_usize;
    for site in sites {
        all += site.readings().len();
    }
    let stride = all.div_ceil(most_readings.max(1)).max(1);
    sites.iter().step_by(stride).collect()
}

/// Readings of some sites.
pub(super) fn readings(sites: &[SiteRecords]) -> usize {
    let mut sum = 0;
    for site in sites {
        sum += site.readings().len();
    }
    sum
}

/// Writes the robust step's decisions down as if they were known.
pub(super) fn weighed(
    sites: &[&SiteRecords],
    globals: &[GlobalEffect],
    components: &Components,
) -> Vec<SiteRecords> {
    let components = Components {
        bound_z: components.bound_z.max(BOUND_Z),
        ..*components
    };
    sites
        .par_iter()
        .map_init(Walk::default, |walk, site| {
            let mut steps = Vec::with_capacity(site.readings().len());
            walk.follow(site, globals, &components, |step| steps.push(*step));
            rewritten(site, &steps)
        })
        .collect()
}

/// Readings far off are left out: held at the bound they would still pass for noise. Where two readings
/// agree that the furnace changed, another furnace begins with the first of them: what was found by its
/// size must not tell how large events are.
fn rewritten(site: &SiteRecords, steps: &[Step]) -> SiteRecords {
    let mut records = SiteRecords::new(site.locals.clone());
    let mut place = 0;
    for furnace in 0..site.furnaces() {
        records.push_furnace();
        let mut passed_over: Option<Firing<'_, Column>> = None;
        for (number, reading) in site.of_furnace(furnace).iter().enumerate() {
            let mut firing = site.firing::<Column>(reading, site.effects(reading));
            if let Some(before) = passed_over.take() {
                firing.weeks = usable_weeks(firing.weeks) + usable_weeks(before.weeks);
                firing.event_variance_c2 += before.event_variance_c2;
                firing.redraws_slope |= before.redraws_slope;
                firing.shift_c += before.shift_c;
            }
            let far_off = steps.get(place).is_some_and(|step| step.inflation_c2 > 0.0);
            let confirmed = steps
                .get(place + 1)
                .is_some_and(|next| next.widened_c2 > 0.0);
            place += 1;
            if far_off && !confirmed {
                passed_over = Some(firing);
                continue;
            }
            if far_off && number > 0 {
                records.push_furnace();
            }
            records.push(&firing);
        }
    }
    records.shrink();
    records
}
