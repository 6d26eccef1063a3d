//! Small invented fleets for the proofs, and their solution by elimination.

use super::Dice;
use crate::inference::*;

/// One firing with everything it owns.
#[derive(Debug, Clone)]
pub(super) struct Fired {
    pub(super) weeks: f64,
    pub(super) setpoint_c: f64,
    pub(super) offset_c: f64,
    pub(super) variance_c2: f64,
    pub(super) event_variance_c2: f64,
    pub(super) redraws_slope: bool,
    pub(super) shift_c: f64,
    pub(super) effects: Vec<(Column, f64)>,
}

impl Fired {
    pub(super) fn firing(&self) -> Firing<'_, Column> {
        Firing {
            weeks: self.weeks,
            setpoint_c: self.setpoint_c,
            offset_c: self.offset_c,
            variance_c2: self.variance_c2,
            event_variance_c2: self.event_variance_c2,
            redraws_slope: self.redraws_slope,
            shift_c: self.shift_c,
            effects: &self.effects,
        }
    }

    /// A plain firing at 1500 °C with gauge 0 and batch 0.
    pub(super) fn plain(weeks: f64, offset_c: f64) -> Self {
        Fired {
            weeks,
            setpoint_c: 1500.0,
            offset_c,
            variance_c2: 4.41,
            event_variance_c2: 0.0,
            redraws_slope: false,
            shift_c: 0.0,
            effects: vec![(Column::Local(0), 1.0), (Column::Global(0), 1.0)],
        }
    }
}

/// A fleet and its records.
#[derive(Debug, Clone)]
pub(super) struct Fleet {
    pub(super) components: Components,
    pub(super) globals: Vec<GlobalEffect>,
    pub(super) sites: Vec<Vec<LocalEffect>>,
    /// Site and firings of every furnace.
    pub(super) furnaces: Vec<(usize, Vec<Fired>)>,
}

/// One furnace as the filter left it.
pub(super) struct Followed {
    pub(super) columns: Vec<Column>,
    pub(super) priors: Vec<f64>,
    pub(super) chain: Chain,
    pub(super) effects: Vec<Vec<(usize, f64)>>,
}

/// A fleet solved by elimination.
pub(super) struct Solved {
    pub(super) furnaces: Vec<Followed>,
    pub(super) blocks: Vec<SiteBlock>,
    pub(super) solution: Solution,
}

pub(super) fn gauge(prior_variance_c2: f64) -> LocalEffect {
    LocalEffect {
        prior_variance_c2,
        scaled: true,
        checks: Vec::new(),
    }
}

pub(super) fn batch(prior_variance_c2: f64) -> GlobalEffect {
    GlobalEffect {
        prior_variance_c2,
        scaled: true,
    }
}

impl Fleet {
    /// Invents a fleet of up to 3 sites and 6 furnaces.
    pub(super) fn invented(seed: u64, components: Components) -> Self {
        let mut dice = Dice::new(seed);
        let mut globals = Vec::new();
        for _ in 0..=dice.below(4) {
            // One in ten batches is known to be right: its effect is fixed to zero.
            let variance = if dice.chance(0.1) {
                0.0
            } else {
                dice.between(0.5, 9.0)
            };
            globals.push(GlobalEffect {
                prior_variance_c2: variance,
                scaled: dice.chance(0.8),
            });
        }
        let mut sites = Vec::new();
        let mut furnaces = Vec::new();
        for site in 0..=dice.below(3) {
            let mut locals = Vec::new();
            for _ in 0..=dice.below(3) {
                let variance = if dice.chance(0.1) {
                    0.0
                } else {
                    dice.between(0.5, 16.0)
                };
                let mut checks = Vec::new();
                if dice.chance(0.4) {
                    checks.push(Check {
                        value_c: dice.normal(3.0),
                        variance_c2: dice.between(0.2, 2.0),
                    });
                }
                locals.push(LocalEffect {
                    prior_variance_c2: variance,
                    scaled: dice.chance(0.8),
                    checks,
                });
            }
            for _ in 0..=dice.below(2) {
                let mut fired = Vec::new();
                for _ in 0..=dice.below(7) {
                    let event = dice.chance(0.2);
                    let mut effects = vec![
                        (
                            Column::Local(dice.below(locals.len())),
                            dice.between(0.8, 1.2),
                        ),
                        (Column::Global(dice.below(globals.len())), 1.0),
                    ];
                    if dice.chance(0.2) {
                        // Two rings of two batches in one firing weigh half each.
                        effects[1].1 = 0.5;
                        effects.push((Column::Global(dice.below(globals.len())), 0.5));
                    }
                    fired.push(Fired {
                        weeks: dice.between(0.0, 6.0),
                        setpoint_c: if dice.chance(0.5) { 1500.0 } else { 1450.0 },
                        offset_c: dice.normal(12.0),
                        variance_c2: dice.between(1.0, 9.0),
                        event_variance_c2: if event { 64.0 } else { 0.0 },
                        redraws_slope: event && dice.chance(0.5),
                        shift_c: if dice.chance(0.1) {
                            dice.normal(5.0)
                        } else {
                            0.0
                        },
                        effects,
                    });
                }
                furnaces.push((site, fired));
            }
            sites.push(locals);
        }
        Fleet {
            components,
            globals,
            sites,
            furnaces,
        }
    }

