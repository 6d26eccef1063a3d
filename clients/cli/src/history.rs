//! `ringtrue furnace history` and the chart of `ringtrue furnace show`: a furnace's offset through time.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    FurnaceHistory, GetFurnaceHistoryRequest, GetProgrammeRequest, Programme,
};
use ringtrue_remote::Code;

use crate::chart::picture::{self, Format, Scene};
use crate::chart::terminal::Look;
use crate::chart::track::Track;
use crate::chart::track_lines;
use crate::chart::track_picture::TrackPicture;
use crate::failure::Stop;
use crate::names::FURNACE;
use crate::quantity::{brief, fixed, signed};
use crate::session::Session;
use crate::{moment, names, output, standing};

/// What stretch of time is wanted.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Stretch {
    /// Only what happened from then on: a day (2026-09-01) or a moment in the site's zone.
    #[arg(long, value_name = "DAY")]
    pub(crate) from: Option<String>,
    /// Weeks of outlook, 0 to 104; 13 when left out.
    #[arg(long, value_name = "WEEKS", allow_negative_numbers = true,
          value_parser = clap::value_parser!(i32).range(0..=104))]
    pub(crate) outlook_weeks: Option<i32>,
}

/// What of a furnace's history is wanted, and where to.
#[derive(Debug, Args)]
pub(crate) struct Ask {
    /// Furnace, for example k2.
    furnace: String,
    #[command(flatten)]
    stretch: Stretch,
    /// Draws the history into a file; its name ends in .svg or .png.
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// Shows the history, or draws it into a file.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let format = format_of(ask.output.as_deref())?;
    let name = session.named(&ask.furnace, FURNACE).await?;
    let history = asked(&name, &ask.stretch, session).await?;
    if session.json && format.is_none() {
        return session.show_json("FurnaceHistory", &history);
    }
    let zone = zone(&history, session)?;
    if history.points.is_empty() {
        return nothing_yet(&name, &ask.stretch, session);
    }
    let programme = programme(&history, session).await?;
    let track = Track::of(&history, &zone, programme.as_ref());
    if let (Some(path), Some(format)) = (&ask.output, format) {
        let place = history.standing.as_ref();
        let sentence = place.map(standing::sentence).unwrap_or_default();
        let scene = TrackPicture {
            track: &track,
            standing: &sentence,
        };
        write(&scene, path, format, session)?;
        if session.json {
            return session.show_json("FurnaceHistory", &history);
        }
        return Ok(());
    }
    show(&history, &track, session)?;
    let columns = session.world.columns;
    session.show(&format!(
        "\nReadings\n{}",
        readings(&history, &zone, columns)
    ))
}

/// Draws the history into the terminal, with where the furnace stands below it.
pub(crate) fn show(
    history: &FurnaceHistory,
    track: &Track,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let columns = session.world.columns;
    let look = Look::of(&session.world.environment, session.world.colour);
    if track.readings.is_empty() {
        return Ok(());
    }
    session.show(&track_lines::drawn(track, columns, look))?;
    if let Some(place) = history.standing.as_ref().filter(|s| standing::is_known(s)) {
        let card = output::card(
            &standing::lines(place, session.world.now, &track.zone),
            columns,
        );
        session.show(&format!("\nWhere it stands\n{card}"))?;
    }
    if let Some(known) = &history.separability {
        let words = standing::separability(known, columns);
        session.show(&format!("\nHow well it is known\n{words}"))?;
    }
    Ok(())
}

/// Says what to do when there is nothing to draw.
fn nothing_yet(
    furnace: &str,
    stretch: &Stretch,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let short = names::with_site(furnace);
    if stretch.from.is_some() {
        return session.say(&format!(
            "Furnace {short} has no evaluated reading since then; choose an earlier day with --from."
        ));
    }
    session.say(&format!(
        "Furnace {short} has no evaluated reading yet; record one with `ringtrue reading add {short}`."
    ))
}

/// Asks for a history.
pub(crate) async fn asked(
    furnace: &str,
    stretch: &Stretch,
    session: &mut Session<'_, '_>,
) -> Result<FurnaceHistory, Stop> {
    let start_time = beginning(stretch.from.as_deref(), furnace, session).await?;
    let ask = GetFurnaceHistoryRequest {
        name: furnace.to_owned(),
        start_time,
        outlook_weeks: stretch.outlook_weeks,
    };
    let answer = session.remote.furnace_history(ask).await?;
    Ok(answer.history.unwrap_or_default())
}

