//! The refit program: a large invented network solved anew in memory, with its time, its memory and how
//! the time grows with the readings.
//!
//! `cargo run --release -p ringtrue-tests --bin refit`

mod network;
mod store;

use std::fmt::Write as _;
use std::io::Write as _;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use clap::Parser;
use network::{InventedNetwork, Size};
use ringtrue_calibration::inference::{Components, Online, Plan, bulk, learnt};

/// Measures how long a whole network takes.
#[derive(Debug, Parser)]
struct Arguments {
    /// Furnaces of the largest network.
    #[arg(long, default_value_t = 100_000)]
    furnaces: usize,
    /// Readings of every furnace.
    #[arg(long, default_value_t = 130)]
    readings: usize,
    /// Batches of rings.
    #[arg(long, default_value_t = 260)]
    batches: usize,
    /// Set temperatures of every furnace: 1 or 2.
    #[arg(long, default_value_t = 1)]
    setpoints: usize,
    /// How often everything is repeated; the median counts.
    #[arg(long, default_value_t = 5)]
    rounds: usize,
    /// Threads; 0 is one for every processor.
    #[arg(long, default_value_t = 0)]
    threads: usize,
    /// Learn the variance components of the largest network as well.
    #[arg(long)]
    learn: bool,
    /// Put the largest network into a real database as well, and fit it there.
    #[arg(long)]
    store: bool,
    /// Where the dice start.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Medians of one network.
struct Measured {
    readings: usize,
    refit: Duration,
    /// Time that processors worked on one refit: other programs do not count.
    worked: Duration,
    summed: Duration,
    solved: Duration,
    offsets: Duration,
    restored: Duration,
    /// Most memory so far when everything but the taking up had been done once.
    peak_kib: u64,
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(arguments.threads)
        .build()?;
    pool.install(|| measure(&arguments))
}

fn measure(arguments: &Arguments) -> anyhow::Result<()> {
    let mut out = std::io::stdout();
    writeln!(out, "{} threads", rayon::current_num_threads())?;
    let mut sizes = vec![arguments.furnaces];
    while let Some(last) = sizes.last()
        && last / 10 >= 1_000
    {
        sizes.push(last / 10);
    }
    sizes.reverse();
    let mut all = Vec::new();
    let truth = truth();
    for furnaces in sizes {
        let size = Size {
            furnaces,
            readings: arguments.readings,
            batches: arguments.batches.max(1),
            setpoints: arguments.setpoints,
        };
        let network = network::drawn(size, &truth, arguments.seed);
        let drawn_kib = memory_kib("VmRSS:")?;
        let measured = one_size(&network, arguments.rounds.max(1))?;
        writeln!(
            out,
            "{furnaces} furnaces at {} sites, {} readings: refit {:.3} s ({:.0} ns a reading; \
             processors worked {:.2} s), of it sums over sites {:.3} s and {} batches {:.2} ms; \
             present offsets {:.3} s more; records {} MiB, peak {} MiB; taken up again for single \
             readings in {:.3} s, peak {} MiB",
            network.sites.len(),
            measured.readings,
            measured.refit.as_secs_f64(),
            per_reading_ns(measured.refit, measured.readings),
            measured.worked.as_secs_f64(),
            measured.summed.as_secs_f64(),
            size.batches,
            1e3 * measured.solved.as_secs_f64(),
            measured.offsets.as_secs_f64(),
            drawn_kib / 1024,
            measured.peak_kib / 1024,
            measured.restored.as_secs_f64(),
            memory_kib("VmHWM:")? / 1024,
        )?;
        all.push(measured);
        if arguments.store && furnaces == arguments.furnaces {
            let from_store = store::measured(&network, arguments.rounds.clamp(1, 3))?;
            let seconds: Vec<String> = from_store
                .fits
                .iter()
                .map(|fit| format!("{:.2} s", fit.as_secs_f64()))
                .collect();
            writeln!(
                out,
                "from a database of {} MiB (made in {:.0} s): {} readings fitted in {}; peak {} MiB",
                from_store.bytes >> 20,
                from_store.made.as_secs_f64(),
                from_store.readings,
                seconds.join(", "),
                memory_kib("VmHWM:")? / 1024,
            )?;
        }
        if arguments.learn && furnaces == arguments.furnaces {
            writeln!(out, "{}", learning(&network, &truth)?)?;
        }
    }
    if all.len() > 1 {
        writeln!(
            out,
            "time grows as readings to the power {:.3} (sums over sites alone {:.3})",
            exponent(&all, |measured| measured.refit),
            exponent(&all, |measured| measured.summed),
        )?;
    }
    Ok(())
}

/// What networks are drawn from: not quite what the search begins with.
fn truth() -> Components {
    Components {
        wander_c2_per_week: 0.6,
        slope_sd_c_per_week: 0.15,
        event_scale: 0.9,
        noise_scale: 1.1,
        batch_scale: 1.2,
        gauge_scale: 0.8,
        ..Components::default()
    }
}

fn learning(network: &InventedNetwork, truth: &Components) -> anyhow::Result<String> {
    let start = Instant::now();
    let learnt = learnt(
        &network.sites,
        &network.globals,
        &Components::default(),
        &Plan::default(),
    )?;
    let mut text = format!(
        "learnt in {:.2} s from {} readings of {} sites, {} evaluations, {}:",
        start.elapsed().as_secs_f64(),
        learnt.readings,
        learnt.sites,
        learnt.evaluations,
        if learnt.converged {
            "converged"
        } else {
            "NOT converged"
        },
    );
    for quantity in &learnt.quantities {
        let expected = quantity.quantity.value(truth).unwrap_or(f64::NAN);
        let error = quantity.log_standard_error.unwrap_or(f64::NAN);
        write!(
            text,
            " {:?} {:.4} (drawn from {expected}, {:+.2} standard errors of {:.1} %);",
            quantity.quantity,
            quantity.value,
            (quantity.value / expected).ln() / error,
            100.0 * error,
        )?;
    }
    Ok(text)
}

fn one_size(network: &InventedNetwork, rounds: usize) -> anyhow::Result<Measured> {
    let components = Components::default();
    let (sites, globals) = (&network.sites, &network.globals);
    let mut times = [const { Vec::new() }; 5];
    let mut worked = Vec::new();
    let mut peak_kib = 0;
    for _ in 0..rounds {
        let start = Instant::now();
        let sums = bulk::contributions(sites, globals, &components);
        times[0].push(start.elapsed());
        let start = Instant::now();
        sums.solved()?;
        times[1].push(start.elapsed());
        let before = processor_time()?;
        let start = Instant::now();
        let refit = bulk::refit(sites, globals, &components)?;
        times[2].push(start.elapsed());
        worked.push(processor_time()?.saturating_sub(before));
        let start = Instant::now();
        let offsets = bulk::offsets(sites, globals, &components, &refit);
        times[3].push(start.elapsed());
        anyhow::ensure!(offsets.len() == sites.len(), "a site without offsets");
        drop((refit, offsets));
        if peak_kib == 0 {
            peak_kib = memory_kib("VmHWM:")?;
        }
        let start = Instant::now();
        let online = Online::restored(sites, globals, &components)?;
        times[4].push(start.elapsed());
        drop(online);
    }
    let [summed, solved, refit, offsets, restored] = times.map(median);
    Ok(Measured {
        readings: network.readings(),
        refit,
        worked: median(worked),
        summed,
        solved,
        offsets,
        restored,
        peak_kib,
    })
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times.get(times.len() / 2).copied().unwrap_or_default()
}

#[expect(clippy::cast_precision_loss, reason = "a count of readings")]
fn per_reading_ns(time: Duration, readings: usize) -> f64 {
    1e9 * time.as_secs_f64() / readings.max(1) as f64
}

/// Slope of the straight line through the logarithms of readings and times.
#[expect(clippy::cast_precision_loss, reason = "a count of readings")]
fn exponent(all: &[Measured], time: fn(&Measured) -> Duration) -> f64 {
    let count = all.len() as f64;
    let (mut x, mut y) = (0.0, 0.0);
    for measured in all {
        x += (measured.readings as f64).ln() / count;
        y += time(measured).as_secs_f64().ln() / count;
    }
    let (mut above, mut below) = (0.0, 0.0);
    for measured in all {
        let from_centre = (measured.readings as f64).ln() - x;
        above += from_centre * (time(measured).as_secs_f64().ln() - y);
        below += from_centre * from_centre;
    }
    above / below
}

/// What the system says of this process's memory, KiB.
fn memory_kib(field: &str) -> anyhow::Result<u64> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    for line in status.lines() {
        if let Some(rest) = line.strip_prefix(field) {
            let number = rest.split_whitespace().next().context("no figure")?;
            return Ok(number.parse()?);
        }
    }
    anyhow::bail!("the system does not tell {field}")
}

/// Time that processors worked for this process so far, to a hundredth of a second.
fn processor_time() -> anyhow::Result<Duration> {
    let status = std::fs::read_to_string("/proc/self/stat")?;
    let (_, fields) = status.rsplit_once(')').context("no figures")?;
    let mut hundredths = 0_u64;
    for field in fields.split_whitespace().skip(11).take(2) {
        hundredths += field.parse::<u64>()?;
    }
    Ok(Duration::from_millis(10 * hundredths))
}
