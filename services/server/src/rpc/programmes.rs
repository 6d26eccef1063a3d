//! Calls about firing programmes.

use ringtrue_calibration::programme::Segment;
use ringtrue_fleet::furnace::FurnaceDetails;
use ringtrue_fleet::key::{FurnaceKey, ProgrammeId, ProgrammeKey};
use ringtrue_fleet::programme::{Programme, ProgrammeDetails, ProgrammeKind};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::programme_service_server::ProgrammeService;
use ringtrue_store::PagePart;
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{
    also, choice, chosen_id, found, furnace_or_all, is_set, name, settled, timestamp,
};
use super::mask::{fields, of_fields};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::status::answer;
use super::{furnaces, sites};
use crate::app::{self, App, Change, Error};

const CREATE: Method = method("/ringtrue.v1.ProgrammeService/CreateProgramme");
const GET: Method = method("/ringtrue.v1.ProgrammeService/GetProgramme");
const LIST: Method = method("/ringtrue.v1.ProgrammeService/ListProgrammes");
const UPDATE: Method = method("/ringtrue.v1.ProgrammeService/UpdateProgramme");

/// Kind of resource, for faults.
pub(super) const KIND: &str = "ringtrue.v1/Programme";

/// The highest setpoint that any furnace here may have, °C; stands in where the furnace is not
/// looked up because the request is refused anyway.
const HIGHEST_SETPOINT_C: f64 = 1800.0;

/// Answers calls about programmes.
#[derive(Clone)]
pub(crate) struct Programmes(pub(crate) App);

#[tonic::async_trait]
impl ProgrammeService for Programmes {
    async fn create_programme(
        &self,
        request: Request<v1::CreateProgrammeRequest>,
    ) -> Result<Response<v1::CreateProgrammeResponse>, Status> {
        answer(create(&self.0, request).await)
    }

    async fn get_programme(
        &self,
        request: Request<v1::GetProgrammeRequest>,
    ) -> Result<Response<v1::GetProgrammeResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_programmes(
        &self,
        request: Request<v1::ListProgrammesRequest>,
    ) -> Result<Response<v1::ListProgrammesResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn update_programme(
        &self,
        request: Request<v1::UpdateProgrammeRequest>,
    ) -> Result<Response<v1::UpdateProgrammeResponse>, Status> {
        answer(update(&self.0, request).await)
    }
}

async fn create(
    app: &App,
    request: Request<v1::CreateProgrammeRequest>,
) -> Result<v1::CreateProgrammeResponse, Error> {
    let asking = Asking::of(CREATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE, &request_id, &asked, &mut violations);
    let key = name("parent", &asked.parent, FurnaceKey::parse, &mut violations);
    let id = chosen_id(
        "programme_id",
        &asked.programme_id,
        ProgrammeId::new,
        &mut violations,
    );
    let details = details(&asked.programme.unwrap_or_default(), &mut violations);
    let any_furnace = FurnaceDetails {
        maximum_setpoint_c: HIGHEST_SETPOINT_C,
        ..FurnaceDetails::default()
    };
    also(&mut violations, |more| {
        details.check("programme", &any_furnace, more);
    });
    let key = settled(key, violations)?;
    let _scope = asking.site(&key.site)?;
    let programme = app::create_programme(app, &asking.caller, &key, details, id, &repeat).await?;
    Ok(v1::CreateProgrammeResponse {
        programme: Some(message(&programme)),
    })
}

async fn get(
    app: &App,
    request: Request<v1::GetProgrammeRequest>,
) -> Result<v1::GetProgrammeResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let key = name(
        "name",
        &request.get_ref().name,
        ProgrammeKey::parse,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.furnace.site)?);
    let programme = found(read.programme(&key).await?, KIND, key.name())?;
    Ok(v1::GetProgrammeResponse {
        programme: Some(message(&programme)),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListProgrammesRequest>,
) -> Result<v1::ListProgrammesResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let parent = furnace_or_all("parent", &asked.parent, &mut violations);
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
    let (site, furnace) = settled(parent, violations)?;
    let read = app.store.read(&asking.site(&site)?).on_one_connection();
    if let Some(furnace) = &furnace {
        let key = FurnaceKey {
            site: site.clone(),
            furnace: furnace.clone(),
        };
        found(read.furnace(&key).await?, furnaces::KIND, key.name())?;
    } else {
        found(read.site(&site).await?, sites::KIND, site.name())?;
    }
    let rows = read
        .programmes(&site, furnace.as_ref(), &paging.page)
        .await?;
    let key = |programme: &Programme| {
        let ProgrammeKey { furnace, programme } = &programme.key;
        vec![
            PagePart::Text(furnace.furnace.to_string()),
            PagePart::Text(programme.to_string()),
        ]
    };
    let (programmes, next_page_token) = paging.cut(&rows, key, message);
    Ok(v1::ListProgrammesResponse {
        programmes,
        next_page_token,
    })
}

