//! The load program: what an operator needs to size an installation, measured on real servers.
//!
//! Without a subcommand or with `record`: durable recordings beside an empty call and beside a bare insert. `mix`: what
//! laboratories ask for, at a given rate, on one server or several. `sizes`: the same calls on few and on many readings.
//! `beside-pgbench`: durable recording beside bare inserts on PostgreSQL. `firings`: production firings in
//! bulk. `soak`: the mix for long. It builds nothing of the servers: build them first
//! with `cargo build --release --bins`. Everything listens on loopback and ends by itself.

mod bare;
mod beside_pgbench;
mod door;
mod drawing;
mod drive;
mod firings;
mod installation;
mod lab;
mod mix;
mod process;
mod record;
mod report;
mod rows;
mod sizes;
mod soak;

use clap::{Parser, Subcommand};

/// Measures real servers under load.
#[derive(Debug, Parser)]
#[command(args_conflicts_with_subcommands = true)]
struct Load {
    #[command(subcommand)]
    command: Option<Command>,
    #[command(flatten)]
    record: record::Arguments,
    /// Serve an empty call on a free port and tell it (used by the program itself).
    #[arg(long, hide = true)]
    serve_empty: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Measure durable recording on SQLite beside its ceilings; also without a subcommand.
    Record(record::Arguments),
    /// Offer what laboratories ask for at a given rate, and tell the latencies.
    Mix(mix::Arguments),
    /// Measure the same calls on few and on many readings.
    Sizes(sizes::Arguments),
    /// Measure durable recording on PostgreSQL beside pgbench with the same rows.
    BesidePgbench(beside_pgbench::Arguments),
    /// Report production firings in bulk, and ask what is exposed of many cases.
    Firings(firings::Arguments),
    /// Offer the mix for long, and watch what the servers hold on to.
    Soak(soak::Arguments),
}

fn main() -> anyhow::Result<()> {
    let arguments = Load::parse();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async {
        if arguments.serve_empty {
            return process::serve_empty().await;
        }
        match &arguments.command {
            None => record::measure(&arguments.record).await,
            Some(Command::Record(wanted)) => record::measure(wanted).await,
            Some(Command::Mix(wanted)) => mix::measure(wanted).await,
            Some(Command::BesidePgbench(wanted)) => beside_pgbench::measure(wanted).await,
            Some(Command::Firings(wanted)) => firings::measure(wanted).await,
            Some(Command::Soak(wanted)) => soak::measure(wanted).await,
            Some(Command::Sizes(wanted)) => sizes::measure(wanted).await,
        }
    })
}
