//! What came out, rule by rule.

use jiff::Timestamp;

use super::replay::Judgeable;
use super::rules::{RULES, Rule};

/// How every rule would have done.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Readings gone through.
    pub readings: u32,
    /// Readings that setpoints were judged at.
    pub judged: u32,
    /// Furnaces that these are of.
    pub furnaces: u32,
    /// Sites that these furnaces stand in.
    pub sites: u32,
    /// First and last judged firing; none when there is no judged one.
    pub between: Option<(Timestamp, Timestamp)>,
    /// The judge's own standard uncertainty, root mean square, °C.
    pub judge_c: f64,
    /// The part of it that readings of one gauge, batch or hold have in common, °C: nothing on record shows
    /// it, and it moves a rule's figures and the judge alike.
    pub judge_shared_c: f64,
    /// One for each rule that set at least one judged setpoint, in the order of [`RULES`].
    pub outcomes: Vec<Outcome>,
    /// The fleet's rule with the site's band at those readings alone where a confirmed setpoint stood, so
    /// that the two can be compared; none when nothing was confirmed.
    pub beside_confirmed: Option<Outcome>,
}

impl Report {
    /// One rule's outcome.
    pub fn outcome(&self, rule: Rule) -> Option<&Outcome> {
        self.outcomes.iter().find(|outcome| outcome.rule == rule)
    }
}

/// How one rule would have done. An error is setpoint + offset − target, the offset being the judge's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// The rule.
    pub rule: Rule,
    /// Judged setpoints.
    pub judged: u32,
    /// Root mean square error, °C.
    pub rms_c: f64,
    /// Root mean square error that is to be expected of the true one: with the judge's uncertainty, °C.
    pub expected_rms_c: f64,
    /// 95 of 100 errors were no larger, °C (nearest rank).
    pub percentile_95_c: f64,
    /// Share of errors within tolerance.
    pub share_within: f64,
    /// Share that is to be expected of the true errors: with the judge's uncertainty (JCGM 106 7.3).
    pub expected_share_within: f64,
    /// Setpoint changes of one furnace in a year; a furnace read with two programmes counts as two.
    pub changes_per_year: f64,
    /// Furnaces with a smaller root mean square error than by plain compensation.
    pub better_furnaces: u32,
    /// Furnaces with a larger one.
    pub worse_furnaces: u32,
}

/// How a rule compares with plain compensation, furnace by furnace.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Comparison {
    /// Better in clearly more furnaces than chance explains.
    Better,
    /// Worse in clearly more furnaces than chance explains.
    Worse,
    /// Neither.
    Unclear,
}

impl Outcome {
    /// Compares the rule with plain compensation by the sign test: if both were as good, the numbers of
    /// furnaces would differ by more than two standard deviations, twice the root of their sum, in about
    /// one of twenty such comparisons. Furnaces of one site share gauges and batches, so it is a hint, no
    /// proof.
    pub fn beside_plain(&self) -> Comparison {
        let (better, worse) = (
            f64::from(self.better_furnaces),
            f64::from(self.worse_furnaces),
        );
        let limit = 2.0 * (better + worse).sqrt();
        if better - worse > limit {
            Comparison::Better
        } else if worse - better > limit {
            Comparison::Worse
        } else {
            Comparison::Unclear
        }
    }
}

/// One setpoint judged.
#[derive(Debug, Clone, Copy)]
pub(super) struct Verdict {
    pub error_c: f64,
    pub standard_uncertainty_c: f64,
    pub within: bool,
    pub probability_within: f64,
}

/// What is counted of one rule.
#[derive(Debug, Clone, Default)]
struct Tally {
    sizes_c: Vec<f64>,
    squares_c2: f64,
    judge_c2: f64,
    within: f64,
    probability_within: f64,
    changes: f64,
    weeks: f64,
    better: u32,
    worse: u32,
    /// Squares of this furnace's errors, and of plain compensation's at the same readings, °C².
    furnace_c2: f64,
    plain_c2: f64,
}

/// Weeks in a year of 365.25 days.
const WEEKS_PER_YEAR: f64 = 365.25 / 7.0;

/// Sums of squares closer than this are equal, °C².
const EQUAL_C2: f64 = 1e-9;

impl Tally {
    fn add(&mut self, verdict: &Verdict, plain: Option<&Verdict>, changed: bool, weeks: f64) {
        let square = verdict.error_c * verdict.error_c;
        self.sizes_c.push(verdict.error_c.abs());
        self.squares_c2 += square;
        self.judge_c2 += verdict.standard_uncertainty_c * verdict.standard_uncertainty_c;
        self.within += f64::from(u8::from(verdict.within));
        self.probability_within += verdict.probability_within;
        self.changes += f64::from(u8::from(changed));
        self.weeks += weeks.max(0.0);
        if let Some(plain) = plain {
            self.furnace_c2 += square;
            self.plain_c2 += plain.error_c * plain.error_c;
        }
    }

