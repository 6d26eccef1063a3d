//! `ringtrue exposure`: how hot production firings truly were, and what the laboratory decided about them.

mod drawn;

use clap::{Args, Subcommand};
use ringtrue_proto::v1::{
    AssessExposureRequest, AssessExposureResponse, ExposureDecision, ExposureOutcome,
    ExposureSummary, GetExposureDecisionRequest, ListExposureDecisionsRequest,
    ListExposureDecisionsResponse, RecordExposureDecisionRequest,
};

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::names::{EXPOSURE_DECISION, FURNACE, READING};
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::span::Span;
use crate::{moment, names, output, quantity, reading, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue exposure assess k2            since it was last within tolerance
  ringtrue exposure assess k2 --from 2026-11-02 --until 2026-11-20
  ringtrue exposure assess k2 --case C-8841
  ringtrue exposure decide k2 --case C-8841 --case C-8842 --outcome rework \\
      --why 'shade too light; by the instructions' --by q1
  ringtrue exposure list
These are estimates of temperatures and say nothing of a restoration. A
qualified person judges the work by the material maker's instructions; what
was delivered is for the responsible person in your quality system
(ISO 13485 7.6 and 8.3, ISO/IEC 17025 7.10).";

/// Probability of being within tolerance from which a reading shows a furnace within it, as the server has it.
const WITHIN: f64 = 0.95;

/// What to do with exposures.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Estimates the true peak of each firing in a span; nothing is stored.
    Assess {
        /// Furnace, for example k2.
        furnace: String,
        #[command(flatten)]
        which: Which,
        /// Only firings with this case.
        #[arg(long, value_name = "CASE")]
        case: Option<String>,
        /// Only firings that were outside tolerance with at least this probability, 0 to 1.
        #[arg(long, value_name = "PROBABILITY", default_value = "0",
              value_parser = quantity::number, allow_hyphen_values = true)]
        least: f64,
        #[command(flatten)]
        limit: Limit,
    },
    /// Records what a qualified person decided about exposed cases.
    Decide(Decision),
    /// Lists decisions, latest first.
    List {
        /// Furnace, for example k2; all of the site when left out.
        furnace: Option<String>,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows one decision.
    Show {
        /// Decision, FURNACE/ID or its full name.
        decision: String,
    },
}

/// Which span: a reading's, or one from a day to another.
#[derive(Debug, Args)]
pub(crate) struct Which {
    /// Reading that finds the furnace outside tolerance; the latest one when left out.
    #[arg(long, value_name = "READING", conflicts_with_all = ["from", "until"])]
    reading: Option<String>,
    #[command(flatten)]
    span: Span,
}

/// A decision as given.
#[derive(Debug, Args)]
pub(crate) struct Decision {
    /// Furnace, for example k2.
    furnace: String,
    #[command(flatten)]
    which: Which,
    /// Case that it is about; may be repeated.
    #[arg(long = "case", value_name = "CASE")]
    cases: Vec<String>,
    /// It is about all cases of the span.
    #[arg(long, conflicts_with = "cases")]
    all_cases: bool,
    /// What was decided.
    #[arg(long, value_parser = words::one_of(words::EXPOSURE_OUTCOMES))]
    outcome: ExposureOutcome,
    /// Why. No person's name.
    #[arg(long, value_name = "TEXT")]
    why: String,
    /// When it was decided, in the site's zone; now when left out.
    #[arg(long, value_name = "MOMENT")]
    at: Option<String>,
    /// Initials or staff code of who decided; the operator when left out.
    #[arg(long, value_name = "CODE")]
    by: Option<String>,
    #[command(flatten)]
    repeat: Repeat,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::Assess {
            furnace,
            which,
            case,
            least,
            limit,
        } => {
            let furnace = session.named(&furnace, FURNACE).await?;
            let mut wanted = which.of(&furnace, session).await?;
            wanted.case_id = case.unwrap_or_default();
            wanted.least_probability = least;
            assess(wanted, limit.limit, session).await
        }
        Ask::Decide(decision) => decide(decision, session).await,
        Ask::List { furnace, limit } => {
            let parent = match furnace {
                Some(text) => session.named(&text, FURNACE).await?,
                None => format!("{}/furnaces/-", session.site_name().await?),
            };
            list(parent, limit.limit, session).await
        }
        Ask::Show { decision } => {
            let name = session.named(&decision, EXPOSURE_DECISION).await?;
            let ask = GetExposureDecisionRequest { name };
            let answer = session.remote.exposure_decision(ask).await?;
            let decision = answer.exposure_decision.unwrap_or_default();
            shown(&decision, session).await
        }
    }
}

