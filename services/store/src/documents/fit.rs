//! A fit, as bytes. Derived: a shape that is no longer understood is worked out again.

use ringtrue_calibration::inference::{SiteBlock, Solution};
use ringtrue_fleet::effect::Effect;
use ringtrue_fleet::key::CheckId;
use ringtrue_fleet::knowledge::{LocalFit, SiteFit};
use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct SolutionDocument {
    means: Vec<f64>,
    covariance: Vec<f64>,
    log_likelihood: f64,
    counted: u64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct SiteFitDocument {
    locals: Vec<LocalDocument>,
    block: BlockDocument,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct LocalDocument {
    effect: String,
    sd_c: f64,
    checks: Vec<String>,
    readings: u32,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct BlockDocument {
    locals: usize,
    inverse: Vec<f64>,
    means: Vec<f64>,
    globals: Vec<usize>,
    transfer: Vec<f64>,
    reduced: Vec<f64>,
    rho: Vec<f64>,
    log_terms: f64,
    quadratic: f64,
    counted: u64,
}

/// Numbers in one half of a symmetric table, its diagonal included.
pub(super) fn triangle(order: usize) -> usize {
    order.saturating_mul(order.saturating_add(1)) / 2
}

fn are_finite(lists: &[&[f64]]) -> bool {
    lists
        .iter()
        .all(|list| list.iter().all(|number| number.is_finite()))
}

impl SolutionDocument {
    /// Whether it is a solution for so many errors that can be calculated with.
    pub(crate) fn fits(&self, errors: usize) -> bool {
        self.means.len() == errors
            && self.covariance.len() == triangle(errors)
            && are_finite(&[&self.means, &self.covariance])
    }
}

impl BlockDocument {
    /// Whether its parts are of one size and can be calculated with.
    fn fits(&self, locals: usize) -> bool {
        let globals = self.globals.len();
        let lists: [&[f64]; 5] = [
            &self.inverse,
            &self.means,
            &self.transfer,
            &self.reduced,
            &self.rho,
        ];
        let sizes = [
            locals.saturating_mul(locals),
            locals,
            locals.saturating_mul(globals),
            triangle(globals),
            globals,
        ];
        self.locals == locals && lists.map(<[f64]>::len) == sizes && are_finite(&lists)
    }
}

impl From<&Solution> for SolutionDocument {
    fn from(solution: &Solution) -> Self {
        Self {
            means: solution.means.clone(),
            covariance: solution.covariance.clone(),
            log_likelihood: solution.log_likelihood,
            counted: solution.counted,
        }
    }
}

impl From<SolutionDocument> for Solution {
    fn from(document: SolutionDocument) -> Self {
        Self {
            means: document.means,
            covariance: document.covariance,
            log_likelihood: document.log_likelihood,
            counted: document.counted,
        }
    }
}

impl From<&SiteFit> for SiteFitDocument {
    fn from(fit: &SiteFit) -> Self {
        let block = &fit.block;
        Self {
            locals: fit
                .locals
                .iter()
                .map(|local| LocalDocument {
                    effect: local.effect.to_string(),
                    sd_c: local.sd_c,
                    checks: local.checks.iter().map(ToString::to_string).collect(),
                    readings: local.readings,
                })
                .collect(),
            block: BlockDocument {
                locals: block.locals,
                inverse: block.inverse.clone(),
                means: block.means.clone(),
                globals: block.globals.clone(),
                transfer: block.transfer.clone(),
                reduced: block.reduced.clone(),
                rho: block.rho.clone(),
                log_terms: block.log_terms,
                quadratic: block.quadratic,
                counted: block.counted,
            },
        }
    }
}

impl SiteFitDocument {
    /// The site's part; none when a name in it cannot be read, or when its parts do not fit together.
    pub(crate) fn site_fit(self) -> Option<SiteFit> {
        if !self.block.fits(self.locals.len()) {
            return None;
        }
        let mut locals = Vec::with_capacity(self.locals.len());
        for local in self.locals {
            let mut checks = Vec::with_capacity(local.checks.len());
            for check in &local.checks {
                checks.push(CheckId::new(check).ok()?);
            }
            locals.push(LocalFit {
                effect: Effect::parse(&local.effect).ok()?,
                sd_c: local.sd_c,
                checks,
                readings: local.readings,
            });
        }
        let block = self.block;
        Some(SiteFit {
            locals,
            block: SiteBlock {
                locals: block.locals,
                inverse: block.inverse,
                means: block.means,
                globals: block.globals,
                transfer: block.transfer,
                reduced: block.reduced,
                rho: block.rho,
                log_terms: block.log_terms,
                quadratic: block.quadratic,
                counted: block.counted,
            },
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part() -> SiteFitDocument {
        let block = SiteBlock {
            locals: 1,
            inverse: vec![2.0],
            means: vec![-1.5],
            globals: vec![0, 4],
            transfer: vec![0.5, 0.25],
            reduced: vec![1.0, 0.0, 1.0],
            rho: vec![0.1, 0.2],
            log_terms: 0.3,
            quadratic: 4.0,
            counted: 7,
        };
        let locals = vec![LocalFit {
            effect: Effect::Thermocouple('B'),
            sd_c: 1.0,
            checks: Vec::new(),
            readings: 7,
        }];
        SiteFitDocument::from(&SiteFit { locals, block })
    }

    #[test]
    fn a_part_whose_sizes_do_not_fit_or_that_holds_no_number_says_nothing() {
        assert!(part().site_fit().is_some());
        let damages: [fn(&mut SiteFitDocument); 7] = [
            |part| part.block.inverse.clear(),
            |part| part.block.means.push(0.0),
            |part| part.block.globals.truncate(1),
            |part| part.block.transfer.truncate(1),
            |part| part.block.locals = 3,
            |part| part.locals.clear(),
            |part| part.block.reduced[1] = f64::NAN,
        ];
        for (at, damage) in damages.into_iter().enumerate() {
            let mut damaged = part();
            damage(&mut damaged);
            assert_eq!(damaged.site_fit(), None, "{at}");
        }
    }

    #[test]
    fn a_solution_is_for_as_many_errors_as_are_named() {
        let solution = SolutionDocument {
            means: vec![1.0, 2.0],
            covariance: vec![1.0, 0.5, 1.0],
            log_likelihood: -3.0,
            counted: 9,
        };
        assert!(solution.fits(2));
        assert!(!solution.fits(3));
        let infinite = SolutionDocument {
            covariance: vec![1.0, f64::INFINITY, 1.0],
            ..solution
        };
        assert!(!infinite.fits(2));
    }
}
