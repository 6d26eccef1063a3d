//! The simulation: a fleet drawn from a seed, calibrated for two years by several policies side by side,
//! and watched for furnaces, batches and gauges that are off.
//!
//! `cargo run --release -p ringtrue-tests --bin simulation -- --scenario all` prints tables and beside
//! each goal whether it was reached; `--json` prints the same for programs.

mod comparison;
mod detection;
mod learning;
mod policies;
mod report;
#[cfg(test)]
mod small;
mod world;

use std::io::Write as _;

use clap::{Parser, ValueEnum};
use ringtrue_calibration::drift::RampDesign;
use ringtrue_calibration::inference::Components;

use crate::detection::Believed;
use crate::learning::Before;
use crate::report::Report;
use crate::world::Settings;

/// Simulates a fleet and measures what advice does to it.
#[derive(Debug, Parser)]
struct Arguments {
    /// Sites.
    #[arg(long, default_value_t = 400)]
    sites: usize,
    /// Weeks simulated; detection needs 100 or more.
    #[arg(long, default_value_t = 104, value_parser = clap::value_parser!(u32).range(1..=1000))]
    weeks: u32,
    /// Fleets drawn for each scenario.
    #[arg(long, default_value_t = 6)]
    seeds: u64,
    /// What to simulate.
    #[arg(long, value_enum, default_value_t = Scenario::Policies)]
    scenario: Scenario,
    /// Count a reading in full up to so many standard deviations.
    #[arg(long, default_value_t = Components::default().bound_z)]
    bound_z: f64,
    /// Evidence beyond which a furnace is said to drift.
    #[arg(long, default_value_t = RampDesign::default().limit)]
    drift_limit: f64,
    /// Keep assumed variance components instead of learning them from another fleet.
    #[arg(long)]
    assumed: bool,
    /// Print JSON instead of tables.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Scenario {
    /// Policies on a fleet that drifts, jumps and wears.
    Policies,
    /// The same with one reading in fifty grossly wrong.
    Gross,
    /// Policies where furnaces only wander.
    NoDrift,
    /// Policies with 30 sites.
    Small,
    /// How soon drifts, batches and gauges are found.
    Detection,
    /// Everything.
    All,
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    let before = Before {
        bound_z: arguments.bound_z,
        assumed: arguments.assumed,
    };
    let settings = Settings {
        sites: arguments.sites,
        weeks: arguments.weeks,
        ..Settings::default()
    };
    let wanted = |scenario| arguments.scenario == scenario || arguments.scenario == Scenario::All;
    let mut report = Report::default();
    let gross = Settings {
        gross_share: 0.02,
        ..settings
    };
    let small = Settings {
        sites: settings.sites.min(30),
        ..settings
    };
    for (scenario, title, settings, judged) in [
        (Scenario::Policies, "Policies", settings, true),
        (Scenario::Gross, "2 % gross readings", gross, true),
        (
            Scenario::NoDrift,
            "Furnaces only wander",
            settings.calm(),
            false,
        ),
        (Scenario::Small, "A small network", small, false),
    ] {
        if wanted(scenario) {
            let seeds = arguments.seeds;
            report.extend(comparison::compared(
                title, &settings, &before, seeds, judged,
            )?);
        }
    }
    if wanted(Scenario::Detection) {
        report.extend(detection::all(&Believed {
            before,
            drift_limit: arguments.drift_limit,
            sites: arguments.sites,
            weeks: arguments.weeks,
            seeds: arguments.seeds,
        })?);
    }
    let mut out = std::io::stdout().lock();
    if arguments.json {
        serde_json::to_writer_pretty(&mut out, &report.json())?;
        writeln!(out)?;
    } else {
        report.write_text(&mut out)?;
    }
    Ok(())
}