impl Which {
    /// The question for a furnace; without a span and a reading its latest reading's.
    async fn of(
        self,
        furnace: &str,
        session: &mut Session<'_, '_>,
    ) -> Result<AssessExposureRequest, Stop> {
        let mut wanted = AssessExposureRequest {
            furnace: furnace.to_owned(),
            ..AssessExposureRequest::default()
        };
        if self.span.is_given() {
            if self.span.from.is_none() {
                return Err(Stop::Usage(
                    "--from is missing; say where the span begins.".to_owned(),
                ));
            }
            let (from, until) = self.span.read(names::site_of(furnace), session).await?;
            wanted.start_time = from.map(moment::sent);
            wanted.end_time = until.map(moment::sent);
            return Ok(wanted);
        }
        wanted.reading = if let Some(text) = self.reading {
            match names::spelled_out(&text, READING) {
                Some(name) => name,
                None if text.contains('/') => session.named(&text, READING).await?,
                None => names::below(furnace, "readings", &text).map_err(Stop::Usage)?,
            }
        } else {
            by_latest(furnace, session).await?
        };
        Ok(wanted)
    }
}

/// The furnace's latest reading, told so that nobody takes it for another one.
async fn by_latest(furnace: &str, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    let latest = reading::latest(furnace, session).await?;
    let zone = session.zone(names::site_of(furnace)).await?;
    if let Some(fired) = moment::received(latest.fire_time.as_ref()) {
        session.say(&format!(
            "By the latest reading, fired {}.",
            moment::brief(fired, &zone)
        ))?;
    }
    let evaluation = latest.evaluation.unwrap_or_default();
    if evaluation.evaluable && evaluation.conformance_probability >= WITHIN {
        session.say(
            "It shows the furnace within tolerance; name another one with --reading if that is not \
             the one you mean.",
        )?;
    }
    Ok(latest.name)
}

async fn assess(
    wanted: AssessExposureRequest,
    limit: usize,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let mut summary = None;
    let (firings, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = AssessExposureRequest {
            page_size,
            page_token,
            ..wanted.clone()
        };
        let page = remote.assess_exposure(ask).await?;
        summary = page.summary;
        Ok((page.firings, page.next_page_token))
    })
    .await?;
    if session.json {
        let whole = AssessExposureResponse {
            summary,
            firings,
            next_page_token,
        };
        return session.show_json("AssessExposureResponse", &whole);
    }
    let summary = summary.unwrap_or_default();
    let zone = session.learn_zone(names::site_of(&wanted.furnace), &summary.time_zone)?;
    let columns = session.world.columns;
    session.show(&drawn::summary(&summary, &zone, columns))?;
    if !firings.is_empty() {
        let mut rows = Vec::new();
        for firing in &firings {
            rows.push(drawn::row(firing, &zone));
        }
        session.show("")?;
        session.show_line(&drawn::wanted(&firings))?;
        session.show(&output::table(&drawn::HEADINGS, &rows, columns))?;
        for notice in drawn::notices(&firings) {
            session.show_line(&notice)?;
        }
        if !next_page_token.is_empty() {
            session.say("There are more firings; show them with a higher --limit.")?;
        }
    } else if summary.firings > 0 {
        session.show("")?;
        session.show_line("No firing of the span is as likely outside tolerance as that.")?;
    }
    session.show("")?;
    session.show_line(&format!("Next: {}", summary.next_step))?;
    if summary.review_first + summary.review > 0 {
        session.say(&decide_command(&wanted, &summary))?;
    }
    session.say("")?;
    session.say(&format!(
        "OUTSIDE is the probability of having been outside tolerance. {}",
        summary.method
    ))?;
    mind(session)
}

