//! What a backtest found: as a table for people and as JSON for programs.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use ringtrue_fleet::backtest::{Comparison, Outcome, Report, Rule, SETTLING_WEEKS};
use serde_json::{Value, json};

/// From this part of the judge's uncertainty on, °C, the gauges are what to look at next: it is what a check
/// on a reference block leaves of a caliper (an assumption of this program).
const LARGE_SHARED_C: f64 = 1.5;

/// A rule as people call it.
fn name(rule: Rule) -> &'static str {
    match rule {
        Rule::Plain => "1 every reading compensated in full",
        Rule::PlainBeyond5 => "2 the same, only errors beyond 5 °C",
        Rule::PlainBeyond10 => "3 the same, only errors beyond 10 °C",
        Rule::Alone => "4 each furnace by its own readings",
        Rule::Fleet => "5 all readings of the network together",
        Rule::FleetBeyondBand => "6 the same, only beyond the site's band",
        Rule::Confirmed => "7 setpoints as they were confirmed",
    }
}

fn day(at: Timestamp) -> String {
    at.to_zoned_datetime(TimeZone::UTC).date().to_string()
}

/// The report in words: a table with units, what it can and cannot show, and what to do next.
pub fn words(report: &Report, components_at: Option<Timestamp>) -> String {
    let mut text = String::new();
    write_words(&mut text, report, components_at).expect("a text takes what is written");
    text
}

fn write_words(
    out: &mut String,
    report: &Report,
    components_at: Option<Timestamp>,
) -> std::fmt::Result {
    let mut about = format!(
        "{} readings gone through; setpoints judged at {} of them, of {} and {}",
        report.readings,
        report.judged,
        counted(report.furnaces, "furnace"),
        counted(report.sites, "site")
    );
    if let Some((first, last)) = report.between {
        write!(about, ", fired {} to {}", day(first), day(last))?;
    }
    write!(
        about,
        ". The first {SETTLING_WEEKS:.0} weeks of each furnace are not judged."
    )?;
    writeln!(out, "{}\n", wrapped(&about))?;
    writeln!(
        out,
        "{:<40} {:>9} {:>9} {:>9} {:>9} {:>9} {:>11} {:>9}",
        "Rule", "RMS", "true RMS", "95 % of", "within", "truly", "changes", "better:"
    )?;
    writeln!(
        out,
        "{:<40} {:>9} {:>9} {:>9} {:>9} {:>9} {:>11} {:>9}",
        "", "error", "expected", "errors", "tolerance", "expected", "a furnace", "worse"
    )?;
    writeln!(
        out,
        "{:<40} {:>9} {:>9} {:>9} {:>9} {:>9} {:>11} {:>9}",
        "", "°C", "°C", "≤ °C", "%", "%", "and year", "furnaces"
    )?;
    for outcome in &report.outcomes {
        row(out, name(outcome.rule), outcome)?;
    }
    if let Some(beside) = &report.beside_confirmed {
        row(out, "6 at the readings of rule 7 alone", beside)?;
    }
    writeln!(out, "\n{}", wrapped(&what_it_shows(report)))?;
    let limits = what_it_cannot_show(report, components_at);
    writeln!(out, "\n{}", wrapped(&limits))?;
    writeln!(out, "\n{}", wrapped(&next(report)))
}

fn counted(count: u32, what: &str) -> String {
    if count == 1 {
        format!("1 {what}")
    } else {
        format!("{count} {what}s")
    }
}

/// Longest line of running text, characters: as wide as the table.
const LINE: usize = 113;

/// Breaks running text into lines.
fn wrapped(text: &str) -> String {
    let mut lines = String::with_capacity(text.len());
    let mut used = 0;
    for word in text.split(' ') {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > LINE {
            lines.push('\n');
            used = 0;
        } else if used > 0 {
            lines.push(' ');
            used += 1;
        }
        lines.push_str(word);
        used += length;
    }
    lines
}

