//! What is meant when nobody named it: the only one there is, or one picked at the terminal.

use ringtrue_proto::v1::{
    Furnace, FurnaceState, Gauge, GaugeState, Programme, RingBatch, RingBatchState,
};

use crate::failure::Stop;
use crate::names::FURNACE;
use crate::quantity::brief;
use crate::queue::{self, Knowable};
use crate::session::{Session, lacking};
use crate::{batch, furnace, gauge, names, programme};

/// Most things offered at once.
const MOST: usize = 1000;

/// Gives the furnace named, else one picked at the terminal.
pub(crate) async fn furnace(
    given: Option<&str>,
    session: &mut Session<'_, '_>,
) -> Result<String, Stop> {
    if let Some(text) = given {
        return session.named(text, FURNACE).await;
    }
    if !session.converses() {
        return Err(lacking("FURNACE"));
    }
    let site = session.site_name().await?;
    let asked = if session.is_cut_off() {
        None
    } else {
        Some(furnace::of_site(&site, MOST, session).await)
    };
    let furnaces = said_or_seen::<Furnace>(asked, &site, session)?;
    let mut known = Vec::new();
    let mut options = Vec::new();
    for furnace in furnaces {
        if furnace.state() != FurnaceState::Retired {
            let id = names::id(&furnace.name);
            options.push(format!("{id}  {}", furnace.display_name));
            known.push(furnace.name);
        }
    }
    if known.is_empty() {
        return Err(Stop::Missing(format!(
            "{site} has no furnace. Add one with `ringtrue furnace add`."
        )));
    }
    let place = session.pick("Which furnace was fired?", &options, "FURNACE")?;
    Ok(known.swap_remove(place))
}

/// Gives the furnace's only programme, else one picked at the terminal.
pub(crate) async fn programme(
    furnace: &str,
    session: &mut Session<'_, '_>,
) -> Result<Programme, Stop> {
    let asked = if session.is_cut_off() {
        None
    } else {
        Some(programme::of_furnace(furnace, MOST, session).await)
    };
    let mut programmes = said_or_seen::<Programme>(asked, furnace, session)?;
    if programmes.is_empty() {
        return Err(Stop::Missing(format!(
            "{furnace} has no programme. Add one with `ringtrue programme add`."
        )));
    }
    if programmes.len() == 1 {
        let only = programmes.swap_remove(0);
        session.say(&format!(
            "Programme {}, the only one.",
            names::id(&only.name)
        ))?;
        return Ok(only);
    }
    let mut ids = Vec::new();
    let mut options = Vec::new();
    for programme in &programmes {
        let id = names::id(&programme.name).to_owned();
        options.push(format!(
            "{id}  {}, controller now at {} °C",
            programme.display_name,
            brief(programme.setpoint_c, 1)
        ));
        ids.push(id);
    }
    if !session.converses() {
        return Err(several("programmes", &ids, "--programme"));
    }
    let place = session.pick("Which programme?", &options, "--programme")?;
    Ok(programmes.swap_remove(place))
}

/// Gives the site's only gauge in use, else one picked at the terminal.
pub(crate) async fn gauge(site: &str, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    let asked = if session.is_cut_off() {
        None
    } else {
        Some(gauge::of_site(site, MOST, session).await)
    };
    let gauges = said_or_seen::<Gauge>(asked, site, session)?;
    let mut known = Vec::new();
    let mut ids = Vec::new();
    let mut options = Vec::new();
    for gauge in gauges {
        if gauge.state() != GaugeState::Withdrawn {
            let id = names::id(&gauge.name).to_owned();
            options.push(format!("{id}  {}", gauge.display_name));
            ids.push(id);
            known.push(gauge.name);
        }
    }
    if known.is_empty() {
        return Err(Stop::Missing(format!(
            "{site} has no gauge in use. Add one with `ringtrue gauge add`."
        )));
    }
    if known.len() == 1 {
        session.say(&format!("Gauge {}, the only one in use.", ids[0]))?;
        return Ok(known.swap_remove(0));
    }
    if !session.converses() {
        return Err(several("gauges", &ids, "--gauge"));
    }
    let place = session.pick("Which gauge measured?", &options, "--gauge")?;
    Ok(known.swap_remove(place))
}

/// Gives the batch picked at the terminal. Even an only one is picked by hand, since the wrong
/// batch's table is the largest mistake there is: its code must be read from the pouch.
pub(crate) async fn batch(session: &mut Session<'_, '_>) -> Result<String, Stop> {
    if !session.converses() {
        return Err(lacking("--batch"));
    }
    let asked = if session.is_cut_off() {
        None
    } else {
        Some(batch::all(MOST, session).await)
    };
    let batches = said_or_seen::<RingBatch>(asked, "ringBatches", session)?;
    let mut known = Vec::new();
    let mut options = Vec::new();
    for batch in batches {
        if batch.state() == RingBatchState::Released {
            options.push(format!("{}  ({})", batch.code, names::id(&batch.name)));
            known.push(batch.name);
        }
    }
    if known.is_empty() {
        return Err(Stop::Missing(
            "There is no released batch. Add one with `ringtrue batch import`.".to_owned(),
        ));
    }
    let question = "Which batch? Read the code from the rings' pouch";
    let place = session.pick(question, &options, "--batch")?;
    Ok(known.swap_remove(place))
}

/// What the server said, or what this computer has seen when no server answers.
fn said_or_seen<T: Knowable>(
    asked: Option<Result<(Vec<T>, String), Stop>>,
    below: &str,
    session: &mut Session<'_, '_>,
) -> Result<Vec<T>, Stop> {
    match asked {
        Some(Ok((said, _))) => return Ok(said),
        Some(Err(stop)) => session.cut_off(stop)?,
        None => {}
    }
    let seen = session.bench.recalled::<T>(&format!("{below}/"));
    let Some(oldest) = seen.iter().map(|seen| seen.at).min() else {
        return Err(Stop::Usage(format!(
            "No server was asked, and this computer has seen nothing below {below} yet. Name furnace, \
             programme, batch and gauge in full; `ringtrue queue refresh` fetches them when the line is up."
        )));
    };
    let old = queue::age(oldest, session.world.now);
    session.say(&format!("As this computer saw it {old} ago:"))?;
    Ok(seen.into_iter().map(|seen| seen.it).collect())
}

fn several(things: &str, ids: &[String], flag: &str) -> Stop {
    Stop::Usage(format!(
        "There are several {things}: {}. Say which with {flag}.",
        ids.join(", ")
    ))
}
