//! `ringtrue furnace`: furnaces, their limits, and what happened to them.

use clap::{Args, Subcommand};
use prost_types::FieldMask;
use ringtrue_proto::v1::{
    CreateFurnaceRequest, Furnace, FurnaceEvent, FurnaceEventKind, FurnaceState, GetFurnaceRequest,
    GetSiteRequest, HeatingElement, ListFurnaceEventsRequest, ListFurnaceEventsResponse,
    ListFurnacesRequest, ListFurnacesResponse, ListProgrammesRequest, ListReadingsRequest,
    RecordFurnaceEventRequest, ThermocoupleType, UpdateFurnaceRequest,
};

use crate::chart::track::Track;
use crate::command::{Limit, Repeat, Seen};
use crate::failure::Stop;
use crate::history::Stretch;
use crate::names::FURNACE;
use crate::quantity::{self, brief, signed};
use crate::queue::Act;
use crate::session::{Session, gathered};
use crate::site::{shown_list, something_named};
use crate::{history, moment, names, output, programme, queue, reading, words};

/// What to do with furnaces.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists the furnaces of a site.
    List {
        /// Lists those of every site you may see.
        #[arg(long)]
        everywhere: bool,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows a furnace: limits, programmes, latest readings, its offset through time, where it stands.
    Show {
        /// Furnace, for example k2, porto/k2 or sites/porto/furnaces/k2.
        furnace: String,
        /// Leaves out the chart of its offset and what follows from it.
        #[arg(long)]
        no_chart: bool,
        #[command(flatten)]
        stretch: Stretch,
    },
    /// Shows a furnace's offset through time, or draws it into a file.
    History(history::Ask),
    /// Adds a furnace to a site.
    Add {
        /// Id of the new furnace, lower-case letters, digits and hyphens; made up when left out.
        #[arg(long, value_name = "ID")]
        id: Option<String>,
        #[command(flatten)]
        description: Description,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Changes a furnace; what is not named stays.
    Change {
        /// Furnace, for example k2.
        furnace: String,
        #[command(flatten)]
        description: Description,
        #[command(flatten)]
        seen: Seen,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Records something that may have moved the furnace's offset.
    Event {
        /// Furnace, for example k2.
        furnace: String,
        /// What happened.
        #[arg(long, value_name = "KIND", value_parser = words::one_of(words::EVENTS))]
        kind: FurnaceEventKind,
        /// When, in the site's zone, for example "friday 14:00"; now when left out.
        #[arg(long, value_name = "MOMENT")]
        at: Option<String>,
        /// Change of the offset entered in the controller, °C, positive when the furnace now runs
        /// hotter; only with controller-offset-changed.
        #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
        shift: Option<f64>,
        /// What was done, parts and serial numbers. No person's name.
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
        /// Initials or staff code of who did it; the operator when left out.
        #[arg(long, value_name = "CODE")]
        by: Option<String>,
        #[command(flatten)]
        repeat: Repeat,
        #[command(flatten)]
        line: queue::Line,
    },
    /// Lists what happened to a furnace, latest first.
    Events {
        /// Furnace, for example k2.
        furnace: String,
        #[command(flatten)]
        limit: Limit,
    },
}

/// A furnace's description and limits.
#[derive(Debug, Args)]
pub(crate) struct Description {
    /// What people at the site call it.
    #[arg(long, value_name = "TEXT")]
    name: Option<String>,
    /// Highest setpoint that the furnace's maker allows, °C (900 to 1800).
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    maximum: Option<f64>,
    /// Smallest step of the controller's setpoint, °C (0.1 to 25).
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    step: Option<f64>,
    /// What the heating elements are made of.
    #[arg(long, value_name = "KIND", value_parser = words::one_of(words::ELEMENTS))]
    elements: Option<HeatingElement>,
    /// Type of the control thermocouple.
    #[arg(long, value_name = "TYPE", value_parser = words::one_of(words::THERMOCOUPLES))]
    control_thermocouple: Option<ThermocoupleType>,
    /// The furnace's own tolerance, ±°C (2 to 50); the site's when left out.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    tolerance: Option<f64>,
    /// Chamber position whose ring counts, for example centre.
    #[arg(long, value_name = "POSITION")]
    reference_position: Option<String>,
    /// Serial or inventory number.
    #[arg(long, value_name = "NUMBER")]
    serial: Option<String>,
    /// Whether it is in use.
    #[arg(long, value_name = "STATE", value_parser = words::one_of(words::FURNACE_STATES))]
    state: Option<FurnaceState>,
}

impl Description {
    /// Writes what is named into a furnace; gives the paths of the fields written.
    fn apply(self, furnace: &mut Furnace) -> Vec<String> {
        let mut paths = Vec::new();
        let mut named = |path: &str| paths.push(path.to_owned());
        if let Some(name) = self.name {
            furnace.display_name = name;
            named("display_name");
        }
        if let Some(maximum) = self.maximum {
            furnace.maximum_setpoint_c = maximum;
            named("maximum_setpoint_c");
        }
        if let Some(step) = self.step {
            furnace.setpoint_step_c = step;
            named("setpoint_step_c");
        }
        if let Some(elements) = self.elements {
            furnace.heating_element = elements.into();
            named("heating_element");
        }
        if let Some(kind) = self.control_thermocouple {
            furnace.control_thermocouple = kind.into();
            named("control_thermocouple");
        }
        if let Some(tolerance) = self.tolerance {
            furnace.tolerance_c = Some(tolerance);
            named("tolerance_c");
        }
        if let Some(position) = self.reference_position {
            furnace.reference_position = position;
            named("reference_position");
        }
        if let Some(serial) = self.serial {
            furnace.serial_number = serial;
            named("serial_number");
        }
        if let Some(state) = self.state {
            furnace.state = state.into();
            named("state");
        }
        paths
    }
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List { everywhere, limit } => list(everywhere, limit.limit, session).await,
        Ask::Show {
            furnace,
            no_chart,
            stretch,
        } => {
            let name = session.named(&furnace, FURNACE).await?;
            show(name, (!no_chart).then_some(stretch), session).await
        }
        Ask::History(ask) => history::carry_out(ask, session).await,
        Ask::Add {
            id,
            description,
            repeat,
        } => {
            let mut furnace = Furnace::default();
            description.apply(&mut furnace);
            let parent = session.site_name().await?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = CreateFurnaceRequest {
                parent,
                furnace: Some(furnace),
                furnace_id: id.unwrap_or_default(),
                request_id: request_id.clone(),
                validate_only: false,
            };
            let answer = session.remote.create_furnace(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            stored(&answer.furnace.unwrap_or_default(), "Added", session)
        }
        Ask::Change {
            furnace,
            description,
            seen,
            repeat,
        } => {
            let mut changed = Furnace {
                name: session.named(&furnace, FURNACE).await?,
                etag: seen.etag.unwrap_or_default(),
                ..Furnace::default()
            };
            let paths = description.apply(&mut changed);
            something_named(&paths)?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = UpdateFurnaceRequest {
                furnace: Some(changed),
                update_mask: Some(FieldMask { paths }),
                request_id: request_id.clone(),
            };
            let answer = session.remote.update_furnace(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            stored(&answer.furnace.unwrap_or_default(), "Changed", session)
        }
        Ask::Event {
            furnace,
            kind,
            at,
            shift,
            note,
            by,
            repeat,
            line,
        } => {
            queue::first(&line, session).await?;
            let event = FurnaceEvent {
                kind: kind.into(),
                offset_shift_c: shift,
                note: note.unwrap_or_default(),
                performed_by: session.who(by),
                ..FurnaceEvent::default()
            };
            let parent = session.named(&furnace, FURNACE).await?;
            record(parent, event, at.as_deref(), &repeat, session).await
        }
        Ask::Events { furnace, limit } => {
            let name = session.named(&furnace, FURNACE).await?;
            events(name, limit.limit, session).await
        }
    }
}

async fn list(everywhere: bool, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = if everywhere {
        "sites/-".to_owned()
    } else {
        session.site_name().await?
    };
    let (furnaces, next_page_token) = of_site(&parent, limit, session).await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListFurnacesResponse {
            furnaces,
            next_page_token,
        };
        return session.show_json("ListFurnacesResponse", &whole);
    }
    let mut rows = Vec::new();
    for furnace in &furnaces {
        let id = names::id(&furnace.name);
        let short = if everywhere {
            format!("{}/{id}", names::id(names::site_of(&furnace.name)))
        } else {
            id.to_owned()
        };
        rows.push(vec![
            short,
            furnace.display_name.clone(),
            words::word(words::FURNACE_STATES, furnace.state()).to_owned(),
            format!("{} °C", brief(furnace.maximum_setpoint_c, 1)),
            offset(furnace),
        ]);
    }
    let headings = ["id", "name", "state", "maximum", "offset"];
    shown_list("furnaces", &headings, &rows, more, session)
}

/// Gives the furnaces of a site and the token of what is left.
pub(crate) async fn of_site(
    parent: &str,
    limit: usize,
    session: &Session<'_, '_>,
) -> Result<(Vec<Furnace>, String), Stop> {
    let remote = session.remote.clone();
    let found = gathered(limit, async |page_size, page_token| {
        let ask = ListFurnacesRequest {
            parent: parent.to_owned(),
            page_size,
            page_token,
        };
        let page = remote.furnaces(ask).await?;
        Ok((page.furnaces, page.next_page_token))
    })
    .await?;
    session.learn(&found.0);
    Ok(found)
}

/// Says what is known of the offset.
fn offset(furnace: &Furnace) -> String {
    match &furnace.offset {
        Some(offset) => format!(
            "{} ± {} °C",
            signed(offset.offset_c, 1),
            brief(2.0 * offset.standard_uncertainty_c, 1)
        ),
        None => "not known yet".to_owned(),
    }
}

fn limits(furnace: &Furnace) -> Vec<(&'static str, String)> {
    let tolerance = match furnace.tolerance_c {
        Some(tolerance) => format!("±{} °C", brief(tolerance, 1)),
        None => "the site's".to_owned(),
    };
    vec![
        ("Furnace", furnace.name.clone()),
        ("Name", furnace.display_name.clone()),
        (
            "State",
            words::word(words::FURNACE_STATES, furnace.state()).to_owned(),
        ),
        (
            "Highest setpoint",
            format!("{} °C", brief(furnace.maximum_setpoint_c, 1)),
        ),
        (
            "Setpoint step",
            format!("{} °C", brief(furnace.setpoint_step_c, 1)),
        ),
        ("Tolerance", tolerance),
        (
            "Heating elements",
            words::word(words::ELEMENTS, furnace.heating_element()).to_owned(),
        ),
        (
            "Control thermocouple",
            words::word(words::THERMOCOUPLES, furnace.control_thermocouple()).to_owned(),
        ),
        ("Position that counts", furnace.reference_position.clone()),
        ("Serial number", furnace.serial_number.clone()),
        ("Version", furnace.etag.clone()),
    ]
}

fn stored(furnace: &Furnace, done: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Furnace", furnace);
    }
    let drawn = output::card(&limits(furnace), session.world.columns);
    session.show(&drawn)?;
    session.say(&format!("{done}."))
}

async fn show(
    name: String,
    stretch: Option<Stretch>,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let one = GetFurnaceRequest { name: name.clone() };
    if session.json {
        let furnace = remote.furnace(one).await?.furnace.unwrap_or_default();
        return session.show_json("Furnace", &furnace);
    }
    let site = names::site_of(&name).to_owned();
    // All four at once: none needs another's answer.
    let (furnace, programmes, readings, place) = tokio::try_join!(
        remote.furnace(one),
        remote.programmes(ListProgrammesRequest {
            parent: name.clone(),
            ..ListProgrammesRequest::default()
        }),
        remote.readings(ListReadingsRequest {
            parent: name.clone(),
            page_size: 5,
            ..ListReadingsRequest::default()
        }),
        remote.site(GetSiteRequest { name: site.clone() }),
    )?;
    let place = place.site.unwrap_or_default();
    session.learn(std::slice::from_ref(&place));
    let zone = session.learn_zone(&site, &place.time_zone)?;
    let furnace = furnace.furnace.unwrap_or_default();
    session.learn(std::slice::from_ref(&furnace));
    session.learn(&programmes.programmes);
    let columns = session.world.columns;
    let mut lines = limits(&furnace);
    if let Some(known) = &furnace.offset {
        lines.push((
            "Offset",
            format!(
                "{} °C at {} °C (about 95 % coverage), from {} {}",
                offset(&furnace).trim_end_matches(" °C"),
                brief(known.at_temperature_c, 0),
                known.reading_count,
                if known.reading_count == 1 {
                    "reading"
                } else {
                    "readings"
                }
            ),
        ));
        let as_of = moment::received(known.as_of_time.as_ref());
        lines.push((
            "As of",
            as_of.map(|at| moment::shown(at, &zone)).unwrap_or_default(),
        ));
    } else {
        lines.push(("Offset", "not known before the first reading".to_owned()));
    }
    session.show(&output::card(&lines, columns))?;
    if !programmes.programmes.is_empty() {
        let drawn = programme::drawn(&programmes.programmes, false, columns);
        session.show(&format!("\nProgrammes\n{drawn}"))?;
    }
    if !readings.readings.is_empty() {
        let drawn = reading::listing::drawn(&readings.readings, &zone, false, columns);
        session.show(&format!("\nLatest readings\n{drawn}"))?;
    }
    let Some(stretch) = stretch else {
        return Ok(());
    };
    let Some(past) = history::beside(&name, &stretch, session).await? else {
        return Ok(());
    };
    let counts = past.standing.as_ref().map(|standing| &standing.programme);
    let programme = programmes
        .programmes
        .iter()
        .find(|programme| Some(&programme.name) == counts);
    let track = Track::of(&past, &zone, programme);
    if track.readings.is_empty() {
        return session.say(
            "There is no chart before the first evaluated reading; record one with `ringtrue reading add`.",
        );
    }
    session.show("\nOffset through time")?;
    history::show(&past, &track, session)
}

async fn record(
    parent: String,
    event: FurnaceEvent,
    at: Option<&str>,
    repeat: &Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let repeatable = session.repeatable(repeat.request_id.as_deref())?;
    let site = names::site_of(&parent).to_owned();
    let at = match at {
        Some(text) => session.moment(text, &site, repeatable.now).await?,
        None => repeatable.now,
    };
    let ask = RecordFurnaceEventRequest {
        parent,
        event: Some(FurnaceEvent {
            event_time: Some(moment::sent(at)),
            ..event
        }),
        request_id: repeatable.request_id.clone(),
    };
    let answer = queue::recorded(Act::Event(ask), session).await?;
    let event = answer.event();
    if session.json {
        return session.show_json("FurnaceEvent", &event);
    }
    let zone = session.zone(&site).await?;
    let when = moment::received(event.event_time.as_ref());
    let lines = [
        ("Event", event.name.clone()),
        ("Kind", words::word(words::EVENTS, event.kind()).to_owned()),
        (
            "When",
            when.map(|at| moment::shown(at, &zone)).unwrap_or_default(),
        ),
        (
            "Offset entered",
            event
                .offset_shift_c
                .map(|shift| format!("{} °C", signed(shift, 1)))
                .unwrap_or_default(),
        ),
        ("Note", event.note.clone()),
        ("By", event.performed_by.clone()),
    ];
    session.show(&output::card(&lines, session.world.columns))?;
    session.say("Recorded. Fire a test ring before work goes in; the offset may have moved.")
}

async fn events(name: String, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let (events, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListFurnaceEventsRequest {
            parent: name.clone(),
            page_size,
            page_token,
        };
        let page = remote.furnace_events(ask).await?;
        Ok((page.events, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListFurnaceEventsResponse {
            events,
            next_page_token,
        };
        return session.show_json("ListFurnaceEventsResponse", &whole);
    }
    let zone = session.zone(names::site_of(&name)).await?;
    let mut rows = Vec::new();
    for event in &events {
        let when = moment::received(event.event_time.as_ref());
        rows.push(vec![
            when.map(|at| moment::brief(at, &zone)).unwrap_or_default(),
            words::word(words::EVENTS, event.kind()).to_owned(),
            event
                .offset_shift_c
                .map(|shift| format!("{} °C", signed(shift, 1)))
                .unwrap_or_default(),
            event.performed_by.clone(),
            event.note.clone(),
        ]);
    }
    let headings = ["when", "what", "offset entered", "by", "note"];
    shown_list("events", &headings, &rows, more, session)
}