/// Gives a history for the page of its furnace, which is worth showing without one: none when the server
/// keeps none.
pub(crate) async fn beside(
    furnace: &str,
    stretch: &Stretch,
    session: &mut Session<'_, '_>,
) -> Result<Option<FurnaceHistory>, Stop> {
    match asked(furnace, stretch, session).await {
        Ok(history) => Ok(Some(history)),
        Err(Stop::Failed { failure, .. }) if failure.code == Code::Unimplemented => Ok(None),
        Err(stop) => Err(stop),
    }
}

/// Reads where a stretch of time begins: a day of the furnace's site, or a moment.
pub(crate) async fn beginning(
    text: Option<&str>,
    furnace: &str,
    session: &mut Session<'_, '_>,
) -> Result<Option<prost_types::Timestamp>, Stop> {
    let Some(text) = text else { return Ok(None) };
    let site = names::site_of(furnace).to_owned();
    let zone = session.zone(&site).await?;
    let start = match moment::start_of_day(text, &zone) {
        Some(start) => start,
        None => session.moment(text, &site, session.world.now).await?,
    };
    Ok(Some(moment::sent(start)))
}

fn zone(history: &FurnaceHistory, session: &mut Session<'_, '_>) -> Result<TimeZone, Stop> {
    session.learn_zone(names::site_of(&history.furnace), &history.time_zone)
}

/// Gives the programme whose error counts.
async fn programme(
    history: &FurnaceHistory,
    session: &Session<'_, '_>,
) -> Result<Option<Programme>, Stop> {
    let name = match &history.standing {
        Some(standing) if !standing.programme.is_empty() => standing.programme.clone(),
        _ => return Ok(None),
    };
    let answer = session.remote.programme(GetProgrammeRequest { name });
    Ok(answer.await?.programme)
}

/// Gives the format of a file to write; none without a file.
pub(crate) fn format_of(path: Option<&Path>) -> Result<Option<Format>, Stop> {
    match path {
        Some(path) => Format::of(path).map(Some).map_err(Stop::Usage),
        None => Ok(None),
    }
}

/// Draws a scene into a file. A person is asked before a file is written over.
pub(crate) fn write(
    scene: &impl Scene,
    path: &Path,
    format: Format,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let shown = path.display();
    if path.exists() && session.converses() {
        let question = format!("{shown} exists. Write over it?");
        if !session.agreed(&question)? {
            return Err(Stop::Left);
        }
    }
    let drawn = picture::drawn(scene, format);
    let content = drawn.map_err(|why| Stop::Broken(format!("no chart can be drawn: {why}")))?;
    std::fs::write(path, content).map_err(|error| {
        Stop::Refused(format!(
            "{shown} cannot be written: {error}. Name another file with --output."
        ))
    })?;
    session.say(&format!("The chart is in {shown}."))
}

/// Draws the readings of a history as a table.
fn readings(history: &FurnaceHistory, zone: &TimeZone, columns: u16) -> String {
    let mut rows = Vec::new();
    for point in history.points.iter().rev() {
        let fired = moment::received(point.fire_time.as_ref());
        let weight = if point.at_reduced_weight {
            "reduced"
        } else {
            "full"
        };
        rows.push(vec![
            fired.map(|at| moment::brief(at, zone)).unwrap_or_default(),
            format!("{} °C", brief(point.setpoint_c, 1)),
            format!(
                "{} ± {} °C",
                signed(point.observed_offset_c, 1),
                fixed(point.expanded_uncertainty_c, 1)
            ),
            format!("{} °C", signed(point.corrected_offset_c, 1)),
            format!(
                "{} ± {} °C",
                signed(point.tracked_offset_c, 1),
                fixed(2.0 * point.tracked_standard_uncertainty_c, 1)
            ),
            weight.to_owned(),
            names::id(&point.reading).to_owned(),
        ]);
    }
    let headings = [
        "fired",
        "set",
        "ring's offset",
        "without biases",
        "tracked",
        "weight",
        "id",
    ];
    output::table(&headings, &rows, columns)
}
