//! `ringtrue programme`: firing schedules, their targets and setpoints.

use clap::{Args, Subcommand};
use prost_types::FieldMask;
use ringtrue_proto::v1::{
    CreateProgrammeRequest, GetProgrammeRequest, ListProgrammesRequest, ListProgrammesResponse,
    Programme, ProgrammeKind, Segment, UpdateProgrammeRequest,
};

use crate::command::{Limit, Repeat, Seen};
use crate::failure::Stop;
use crate::names::{FURNACE, PROGRAMME};
use crate::quantity::{self, brief, signed};
use crate::session::{Session, gathered};
use crate::site::{shown_list, something_named};
use crate::{names, output, words};

/// What to do with programmes.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists the programmes of a furnace, or of all furnaces of the site.
    List {
        /// Furnace, for example k2; all of the site when left out.
        furnace: Option<String>,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows a programme with its segments.
    Show {
        /// Programme, for example k2/standard.
        programme: String,
        #[command(flatten)]
        home: Home,
    },
    /// Adds a programme to a furnace.
    Add {
        /// Furnace, for example k2.
        furnace: String,
        /// Id of the new programme, for example standard; made up when left out.
        #[arg(long, value_name = "ID")]
        id: Option<String>,
        #[command(flatten)]
        schedule: Schedule,
        /// What is entered on the controller now, °C; later changed only by `adjustment confirm`.
        #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
        setpoint: f64,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Changes a programme; what is not named stays. Its setpoint is changed by `adjustment confirm`.
    Change {
        /// Programme, for example k2/standard.
        programme: String,
        #[command(flatten)]
        home: Home,
        #[command(flatten)]
        schedule: Schedule,
        #[command(flatten)]
        seen: Seen,
        #[command(flatten)]
        repeat: Repeat,
    },
}

/// The furnace of a programme named by its id alone.
#[derive(Debug, Args)]
pub(crate) struct Home {
    /// Furnace of the programme, when the programme is named by its id alone.
    #[arg(long, value_name = "FURNACE")]
    furnace: Option<String>,
}

/// A schedule.
#[derive(Debug, Args)]
pub(crate) struct Schedule {
    /// What people at the site call it.
    #[arg(long, value_name = "TEXT")]
    name: Option<String>,
    /// One segment, RAMP:TEMPERATURE:HOLD in °C/min, °C and min, for example 8:1500:120; repeat in
    /// firing order.
    #[arg(long = "segment", value_name = "SEGMENT", value_parser = segment)]
    segments: Vec<Segment>,
    /// True peak temperature that the material's instructions ask for, °C (900 to 1750).
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    target: Option<f64>,
    /// Tuning of the target for shade, °C (-40 to 40), kept apart from the furnace's correction.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    shade: Option<f64>,
    /// Lowest setpoint allowed, °C.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    minimum_setpoint: Option<f64>,
    /// Highest setpoint allowed, °C.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    maximum_setpoint: Option<f64>,
    /// What the schedule is for.
    #[arg(long, value_name = "KIND", value_parser = words::one_of(words::PROGRAMMES))]
    kind: Option<ProgrammeKind>,
}

impl Schedule {
    /// Writes what is named into a programme; gives the paths of the fields written.
    fn apply(self, programme: &mut Programme) -> Vec<String> {
        let mut paths = Vec::new();
        let mut named = |path: &str| paths.push(path.to_owned());
        if let Some(name) = self.name {
            programme.display_name = name;
            named("display_name");
        }
        if !self.segments.is_empty() {
            programme.segments = self.segments;
            named("segments");
        }
        if let Some(target) = self.target {
            programme.material_target_c = target;
            named("material_target_c");
        }
        if let Some(shade) = self.shade {
            programme.shade_shift_c = shade;
            named("shade_shift_c");
        }
        if let Some(lowest) = self.minimum_setpoint {
            programme.minimum_setpoint_c = lowest;
            named("minimum_setpoint_c");
        }
        if let Some(highest) = self.maximum_setpoint {
            programme.maximum_setpoint_c = highest;
            named("maximum_setpoint_c");
        }
        if let Some(kind) = self.kind {
            programme.kind = kind.into();
            named("kind");
        }
        paths
    }
}

/// Reads a segment, `RAMP:TEMPERATURE:HOLD`.
fn segment(text: &str) -> Result<Segment, String> {
    let parts: Vec<&str> = text.split(':').collect();
    let [ramp, temperature, hold] = parts.as_slice() else {
        return Err(format!(
            "`{text}` is not a segment; write RAMP:TEMPERATURE:HOLD in °C/min, °C and min, like \
             8:1500:120"
        ));
    };
    Ok(Segment {
        ramp_c_per_min: quantity::number(ramp)?,
        temperature_c: quantity::number(temperature)?,
        hold_min: quantity::number(hold)?,
    })
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List { furnace, limit } => list(furnace, limit.limit, session).await,
        Ask::Show { programme, home } => {
            let name = named(&programme, home.furnace.as_deref(), session).await?;
            let ask = GetProgrammeRequest { name };
            let answer = session.remote.programme(ask).await?;
            let programme = answer.programme.unwrap_or_default();
            session.learn(std::slice::from_ref(&programme));
            show(&programme, session)
        }
        Ask::Add {
            furnace,
            id,
            schedule,
            setpoint,
            repeat,
        } => {
            let mut programme = Programme {
                setpoint_c: setpoint,
                ..Programme::default()
            };
            schedule.apply(&mut programme);
            let parent = session.named(&furnace, FURNACE).await?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = CreateProgrammeRequest {
                parent,
                programme: Some(programme),
                programme_id: id.unwrap_or_default(),
                request_id: request_id.clone(),
            };
            let answer = session.remote.create_programme(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            show(&answer.programme.unwrap_or_default(), session)
        }
        Ask::Change {
            programme,
            home,
            schedule,
            seen,
            repeat,
        } => {
            let mut changed = Programme {
                name: named(&programme, home.furnace.as_deref(), session).await?,
                etag: seen.etag.unwrap_or_default(),
                ..Programme::default()
            };
            let paths = schedule.apply(&mut changed);
            something_named(&paths)?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = UpdateProgrammeRequest {
                programme: Some(changed),
                update_mask: Some(FieldMask { paths }),
                request_id: request_id.clone(),
            };
            let answer = session.remote.update_programme(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            show(&answer.programme.unwrap_or_default(), session)
        }
    }
}

/// Gives the name of a programme from its id or name and, where needed, its furnace's.
pub(crate) async fn named(
    programme: &str,
    furnace: Option<&str>,
    session: &mut Session<'_, '_>,
) -> Result<String, Stop> {
    if let Some(name) = names::spelled_out(programme, PROGRAMME) {
        return Ok(name);
    }
    let Some(furnace) = furnace else {
        return session.named(programme, PROGRAMME).await;
    };
    let furnace = session.named(furnace, FURNACE).await?;
    names::below(&furnace, "programmes", programme).map_err(Stop::Usage)
}

/// Gives the programmes of a furnace (or of a site with `furnaces/-`) and the token of what is left.
pub(crate) async fn of_furnace(
    parent: &str,
    limit: usize,
    session: &Session<'_, '_>,
) -> Result<(Vec<Programme>, String), Stop> {
    let remote = session.remote.clone();
    let found = gathered(limit, async |page_size, page_token| {
        let ask = ListProgrammesRequest {
            parent: parent.to_owned(),
            page_size,
            page_token,
        };
        let page = remote.programmes(ask).await?;
        Ok((page.programmes, page.next_page_token))
    })
    .await?;
    session.learn(&found.0);
    Ok(found)
}

async fn list(
    furnace: Option<String>,
    limit: usize,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let with_furnace = furnace.is_none();
    let parent = match furnace {
        Some(text) => session.named(&text, FURNACE).await?,
        None => format!("{}/furnaces/-", session.site_name().await?),
    };
    let (programmes, next_page_token) = of_furnace(&parent, limit, session).await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListProgrammesResponse {
            programmes,
            next_page_token,
        };
        return session.show_json("ListProgrammesResponse", &whole);
    }
    let rows = rows(&programmes, with_furnace);
    shown_list("programmes", &HEADINGS, &rows, more, session)
}

const HEADINGS: [&str; 7] = [
    "id",
    "name",
    "kind",
    "target",
    "for shade",
    "setpoint",
    "hold",
];

/// Draws programmes as a table.
pub(crate) fn drawn(programmes: &[Programme], with_furnace: bool, columns: u16) -> String {
    output::table(&HEADINGS, &rows(programmes, with_furnace), columns)
}

fn rows(programmes: &[Programme], with_furnace: bool) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for programme in programmes {
        let id = names::id(&programme.name);
        let furnace = names::id(names::parent(&programme.name));
        rows.push(vec![
            if with_furnace {
                format!("{furnace}/{id}")
            } else {
                id.to_owned()
            },
            programme.display_name.clone(),
            words::word(words::PROGRAMMES, programme.kind()).to_owned(),
            format!("{} °C", brief(programme.target_c, 1)),
            format!("{} °C", signed(programme.shade_shift_c, 0)),
            format!("{} °C", brief(programme.setpoint_c, 1)),
            match peak(&programme.segments) {
                Some(segment) => format!("{} min", brief(segment.hold_min, 1)),
                None => String::new(),
            },
        ]);
    }
    rows
}