fn row(out: &mut String, name: &str, outcome: &Outcome) -> std::fmt::Result {
    writeln!(
        out,
        "{:<40} {:>9.2} {:>9.2} {:>9.1} {:>9.1} {:>9.1} {:>11.1} {:>9}",
        name,
        outcome.rms_c,
        outcome.expected_rms_c,
        outcome.percentile_95_c,
        100.0 * outcome.share_within,
        100.0 * outcome.expected_share_within,
        outcome.changes_per_year,
        format!("{}:{}", outcome.better_furnaces, outcome.worse_furnaces)
    )
}

fn what_it_shows(report: &Report) -> String {
    format!(
        "What this shows. Each rule knew only what was known at the time; the setpoint it left is judged at the \
         furnace's next reading. An error is setpoint + offset - target, the offset being what all readings \
         together show, later ones included. That judge has a standard uncertainty of {:.1} °C of its own; the \
         columns \"expected\" add it. The last column counts furnaces with a smaller and with a larger RMS \
         error than rule 1.",
        report.judge_c
    )
}

fn what_it_cannot_show(report: &Report, components_at: Option<Timestamp>) -> String {
    let wander = match components_at {
        Some(at) => format!(
            "How much furnaces wander was learnt on {} from the same history, of which the rules then knew \
             only a part.",
            day(at)
        ),
        None => "How much furnaces wander is assumed, not learnt from this history.".to_owned(),
    };
    format!(
        "What it cannot show. Nobody knows the true temperatures, and the judge has seen the future. {:.1} °C \
         of its uncertainty is an error that readings of one gauge, batch or hold share and that nothing on \
         record shows: it is in the judge as well as in the rules. The judge takes furnaces to wander and \
         drift as rules 4 to 6 do; where that is wrong, it favours them. {wander} Questions, second firings \
         and limits of a single step are not gone through again.",
        report.judge_shared_c
    )
}

/// One sentence on what to do.
fn next(report: &Report) -> String {
    let compared = report
        .outcome(Rule::FleetBeyondBand)
        .map(Outcome::beside_plain);
    let mut text = match compared {
        Some(Comparison::Better) => {
            "Next: leave full compensation off in the sites' rules, since the network's readings together did \
             better in clearly more furnaces"
        }
        Some(Comparison::Worse) => {
            "Next: look at the open findings for events that nobody recorded and then run `refit`; until rule 6 \
             does better here, full compensation in the sites' rules is the safer choice"
        }
        _ => {
            "Next: keep the rules that the sites have, since too few furnaces differ to choose, and run this \
             again in three months"
        }
    }
    .to_owned();
    if report.judge_shared_c > LARGE_SHARED_C {
        text.push_str(
            "; and have every gauge checked on a reference block, which is what narrows the judge most",
        );
    }
    text.push('.');
    text
}

/// The report for programs.
pub fn document(report: &Report, components_at: Option<Timestamp>) -> Value {
    let rules: Vec<Value> = report.outcomes.iter().map(outcome_document).collect();
    json!({
        "readings": report.readings,
        "judged": report.judged,
        "furnaces": report.furnaces,
        "sites": report.sites,
        "first_judged_time": report.between.map(|(first, _)| first.to_string()),
        "last_judged_time": report.between.map(|(_, last)| last.to_string()),
        "settling_weeks": SETTLING_WEEKS,
        "components_time": components_at.map(|at| at.to_string()),
        "judge_standard_uncertainty_c": report.judge_c,
        "judge_shared_standard_uncertainty_c": report.judge_shared_c,
        "rules": rules,
        "fleet_beside_confirmed": report.beside_confirmed.as_ref().map(outcome_document),
    })
}

