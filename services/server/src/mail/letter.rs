//! What a mail says: about one alert, or all that is new or late in one.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use ringtrue_calibration::decision::Advice;
use ringtrue_fleet::alert::{AlertKind, Level, Stage};
use ringtrue_fleet::caution;
use ringtrue_fleet::task::TaskKind;
use ringtrue_store::NamedAlert;

use super::html::Html;
use super::{hour, long_day, place, short_day, thing};

/// Most alerts that a digest tells one by one.
const MOST_IN_DIGEST: usize = 100;

/// The words of a mail.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Content {
    /// Its subject line.
    pub subject: String,
    /// As plain text.
    pub text: String,
    /// The same as HTML.
    pub html: String,
}

/// How a recipient ends the mail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending<'a> {
    /// By a link.
    Link(&'a str),
    /// By asking for the subscription of this name to be deleted.
    Ask(&'a str),
}

/// Writes about one alert.
pub fn letter(matter: &NamedAlert, ending: Ending<'_>) -> Content {
    let alert = &matter.alert;
    let subject = format!("[{}] {}", place(matter), headline(matter));
    let mut facts = vec![("Next", alert.next_step.clone())];
    if let Some(day) = alert.due_on {
        facts.push(("Due", long_day(day)));
    }
    facts.push(("Where", format!("{}, {}", place(matter), thing(matter))));
    facts.push(("Raised", hour(matter, alert.raised_at)));
    facts.push(("For", addressed(alert.level).to_owned()));
    facts.retain(|(_, words)| !words.is_empty());
    let cautions = cautions(matter);
    let command = format!("ringtrue alert ack {}", alert.id);
    let seen = "To say that you have seen it:";

    let mut text = format!("{}\n\n", alert.statement);
    for (label, words) in &facts {
        writeln!(text, "{label}: {words}").expect("writing to a string cannot fail");
    }
    text.push('\n');
    for caution in &cautions {
        writeln!(text, "- {caution}").expect("writing to a string cannot fail");
    }
    write!(text, "\n{seen}\n  {command}\n").expect("writing to a string cannot fail");

    let mut html = Html::page(&subject);
    html.heading(1, &headline(matter));
    html.paragraph(&alert.statement);
    for (label, words) in &facts {
        html.labelled(label, words);
    }
    html.list(&cautions);
    html.command(seen, &command);
    closed(subject, text, html, ending)
}

/// Writes about all that is new or late: by site, and there the most pressing first.
pub fn digest(matters: &[NamedAlert], ending: Ending<'_>) -> Content {
    let late = matters.iter().filter(|matter| is_late(matter)).count();
    let places: std::collections::BTreeSet<&str> = matters.iter().map(place).collect();
    let over = match places.first() {
        Some(place) if places.len() == 1 => (*place).to_owned(),
        _ => format!("{} sites", places.len()),
    };
    let subject = format!("[{over}] {late} overdue, {} more", matters.len() - late);

    let mut groups: BTreeMap<(&str, std::cmp::Reverse<Stage>), Vec<&NamedAlert>> = BTreeMap::new();
    for matter in matters.iter().take(MOST_IN_DIGEST) {
        let stage = std::cmp::Reverse(matter.alert.stage);
        groups
            .entry((place(matter), stage))
            .or_default()
            .push(matter);
    }
    let mut text = String::new();
    let mut html = Html::page(&subject);
    html.heading(1, &subject);
    let mut last_site = "";
    for ((site, stage), matters) in groups {
        if site != last_site {
            write!(text, "{site}\n{}\n\n", "=".repeat(site.chars().count()))
                .expect("writing to a string cannot fail");
            html.heading(2, site);
            last_site = site;
        }
        let stage = heading(stage.0);
        write!(text, "{stage}\n\n").expect("writing to a string cannot fail");
        html.heading(3, stage);
        let mut items = Vec::with_capacity(matters.len());
        for matter in matters {
            let item = line(matter);
            write!(text, "- {item}\n\n").expect("writing to a string cannot fail");
            items.push(item);
        }
        html.list(&items);
    }
    let left_out = matters.len().saturating_sub(MOST_IN_DIGEST);
    if left_out > 0 {
        let words = format!("And {left_out} more: see `ringtrue alert list`.");
        write!(text, "{words}\n\n").expect("writing to a string cannot fail");
        html.paragraph(&words);
    }
    let cautions = vec![caution::DEFERENCE.to_owned()];
    writeln!(text, "- {}", cautions[0]).expect("writing to a string cannot fail");
    html.list(&cautions);
    let seen = "To say that you have seen one of them:";
    let command = "ringtrue alert ack ALERT";
    write!(text, "\n{seen}\n  {command}\n").expect("writing to a string cannot fail");
    html.command(seen, command);
    closed(subject, text, html, ending)
}

/// Ends both forms of a mail with how to end the mail itself.
fn closed(subject: String, mut text: String, mut html: Html, ending: Ending<'_>) -> Content {
    match ending {
        Ending::Link(url) => {
            let words = "End this mail";
            write!(text, "\n-- \n{words}: {url}\n").expect("writing to a string cannot fail");
            html.link(words, url);
        }
        Ending::Ask(name) => {
            let words = format!(
                "To end this mail, ask whoever looks after Ringtrue at your network to delete {name}."
            );
            write!(text, "\n-- \n{words}\n").expect("writing to a string cannot fail");
            html.paragraph(&words);
        }
    }
    Content {
        subject,
        text,
        html: html.done(),
    }
}

/// An alert in one line: what, what next, by when, and its id.
fn line(matter: &NamedAlert) -> String {
    let alert = &matter.alert;
    let mut line = format!("{}: {}", thing(matter), alert.statement);
    if !alert.next_step.is_empty() {
        write!(line, " {}", alert.next_step).expect("writing to a string cannot fail");
    }
    if let Some(day) = alert.due_on {
        write!(line, " Due {}.", long_day(day)).expect("writing to a string cannot fail");
    }
    write!(line, " [{}]", alert.id).expect("writing to a string cannot fail");
    line
}

/// An alert in the few words of a subject line.
fn headline(matter: &NamedAlert) -> String {
    let alert = &matter.alert;
    let what = matter_words(matter);
    let when = match (alert.stage, alert.due_on) {
        (_, None) => String::new(),
        (Stage::Soon | Stage::Due, Some(day)) => format!(" due {}", short_day(day)),
        (Stage::Overdue, Some(day)) => format!(" overdue since {}", short_day(day)),
        (Stage::Lapsed, Some(day)) => {
            format!(" overdue since {}, grace used up", short_day(day))
        }
    };
    format!("{}: {what}{when}", thing(matter))
}

fn matter_words(matter: &NamedAlert) -> &'static str {
    match matter.alert.kind {
        AlertKind::CalibrationDue => "calibration",
        AlertKind::RingWaiting => "measuring the fired ring",
        AlertKind::SetpointWaiting => "entering the advised setpoint",
        AlertKind::VerificationWaiting => "verification of the new setpoint",
        AlertKind::CareDue => task_of(matter).map_or("care", TaskKind::words),
        AlertKind::GaugeCheckDue => "gauge check",
        AlertKind::RingStock => "test rings",
        AlertKind::OutOfTolerance => "outside tolerance",
        AlertKind::Finding => "finding",
        AlertKind::SiteSilent => "no records for long",
        AlertKind::DeliveryFailing => "mail does not get through",
        AlertKind::CredentialEnds => "a credential ends",
    }
}

