//! Calls about furnaces and what happened to them.

use std::collections::BTreeMap;
use std::sync::Arc;

use ringtrue_calibration::inference::OffsetState;
use ringtrue_fleet::event::{EventDetails, EventKind, FurnaceEvent};
use ringtrue_fleet::furnace::{
    Furnace, FurnaceDetails, FurnaceState, HeatingElement, ThermocoupleType,
};
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, ReadingKey, SiteId};
use ringtrue_fleet::tracking::{TrackPoint, TrackedOffset, offset_then};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::furnace_service_server::FurnaceService;
use ringtrue_store::{PagePart, Read, SiteKnowledge};
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{
    also, choice, chosen_id, found, is_set, moment, name, settled, site_or_all, timestamp,
};
use super::mask::{fields, of_fields};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::sites;
use super::status::answer;
use crate::app::{self, App, Change, Error};

const CREATE: Method = method("/ringtrue.v1.FurnaceService/CreateFurnace");
const GET: Method = method("/ringtrue.v1.FurnaceService/GetFurnace");
const LIST: Method = method("/ringtrue.v1.FurnaceService/ListFurnaces");
const UPDATE: Method = method("/ringtrue.v1.FurnaceService/UpdateFurnace");
const RECORD_EVENT: Method = method("/ringtrue.v1.FurnaceService/RecordFurnaceEvent");
const LIST_EVENTS: Method = method("/ringtrue.v1.FurnaceService/ListFurnaceEvents");

/// Kind of resource, for faults.
pub(crate) const KIND: &str = "ringtrue.v1/Furnace";

/// Answers calls about furnaces.
#[derive(Clone)]
pub(crate) struct Furnaces(pub(crate) App);

#[tonic::async_trait]
impl FurnaceService for Furnaces {
    async fn create_furnace(
        &self,
        request: Request<v1::CreateFurnaceRequest>,
    ) -> Result<Response<v1::CreateFurnaceResponse>, Status> {
        answer(create(&self.0, request).await)
    }

    async fn get_furnace(
        &self,
        request: Request<v1::GetFurnaceRequest>,
    ) -> Result<Response<v1::GetFurnaceResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_furnaces(
        &self,
        request: Request<v1::ListFurnacesRequest>,
    ) -> Result<Response<v1::ListFurnacesResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn update_furnace(
        &self,
        request: Request<v1::UpdateFurnaceRequest>,
    ) -> Result<Response<v1::UpdateFurnaceResponse>, Status> {
        answer(update(&self.0, request).await)
    }

    async fn record_furnace_event(
        &self,
        request: Request<v1::RecordFurnaceEventRequest>,
    ) -> Result<Response<v1::RecordFurnaceEventResponse>, Status> {
        answer(record_event(&self.0, request).await)
    }

    async fn list_furnace_events(
        &self,
        request: Request<v1::ListFurnaceEventsRequest>,
    ) -> Result<Response<v1::ListFurnaceEventsResponse>, Status> {
        answer(list_events(&self.0, request).await)
    }
}

async fn create(
    app: &App,
    request: Request<v1::CreateFurnaceRequest>,
) -> Result<v1::CreateFurnaceResponse, Error> {
    let asking = Asking::of(CREATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE, &request_id, &asked, &mut violations);
    let site = name("parent", &asked.parent, SiteId::parse, &mut violations);
    let id = chosen_id(
        "furnace_id",
        &asked.furnace_id,
        FurnaceId::new,
        &mut violations,
    );
    let details = details(&asked.furnace.unwrap_or_default(), &mut violations);
    also(&mut violations, |more| details.check("furnace", more));
    let site = settled(site, violations)?;
    let scope = asking.site(&site)?;
    if asked.validate_only {
        let tried = app::try_furnace(app, &asking.caller, &site, details, id).await?;
        let furnace = v1::Furnace {
            etag: String::new(),
            create_time: None,
            update_time: None,
            ..message(&tried, None)
        };
        return Ok(v1::CreateFurnaceResponse {
            furnace: Some(furnace),
        });
    }
    let furnace = app::create_furnace(app, &asking.caller, &site, details, id, &repeat).await?;
    // A repeated request may meet a furnace that was read meanwhile.
    let read = app.store.read(&scope).on_one_connection();
    let tracked = known_offset(&read, &furnace.key).await?;
    Ok(v1::CreateFurnaceResponse {
        furnace: Some(message(&furnace, tracked.as_ref())),
    })
}