    /// Prior variance of an effect, °C².
    pub(super) fn prior(&self, site: usize, column: Column) -> f64 {
        match column {
            Column::Local(index) => {
                let local = &self.sites[site][index];
                self.components
                    .local_prior_c2(local.prior_variance_c2, local.scaled)
            }
            Column::Global(index) => {
                let global = &self.globals[index];
                self.components
                    .global_prior_c2(global.prior_variance_c2, global.scaled)
            }
        }
    }

    fn followed(&self, site: usize, fired: &[Fired]) -> Followed {
        let mut followed = Followed {
            columns: Vec::new(),
            priors: Vec::new(),
            chain: Chain::unread(),
            effects: Vec::new(),
        };
        let mut scratch = Scratch::default();
        for one in fired {
            let mut effects = Vec::new();
            for (column, coefficient) in &one.effects {
                let known = followed.columns.iter().position(|other| other == column);
                let place = known.unwrap_or(followed.columns.len());
                if known.is_none() {
                    followed.columns.push(*column);
                    followed.priors.push(self.prior(site, *column));
                }
                effects.push((place, *coefficient));
            }
            let firing = numbered(one, &effects);
            followed
                .chain
                .follow(&firing, &followed.priors, &self.components, &mut scratch);
            followed.effects.push(effects);
        }
        followed
    }

    pub(super) fn solved(&self) -> Solved {
        let mut furnaces = Vec::new();
        for (site, fired) in &self.furnaces {
            furnaces.push(self.followed(*site, fired));
        }
        let mut network = Network::new(&self.globals, &self.components);
        let mut blocks = Vec::new();
        for (site, locals) in self.sites.iter().enumerate() {
            let mut own: Vec<(&[Column], &Chain)> = Vec::new();
            for ((place, _), followed) in self.furnaces.iter().zip(&furnaces) {
                if *place == site {
                    own.push((&followed.columns, &followed.chain));
                }
            }
            let block = eliminated(locals, &own, &self.components);
            network.add(&block);
            blocks.push(block);
        }
        Solved {
            furnaces,
            blocks,
            solution: network.solved().expect("a solution"),
        }
    }

    /// Offsets of a furnace at all its firings.
    pub(super) fn smoothed(&self, solved: &Solved, furnace: usize) -> Vec<OffsetState> {
        let followed = &solved.furnaces[furnace];
        let (site, fired) = &self.furnaces[furnace];
        let mut firings = Vec::new();
        for (one, effects) in fired.iter().zip(&followed.effects) {
            firings.push(numbered(one, effects));
        }
        let effects = solved.blocks[*site].joint(&solved.solution, &followed.columns);
        smoothed(&firings, &followed.priors, &self.components, &effects)
    }
}

/// The firing with its effects numbered by the furnace's columns.
pub(super) fn numbered<'a>(fired: &Fired, effects: &'a [(usize, f64)]) -> Firing<'a> {
    Firing {
        weeks: fired.weeks,
        setpoint_c: fired.setpoint_c,
        offset_c: fired.offset_c,
        variance_c2: fired.variance_c2,
        event_variance_c2: fired.event_variance_c2,
        redraws_slope: fired.redraws_slope,
        shift_c: fired.shift_c,
        effects,
    }
}

impl Solved {
    /// Offset of a furnace now.
    pub(super) fn state(&self, fleet: &Fleet, furnace: usize) -> OffsetState {
        let followed = &self.furnaces[furnace];
        let block = &self.blocks[fleet.furnaces[furnace].0];
        followed
            .chain
            .offset(&block.joint(&self.solution, &followed.columns))
    }
}
