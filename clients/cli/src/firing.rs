//! `ringtrue firing`: production firings, one at a time.

mod drawn;

use clap::{Args, Subcommand};
use jiff::Timestamp;
use ringtrue_proto::v1::{
    AmendFiringRequest, Firing, FiringCase, FiringOutcome, FiringResultState, GetFiringRequest,
    ListFiringsRequest, ListFiringsResponse, ReportFiringsRequest,
};

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::names::{FIRING, FURNACE};
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::span::Span;
use crate::{moment, names, programme, quantity, reading, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue firing list k2 --from monday
  ringtrue firing list --case C-8841     in which firings a case was
  ringtrue firing show F-20417           by your own system's id
  ringtrue firing report k2 --id F-20417 --started 'friday 14:00' \\
      --ended 'friday 21:10' --case C-8841=3 --case C-8842
  ringtrue firing amend F-20417 --ended 'friday 21:40' --why 'wrong line'
  ringtrue firing amend F-20418 --never-fired --why 'was put off until monday'
Case ids are opaque, such as C-8841; a patient's name or date of birth has no
place here. A management system reports its firings itself: see
deploy/integration.md.";

/// What to do with firings.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists firings, latest end first.
    List {
        /// Furnace, for example k2; all of the site when left out.
        furnace: Option<String>,
        #[command(flatten)]
        span: Span,
        /// Only firings with this case.
        #[arg(long, value_name = "CASE")]
        case: Option<String>,
        /// Only firings that came in this report, by its id as `ringtrue changes` names it.
        #[arg(long, value_name = "REPORT")]
        report: Option<String>,
        /// Also versions that were corrected, and firings that never took place.
        #[arg(long)]
        amended: bool,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows one firing with its cases.
    Show {
        /// Firing: the reporting system's id, FURNACE/ID or its full name.
        firing: String,
    },
    /// Records one firing.
    Report {
        /// Furnace, for example k2.
        furnace: String,
        /// The firing's own id in your system; the same again records nothing twice.
        #[arg(long, value_name = "ID")]
        id: String,
        #[command(flatten)]
        content: Content,
        /// Only look whether it is in order; nothing is recorded.
        #[arg(long)]
        check: bool,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Records a corrected version; what is not named stays, and the earlier version stays readable.
    Amend {
        /// Firing: the reporting system's id, FURNACE/ID or its full name.
        firing: String,
        #[command(flatten)]
        content: Content,
        /// It never took place.
        #[arg(long, conflicts_with = "outcome")]
        never_fired: bool,
        /// Why it is corrected. No person's name.
        #[arg(long, value_name = "TEXT")]
        why: String,
        #[command(flatten)]
        repeat: Repeat,
    },
}

/// What is said of a firing.
#[derive(Debug, Args)]
pub(crate) struct Content {
    /// Programme that was fired; the only one of the furnace when left out.
    #[arg(long, value_name = "PROGRAMME")]
    programme: Option<String>,
    /// When it started, in the site's zone, for example "friday 14:00".
    #[arg(long, value_name = "MOMENT")]
    started: Option<String>,
    /// When it ended, at most 72 hours later.
    #[arg(long, value_name = "MOMENT")]
    ended: Option<String>,
    /// Case that was in it and how many units of it, for example C-8841=3; may be repeated. No name. A
    /// correction's cases replace all that were reported.
    #[arg(long = "case", value_name = "CASE[=UNITS]", value_parser = case)]
    cases: Vec<FiringCase>,
    /// What the controller was set to, °C; the setpoint in force then when left out.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    setpoint: Option<f64>,
    /// Hours at sintering temperature; the programme's when left out.
    #[arg(long, value_name = "HOURS", value_parser = quantity::number, allow_hyphen_values = true)]
    hours_hot: Option<f64>,
    /// How it ended; completed when left out.
    #[arg(long, value_parser = words::one_of(words::FIRING_OUTCOMES))]
    outcome: Option<FiringOutcome>,
    /// Remarks. No person's name.
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Initials or staff code of who fired it; the operator when left out.
    #[arg(long, value_name = "CODE")]
    by: Option<String>,
}

/// Reads a case with its units.
pub(crate) fn case(text: &str) -> Result<FiringCase, String> {
    let (case_id, units) = match text.split_once('=') {
        None => (text, 0),
        Some((case_id, units)) => {
            let units = units.trim().parse().map_err(|_| {
                format!("`{units}` is no number of units; write the case like C-8841=3")
            })?;
            (case_id, units)
        }
    };
    Ok(FiringCase {
        case_id: case_id.trim().to_owned(),
        units,
    })
}

impl Content {
    /// Writes what is named into a firing of a furnace; says whether anything was.
    async fn apply(
        self,
        firing: &mut Firing,
        furnace: &str,
        now: Timestamp,
        session: &mut Session<'_, '_>,
    ) -> Result<bool, Stop> {
        let before = firing.clone();
        let site = names::site_of(furnace).to_owned();
        if let Some(text) = self.programme {
            firing.programme = programme::named(&text, Some(furnace), session).await?;
        }
        if firing.programme != before.programme {
            // They were the other programme's.
            firing.setpoint_c = None;
            firing.hours_hot = None;
        }
        if let Some(text) = self.started {
            firing.start_time = Some(moment::sent(session.moment(&text, &site, now).await?));
        }
        if let Some(text) = self.ended {
            firing.end_time = Some(moment::sent(session.moment(&text, &site, now).await?));
        }
        if !self.cases.is_empty() {
            firing.cases = self.cases;
        }
        firing.setpoint_c = self.setpoint.or(firing.setpoint_c);
        firing.hours_hot = self.hours_hot.or(firing.hours_hot);
        if let Some(outcome) = self.outcome {
            firing.outcome = outcome.into();
        }
        if let Some(note) = self.note {
            firing.note = note;
        }
        if let Some(by) = self.by {
            firing.performed_by = by;
        }
        Ok(*firing != before)
    }
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List {
            furnace,
            span,
            case,
            report,
            amended,
            limit,
        } => {
            let names_furnace = furnace.is_none();
            let parent = match furnace {
                Some(text) => session.named(&text, FURNACE).await?,
                None => format!("{}/furnaces/-", session.site_name().await?),
            };
            let (from, until) = span.read(names::site_of(&parent), session).await?;
            let site = names::site_of(&parent);
            let report = report.map(|id| format!("{site}/firingReports/{}", names::id(&id)));
            let wanted = ListFiringsRequest {
                report: report.unwrap_or_default(),
                parent,
                start_time: from.map(moment::sent),
                end_time: until.map(moment::sent),
                case_id: case.unwrap_or_default(),
                show_amended: amended,
                ..ListFiringsRequest::default()
            };
            list(wanted, names_furnace, limit.limit, session).await
        }
        Ask::Show { firing } => {
            let firing = found(&firing, session).await?;
            if session.json {
                return session.show_json("Firing", &firing);
            }
            let zone = session.zone(names::site_of(&firing.name)).await?;
            let drawn = drawn::whole(&firing, &zone, session.world.columns);
            session.show(&drawn)?;
            if firing.amended_by.is_empty() && firing.outcome() != FiringOutcome::Cancelled {
                let furnace = names::parent(&firing.name);
                session.say(&format!(
                    "How hot it truly was: ringtrue exposure assess {} --from {} --until {}",
                    names::with_site(furnace),
                    drawn::utc(firing.start_time.as_ref()),
                    drawn::utc(firing.end_time.as_ref())
                ))?;
            }
            Ok(())
        }
        Ask::Report {
            furnace,
            id,
            content,
            check,
            repeat,
        } => report(&furnace, id, content, check, &repeat, session).await,
        Ask::Amend {
            firing,
            content,
            never_fired,
            why,
            repeat,
        } => amend(&firing, content, never_fired, why, &repeat, session).await,
    }
}

async fn list(
    wanted: ListFiringsRequest,
    names_furnace: bool,
    limit: usize,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let (firings, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListFiringsRequest {
            page_size,
            page_token,
            ..wanted.clone()
        };
        let page = remote.firings(ask).await?;
        Ok((page.firings, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListFiringsResponse {
            firings,
            next_page_token,
        };
        return session.show_json("ListFiringsResponse", &whole);
    }
    if firings.is_empty() && (wanted.start_time.is_some() || !wanted.case_id.is_empty()) {
        return session.say("No firing on record is like that.");
    }
    let zone = session.zone(names::site_of(&wanted.parent)).await?;
    let mut rows = Vec::new();
    for firing in &firings {
        rows.push(drawn::row(firing, names_furnace, &zone));
    }
    let headings = drawn::headings(names_furnace);
    shown_list("firings", &headings, &rows, more, session)
}

/// Finds a firing by its name, or by the id that the reporting system gave it.
async fn found(text: &str, session: &mut Session<'_, '_>) -> Result<Firing, Stop> {
    let name = match names::spelled_out(text, FIRING) {
        Some(name) => Some(name),
        None if text.matches('/').count() == 1 => Some(session.named(text, FIRING).await?),
        None => None,
    };
    if let Some(name) = name {
        let answer = session.remote.firing(GetFiringRequest { name }).await;
        match answer {
            Ok(answer) => return Ok(answer.firing.unwrap_or_default()),
            // Other systems' ids may hold slashes too.
            Err(failure) if text.starts_with("sites/") => return Err(Stop::from(failure)),
            Err(failure) if failure.code != ringtrue_remote::Code::NotFound => {
                return Err(Stop::from(failure));
            }
            Err(_) => {}
        }
    }
    let site = session.site_name().await?;
    let ask = ListFiringsRequest {
        parent: format!("{site}/furnaces/-"),
        external_id: text.trim().to_owned(),
        show_amended: true,
        ..ListFiringsRequest::default()
    };
    let versions = session.remote.firings(ask).await?.firings;
    let latest = versions.into_iter().find(|one| one.amended_by.is_empty());
    latest.ok_or_else(|| {
        Stop::Missing(format!(
            "No firing `{}` is on record at {site}; `ringtrue firing list` shows those that are.",
            text.trim()
        ))
    })
}

async fn report(
    furnace: &str,
    external_id: String,
    content: Content,
    check: bool,
    repeat: &Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    for (given, flag) in [
        (content.started.is_some(), "--started"),
        (content.ended.is_some(), "--ended"),
    ] {
        if !given {
            return Err(Stop::Usage(format!(
                "{flag} is missing; say when, for example {flag} 'friday 14:00'."
            )));
        }
    }
    let furnace = session.named(furnace, FURNACE).await?;
    let repeatable = session.repeatable(repeat.request_id.as_deref())?;
    let mut firing = Firing {
        external_id,
        outcome: FiringOutcome::Completed.into(),
        performed_by: session.who(None),
        ..Firing::default()
    };
    if content.programme.is_none() {
        firing.programme = reading::choice::programme(&furnace, session).await?.name;
    }
    content
        .apply(&mut firing, &furnace, repeatable.now, session)
        .await?;
    let request_id = if check {
        // A look with the id of the recording would make the recording a repeat of the look.
        String::new()
    } else {
        repeatable.request_id.clone()
    };
    let ask = ReportFiringsRequest {
        parent: names::site_of(&furnace).to_owned(),
        firings: vec![firing],
        validate_only: check,
        request_id,
        ..ReportFiringsRequest::default()
    };
    let answer = session.remote.report_firings(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &repeatable.request_id))?;
    if session.json {
        return session.show_json("ReportFiringsResponse", &answer);
    }
    let result = answer.results.into_iter().next().unwrap_or_default();
    if check {
        return session.say(match result.state() {
            FiringResultState::Known => "It is on record already with the same content.",
            _ => "It is in order. Nothing was recorded; leave --check out to record it.",
        });
    }
    let name = result.name.clone();
    let firing = session.remote.firing(GetFiringRequest { name }).await?;
    let zone = session.zone(names::site_of(&furnace)).await?;
    let firing = firing.firing.unwrap_or_default();
    let drawn = drawn::whole(&firing, &zone, session.world.columns);
    session.show(&drawn)?;
    session.say(match result.state() {
        FiringResultState::Known => {
            "It was on record already with the same content; nothing was added."
        }
        _ => {
            "Recorded. It counts for due dates by use, and is looked at when a reading finds the \
             furnace outside tolerance (`ringtrue exposure assess`)."
        }
    })
}

async fn amend(
    text: &str,
    content: Content,
    never_fired: bool,
    why: String,
    repeat: &Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let repeatable = session.repeatable(repeat.request_id.as_deref())?;
    let present = found(text, session).await?;
    let furnace = names::parent(&present.name).to_owned();
    let mut firing = present.clone();
    let mut changes = content
        .apply(&mut firing, &furnace, repeatable.now, session)
        .await?;
    if never_fired {
        firing.outcome = FiringOutcome::Cancelled.into();
        changes = true;
    }
    if !changes {
        return Err(Stop::Usage(
            "Nothing to correct is named, or it is on record like that. `--help` lists what can be."
                .to_owned(),
        ));
    }
    let ask = AmendFiringRequest {
        name: present.name,
        firing: Some(firing),
        amend_reason: why,
        request_id: repeatable.request_id.clone(),
    };
    let answer = session.remote.amend_firing(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &repeatable.request_id))?;
    let firing = answer.firing.unwrap_or_default();
    if session.json {
        return session.show_json("Firing", &firing);
    }
    let zone = session.zone(names::site_of(&furnace)).await?;
    let drawn = drawn::whole(&firing, &zone, session.world.columns);
    session.show(&drawn)?;
    session.say(
        "Recorded; the earlier version stays readable. Correct it in your own system too, or the \
         two will differ.",
    )
}

#[cfg(test)]
mod tests {
    use super::case;

    #[test]
    fn a_case_is_read_with_and_without_units() {
        let read = |text| case(text).map(|case| (case.case_id, case.units));
        assert_eq!(read("C-8841=3"), Ok(("C-8841".to_owned(), 3)));
        assert_eq!(read("C-8841"), Ok(("C-8841".to_owned(), 0)));
        let refused = read("C-8841=three").expect_err("no number");
        assert!(refused.contains("C-8841=3"), "{refused}");
    }
}
