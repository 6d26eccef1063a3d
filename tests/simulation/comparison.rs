//! Policies side by side on the same fleets, with the goals that the fleet's estimate has to reach.

use ringtrue_calibration::inference::Components;

use crate::learning::Before;
use crate::policies::{
    Belief, BlockChecks, Outcome, OwnFilter, fleet, followed, oracle, per_furnace, plain,
};
use crate::report::{Goal, Report, Table, Wanted, mean};
use crate::world::{Reading, Settings, World};

/// Standard uncertainty of one check of a gauge on a reference block, mm.
pub(crate) const CHECK_UNCERTAINTY_MM: f64 = 0.005;

/// What the policies do on one fleet, by name.
pub(crate) type Outcomes = Vec<(&'static str, Outcome)>;

const PLAIN: &str = "plain compensation";
const FLEET: &str = "fleet";
const FLEET_BAND: &str = "fleet, 3 °C action band";
const CHECKED: &str = "fleet, gauges checked";
const CHECKED_BAND: &str = "fleet, gauges checked, 3 °C action band";
const ORACLE: &str = "oracle";

/// Compares policies on several fleets; goals are stated where the outcome is `judged`.
pub(crate) fn compared(
    title: &str,
    settings: &Settings,
    before: &Before,
    seeds: u64,
    judged: bool,
) -> anyhow::Result<Report> {
    let learnt = before.learnt(settings, 999)?;
    let (components, own) = (learnt.components, learnt.own);
    let mut fleets: Vec<Outcomes> = Vec::new();
    for seed in 0..seeds.max(1) {
        let world = World::drawn(settings, 11 + seed)?;
        fleets.push(outcomes(&world, &world.planned(), components, own));
    }
    let averages = averaged(&fleets);
    let mut table = Table {
        title: format!(
            "{title} ({} sites, {} weeks, {seeds} seeds)",
            settings.sites, settings.weeks
        ),
        columns: vec![
            "RMS °C",
            "P95 °C",
            "over 5 °C",
            "changes/year",
            "coverage",
            "±RMS",
        ],
        rows: Vec::new(),
    };
    for (index, (name, average)) in averages.iter().enumerate() {
        let mut all_rms_c = Vec::new();
        for fleet in &fleets {
            all_rms_c.push(fleet[index].1.rms_c);
        }
        table.rows.push((
            (*name).to_owned(),
            vec![
                average.rms_c,
                average.p95_c,
                average.over_5_c,
                average.changes_per_year,
                average.coverage,
                standard_error(&all_rms_c),
            ],
        ));
    }
    Ok(Report {
        tables: vec![learnt.table(title), table],
        goals: if judged {
            goals(title, settings, &averages)
        } else {
            Vec::new()
        },
    })
}

/// Runs every policy on one fleet.
pub(crate) fn outcomes(
    world: &World,
    readings: &[Reading],
    components: Components,
    own: OwnFilter,
) -> Outcomes {
    let mut all = Outcomes::new();
    let mut add = |name, beliefs: &[Belief], band_c| {
        all.push((name, followed(world, readings, beliefs, band_c)));
    };
    let checks = BlockChecks::of(world, CHECK_UNCERTAINTY_MM);
    let beliefs = plain(world, readings, None);
    add(PLAIN, &beliefs, 0.0);
    add("plain, 5 °C dead band", &beliefs, 5.0);
    add("plain, 10 °C dead band", &beliefs, 10.0);
    add(
        "plain, gauges checked",
        &plain(world, readings, Some(&checks)),
        0.0,
    );
    let mut beliefs = Vec::new();
    for step in per_furnace(world, readings, own) {
        beliefs.push(step.belief);
    }
    add("every furnace by itself", &beliefs, 0.0);
    let diffuse = Components {
        initial_sd_c: None,
        ..components
    };
    add(
        "fleet, offsets' spread unknown",
        &fleet(world, readings, diffuse, None),
        0.0,
    );
    let beliefs = fleet(world, readings, components, None);
    add(FLEET, &beliefs, 0.0);
    add(FLEET_BAND, &beliefs, 3.0);
    add(
        "fleet, gauges checked, offsets' spread unknown",
        &fleet(world, readings, diffuse, Some(&checks)),
        0.0,
    );
    let unbounded = Components {
        bound_z: f64::INFINITY,
        ..components
    };
    add(
        "fleet, gauges checked, every reading in full",
        &fleet(world, readings, unbounded, Some(&checks)),
        0.0,
    );
    let beliefs = fleet(world, readings, components, Some(&checks));
    add(CHECKED, &beliefs, 0.0);
    add(CHECKED_BAND, &beliefs, 3.0);
    // Four independent checks of 0.005 mm are as good as one of half the uncertainty.
    let four = BlockChecks::of(world, CHECK_UNCERTAINTY_MM / 2.0);
    add(
        "fleet, gauges checked four times",
        &fleet(world, readings, components, Some(&four)),
        0.0,
    );
    add(ORACLE, &oracle(world, readings), 0.0);
    all
}

fn averaged(fleets: &[Outcomes]) -> Outcomes {
    let mut averages = Outcomes::new();
    let Some(first) = fleets.first() else {
        return averages;
    };
    for (index, (name, _)) in first.iter().enumerate() {
        let over = |pick: fn(&Outcome) -> f64| {
            let mut values = Vec::new();
            for fleet in fleets {
                values.push(pick(&fleet[index].1));
            }
            mean(&values)
        };
        averages.push((
            *name,
            Outcome {
                rms_c: over(|outcome| outcome.rms_c),
                p95_c: over(|outcome| outcome.p95_c),
                over_5_c: over(|outcome| outcome.over_5_c),
                changes_per_year: over(|outcome| outcome.changes_per_year),
                coverage: over(|outcome| outcome.coverage),
            },
        ));
    }
    averages
}

/// Gives the outcome of the policy of a name; not a number for one that was not run.
fn of(outcomes: &Outcomes, name: &str) -> Outcome {
    for (other, outcome) in outcomes {
        if *other == name {
            return *outcome;
        }
    }
    Outcome {
        rms_c: f64::NAN,
        p95_c: f64::NAN,
        over_5_c: f64::NAN,
        changes_per_year: f64::NAN,
        coverage: f64::NAN,
    }
}

fn standard_error(values: &[f64]) -> f64 {
    let centre = mean(values);
    let mut squares = Vec::new();
    for value in values {
        squares.push((value - centre).powi(2));
    }
    (mean(&squares) / crate::report::count(values.len())).sqrt()
}

fn goals(title: &str, settings: &Settings, outcomes: &Outcomes) -> Vec<Goal> {
    let below_plain = |name| 1.0 - of(outcomes, name).rms_c / of(outcomes, PLAIN).rms_c;
    let against_oracle = |name| of(outcomes, name).rms_c / of(outcomes, ORACLE).rms_c;
    let mut goals = Vec::new();
    let mut add = |what: &str, found, wanted| {
        goals.push(Goal::new(&format!("{title}: {what}"), found, wanted));
    };
    let coverage = of(outcomes, CHECKED).coverage;
    add(
        "coverage of 95 % intervals, gauges checked",
        coverage,
        Wanted::Between(0.93, 0.97),
    );
    if settings.gross_share > 0.0 {
        add(
            "error of the fleet with checked gauges, share below plain",
            below_plain(CHECKED),
            Wanted::AtLeast(0.55),
        );
        return goals;
    }
    add(
        "error of the fleet, share below plain",
        below_plain(FLEET),
        Wanted::AtLeast(0.28),
    );
    add(
        "error of the fleet with checked gauges, share below plain",
        below_plain(CHECKED),
        Wanted::AtLeast(0.5),
    );
    add(
        "error of the fleet with checked gauges, times the oracle's",
        against_oracle(CHECKED),
        Wanted::AtMost(1.2),
    );
    add(
        "setpoint changes with the action band, share of plain's",
        of(outcomes, CHECKED_BAND).changes_per_year / of(outcomes, PLAIN).changes_per_year,
        Wanted::AtMost(1.0 / 6.0),
    );
    add(
        "error with the action band, times the oracle's",
        against_oracle(CHECKED_BAND),
        Wanted::AtMost(1.4),
    );
    goals
}