    fn end_furnace(&mut self) {
        if self.furnace_c2 < self.plain_c2 - EQUAL_C2 {
            self.better += 1;
        } else if self.furnace_c2 > self.plain_c2 + EQUAL_C2 {
            self.worse += 1;
        }
        self.furnace_c2 = 0.0;
        self.plain_c2 = 0.0;
    }

    fn outcome(mut self, rule: Rule) -> Option<Outcome> {
        let judged = u32::try_from(self.sizes_c.len()).unwrap_or(u32::MAX);
        if judged == 0 {
            return None;
        }
        self.sizes_c.sort_by(f64::total_cmp);
        let rank = (self.sizes_c.len() * 95).div_ceil(100);
        let percentile_95_c = self.sizes_c.get(rank.saturating_sub(1)).copied();
        let count = f64::from(judged);
        Some(Outcome {
            rule,
            judged,
            rms_c: (self.squares_c2 / count).sqrt(),
            expected_rms_c: ((self.squares_c2 + self.judge_c2) / count).sqrt(),
            percentile_95_c: percentile_95_c.unwrap_or(0.0),
            share_within: self.within / count,
            expected_share_within: self.probability_within / count,
            changes_per_year: if self.weeks > 0.0 {
                self.changes / self.weeks * WEEKS_PER_YEAR
            } else {
                0.0
            },
            better_furnaces: self.better,
            worse_furnaces: self.worse,
        })
    }
}

/// What is counted of all rules.
#[derive(Debug, Clone, Default)]
pub(super) struct Tallies {
    rules: [Tally; RULES.len()],
    beside_confirmed: Tally,
    judged: u32,
    furnaces: u32,
    sites: Vec<usize>,
    between: Option<(Timestamp, Timestamp)>,
    judge_c2: f64,
    own_c2: f64,
}

impl Tallies {
    pub(super) fn begin_furnace(&mut self, site: usize) {
        self.furnaces = self.furnaces.saturating_add(1);
        if !self.sites.contains(&site) {
            self.sites.push(site);
        }
    }

    /// Counts the judge's uncertainty at one reading, °C: in all, and with the shared errors known.
    pub(super) fn judge(&mut self, fired_at: Timestamp, all_c: f64, own_c: f64) {
        self.judged = self.judged.saturating_add(1);
        self.judge_c2 += all_c * all_c;
        self.own_c2 += own_c * own_c;
        self.between = Some(match self.between {
            None => (fired_at, fired_at),
            Some((first, last)) => (first.min(fired_at), last.max(fired_at)),
        });
    }

    /// Counts what every rule had on the panel at one reading.
    pub(super) fn add(&mut self, verdicts: &[Option<Verdict>; RULES.len()], one: &Judgeable) {
        let of = |rule: Rule| {
            let at = RULES.iter().position(|other| *other == rule)?;
            verdicts[at].as_ref()
        };
        let plain = of(Rule::Plain);
        for (at, tally) in self.rules.iter_mut().enumerate() {
            if let Some(verdict) = &verdicts[at] {
                tally.add(verdict, plain, one.changed[at], one.weeks);
            }
        }
        let band = RULES.iter().position(|rule| *rule == Rule::FleetBeyondBand);
        if let (Some(at), Some(_)) = (band, of(Rule::Confirmed))
            && let Some(verdict) = &verdicts[at]
        {
            self.beside_confirmed
                .add(verdict, plain, one.changed[at], one.weeks);
        }
    }

    pub(super) fn end_furnace(&mut self) {
        for tally in &mut self.rules {
            tally.end_furnace();
        }
        self.beside_confirmed.end_furnace();
    }

    pub(super) fn report(self, readings: u32) -> Report {
        let count = f64::from(self.judged.max(1));
        let mut outcomes = Vec::with_capacity(RULES.len());
        for (rule, tally) in RULES.into_iter().zip(self.rules) {
            outcomes.extend(tally.outcome(rule));
        }
        Report {
            readings,
            judged: self.judged,
            furnaces: self.furnaces,
            sites: u32::try_from(self.sites.len()).unwrap_or(u32::MAX),
            between: self.between,
            judge_c: (self.judge_c2 / count).sqrt(),
            judge_shared_c: ((self.judge_c2 - self.own_c2).max(0.0) / count).sqrt(),
            outcomes,
            beside_confirmed: self.beside_confirmed.outcome(Rule::FleetBeyondBand),
        }
    }
}
