//! `ringtrue qc charts`: the control charts of one furnace.

use std::path::Path;

use ringtrue_proto::v1::GetFurnaceChartsRequest;

use crate::chart::control::{self, Panel};
use crate::chart::control_picture::ControlPicture;
use crate::chart::terminal::Look;
use crate::failure::Stop;
use crate::history::{beginning, format_of, write};
use crate::names;
use crate::names::FURNACE;
use crate::session::Session;

/// Shows the charts, or draws them into a file.
pub(super) async fn carry_out(
    furnace: &str,
    from: Option<&str>,
    output: Option<&Path>,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let format = format_of(output)?;
    let name = session.named(furnace, FURNACE).await?;
    let start_time = beginning(from, &name, session).await?;
    let ask = GetFurnaceChartsRequest {
        name: name.clone(),
        start_time,
    };
    let answer = session.remote.furnace_charts(ask).await?;
    if session.json && format.is_none() {
        return session.show_json("GetFurnaceChartsResponse", &answer);
    }
    let site = names::site_of(&name).to_owned();
    let zone = session.zone(&site).await?;
    let mut panels = Vec::new();
    for chart in &answer.charts {
        panels.push(Panel::of(chart, &zone));
    }
    if panels.iter().all(|panel| panel.points.is_empty()) {
        let short = names::with_site(&name);
        return session.say(&format!(
            "Furnace {short} has no readings to chart{}. A chart shows how far readings were from what \
             was expected, so the first has no place in it; record another with `ringtrue reading add \
             {short}`.",
            if from.is_some() { " since then" } else { " yet" }
        ));
    }
    let Some((path, format)) = output.zip(format) else {
        let look = Look::of(&session.world.environment, session.world.colour);
        return session.show(&control::drawn(&panels, session.world.columns, look));
    };
    let zone_name = zone.iana_name().unwrap_or("UTC");
    let scene = ControlPicture {
        furnace: &name,
        zone_name,
        panels: &panels,
    };
    write(&scene, path, format, session)?;
    if session.json {
        return session.show_json("GetFurnaceChartsResponse", &answer);
    }
    Ok(())
}
