//! `ringtrue reading`: what the rings of a calibration firing said, and what to do.

pub(crate) mod choice;
pub(crate) mod listing;

mod advice;
mod alone;
mod budget;
mod dialogue;
mod draft;
pub(crate) mod questions;

use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    AmendReadingRequest, GetProgrammeRequest, GetReadingRequest, ListReadingsRequest,
    ListReadingsResponse, Question, Reading, RecordReadingRequest,
};

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::names::{FURNACE, READING};
use crate::quantity::brief;
use crate::session::{Repeatable, Session, gathered};
use crate::site::shown_list;
use crate::{names, output, queue, sign_off};

use draft::Values;

/// What to do with readings.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Records a reading and tells what to do; at a terminal it asks for what is missing.
    Add(Box<Addition>),
    /// Evaluates a reading without recording it; takes the same flags as add.
    Preview(Box<Addition>),
    /// Lists the readings of a furnace, or of the whole site, latest firing first.
    List {
        /// Furnace, for example k2; all of the site when left out.
        furnace: Option<String>,
        /// Lists versions that were amended later, too.
        #[arg(long)]
        amended: bool,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows a reading with its evaluation; the latest of --furnace when none is named.
    Show {
        /// Reading, for example k2/ID or its full name.
        reading: Option<String>,
        /// Furnace, when the reading is named by its id alone or not at all.
        #[arg(long, value_name = "FURNACE")]
        furnace: Option<String>,
        /// Shows the uncertainty budget, line by line.
        #[arg(long)]
        budget: bool,
    },
    /// Records a corrected version of a reading; what is not named stays as it was.
    Amend(Box<Amendment>),
}

/// A new reading.
#[derive(Debug, Args)]
pub(crate) struct Addition {
    /// Furnace, for example k2.
    furnace: Option<String>,
    #[command(flatten)]
    values: Values,
    #[command(flatten)]
    repeat: Repeat,
    #[command(flatten)]
    line: queue::Line,
}

/// A corrected reading.
#[derive(Debug, Args)]
pub(crate) struct Amendment {
    /// Reading, for example k2/ID or its full name.
    reading: String,
    /// Furnace, when the reading is named by its id alone.
    #[arg(long, value_name = "FURNACE")]
    furnace: Option<String>,
    /// Why it is corrected (1 to 500 characters).
    #[arg(long, value_name = "TEXT")]
    why: String,
    /// Shows what would follow, records nothing.
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    values: Values,
    #[command(flatten)]
    repeat: Repeat,
}

/// Where a reading goes: to a furnace as a new one, or in place of an earlier one.
#[derive(Debug)]
enum Goal {
    /// A new reading of this furnace.
    New { furnace: String },
    /// A corrected version of this reading.
    InPlaceOf { reading: String, why: String },
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::Add(addition) => Box::pin(add(*addition, false, session)).await,
        Ask::Preview(addition) => Box::pin(add(*addition, true, session)).await,
        Ask::List {
            furnace,
            amended,
            limit,
        } => list(furnace, amended, limit.limit, session).await,
        Ask::Show {
            reading,
            furnace,
            budget,
        } => show(reading, furnace, budget, session).await,
        Ask::Amend(amendment) => Box::pin(amend(*amendment, session)).await,
    }
}

async fn add(addition: Addition, preview: bool, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if preview {
        queue::looking(&addition.line, session)?;
    } else {
        queue::first(&addition.line, session).await?;
    }
    let repeatable = session.repeatable(addition.repeat.request_id.as_deref())?;
    let furnace = choice::furnace(addition.furnace.as_deref(), session).await?;
    let mut reading = Reading::default();
    let mut values = addition.values;
    values
        .given(&mut reading, &furnace, &repeatable, session)
        .await?;
    let asked = draft::completed(&mut reading, &furnace, &repeatable, session).await?;
    if !preview {
        queue::must_wait(&furnace, session)?;
    }
    let goal = Goal::New { furnace };
    Box::pin(finish(reading, &goal, asked, preview, &repeatable, session)).await
}

async fn amend(amendment: Amendment, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let repeatable = session.repeatable(amendment.repeat.request_id.as_deref())?;
    let name = named(&amendment.reading, amendment.furnace.as_deref(), session).await?;
    let furnace = names::parent(&name).to_owned();
    let answer = session
        .remote
        .reading(GetReadingRequest { name: name.clone() })
        .await?;
    let mut reading = draft::without_outcome(answer.reading.unwrap_or_default());
    let mut values = amendment.values;
    values
        .given(&mut reading, &furnace, &repeatable, session)
        .await?;
    let goal = Goal::InPlaceOf {
        reading: name,
        why: amendment.why,
    };
    Box::pin(finish(
        reading,
        &goal,
        false,
        amendment.dry_run,
        &repeatable,
        session,
    ))
    .await
}