/// The hottest segment: where the ring does its work.
fn peak(segments: &[Segment]) -> Option<&Segment> {
    segments
        .iter()
        .max_by(|a, b| a.temperature_c.total_cmp(&b.temperature_c))
}

fn show(programme: &Programme, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Programme", programme);
    }
    let limit = |value: f64| {
        if value > 0.0 {
            format!("{} °C", brief(value, 1))
        } else {
            String::new()
        }
    };
    let lines = [
        ("Programme", programme.name.clone()),
        ("Name", programme.display_name.clone()),
        (
            "Kind",
            words::word(words::PROGRAMMES, programme.kind()).to_owned(),
        ),
        (
            "Target",
            format!(
                "{} °C true ({} °C material, {} °C shade)",
                brief(programme.target_c, 1),
                brief(programme.material_target_c, 1),
                signed(programme.shade_shift_c, 1)
            ),
        ),
        (
            "Setpoint",
            format!("{} °C on the controller", brief(programme.setpoint_c, 1)),
        ),
        ("Lowest setpoint", limit(programme.minimum_setpoint_c)),
        ("Highest setpoint", limit(programme.maximum_setpoint_c)),
        ("Version", programme.etag.clone()),
    ];
    let columns = session.world.columns;
    session.show(&output::card(&lines, columns))?;
    let mut rows = Vec::new();
    for (place, segment) in programme.segments.iter().enumerate() {
        rows.push(vec![
            (place + 1).to_string(),
            format!("{} °C/min", brief(segment.ramp_c_per_min, 1)),
            format!("{} °C", brief(segment.temperature_c, 1)),
            format!("{} min", brief(segment.hold_min, 1)),
        ]);
    }
    if rows.is_empty() {
        return Ok(());
    }
    let drawn = output::table(&["segment", "ramp", "to", "hold"], &rows, columns);
    session.show(&format!("\n{drawn}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn segments_are_read_as_ramp_temperature_hold() {
        let read = segment("8:1500:120").expect("a segment");
        assert_eq!(brief(read.ramp_c_per_min, 1), "8");
        assert_eq!(brief(read.temperature_c, 1), "1500");
        assert_eq!(brief(read.hold_min, 1), "120");
        assert_eq!(
            segment("2,5:900:0").map(|s| brief(s.ramp_c_per_min, 1)),
            Ok("2.5".to_owned())
        );
        for text in ["", "8:1500", "8:1500:120:1", "8/1500/120", "a:b:c"] {
            assert!(segment(text).is_err(), "{text}");
        }
    }

    #[test]
    fn the_peak_is_the_hottest_segment() {
        let segments = [
            segment("10:900:30").expect("a segment"),
            segment("4:1500:120").expect("a segment"),
            segment("8:1100:0").expect("a segment"),
        ];
        let hold = peak(&segments).map(|s| brief(s.hold_min, 0));
        assert_eq!(hold, Some("120".to_owned()));
    }
}
