//! `ringtrue alert`: what needs somebody now, the most pressing first.

use clap::{Args, Subcommand};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    AcknowledgeAlertRequest, Alert, AlertKind, AlertLevel, AlertStage, AlertState, GetAlertRequest,
    ListAlertsRequest, ListAlertsResponse, SnoozeAlertRequest,
};

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::term::Ink;
use crate::{day, moment, names, output, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue alert list
  ringtrue alert ack ALERT --note 'a ring goes in at three'
  ringtrue alert snooze ALERT --for 4h --why 'the furnace is hot'
An alert closes by itself when its cause is mended; acknowledging it says only that
somebody has seen it. `ringtrue watch` shows alerts as they come.";

const HEADINGS: [&str; 5] = ["stage", "about", "state", "what is the matter", "id"];

/// What to do with alerts.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists alerts that are not closed, the most pressing first.
    List(Wanted),
    /// Shows one alert and what to do next.
    Show {
        /// Alert, by its id.
        alert: String,
    },
    /// Says that an alert was seen; it stays until its cause is mended.
    Ack {
        /// Alert, by its id.
        alert: String,
        /// What is being done. No person's name.
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
        #[command(flatten)]
        by: By,
    },
    /// Lets an alert rest, at most 24 hours and at most twice.
    Snooze {
        /// Alert, by its id.
        alert: String,
        /// How long from now: 30min, 4h.
        #[arg(
            long = "for",
            value_name = "TIME",
            required_unless_present = "until",
            conflicts_with = "until"
        )]
        length: Option<String>,
        /// Until when, in the site's zone: 17:00, "tomorrow 08:00".
        #[arg(long, value_name = "MOMENT")]
        until: Option<String>,
        /// Why. No person's name.
        #[arg(long, value_name = "TEXT")]
        why: String,
        #[command(flatten)]
        by: By,
    },
}

/// Which alerts are wanted.
#[derive(Debug, Args)]
pub(crate) struct Wanted {
    /// Those of every site you may see, and of what the network shares.
    #[arg(long)]
    everywhere: bool,
    /// Only those in this state.
    #[arg(long, value_name = "STATE", value_parser = words::one_of(words::ALERT_STATES))]
    state: Option<AlertState>,
    /// Only of this kind.
    #[arg(long, value_name = "KIND", value_parser = words::one_of(words::ALERT_KINDS))]
    kind: Option<AlertKind>,
    /// Only those that have reached this level.
    #[arg(long, value_name = "LEVEL", value_parser = words::one_of(words::ALERT_LEVELS))]
    level: Option<AlertLevel>,
    #[command(flatten)]
    limit: Limit,
}

/// Who, and whether it is a repeat.
#[derive(Debug, Args)]
pub(crate) struct By {
    /// Initials or staff code; the operator when left out.
    #[arg(long, value_name = "CODE")]
    by: Option<String>,
    #[command(flatten)]
    repeat: Repeat,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List(wanted) => list(wanted, session).await,
        Ask::Show { alert } => {
            let alert = found(&alert, session).await?;
            shown(&alert, "", session)
        }
        Ask::Ack { alert, note, by } => {
            let repeatable = session.repeatable(by.repeat.request_id.as_deref())?;
            let ask = AcknowledgeAlertRequest {
                name: names::alert(&alert).map_err(Stop::Usage)?,
                note: note.unwrap_or_default(),
                noted_by: session.who(by.by),
                request_id: repeatable.request_id.clone(),
            };
            let answer = session.remote.acknowledge_alert(ask).await;
            let answer =
                answer.map_err(|failure| Stop::of_change(failure, &repeatable.request_id))?;
            let done = "Acknowledged. It stays until its cause is mended.";
            shown(&answer.alert.unwrap_or_default(), done, session)
        }
        Ask::Snooze {
            alert,
            length,
            until,
            why,
            by,
        } => {
            let repeatable = session.repeatable(by.repeat.request_id.as_deref())?;
            let until = match (length, until) {
                (Some(length), _) => {
                    let length = moment::length(&length).map_err(Stop::Usage)?;
                    repeatable.now + length
                }
                (None, Some(text)) => {
                    if let Some(moment) = moment::absolute(&text) {
                        moment
                    } else {
                        let zone = zone(&found(&alert, session).await?);
                        moment::coming(&text, repeatable.now, &zone).map_err(Stop::Usage)?
                    }
                }
                (None, None) => return Err(crate::session::lacking("--for")),
            };
            let ask = SnoozeAlertRequest {
                name: names::alert(&alert).map_err(Stop::Usage)?,
                until_time: Some(moment::sent(until)),
                note: why,
                noted_by: session.who(by.by),
                request_id: repeatable.request_id.clone(),
            };
            let answer = session.remote.snooze_alert(ask).await;
            let answer =
                answer.map_err(|failure| Stop::of_change(failure, &repeatable.request_id))?;
            let done = "Snoozed. It opens again by itself if its cause is not mended by then.";
            shown(&answer.alert.unwrap_or_default(), done, session)
        }
    }
}