async fn get(
    app: &App,
    request: Request<v1::GetFurnaceRequest>,
) -> Result<v1::GetFurnaceResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let key = name(
        "name",
        &request.get_ref().name,
        FurnaceKey::parse,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.site)?).on_one_connection();
    let furnace = found(read.furnace(&key).await?, KIND, key.name())?;
    let tracked = known_offset(&read, &key).await?;
    Ok(v1::GetFurnaceResponse {
        furnace: Some(message(&furnace, tracked.as_ref())),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListFurnacesRequest>,
) -> Result<v1::ListFurnacesResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = site_or_all(&asked.parent, &mut violations);
    let filters = [asked.parent.as_str()];
    let order = Order::TwoIds;
    let paging = Paging::read(
        LIST,
        &filters,
        order,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let scope = asking.site_or_network(site.as_ref())?;
    let read = app.store.read(&scope).on_one_connection();
    if let Some(site) = &site {
        found(read.site(site).await?, sites::KIND, site.name())?;
    }
    let rows = read.furnaces(site.as_ref(), &paging.page).await?;
    let fit = read.last_fit().await?;
    let mut tracked: BTreeMap<FurnaceKey, KnownOffset> = BTreeMap::new();
    let mut last_site: Option<&SiteId> = None;
    for row in &rows {
        let site = &row.key.site;
        if last_site == Some(site) {
            continue;
        }
        last_site = Some(site);
        let knowledge = read.site_knowledge(site, Arc::clone(&fit)).await?;
        for (furnace, offset) in read.tracked_offsets(site).await? {
            tracked.insert(
                FurnaceKey {
                    site: site.clone(),
                    furnace,
                },
                KnownOffset::of(offset, &knowledge),
            );
        }
    }
    let key = |furnace: &Furnace| {
        let FurnaceKey { site, furnace } = &furnace.key;
        vec![
            PagePart::Text(site.to_string()),
            PagePart::Text(furnace.to_string()),
        ]
    };
    let (furnaces, next_page_token) = paging.cut(&rows, key, |furnace| {
        message(furnace, tracked.get(&furnace.key))
    });
    Ok(v1::ListFurnacesResponse {
        furnaces,
        next_page_token,
    })
}

/// A furnace's offset just after its last reading.
pub(super) struct KnownOffset {
    /// The offset.
    pub(super) state: OffsetState,
    /// The reading taken into account last.
    pub(super) last: TrackPoint,
}

impl KnownOffset {
    pub(super) fn of(tracked: TrackedOffset, knowledge: &SiteKnowledge) -> Self {
        Self {
            state: offset_then(&tracked, &knowledge.knowledge()),
            last: tracked.last,
        }
    }
}

/// A furnace's offset; none before its first evaluated reading.
async fn known_offset(read: &Read, key: &FurnaceKey) -> Result<Option<KnownOffset>, Error> {
    let Some(tracked) = read.tracked_offset(key).await? else {
        return Ok(None);
    };
    let fit = read.last_fit().await?;
    let knowledge = read.site_knowledge(&key.site, fit).await?;
    Ok(Some(KnownOffset::of(tracked, &knowledge)))
}

async fn update(
    app: &App,
    request: Request<v1::UpdateFurnaceRequest>,
) -> Result<v1::UpdateFurnaceResponse, Error> {
    let asking = Asking::of(UPDATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(UPDATE, &request_id, &asked, &mut violations);
    let given = asked.furnace.unwrap_or_default();
    let key = name(
        "furnace.name",
        &given.name,
        FurnaceKey::parse,
        &mut violations,
    );
    let wanted = fields(
        asked.update_mask.as_ref(),
        &changeable(&given),
        &mut violations,
    );
    let change = change(&given, wanted, &mut violations);
    let key = settled(key, violations)?;
    let scope = asking.site(&key.site)?;
    let etag = (!given.etag.is_empty()).then_some(given.etag);
    let furnace = app::update_furnace(app, &asking.caller, &key, etag, change, &repeat).await?;
    let read = app.store.read(&scope).on_one_connection();
    let tracked = known_offset(&read, &key).await?;
    Ok(v1::UpdateFurnaceResponse {
        furnace: Some(message(&furnace, tracked.as_ref())),
    })
}

async fn record_event(
    app: &App,
    request: Request<v1::RecordFurnaceEventRequest>,
) -> Result<v1::RecordFurnaceEventResponse, Error> {
    let asking = Asking::of(RECORD_EVENT, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(RECORD_EVENT, &request_id, &asked, &mut violations);
    let key = name("parent", &asked.parent, FurnaceKey::parse, &mut violations);
    let details = event_details(asked.event.unwrap_or_default(), &mut violations);
    also(&mut violations, |more| {
        details.check("event", app.clock.now(), more);
    });
    let key = settled(key, violations)?;
    let _scope = asking.site(&key.site)?;
    let event = app::record_furnace_event(app, &asking.caller, &key, details, &repeat).await?;
    Ok(v1::RecordFurnaceEventResponse {
        event: Some(event_message(&event)),
    })
}

async fn list_events(
    app: &App,
    request: Request<v1::ListFurnaceEventsRequest>,
) -> Result<v1::ListFurnaceEventsResponse, Error> {
    let asking = Asking::of(LIST_EVENTS, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let key = name("parent", &asked.parent, FurnaceKey::parse, &mut violations);
    let paging = Paging::read(
        LIST_EVENTS,
        &[&asked.parent],
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.site)?).on_one_connection();
    found(read.furnace(&key).await?, KIND, key.name())?;
    let rows = read.furnace_events(&key, &paging.page).await?;
    let key = |event: &FurnaceEvent| {
        let at = event.details.happened_at.unwrap_or(event.received_at);
        vec![
            PagePart::Number(at.as_microsecond()),
            PagePart::Text(event.key.event.to_string()),
        ]
    };
    let (events, next_page_token) = paging.cut(&rows, key, event_message);
    Ok(v1::ListFurnaceEventsResponse {
        events,
        next_page_token,
    })
}

/// Every field that an update may change and whether the message sets it.
fn changeable(given: &v1::Furnace) -> [(&'static str, bool); 9] {
    [
        ("display_name", !given.display_name.is_empty()),
        ("maximum_setpoint_c", is_set(given.maximum_setpoint_c)),
        ("setpoint_step_c", is_set(given.setpoint_step_c)),
        ("heating_element", given.heating_element != 0),
        ("control_thermocouple", given.control_thermocouple != 0),
        ("tolerance_c", given.tolerance_c.is_some()),
        ("reference_position", !given.reference_position.is_empty()),
        ("serial_number", !given.serial_number.is_empty()),
        ("state", given.state != 0),
    ]
}

fn change(
    given: &v1::Furnace,
    wanted: Vec<&'static str>,
    violations: &mut Violations,
) -> Change<FurnaceDetails> {
    let mut found = Violations::default();
    let new = details(given, &mut found);
    of_fields("furnace", &wanted, found, violations);
    // A retired furnace must not come back into use by something left out.
    if wanted.contains(&"state") && given.state == 0 {
        violations.add(
            "furnace.state",
            "REQUIRED",
            "is missing; send the state the furnace is to have",
        );
    }
    Box::new(move |before: &FurnaceDetails| {
        let mut after = before.clone();
        for field in &wanted {
            match *field {
                "display_name" => after.display_name.clone_from(&new.display_name),
                "maximum_setpoint_c" => after.maximum_setpoint_c = new.maximum_setpoint_c,
                "setpoint_step_c" => after.setpoint_step_c = new.setpoint_step_c,
                "heating_element" => after.heating_element = new.heating_element,
                "control_thermocouple" => after.control_thermocouple = new.control_thermocouple,
                "tolerance_c" => after.tolerance_c = new.tolerance_c,
                "reference_position" => {
                    after.reference_position.clone_from(&new.reference_position);
                }
                "serial_number" => after.serial_number.clone_from(&new.serial_number),
                "state" => after.state = new.state,
                _ => {}
            }
        }
        Ok(after)
    })
}

/// Reads a furnace's content; what is left out gets the protocol's defaults.
fn details(given: &v1::Furnace, violations: &mut Violations) -> FurnaceDetails {
    let usual = FurnaceDetails::default();
    let element = choice("furnace.heating_element", given.heating_element, violations);
    let thermocouple = choice(
        "furnace.control_thermocouple",
        given.control_thermocouple,
        violations,
    );
    let state = choice("furnace.state", given.state, violations);
    FurnaceDetails {
        display_name: given.display_name.clone(),
        maximum_setpoint_c: given.maximum_setpoint_c,
        setpoint_step_c: if is_set(given.setpoint_step_c) {
            given.setpoint_step_c
        } else {
            usual.setpoint_step_c
        },
        heating_element: match element {
            None | Some(v1::HeatingElement::Unspecified) => HeatingElement::Unknown,
            Some(v1::HeatingElement::MolybdenumDisilicide) => HeatingElement::MolybdenumDisilicide,
            Some(v1::HeatingElement::SiliconCarbide) => HeatingElement::SiliconCarbide,
            Some(v1::HeatingElement::Other) => HeatingElement::Other,
        },
        control_thermocouple: match thermocouple {
            None | Some(v1::ThermocoupleType::Unspecified) => ThermocoupleType::Unknown,
            Some(v1::ThermocoupleType::B) => ThermocoupleType::B,
            Some(v1::ThermocoupleType::S) => ThermocoupleType::S,
            Some(v1::ThermocoupleType::R) => ThermocoupleType::R,
        },
        tolerance_c: given.tolerance_c,
        reference_position: given.reference_position.trim().to_owned(),
        serial_number: given.serial_number.clone(),
        state: match state {
            None | Some(v1::FurnaceState::Unspecified | v1::FurnaceState::InUse) => {
                FurnaceState::InUse
            }
            Some(v1::FurnaceState::InService) => FurnaceState::InService,
            Some(v1::FurnaceState::Retired) => FurnaceState::Retired,
        },
    }
}

fn message(furnace: &Furnace, tracked: Option<&KnownOffset>) -> v1::Furnace {
    let details = &furnace.details;
    let element = match details.heating_element {
        HeatingElement::Unknown => v1::HeatingElement::Unspecified,
        HeatingElement::MolybdenumDisilicide => v1::HeatingElement::MolybdenumDisilicide,
        HeatingElement::SiliconCarbide => v1::HeatingElement::SiliconCarbide,
        HeatingElement::Other => v1::HeatingElement::Other,
    };
    let thermocouple = match details.control_thermocouple {
        ThermocoupleType::Unknown => v1::ThermocoupleType::Unspecified,
        ThermocoupleType::B => v1::ThermocoupleType::B,
        ThermocoupleType::S => v1::ThermocoupleType::S,
        ThermocoupleType::R => v1::ThermocoupleType::R,
    };
    let state = match details.state {
        FurnaceState::InUse => v1::FurnaceState::InUse,
        FurnaceState::InService => v1::FurnaceState::InService,
        FurnaceState::Retired => v1::FurnaceState::Retired,
    };
    v1::Furnace {
        name: furnace.key.name(),
        display_name: details.display_name.clone(),
        maximum_setpoint_c: details.maximum_setpoint_c,
        setpoint_step_c: details.setpoint_step_c,
        heating_element: element.into(),
        control_thermocouple: thermocouple.into(),
        tolerance_c: details.tolerance_c,
        reference_position: details.reference_position.clone(),
        serial_number: details.serial_number.clone(),
        state: state.into(),
        etag: furnace.etag(),
        create_time: Some(timestamp(furnace.created_at)),
        update_time: Some(timestamp(furnace.updated_at)),
        offset: tracked.map(|tracked| offset_message(&furnace.key, tracked)),
    }
}

fn offset_message(furnace: &FurnaceKey, tracked: &KnownOffset) -> v1::FurnaceOffset {
    let last = &tracked.last;
    let estimate = tracked.state.estimate(last.setpoint_c);
    let reading = ReadingKey {
        furnace: furnace.clone(),
        reading: last.reading.clone(),
    };
    // With one temperature the coefficient is what was believed beforehand, not what is known.
    let has_two = tracked.state.highest_setpoint_c > tracked.state.lowest_setpoint_c;
    v1::FurnaceOffset {
        offset_c: estimate.offset_c,
        standard_uncertainty_c: estimate.standard_uncertainty_c,
        at_temperature_c: last.setpoint_c,
        coefficient_c_per_100c: if has_two {
            tracked.state.coefficient_c_per_100c
        } else {
            0.0
        },
        as_of_time: Some(timestamp(last.fired_at)),
        reading_count: i32::try_from(tracked.state.readings).unwrap_or(i32::MAX),
        last_reading: reading.name(),
    }
}

fn event_details(given: v1::FurnaceEvent, violations: &mut Violations) -> EventDetails {
    let kind = choice("event.kind", given.kind, violations).and_then(event_kind);
    EventDetails {
        kind,
        happened_at: moment("event.event_time", given.event_time, violations),
        offset_shift_c: given.offset_shift_c,
        note: given.note,
        performed_by: given.performed_by,
    }
}

pub(super) fn event_message(event: &FurnaceEvent) -> v1::FurnaceEvent {
    let details = &event.details;
    v1::FurnaceEvent {
        name: event.key.name(),
        kind: details
            .kind
            .map_or(v1::FurnaceEventKind::Unspecified, kind_message)
            .into(),
        event_time: details.happened_at.map(timestamp),
        offset_shift_c: details.offset_shift_c,
        note: details.note.clone(),
        performed_by: details.performed_by.clone(),
        receive_time: Some(timestamp(event.received_at)),
    }
}

pub(super) fn event_kind(kind: v1::FurnaceEventKind) -> Option<EventKind> {
    match kind {
        v1::FurnaceEventKind::Unspecified => None,
        v1::FurnaceEventKind::ElementsReplaced => Some(EventKind::ElementsReplaced),
        v1::FurnaceEventKind::ThermocoupleReplaced => Some(EventKind::ThermocoupleReplaced),
        v1::FurnaceEventKind::ControllerChanged => Some(EventKind::ControllerChanged),
        v1::FurnaceEventKind::ControllerOffsetChanged => Some(EventKind::ControllerOffsetChanged),
        v1::FurnaceEventKind::Moved => Some(EventKind::Moved),
        v1::FurnaceEventKind::MainsWork => Some(EventKind::MainsWork),
        v1::FurnaceEventKind::Repair => Some(EventKind::Repair),
        v1::FurnaceEventKind::DiscolouredWork => Some(EventKind::DiscolouredWork),
    }
}

pub(super) fn kind_message(kind: EventKind) -> v1::FurnaceEventKind {
    match kind {
        EventKind::ElementsReplaced => v1::FurnaceEventKind::ElementsReplaced,
        EventKind::ThermocoupleReplaced => v1::FurnaceEventKind::ThermocoupleReplaced,
        EventKind::ControllerChanged => v1::FurnaceEventKind::ControllerChanged,
        EventKind::ControllerOffsetChanged => v1::FurnaceEventKind::ControllerOffsetChanged,
        EventKind::Moved => v1::FurnaceEventKind::Moved,
        EventKind::MainsWork => v1::FurnaceEventKind::MainsWork,
        EventKind::Repair => v1::FurnaceEventKind::Repair,
        EventKind::DiscolouredWork => v1::FurnaceEventKind::DiscolouredWork,
    }
}

#[cfg(test)]
mod tests;
