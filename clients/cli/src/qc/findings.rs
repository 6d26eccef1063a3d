//! `ringtrue qc findings` and `ringtrue qc finding`: what the readings show, and what was done about it.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    AcknowledgeFindingRequest, Evidence, Finding, GetFindingRequest, ListFindingsRequest,
    ListFindingsResponse, ResolveFindingRequest,
};

use super::{Note, Wanted, parent};
use crate::failure::Stop;
use crate::names::FURNACE;
use crate::quantity::{brief, per_cent};
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{moment, names, output, words};

const HEADINGS: [&str; 5] = ["about", "likely", "state", "finding", "id"];

/// Most readings that a finding is shown with.
const MOST_NAMED: usize = 5;

/// Lists findings.
pub(super) async fn list(ask: Wanted, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let mut parent = parent(&ask.reach, session)?;
    let is_narrowed = ask.state.is_some() || ask.kind.is_some() || ask.subject.is_some();
    let subject = match ask.subject {
        Some(text) => subject(&text, session).await?,
        None => String::new(),
    };
    // What is named in full may be of another site than the one usually meant, or of none.
    if !subject.is_empty() {
        parent = if subject.starts_with("sites/") {
            names::site_of(&subject).to_owned()
        } else {
            "sites/-".to_owned()
        };
    }
    let template = ListFindingsRequest {
        parent,
        state: ask.state.unwrap_or_default().into(),
        kind: ask.kind.unwrap_or_default().into(),
        subject,
        ..ListFindingsRequest::default()
    };
    let remote = session.remote.clone();
    let pages = gathered(ask.limit.limit, async |page_size, page_token| {
        let ask = ListFindingsRequest {
            page_size,
            page_token,
            ..template.clone()
        };
        let page = remote.findings(ask).await?;
        Ok((page.findings, page.next_page_token))
    });
    let (findings, next_page_token) = pages.await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListFindingsResponse {
            findings,
            next_page_token,
        };
        return session.show_json("ListFindingsResponse", &whole);
    }
    if findings.is_empty() {
        return session.say(if is_narrowed {
            "No finding is like that. Leave --state, --kind or --subject out to see more."
        } else {
            "No findings are open. Those resolved are in `ringtrue qc findings --state resolved`; \
             `ringtrue qc furnaces` shows where every furnace stands."
        });
    }
    shown_list("findings", &HEADINGS, &rows(&findings), more, session)?;
    session.say("`ringtrue qc finding show ID` says what to do next.")
}

/// Gives the full name of what findings are about: a furnace when the text is short.
async fn subject(text: &str, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    if text.starts_with("sites/") || text.starts_with("ringBatches/") {
        return Ok(text.to_owned());
    }
    session.named(text, FURNACE).await
}

fn rows(findings: &[Finding]) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for finding in findings {
        rows.push(vec![
            names::with_site(&finding.subject),
            likely(finding.probability),
            words::word(words::FINDING_STATES, finding.state()).to_owned(),
            finding.statement.clone(),
            names::id(&finding.name).to_owned(),
        ]);
    }
    rows
}

/// Shows one finding.
pub(super) async fn show(text: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let name = names::finding(text).map_err(Stop::Usage)?;
    let answer = session.remote.finding(GetFindingRequest { name }).await?;
    let finding = answer.finding.unwrap_or_default();
    shown(&finding, "", session).await
}

