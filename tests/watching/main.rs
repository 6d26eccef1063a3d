//! The watching program: how fast an alert reaches ten thousand open streams and what an idle stream costs,
//! and how long it takes to look at what is due in a very large network.
//!
//! `cargo run --release -p ringtrue-tests --bin watching`

mod network;
mod scan;
mod server;
mod streams;

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;

use clap::Parser;

/// Measures alerts pushed to many streams, and looks at what is due.
#[derive(Debug, Parser)]
struct Arguments {
    /// Streams to open.
    #[arg(long, default_value_t = 10_000)]
    streams: usize,
    /// Streams that share a connection; 1 for a connection each.
    #[arg(long, default_value_t = 100)]
    shared: usize,
    /// Alerts to send to every stream.
    #[arg(long, default_value_t = 40)]
    alerts: usize,
    /// Furnaces of the network that is looked at; 0 leaves that out.
    #[arg(long, default_value_t = 100_000)]
    furnaces: usize,
    /// Serve on this database file and obey the lines of the standard input: what the program starts by
    /// itself.
    #[arg(long, hide = true)]
    serve: Option<PathBuf>,
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    if let Some(database) = &arguments.serve {
        return runtime.block_on(server::serve(database));
    }
    let mut report = String::new();
    if arguments.streams > 0 {
        let shape = streams::Shape {
            streams: arguments.streams,
            shared: arguments.shared,
            alerts: arguments.alerts,
        };
        let measured = runtime.block_on(streams::measured(&shape))?;
        writeln!(report, "{measured}")?;
    }
    if arguments.furnaces > 0 {
        let measured = runtime.block_on(scan::measured(arguments.furnaces))?;
        writeln!(report, "{measured}")?;
    }
    std::io::stdout().write_all(report.as_bytes())?;
    Ok(())
}
