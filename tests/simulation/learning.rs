//! What a fleet of the same kind has taught before the simulated one begins: variance components of the
//! model, and of the filter that follows every furnace by itself.

use anyhow::anyhow;
use ringtrue_calibration::inference::{Components, Learnt, Plan, Quantity, learnt};

use crate::policies::{OwnFilter, batches, records};
use crate::report::Table;
use crate::world::{Settings, World};

/// Spread of offsets that is assumed before any was learnt, °C.
const ASSUMED_INITIAL_SD_C: f64 = 15.0;

/// What holds before a simulated fleet begins.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Before {
    /// A reading counts in full up to this many standard deviations.
    pub(crate) bound_z: f64,
    /// Keep assumed components instead of learning them.
    pub(crate) assumed: bool,
}

/// What was learnt from another fleet.
#[derive(Debug, Clone)]
pub(crate) struct Taught {
    /// For the fleet's model.
    pub(crate) components: Components,
    /// For the filter that knows nothing but its own furnace.
    pub(crate) own: OwnFilter,
    learnt: Option<Learnt>,
}

impl Before {
    /// Components that are assumed where nothing was learnt.
    pub(crate) fn components(&self) -> Components {
        Components {
            initial_sd_c: Some(ASSUMED_INITIAL_SD_C),
            bound_z: self.bound_z,
            ..Components::default()
        }
    }

    /// Draws another fleet of the same kind and learns from it.
    pub(crate) fn learnt(&self, settings: &Settings, seed: u64) -> anyhow::Result<Taught> {
        let world = World::drawn(settings, seed)?;
        let readings = world.planned();
        let own = OwnFilter::fitted(&world, &readings);
        let start = self.components();
        if self.assumed {
            return Ok(Taught {
                components: start,
                own,
                learnt: None,
            });
        }
        let sites = records(&world, &readings);
        let found = learnt(&sites, &batches(&world), &start, &Plan::default())
            .map_err(|_| anyhow!("the likelihood has no value where the search begins"))?;
        Ok(Taught {
            components: found.components,
            own,
            learnt: Some(found),
        })
    }
}

impl Taught {
    /// Gives the components with their standard errors.
    pub(crate) fn table(&self, title: &str) -> Table {
        let mut table = Table {
            title: format!("{title}: variance components learnt from another fleet"),
            columns: vec!["value", "± of its log"],
            rows: Vec::new(),
        };
        for quantity in Quantity::ALL {
            let value = quantity.value(&self.components).unwrap_or(f64::NAN);
            let mut error = f64::NAN;
            if let Some(learnt) = &self.learnt {
                for found in &learnt.quantities {
                    if found.quantity == quantity {
                        error = found.log_standard_error.unwrap_or(f64::NAN);
                    }
                }
            }
            let name = match quantity {
                Quantity::Wander => "wander, °C²/week",
                Quantity::SlopeSd => "standard deviation of drift, °C/week",
                Quantity::EventScale => "events, times 8 °C",
                Quantity::NoiseScale => "noise of readings, times its budget",
                Quantity::BatchScale => "batches, times 2 °C",
                Quantity::GaugeScale => "gauges, times their own figure",
                Quantity::InitialSd => "spread of offsets, °C",
            };
            table.rows.push((name.to_owned(), vec![value, error]));
        }
        table
    }
}