/// The care task that an alert is about, by its words: alerts name their task in nothing else.
fn task_of(matter: &NamedAlert) -> Option<TaskKind> {
    let alert = &matter.alert;
    let statement = alert.statement.to_lowercase();
    TaskKind::OF_FURNACES
        .into_iter()
        .filter(|task| *task != TaskKind::Calibration)
        .find(|task| alert.cause.contains(task.word()) || statement.contains(task.words()))
}

fn cautions(matter: &NamedAlert) -> Vec<String> {
    match matter.alert.kind {
        AlertKind::CalibrationDue | AlertKind::RingWaiting | AlertKind::VerificationWaiting => {
            TaskKind::Calibration.cautions()
        }
        AlertKind::SetpointWaiting => caution::after(Some(Advice::Adjust), true),
        AlertKind::OutOfTolerance => caution::after(Some(Advice::FireAgain), false),
        AlertKind::CareDue => match task_of(matter) {
            Some(task) => task.cautions(),
            // Not known which: those that forbid the most.
            None => TaskKind::PurgeFiring.cautions(),
        },
        AlertKind::GaugeCheckDue
        | AlertKind::RingStock
        | AlertKind::Finding
        | AlertKind::SiteSilent
        | AlertKind::DeliveryFailing
        | AlertKind::CredentialEnds => vec![caution::DEFERENCE.to_owned()],
    }
}

fn is_late(matter: &NamedAlert) -> bool {
    matter.alert.stage >= Stage::Overdue
}

fn heading(stage: Stage) -> &'static str {
    match stage {
        Stage::Soon => "Soon",
        Stage::Due => "Due",
        Stage::Overdue => "Overdue",
        Stage::Lapsed => "Grace is used up",
    }
}

fn addressed(level: Level) -> &'static str {
    match level {
        Level::Technician => "technicians",
        Level::Manager => "technicians and the manager",
        Level::Quality => "technicians, the manager and quality control",
    }
}

#[cfg(test)]
mod tests;