async fn update(
    app: &App,
    request: Request<v1::UpdateProgrammeRequest>,
) -> Result<v1::UpdateProgrammeResponse, Error> {
    let asking = Asking::of(UPDATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(UPDATE, &request_id, &asked, &mut violations);
    let given = asked.programme.unwrap_or_default();
    let key = name(
        "programme.name",
        &given.name,
        ProgrammeKey::parse,
        &mut violations,
    );
    let wanted = fields(
        asked.update_mask.as_ref(),
        &changeable(&given),
        &mut violations,
    );
    let change = change(&given, wanted, &mut violations);
    let key = settled(key, violations)?;
    let _scope = asking.site(&key.furnace.site)?;
    let etag = (!given.etag.is_empty()).then_some(given.etag);
    let programme = app::update_programme(app, &asking.caller, &key, etag, change, &repeat).await?;
    Ok(v1::UpdateProgrammeResponse {
        programme: Some(message(&programme)),
    })
}

/// Every field that an update may name and whether the message sets it. A setpoint is among them so
/// that a programme can be sent back as it was got; a changed one is refused by the fleet's rules.
fn changeable(given: &v1::Programme) -> [(&'static str, bool); 8] {
    [
        ("display_name", !given.display_name.is_empty()),
        ("segments", !given.segments.is_empty()),
        ("material_target_c", is_set(given.material_target_c)),
        ("shade_shift_c", is_set(given.shade_shift_c)),
        ("setpoint_c", is_set(given.setpoint_c)),
        ("minimum_setpoint_c", is_set(given.minimum_setpoint_c)),
        ("maximum_setpoint_c", is_set(given.maximum_setpoint_c)),
        ("kind", given.kind != 0),
    ]
}

fn change(
    given: &v1::Programme,
    wanted: Vec<&'static str>,
    violations: &mut Violations,
) -> Change<ProgrammeDetails> {
    let mut found = Violations::default();
    let new = details(given, &mut found);
    of_fields("programme", &wanted, found, violations);
    Box::new(move |before: &ProgrammeDetails| {
        let mut after = before.clone();
        for field in &wanted {
            match *field {
                "display_name" => after.display_name.clone_from(&new.display_name),
                "segments" => after.segments.clone_from(&new.segments),
                "material_target_c" => after.material_target_c = new.material_target_c,
                "shade_shift_c" => after.shade_shift_c = new.shade_shift_c,
                "setpoint_c" => after.setpoint_c = new.setpoint_c,
                "minimum_setpoint_c" => after.minimum_setpoint_c = new.minimum_setpoint_c,
                "maximum_setpoint_c" => after.maximum_setpoint_c = new.maximum_setpoint_c,
                "kind" => after.kind = new.kind,
                _ => {}
            }
        }
        Ok(after)
    })
}

fn details(given: &v1::Programme, violations: &mut Violations) -> ProgrammeDetails {
    let kind = choice("programme.kind", given.kind, violations);
    let mut segments = Vec::with_capacity(given.segments.len());
    for segment in &given.segments {
        segments.push(Segment {
            ramp_c_per_min: segment.ramp_c_per_min,
            temperature_c: segment.temperature_c,
            hold_min: segment.hold_min,
        });
    }
    ProgrammeDetails {
        display_name: given.display_name.clone(),
        segments,
        material_target_c: given.material_target_c,
        shade_shift_c: given.shade_shift_c,
        setpoint_c: given.setpoint_c,
        minimum_setpoint_c: given.minimum_setpoint_c,
        maximum_setpoint_c: given.maximum_setpoint_c,
        kind: match kind {
            None | Some(v1::ProgrammeKind::Unspecified | v1::ProgrammeKind::Standard) => {
                ProgrammeKind::Standard
            }
            Some(v1::ProgrammeKind::Quick) => ProgrammeKind::Quick,
            Some(v1::ProgrammeKind::Long) => ProgrammeKind::Long,
        },
        last_change: None,
    }
}

fn message(programme: &Programme) -> v1::Programme {
    let details = &programme.details;
    let mut segments = Vec::with_capacity(details.segments.len());
    for segment in &details.segments {
        segments.push(v1::Segment {
            ramp_c_per_min: segment.ramp_c_per_min,
            temperature_c: segment.temperature_c,
            hold_min: segment.hold_min,
        });
    }
    let kind = match details.kind {
        ProgrammeKind::Standard => v1::ProgrammeKind::Standard,
        ProgrammeKind::Quick => v1::ProgrammeKind::Quick,
        ProgrammeKind::Long => v1::ProgrammeKind::Long,
    };
    v1::Programme {
        name: programme.key.name(),
        display_name: details.display_name.clone(),
        segments,
        material_target_c: details.material_target_c,
        shade_shift_c: details.shade_shift_c,
        target_c: details.target_c(),
        setpoint_c: details.setpoint_c,
        minimum_setpoint_c: details.minimum_setpoint_c,
        maximum_setpoint_c: details.maximum_setpoint_c,
        kind: kind.into(),
        etag: programme.etag(),
        create_time: Some(timestamp(programme.created_at)),
        update_time: Some(timestamp(programme.updated_at)),
    }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;
    use ringtrue_fleet::programme::SetpointChange;

    use super::*;

    fn given() -> v1::Programme {
        v1::Programme {
            name: "sites/north/furnaces/k2/programmes/p1".to_owned(),
            display_name: "Standard 1500".to_owned(),
            segments: vec![v1::Segment {
                ramp_c_per_min: 8.0,
                temperature_c: 1500.0,
                hold_min: 120.0,
            }],
            material_target_c: 1500.0,
            shade_shift_c: -10.0,
            setpoint_c: 1481.0,
            minimum_setpoint_c: 1400.0,
            maximum_setpoint_c: 1550.0,
            kind: v1::ProgrammeKind::Long.into(),
            ..v1::Programme::default()
        }
    }

    #[test]
    fn a_programme_survives_the_way_out_and_back_and_target_and_setpoint_stay_apart() {
        let mut violations = Violations::default();
        let before = details(&given(), &mut violations);
        let key = ProgrammeKey::parse(&given().name).expect("a name");
        let out = message(&Programme::first(
            key,
            before.clone(),
            Timestamp::UNIX_EPOCH,
        ));
        assert_eq!(out.name, given().name);
        assert!((out.target_c - 1490.0).abs() < 1e-9);
        assert!((out.setpoint_c - 1481.0).abs() < 1e-9);
        assert_eq!(details(&out, &mut violations), before);
        assert_eq!(violations, Violations::default());
    }

    #[test]
    fn an_update_keeps_the_confirmed_change_of_the_setpoint() {
        let confirmed = SetpointChange {
            from_c: 1500.0,
            to_c: 1481.0,
            changed_at: Timestamp::UNIX_EPOCH,
        };
        let before = ProgrammeDetails {
            last_change: Some(confirmed),
            ..ProgrammeDetails::default()
        };
        let all: Vec<&str> = changeable(&given())
            .iter()
            .map(|(field, _)| *field)
            .collect();
        let mut violations = Violations::default();
        let after = change(&given(), all, &mut violations)(&before).expect("valid");
        let wanted = ProgrammeDetails {
            last_change: Some(confirmed),
            ..details(&given(), &mut violations)
        };
        assert_eq!(after, wanted);
        assert_eq!(violations, Violations::default());
    }

    #[test]
    fn an_unknown_kind_is_refused_only_when_it_is_to_be_changed() {
        let sent = v1::Programme {
            kind: 12,
            ..given()
        };
        let mut violations = Violations::default();
        drop(change(&sent, vec!["display_name"], &mut violations));
        assert_eq!(violations.0.len(), 0);
        drop(change(&sent, vec!["kind"], &mut violations));
        assert_eq!(violations.0[0].field, "programme.kind");
    }
}