/// Says that a finding was seen.
pub(super) async fn acknowledge(note: Note, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let request_id = session
        .repeatable(note.repeat.request_id.as_deref())?
        .request_id;
    let ask = AcknowledgeFindingRequest {
        name: names::finding(&note.finding).map_err(Stop::Usage)?,
        note: note.text,
        noted_by: session.who(note.by),
        etag: note.seen.etag.unwrap_or_default(),
        request_id: request_id.clone(),
    };
    let answer = session.remote.acknowledge_finding(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    let done = "Acknowledged. It stays on the list until the readings no longer show it or it is \
                resolved.";
    shown(&answer.finding.unwrap_or_default(), done, session).await
}

/// Closes a finding.
pub(super) async fn resolve(note: Note, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let request_id = session
        .repeatable(note.repeat.request_id.as_deref())?
        .request_id;
    let ask = ResolveFindingRequest {
        name: names::finding(&note.finding).map_err(Stop::Usage)?,
        note: note.text,
        noted_by: session.who(note.by),
        etag: note.seen.etag.unwrap_or_default(),
        request_id: request_id.clone(),
    };
    let answer = session.remote.resolve_finding(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    let done = "Resolved. It opens anew when later readings show the same again.";
    shown(&answer.finding.unwrap_or_default(), done, session).await
}

async fn shown(finding: &Finding, done: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Finding", finding);
    }
    let zone = if finding.subject.starts_with("sites/") {
        session.zone(names::site_of(&finding.subject)).await?
    } else {
        TimeZone::UTC
    };
    session.show(&drawn(finding, &zone, session.world.columns))?;
    if done.is_empty() {
        Ok(())
    } else {
        session.say(done)
    }
}

fn drawn(finding: &Finding, zone: &TimeZone, columns: u16) -> String {
    let at = |stamp: Option<&prost_types::Timestamp>| {
        let at = moment::received(stamp);
        at.map(|at| moment::shown(at, zone)).unwrap_or_default()
    };
    let about = if finding.subject_display_name.is_empty() {
        finding.subject.clone()
    } else {
        format!("{} ({})", finding.subject, finding.subject_display_name)
    };
    // A rule that bounds no share of false findings asks for a probability of a half at least.
    let likely = if finding.false_discovery_rate > 0.0 && finding.false_discovery_rate < 0.5 {
        format!(
            "{}; of all findings of this kind, {} may be false",
            likely(finding.probability),
            per_cent(finding.false_discovery_rate)
        )
    } else {
        likely(finding.probability)
    };
    let lines = [
        ("Finding", finding.name.clone()),
        (
            "Kind",
            words::word(words::FINDING_KINDS, finding.kind()).to_owned(),
        ),
        ("About", about),
        ("Site", finding.site_display_name.clone()),
        (
            "State",
            words::word(words::FINDING_STATES, finding.state()).to_owned(),
        ),
        ("What was found", finding.statement.clone()),
        ("Do next", finding.next_step.clone()),
        ("Likely", likely),
        ("First seen", at(finding.first_seen_time.as_ref())),
        ("Last seen", at(finding.last_seen_time.as_ref())),
        ("Note", finding.note.clone()),
        ("By", finding.noted_by.clone()),
        ("Noted", at(finding.note_time.as_ref())),
        ("Readings", readings(&finding.readings)),
        ("Version", finding.etag.clone()),
    ];
    let mut text = output::card(&lines, columns);
    let mut rows = Vec::new();
    for figure in &finding.evidence {
        rows.push(vec![figure.label.clone(), value(figure)]);
    }
    if !rows.is_empty() {
        let figures = output::table(&["figure", "value"], &rows, columns);
        text = format!("{text}\n\nFigures behind it\n{figures}");
    }
    text
}

/// Writes how likely a finding is; nothing that readings show is certain.
fn likely(probability: f64) -> String {
    per_cent(probability.clamp(0.001, 0.999))
        .replace("more than", ">")
        .replace("less than", "<")
}

/// Writes a figure with its unit; a chance as per cent, so that a small one is not said to be none.
fn value(figure: &Evidence) -> String {
    let is_chance = figure.label.starts_with("chance") || figure.label.starts_with("probability");
    if is_chance && figure.unit.is_empty() {
        return match per_cent(figure.value) {
            none if none == "0 %" => "less than 1 %".to_owned(),
            shown => shown,
        };
    }
    let value = format!("{} {}", brief(figure.value, 3), figure.unit);
    value.trim_end().to_owned()
}

/// Names the latest readings, one a line, and counts the rest.
fn readings(all: &[String]) -> String {
    let mut lines = Vec::new();
    for reading in all.iter().take(MOST_NAMED) {
        lines.push(reading.clone());
    }
    match all.len().saturating_sub(MOST_NAMED) {
        0 => {}
        more => lines.push(format!("and {more} earlier; --json names them all")),
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::{FindingKind, FindingState};

    fn drifting() -> Finding {
        Finding {
            name: "findings/f1".to_owned(),
            kind: FindingKind::FurnaceDrifting.into(),
            subject: "sites/porto/furnaces/k2".to_owned(),
            subject_display_name: "By the window".to_owned(),
            site_display_name: "Porto".to_owned(),
            state: FindingState::Acknowledged.into(),
            probability: 0.97,
            statement: "It runs hotter by 0.5 °C a week.".to_owned(),
            next_step: "Fire a ring this week.".to_owned(),
            evidence: vec![Evidence {
                label: "Drift".to_owned(),
                value: 0.5,
                unit: "°C/week".to_owned(),
            }],
            readings: vec!["sites/porto/furnaces/k2/readings/r9".to_owned()],
            first_seen_time: Some(prost_types::Timestamp {
                seconds: 1_795_449_600,
                nanos: 0,
            }),
            false_discovery_rate: 0.05,
            note: "Ring on Friday".to_owned(),
            noted_by: "AB".to_owned(),
            etag: "7".to_owned(),
            ..Finding::default()
        }
    }

    #[test]
    fn a_finding_says_what_was_found_and_what_to_do_next() {
        let expected = "\
Finding         findings/f1
Kind            furnace-drifting
About           sites/porto/furnaces/k2 (By the window)
Site            Porto
State           acknowledged
What was found  It runs hotter by 0.5 °C a week.
Do next         Fire a ring this week.
Likely          97 %; of all findings of this kind, 5 % may be false
First seen      Monday 23 November 2026 16:00 UTC
Note            Ring on Friday
By              AB
Readings        sites/porto/furnaces/k2/readings/r9
Version         7

Figures behind it
FIGURE  VALUE
Drift   0.5 °C/week";
        assert_eq!(drawn(&drifting(), &TimeZone::UTC, 100), expected);
    }

    #[test]
    fn small_chances_are_not_none_and_long_lists_are_counted() {
        let mut finding = drifting();
        finding.false_discovery_rate = 0.5;
        finding.probability = 1.0;
        finding.evidence = vec![Evidence {
            label: "chance without a drift".to_owned(),
            value: 0.0,
            unit: String::new(),
        }];
        finding.readings = vec![finding.readings[0].clone(); 7];
        let text = drawn(&finding, &TimeZone::UTC, 100);
        assert!(text.contains("less than 1 %"), "{text}");
        assert!(text.contains("and 2 earlier"), "{text}");
        assert!(text.contains("> 99 %"), "{text}");
        assert!(!text.contains("may be false"), "{text}");
    }

    #[test]
    fn findings_are_listed_with_their_statement() {
        let expected = "\
ABOUT     LIKELY  STATE         FINDING                           ID
porto/k2  97 %    acknowledged  It runs hotter by 0.5 °C a week.  f1";
        assert_eq!(
            output::table(&HEADINGS, &rows(&[drifting()]), 100),
            expected
        );
    }
}