/// Previews, settles open questions with whoever is there, asks once more and records.
async fn finish(
    mut reading: Reading,
    goal: &Goal,
    asked: bool,
    preview: bool,
    repeatable: &Repeatable,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let mut must_agree = asked;
    if session.converses() && !session.is_cut_off() {
        loop {
            let (evaluated, open) = match previewed(&reading, goal, repeatable, session).await {
                Ok(found) => found,
                Err(stop) => {
                    session.cut_off(stop)?;
                    break;
                }
            };
            if open.is_empty() {
                if must_agree && !preview {
                    let drawn = draft::summary(&evaluated, reading.setpoint_c, session).await?;
                    session.say(&drawn)?;
                }
                break;
            }
            must_agree = true;
            questions::settle(&mut reading, &open, session)?;
        }
    }
    if session.is_cut_off() {
        return alone::finish(reading, goal, preview, repeatable, session);
    }
    if preview {
        let (evaluated, open) = match previewed(&reading, goal, repeatable, session).await {
            Ok(found) => found,
            Err(stop) => {
                session.cut_off(stop)?;
                return alone::finish(reading, goal, preview, repeatable, session);
            }
        };
        if evaluated.evaluation.is_some() {
            present(&evaluated, false, session).await?;
        }
        if !session.json {
            session.say("PREVIEW ONLY. Nothing was recorded.")?;
        }
        return if open.is_empty() {
            Ok(())
        } else {
            Err(Stop::Asked(open))
        };
    }
    if must_agree && !session.agreed("Record this?")? {
        return Err(Stop::Left);
    }
    match sent(&reading, goal, false, repeatable, session).await {
        Ok(stored) => {
            queue::said_clock(session)?;
            present(&stored, true, session).await
        }
        Err(stop) => {
            session.cut_off(stop)?;
            alone::finish(reading, goal, false, repeatable, session)
        }
    }
}

/// Evaluates without recording; gives the questions that are still open.
async fn previewed(
    reading: &Reading,
    goal: &Goal,
    repeatable: &Repeatable,
    session: &mut Session<'_, '_>,
) -> Result<(Reading, Vec<Question>), Stop> {
    match sent(reading, goal, true, repeatable, session).await {
        Ok(evaluated) => {
            let mut open = Vec::new();
            for question in evaluated.evaluation.iter().flat_map(|e| &e.questions) {
                if !question.answered {
                    open.push(question.clone());
                }
            }
            Ok((evaluated, open))
        }
        Err(Stop::Asked(open)) => Ok((reading.clone(), open)),
        Err(stop) => Err(stop),
    }
}

async fn sent(
    reading: &Reading,
    goal: &Goal,
    validate_only: bool,
    repeatable: &Repeatable,
    session: &mut Session<'_, '_>,
) -> Result<Reading, Stop> {
    // A preview with the id of the recording would make the recording a repeat of the preview.
    let request_id = if validate_only {
        String::new()
    } else {
        repeatable.request_id.clone()
    };
    let answer = match goal {
        Goal::New { furnace } => {
            let ask = RecordReadingRequest {
                parent: furnace.clone(),
                reading: Some(reading.clone()),
                request_id,
                validate_only,
            };
            let answer = session.remote.record_reading(ask).await;
            answer.map(|answer| answer.reading)
        }
        Goal::InPlaceOf { reading: name, why } => {
            let ask = AmendReadingRequest {
                name: name.clone(),
                reading: Some(reading.clone()),
                reason: why.clone(),
                request_id,
                validate_only,
            };
            let answer = session.remote.amend_reading(ask).await;
            answer.map(|answer| answer.reading)
        }
    };
    match answer {
        Ok(reading) => Ok(reading.unwrap_or_default()),
        Err(failure) if validate_only => match crate::failure::open_questions(&failure) {
            Some(open) => Err(Stop::Asked(open)),
            None => Err(Stop::from(failure)),
        },
        Err(failure) => Err(Stop::of_change(failure, &repeatable.request_id)),
    }
}

/// Shows a reading's outcome.
async fn present(
    reading: &Reading,
    stored: bool,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Reading", reading);
    }
    let site = names::site_of(&reading.programme).to_owned();
    let zone = session.zone(&site).await?;
    let drawn = advice::drawn(reading, &advice::View::of(session, &zone, stored));
    session.show(&drawn)?;
    if stored {
        session.say(&format!("Recorded as {}.", reading.name))?;
    }
    Ok(())
}

/// Gives the name of a reading from its id or name and, where needed, its furnace's.
async fn named(
    reading: &str,
    furnace: Option<&str>,
    session: &mut Session<'_, '_>,
) -> Result<String, Stop> {
    if let Some(name) = names::spelled_out(reading, READING) {
        return Ok(name);
    }
    let Some(furnace) = furnace else {
        return session.named(reading, READING).await;
    };
    let furnace = session.named(furnace, FURNACE).await?;
    names::below(&furnace, "readings", reading).map_err(Stop::Usage)
}

