//! Latency over percentile: the axis of percentiles is logarithmic in what is left to 100 %, so that rare slow calls have
//! as much room as common ones.

use super::report::Report;
use crate::drawing::{Axis, Panel, Series, svg};

/// Latencies below this are drawn at the lower edge, ms.
const LEAST_MS: f64 = 0.01;

/// Draws a line for each step.
pub(crate) fn latencies(report: &Report) -> anyhow::Result<String> {
    let mut series = Vec::with_capacity(report.steps.len());
    let (mut most_one_in, mut least_ms, mut most_ms) = (10.0_f64, f64::INFINITY, LEAST_MS);
    for step in &report.steps {
        let mut points = Vec::new();
        for (one_in, ms) in step.all().good.curve() {
            let ms = ms.max(LEAST_MS);
            most_one_in = most_one_in.max(one_in);
            least_ms = least_ms.min(ms);
            most_ms = most_ms.max(ms);
            points.push((one_in.log10(), ms.log10()));
        }
        let bad = step.all().bad();
        let errors = match bad {
            0 => String::new(),
            1 => ", 1 error".to_owned(),
            more => format!(", {more} errors"),
        };
        series.push(Series {
            name: format!("{} /s{errors}", step.rate_per_s),
            points,
        });
    }
    let panel = Panel {
        height: 500,
        across: percentiles(most_one_in),
        up: milliseconds(least_ms.min(most_ms), most_ms),
        series,
    };
    svg(&format!("Latency: {}", report.about), &[panel])
}

fn percentiles(most_one_in: f64) -> Axis {
    let mut ticks = vec![(0.0, "0".to_owned()), (2.0_f64.log10(), "50".to_owned())];
    let mut nines = 1_u32;
    while f64::from(nines) <= most_one_in.log10() {
        let label = match nines {
            1 => "90".to_owned(),
            2 => "99".to_owned(),
            more => format!("99.{}", "9".repeat(usize::try_from(more).unwrap_or(2) - 2)),
        };
        ticks.push((f64::from(nines), label));
        nines += 1;
    }
    Axis {
        label: "percentile of calls answered well / %".to_owned(),
        low: 0.0,
        high: most_one_in.log10(),
        ticks,
    }
}

fn milliseconds(least: f64, most: f64) -> Axis {
    let mut ticks = Vec::new();
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (value, label) in [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0]
        .into_iter()
        .chain([10.0, 20.0, 50.0, 100.0, 200.0, 500.0])
        .chain([1e3, 2e3, 5e3, 1e4, 2e4, 5e4, 1e5, 2e5, 5e5, 1e6])
        .map(|value: f64| (value, format!("{value}")))
    {
        let is_between = (least / 2.6..=most * 2.6).contains(&value);
        if is_between {
            ticks.push((value.log10(), label));
            low = low.min(value.log10());
            high = high.max(value.log10());
        }
    }
    Axis {
        label: "latency from the intended start / ms".to_owned(),
        low: low.min(least.log10()),
        high: high.max(most.log10()),
        ticks,
    }
}