async fn found(text: &str, session: &Session<'_, '_>) -> Result<Alert, Stop> {
    let name = names::alert(text).map_err(Stop::Usage)?;
    let answer = session.remote.alert(GetAlertRequest { name }).await?;
    Ok(answer.alert.unwrap_or_default())
}

async fn list(wanted: Wanted, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = if wanted.everywhere {
        "sites/-".to_owned()
    } else {
        session.site_name().await?
    };
    let is_narrowed = wanted.state.is_some() || wanted.kind.is_some() || wanted.level.is_some();
    let template = ListAlertsRequest {
        parent,
        state: wanted.state.unwrap_or_default().into(),
        kind: wanted.kind.unwrap_or_default().into(),
        level: wanted.level.unwrap_or_default().into(),
        ..ListAlertsRequest::default()
    };
    let remote = session.remote.clone();
    let (alerts, next_page_token) = gathered(wanted.limit.limit, async |page_size, page_token| {
        let ask = ListAlertsRequest {
            page_size,
            page_token,
            ..template.clone()
        };
        let page = remote.alerts(ask).await?;
        Ok((page.alerts, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListAlertsResponse {
            alerts,
            next_page_token,
        };
        return session.show_json("ListAlertsResponse", &whole);
    }
    if alerts.is_empty() {
        return session.say(if is_narrowed {
            "No alert is like that. Leave --state, --kind or --level out to see more."
        } else {
            "No alerts: nothing needs you now. `ringtrue due --all` shows what comes."
        });
    }
    shown_list(
        "alerts",
        &HEADINGS,
        &rows(&alerts, wanted.everywhere),
        more,
        session,
    )?;
    session.say("`ringtrue alert show ID` says what to do next.")
}

fn rows(alerts: &[Alert], names_sites: bool) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for alert in alerts {
        rows.push(vec![
            words::word(words::ALERT_STAGES, alert.stage()).to_owned(),
            about(alert, names_sites),
            words::word(words::ALERT_STATES, alert.state()).to_owned(),
            alert.statement.clone(),
            names::id(&alert.name).to_owned(),
        ]);
    }
    rows
}

/// Says what an alert is about, with its site where several are shown.
pub(crate) fn about(alert: &Alert, names_site: bool) -> String {
    let called = match alert.subject_display_name.as_str() {
        "" => names::id(&alert.subject),
        called => called,
    };
    let site = match alert.site_display_name.as_str() {
        "" => names::id(&alert.site),
        site => site,
    };
    if names_site && !site.is_empty() && site != called {
        format!("{called} at {site}")
    } else {
        called.to_owned()
    }
}

/// The zone that an alert's times are shown in.
pub(crate) fn zone(alert: &Alert) -> TimeZone {
    TimeZone::get(&alert.time_zone).unwrap_or(TimeZone::UTC)
}

/// How an alert's stage is set off; the word itself says it too.
pub(crate) fn colour(alert: &Alert) -> Ink {
    match (alert.state(), alert.stage()) {
        (AlertState::Closed, _) => Ink::Calm,
        (_, AlertStage::Overdue | AlertStage::Lapsed) => Ink::Alarm,
        (_, AlertStage::Due) => Ink::Act,
        (_, AlertStage::Soon | AlertStage::Unspecified) => Ink::Strong,
    }
}

fn shown(alert: &Alert, done: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Alert", alert);
    }
    let today = day::of(session.world.now, &zone(alert));
    session.show(&drawn(alert, today, session.world.columns))?;
    if done.is_empty() {
        Ok(())
    } else {
        session.say(done)
    }
}

fn drawn(alert: &Alert, today: Date, columns: u16) -> String {
    let zone = zone(alert);
    let at = |stamp: Option<&prost_types::Timestamp>| {
        let at = moment::received(stamp);
        at.map(|at| moment::shown(at, &zone)).unwrap_or_default()
    };
    let subject = match alert.subject_display_name.as_str() {
        "" => alert.subject.clone(),
        called => format!("{} ({called})", alert.subject),
    };
    let snoozed = match alert.snooze_count {
        0 => String::new(),
        1 => "once".to_owned(),
        count => format!("{count} times"),
    };
    let lines = [
        ("Alert", alert.name.clone()),
        (
            "Kind",
            words::word(words::ALERT_KINDS, alert.kind()).to_owned(),
        ),
        ("About", subject),
        ("Site", alert.site_display_name.clone()),
        (
            "Stage",
            words::word(words::ALERT_STAGES, alert.stage()).to_owned(),
        ),
        (
            "For",
            words::word(words::ALERT_LEVELS, alert.level()).to_owned(),
        ),
        (
            "State",
            words::word(words::ALERT_STATES, alert.state()).to_owned(),
        ),
        ("What is the matter", alert.statement.clone()),
        ("Do next", alert.next_step.clone()),
        (
            "Due",
            day::received(alert.due_date.as_ref())
                .map(|date| day::near(date, today))
                .unwrap_or_default(),
        ),
        ("Raised", at(alert.raise_time.as_ref())),
        ("Changed", at(alert.update_time.as_ref())),
        ("Note", alert.note.clone()),
        ("By", alert.noted_by.clone()),
        ("Rests until", at(alert.snoozed_until_time.as_ref())),
        ("Snoozed", snoozed),
        ("Closed", at(alert.close_time.as_ref())),
        ("Closed because", alert.close_reason.clone()),
    ];
    output::card(&lines, columns)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn overdue() -> Alert {
        Alert {
            name: "alerts/a1".to_owned(),
            kind: AlertKind::CalibrationDue.into(),
            site: "sites/porto".to_owned(),
            subject: "sites/porto/furnaces/k2".to_owned(),
            site_display_name: "Porto".to_owned(),
            subject_display_name: "K2".to_owned(),
            stage: AlertStage::Overdue.into(),
            level: AlertLevel::Manager.into(),
            state: AlertState::Acknowledged.into(),
            statement: "The calibration of K2 was due on Friday.".to_owned(),
            next_step: "Fire a ring today.".to_owned(),
            due_date: Some(day::sent("2026-11-27".parse().expect("a day"))),
            raise_time: Some(prost_types::Timestamp {
                seconds: 1_795_449_600,
                nanos: 0,
            }),
            note: "A ring is in".to_owned(),
            noted_by: "AB".to_owned(),
            time_zone: "Europe/Lisbon".to_owned(),
            ..Alert::default()
        }
    }

    #[test]
    fn an_alert_says_what_is_the_matter_and_what_to_do_next() {
        let expected = "\
Alert               alerts/a1
Kind                calibration-due
About               sites/porto/furnaces/k2 (K2)
Site                Porto
Stage               overdue
For                 manager
State               acknowledged
What is the matter  The calibration of K2 was due on Friday.
Do next             Fire a ring today.
Due                 Fri 27 Nov (2 days ago)
Raised              Monday 23 November 2026 16:00 WET
Note                A ring is in
By                  AB";
        let today = "2026-11-29".parse().expect("a day");
        assert_eq!(drawn(&overdue(), today, 100), expected);
    }

    #[test]
    fn a_list_names_the_site_where_several_are_shown() {
        let row = rows(&[overdue()], true).remove(0);
        assert_eq!(row[..3], ["overdue", "K2 at Porto", "acknowledged"]);
        assert_eq!(rows(&[overdue()], false)[0][1], "K2");
        let shared = Alert {
            site: String::new(),
            site_display_name: String::new(),
            subject: "ringBatches/x7".to_owned(),
            subject_display_name: String::new(),
            ..overdue()
        };
        assert_eq!(about(&shared, true), "x7");
    }
}