async fn list(
    furnace: Option<String>,
    show_amended: bool,
    limit: usize,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let with_furnace = furnace.is_none();
    let parent = match furnace {
        Some(text) => session.named(&text, FURNACE).await?,
        None => format!("{}/furnaces/-", session.site_name().await?),
    };
    let remote = session.remote.clone();
    let (readings, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListReadingsRequest {
            parent: parent.clone(),
            page_size,
            page_token,
            show_amended,
        };
        let page = remote.readings(ask).await?;
        Ok((page.readings, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListReadingsResponse {
            readings,
            next_page_token,
        };
        return session.show_json("ListReadingsResponse", &whole);
    }
    let zone = session.zone(names::site_of(&parent)).await?;
    let rows = listing::rows(&readings, &zone, with_furnace);
    shown_list("readings", &listing::HEADINGS, &rows, more, session)
}

async fn show(
    reading: Option<String>,
    furnace: Option<String>,
    with_budget: bool,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let reading = match (reading, furnace) {
        (Some(text), furnace) => {
            let name = named(&text, furnace.as_deref(), session).await?;
            let answer = session.remote.reading(GetReadingRequest { name }).await?;
            answer.reading.unwrap_or_default()
        }
        (None, Some(furnace)) => latest(&furnace, session).await?,
        (None, None) => {
            return Err(Stop::Usage(
                "Say which reading: its name, FURNACE/ID, or --furnace for the latest.".to_owned(),
            ));
        }
    };
    if session.json {
        return session.show_json("Reading", &reading);
    }
    let zone = session.zone(names::site_of(&reading.name)).await?;
    let columns = session.world.columns;
    let drawn = whole(&reading, &zone, session);
    session.show(&drawn)?;
    sign_off::said_of(&reading.name, &zone, session).await?;
    if let Some(past) = past(&reading, session).await {
        session.say(&past)?;
    }
    if !with_budget {
        return Ok(());
    }
    let evaluated = reading.evaluation.as_ref().filter(|e| e.evaluable);
    match evaluated.and_then(|evaluation| evaluation.budget.as_ref()) {
        Some(budget) => session.show(&format!("\n{}", budget::drawn(budget, columns))),
        None => session.say("This reading has no uncertainty budget, since it was not evaluated."),
    }
}

/// A reading with what was measured and what came of it.
pub(crate) fn whole(reading: &Reading, zone: &TimeZone, session: &Session<'_, '_>) -> String {
    let columns = session.world.columns;
    let mut drawn = output::card(&listing::measured(reading, zone), columns);
    let rings = listing::rings(reading, columns);
    if !rings.is_empty() {
        drawn.push_str("\n\n");
        drawn.push_str(&rings);
    }
    drawn.push_str("\n\n");
    drawn.push_str(&advice::drawn(
        reading,
        &advice::View::of(session, zone, true),
    ));
    drawn
}

/// Says so when the setpoint was changed after the advice was given; what is shown above is then past.
async fn past(reading: &Reading, session: &Session<'_, '_>) -> Option<String> {
    let evaluation = reading.evaluation.as_ref().filter(|e| e.evaluable)?;
    let ask = GetProgrammeRequest {
        name: reading.programme.clone(),
    };
    // The reading itself is shown already; it is worth showing without this, too.
    let programme = session.remote.programme(ask).await.ok()?.programme?;
    changed_since(
        names::id(&reading.programme),
        evaluation.present_setpoint_c,
        evaluation.advised_setpoint_c,
        programme.setpoint_c,
    )
}

fn changed_since(programme: &str, then_c: f64, advised_c: f64, now_c: f64) -> Option<String> {
    // Setpoints are entered in steps of 0.1 °C at least.
    let same = |one: f64, other: f64| (one - other).abs() < 0.05;
    if same(then_c, now_c) {
        return None;
    }
    let now = brief(now_c, 2);
    Some(if same(advised_c, now_c) {
        format!(
            "Programme {programme} is on record at {now} °C by now, as this reading advised: nothing is \
             left to enter."
        )
    } else {
        format!(
            "Programme {programme} is on record at {now} °C by now: the advice above is past. Act on the \
             latest reading only."
        )
    })
}

pub(crate) async fn latest(furnace: &str, session: &mut Session<'_, '_>) -> Result<Reading, Stop> {
    let parent = session.named(furnace, FURNACE).await?;
    let ask = ListReadingsRequest {
        parent: parent.clone(),
        page_size: 1,
        ..ListReadingsRequest::default()
    };
    let page = session.remote.readings(ask).await?;
    page.readings
        .into_iter()
        .next()
        .ok_or_else(|| Stop::Missing(format!("{parent} has no reading yet.")))
}

#[cfg(test)]
mod tests {
    use super::changed_since;

    #[test]
    fn advice_that_was_followed_or_is_past_is_said_to_be_so() {
        assert_eq!(changed_since("standard", 1491.0, 1488.0, 1491.0), None);
        let done = changed_since("standard", 1491.0, 1488.0, 1488.0).expect("it was changed");
        assert!(done.contains("nothing is left to enter"), "{done}");
        let past = changed_since("standard", 1496.0, 1491.0, 1488.0).expect("it was changed");
        assert!(past.contains("the advice above is past"), "{past}");
    }
}
