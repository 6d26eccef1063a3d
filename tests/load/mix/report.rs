//! What was measured, as a table for people and as JSON for programs.

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::operations::names;
use super::percentiles::{Latencies, whole};
use super::step::Measured;
use super::tally::Answers;
use super::watchers::Watched;

/// Percentiles that are told, as shares and names.
const SHARES: [(f64, &str); 4] = [(0.5, "p50"), (0.9, "p90"), (0.99, "p99"), (0.999, "p99.9")];

/// A whole run.
#[derive(Debug)]
pub(crate) struct Report {
    /// What was measured, in words.
    pub(crate) about: String,
    pub(crate) servers: usize,
    pub(crate) steps: Vec<Measured>,
    pub(crate) watched: Watched,
}

/// The rows of a table: each operation that was asked for, and all together.
fn rows(measured: &[Measured]) -> Vec<(&'static str, Answers)> {
    let mut rows = Vec::new();
    let mut all = Answers::none();
    for (place, name) in names().into_iter().enumerate() {
        let mut answers = Answers::none();
        for step in measured {
            answers.add(&step.answers[place]);
        }
        all.add(&answers);
        if answers.asked() > 0 {
            rows.push((name, answers));
        }
    }
    rows.push(("all", all));
    rows
}

impl Report {
    /// The tables of all steps, and of all together where there are several.
    pub(crate) fn table(&self) -> String {
        let mut text = format!("{}\n", self.about);
        if cfg!(debug_assertions) {
            text.push_str("a debug build: these figures say nothing about speed\n");
        }
        for (number, step) in self.steps.iter().enumerate() {
            let title = format!(
                "step {} of {}: {} requests a second for {:.0} s{}",
                number + 1,
                self.steps.len(),
                step.rate_per_s,
                step.counted.as_secs_f64(),
                if step.ended_early {
                    ", ended early"
                } else {
                    ""
                }
            );
            write_table(&mut text, &title, std::slice::from_ref(step));
        }
        if self.steps.len() > 1 {
            write_table(&mut text, "all steps", &self.steps);
        }
        let Watched {
            streams,
            changes,
            broken,
        } = self.watched;
        let _written = writeln!(
            text,
            "\n{streams} streams of alerts were open; they heard {changes} changes, and {broken} were ended by a server"
        );
        text
    }

    /// The same for programs; latencies in ms.
    pub(crate) fn json(&self) -> Value {
        let steps: Vec<Value> = self.steps.iter().map(step_json).collect();
        json!({
            "about": self.about,
            "debug_build": cfg!(debug_assertions),
            "servers": self.servers,
            "steps": steps,
            "total": operations_json(&self.steps),
            "streams": {
                "opened": self.watched.streams,
                "changes": self.watched.changes,
                "ended_by_server": self.watched.broken,
            },
        })
    }
}

/// Writes one table.
fn write_table(text: &mut String, title: &str, steps: &[Measured]) {
    let _written = writeln!(
        text,
        "\n{title}\n  {:<11} {:>8} {:>9} {:>7} {:>9} {:>9} {:>9} {:>9} {:>9} ms",
        "", "offered", "completed", "errors", "p50", "p90", "p99", "p99.9", "max"
    );
    let rows = rows(steps);
    for (name, answers) in &rows {
        let _written = write!(
            text,
            "  {name:<11} {:>8} {:>9} {:>7}",
            answers.asked(),
            answers.good.count(),
            answers.bad()
        );
        for ms in figures(&answers.good) {
            match ms {
                Some(ms) => drop(write!(text, " {ms:>9.2}")),
                None => drop(write!(text, " {:>9}", "-")),
            }
        }
        text.push('\n');
    }
    for (number, step) in (1..).zip(steps) {
        if steps.len() > 1 {
            let _written = write!(text, "  step {number}:");
        }
        let _written = writeln!(
            text,
            "  offered {:.1} /s, answered well {:.1} /s; at most {} under way; sent late by {:.2} ms at p99",
            step.asked_per_s(),
            step.reached_per_s(),
            step.most_in_flight,
            step.sent_late.at_ms(0.99)
        );
    }
    for (name, answers) in &rows {
        for (reason, count) in &answers.errors {
            let _written = writeln!(text, "  {name}: {count} {reason}");
        }
    }
}

fn step_json(step: &Measured) -> Value {
    let curve: Vec<Value> = step
        .all()
        .good
        .curve()
        .into_iter()
        .map(|(one_in, ms)| json!([1.0 - 1.0 / one_in, ms]))
        .collect();
    json!({
        "rate_per_s": step.rate_per_s,
        "seconds": step.counted.as_secs_f64(),
        "ended_early": step.ended_early,
        "offered_per_s": step.asked_per_s(),
        "completed_per_s": step.reached_per_s(),
        "most_in_flight": step.most_in_flight,
        "sent_late_p99_ms": step.sent_late.at_ms(0.99),
        "operations": operations_json(std::slice::from_ref(step)),
        "curve": curve,
    })
}

/// Each operation's figures by its name, and those of all under `all`.
fn operations_json(steps: &[Measured]) -> Value {
    let mut object = serde_json::Map::new();
    for (name, answers) in rows(steps) {
        let mut latency = serde_json::Map::new();
        let labels = SHARES.iter().map(|(_, label)| *label).chain(["max"]);
        for (label, ms) in labels.zip(figures(&answers.good)) {
            latency.insert(label.to_owned(), json!(ms));
        }
        let figures = json!({
            "offered": answers.asked(),
            "completed": answers.good.count(),
            "errors": answers.errors,
            "latency_ms": latency,
        });
        object.insert(name.to_owned(), figures);
    }
    Value::Object(object)
}

/// The percentiles and the longest, ms; none without a good answer.
fn figures(good: &Latencies) -> [Option<f64>; SHARES.len() + 1] {
    if whole(good.count()) < 1.0 {
        return [None; SHARES.len() + 1];
    }
    let mut figures = [Some(good.max_ms()); SHARES.len() + 1];
    for (figure, (share, _)) in figures.iter_mut().zip(SHARES) {
        *figure = Some(good.at_ms(share));
    }
    figures
}