/// The command that records the decision about what was just shown.
fn decide_command(wanted: &AssessExposureRequest, summary: &ExposureSummary) -> String {
    let span = if wanted.reading.is_empty() {
        format!(
            "--from {} --until {}",
            drawn::utc(summary.start_time.as_ref()),
            drawn::utc(summary.end_time.as_ref())
        )
    } else {
        format!("--reading {}", names::id(&wanted.reading))
    };
    format!(
        "Record the decision with\n  ringtrue exposure decide {} {span} --case CASE --outcome OUTCOME --why TEXT",
        names::with_site(&wanted.furnace)
    )
}

/// Work goes back into a furnace, or a ring: whoever does so is told what to mind.
fn mind(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    session.say(
        "Parts at 400 °C look cold and burn at once: mind that before anything is fired again. \
         `ringtrue cautions` tells what else to mind.",
    )
}

async fn decide(ask: Decision, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    // Leaving something out must not decide about everything.
    if ask.cases.is_empty() && !ask.all_cases {
        return Err(Stop::Usage(
            "Say which cases it is about: --case C-8841, as often as needed, or --all-cases of the span."
                .to_owned(),
        ));
    }
    let furnace = session.named(&ask.furnace, FURNACE).await?;
    let site = names::site_of(&furnace).to_owned();
    let repeatable = session.repeatable(ask.repeat.request_id.as_deref())?;
    let mut wanted = ask.which.of(&furnace, session).await?;
    let reading = wanted.reading.clone();
    let (mut start_time, mut end_time) = (wanted.start_time, wanted.end_time);
    if start_time.is_none() || end_time.is_none() {
        // The span is the one that the assessment shows. It ends no later than this request stands for, so that
        // a repeat says the same.
        wanted.page_size = 1;
        let answer = session.remote.assess_exposure(wanted).await?;
        let span = answer.summary.unwrap_or_default();
        let now = moment::sent(repeatable.now);
        let is_later = span.end_time.is_some_and(|end| end.seconds > now.seconds);
        let open = matches!(
            span.end_reason(),
            ringtrue_proto::v1::SpanBound::Now | ringtrue_proto::v1::SpanBound::Unspecified
        );
        start_time = span.start_time;
        end_time = if open || is_later {
            Some(now)
        } else {
            span.end_time
        };
    }
    let at = match ask.at {
        Some(text) => session.moment(&text, &site, repeatable.now).await?,
        None => repeatable.now,
    };
    let request = RecordExposureDecisionRequest {
        parent: furnace,
        exposure_decision: Some(ExposureDecision {
            start_time,
            end_time,
            reading,
            case_ids: ask.cases,
            outcome: ask.outcome.into(),
            reason: ask.why,
            decided_by: session.who(ask.by),
            decide_time: Some(moment::sent(at)),
            ..ExposureDecision::default()
        }),
        request_id: repeatable.request_id.clone(),
    };
    let answer = session.remote.record_exposure_decision(request).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &repeatable.request_id))?;
    let decision = answer.exposure_decision.unwrap_or_default();
    shown(&decision, session).await?;
    if session.json {
        return Ok(());
    }
    session.say(
        "Recorded as your laboratory's decision; Ringtrue draws no conclusion from it. A later one \
         stands beside it: decisions are never changed.",
    )?;
    if ask.outcome == ExposureOutcome::ReworkByInstruction {
        mind(session)?;
    }
    Ok(())
}

async fn shown(decision: &ExposureDecision, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("ExposureDecision", decision);
    }
    let zone = session.zone(names::site_of(&decision.name)).await?;
    let drawn = drawn::decision(decision, &zone, session.world.columns);
    session.show(&drawn)
}

async fn list(parent: String, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let (exposure_decisions, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListExposureDecisionsRequest {
            parent: parent.clone(),
            page_size,
            page_token,
        };
        let page = remote.exposure_decisions(ask).await?;
        Ok((page.exposure_decisions, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListExposureDecisionsResponse {
            exposure_decisions,
            next_page_token,
        };
        return session.show_json("ListExposureDecisionsResponse", &whole);
    }
    let zone = session.zone(names::site_of(&parent)).await?;
    let mut rows = Vec::new();
    for decision in &exposure_decisions {
        rows.push(drawn::decision_row(decision, &zone));
    }
    shown_list("decisions", &drawn::DECISION_HEADINGS, &rows, more, session)
}