fn outcome_document(outcome: &Outcome) -> Value {
    let beside_plain = match outcome.beside_plain() {
        Comparison::Better => "better",
        Comparison::Worse => "worse",
        Comparison::Unclear => "unclear",
    };
    json!({
        "rule": outcome.rule.code(),
        "judged": outcome.judged,
        "rms_c": outcome.rms_c,
        "expected_rms_c": outcome.expected_rms_c,
        "percentile_95_c": outcome.percentile_95_c,
        "share_within_tolerance": outcome.share_within,
        "expected_share_within_tolerance": outcome.expected_share_within,
        "changes_per_furnace_year": outcome.changes_per_year,
        "furnaces_better_than_plain": outcome.better_furnaces,
        "furnaces_worse_than_plain": outcome.worse_furnaces,
        "beside_plain": beside_plain,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome(rule: Rule, rms_c: f64, better: u32, worse: u32) -> Outcome {
        Outcome {
            rule,
            judged: 400,
            rms_c,
            expected_rms_c: rms_c + 0.5,
            percentile_95_c: 2.0 * rms_c,
            share_within: 0.973,
            expected_share_within: 0.96,
            changes_per_year: 12.3,
            better_furnaces: better,
            worse_furnaces: worse,
        }
    }

    fn report(better: u32, worse: u32) -> Report {
        let at = |text: &str| -> Timestamp { text.parse().expect("a moment") };
        let fleet = outcome(Rule::FleetBeyondBand, 2.58, better, worse);
        Report {
            readings: 900,
            judged: 400,
            furnaces: better + worse,
            sites: 4,
            between: Some((at("2026-02-03T10:00:00Z"), at("2026-11-20T10:00:00Z"))),
            judge_c: 2.4,
            judge_shared_c: 1.9,
            outcomes: vec![outcome(Rule::Plain, 4.63, 0, 0), fleet],
            beside_confirmed: Some(fleet),
        }
    }

    #[test]
    fn people_get_units_limits_and_what_to_do_next() {
        // Lines are broken where they are full, which is not what is tested here.
        let text = words(&report(30, 6), None);
        let flowing = text.replace('\n', " ");
        for part in [
            "setpoints judged at 400 of them, of 36 furnaces and 4 sites, fired 2026-02-03 to 2026-11-20.",
            "first 12 weeks",
            "1 every reading compensated in full           4.63      5.13",
            "97.3",
            "30:6",
            "6 at the readings of rule 7 alone",
            "standard uncertainty of 2.4 °C",
            "the judge has seen the future. 1.9 °C",
            "is assumed, not learnt",
        ] {
            assert!(flowing.contains(part), "{part} is not in:\n{text}");
        }
        for line in text.lines() {
            assert!(line.chars().count() <= LINE, "{line}");
        }
        let last = next(&report(30, 6));
        assert!(flowing.trim_end().ends_with(&last), "{text}");
        assert!(
            last.starts_with("Next: leave full compensation off"),
            "{last}"
        );
        assert!(last.ends_with("narrows the judge most."), "{last}");
    }

    #[test]
    fn what_to_do_next_follows_from_how_the_furnaces_compare() {
        assert!(next(&report(6, 30)).starts_with("Next: look at the open findings"));
        assert!(next(&report(10, 8)).starts_with("Next: keep the rules"));
        let mut checked = report(10, 8);
        checked.judge_shared_c = 0.8;
        assert!(!next(&checked).contains("reference block"));
    }

    #[test]
    fn programs_get_every_figure_with_its_unit() {
        let at = "2026-11-20T10:00:00Z".parse().expect("a moment");
        let document = document(&report(30, 6), Some(at));
        assert_eq!(document["rules"][0]["rule"], "plain");
        assert_eq!(document["rules"][1]["beside_plain"], "better");
        assert_eq!(document["rules"][1]["rms_c"], 2.58);
        assert_eq!(document["judge_standard_uncertainty_c"], 2.4);
        assert_eq!(document["components_time"], "2026-11-20T10:00:00Z");
        assert_eq!(document["fleet_beside_confirmed"]["judged"], 400);
    }
}
