//! Calls about adjustments: setpoints as left on the controller.

use ringtrue_fleet::adjustment::{Adjustment, AdjustmentDetails};
use ringtrue_fleet::key::{AdjustmentKey, FurnaceKey, ProgrammeKey, ReadingKey};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::adjustment_service_server::AdjustmentService;
use ringtrue_store::PagePart;
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{also, found, moment, name, optional_name, settled, timestamp};
use super::furnaces;
use super::page::{Order, Paging};
use super::request::repeatable;
use super::status::answer;
use crate::app::{self, App, Error};

const CONFIRM: Method = method("/ringtrue.v1.AdjustmentService/ConfirmAdjustment");
const GET: Method = method("/ringtrue.v1.AdjustmentService/GetAdjustment");
const LIST: Method = method("/ringtrue.v1.AdjustmentService/ListAdjustments");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/Adjustment";

/// Answers calls about adjustments.
#[derive(Clone)]
pub(crate) struct Adjustments(pub(crate) App);

#[tonic::async_trait]
impl AdjustmentService for Adjustments {
    async fn confirm_adjustment(
        &self,
        request: Request<v1::ConfirmAdjustmentRequest>,
    ) -> Result<Response<v1::ConfirmAdjustmentResponse>, Status> {
        answer(confirm(&self.0, request).await)
    }

    async fn get_adjustment(
        &self,
        request: Request<v1::GetAdjustmentRequest>,
    ) -> Result<Response<v1::GetAdjustmentResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_adjustments(
        &self,
        request: Request<v1::ListAdjustmentsRequest>,
    ) -> Result<Response<v1::ListAdjustmentsResponse>, Status> {
        answer(list(&self.0, request).await)
    }
}

async fn confirm(
    app: &App,
    request: Request<v1::ConfirmAdjustmentRequest>,
) -> Result<v1::ConfirmAdjustmentResponse, Error> {
    let asking = Asking::of(CONFIRM, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CONFIRM, &request_id, &asked, &mut violations);
    let key = name("parent", &asked.parent, FurnaceKey::parse, &mut violations);
    let details = details(asked.adjustment.unwrap_or_default(), &mut violations);
    if let Some(key) = &key {
        let now = app.clock.now();
        also(&mut violations, |more| {
            details.check("adjustment", key, now, more);
        });
    }
    let key = settled(key, violations)?;
    let _scope = asking.site(&key.site)?;
    let adjustment = app::confirm_adjustment(app, &asking.caller, &key, details, &repeat).await?;
    Ok(v1::ConfirmAdjustmentResponse {
        adjustment: Some(message(&adjustment)),
    })
}

async fn get(
    app: &App,
    request: Request<v1::GetAdjustmentRequest>,
) -> Result<v1::GetAdjustmentResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let key = name(
        "name",
        &request.get_ref().name,
        AdjustmentKey::parse,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.furnace.site)?);
    let adjustment = found(read.adjustment(&key).await?, KIND, key.name())?;
    Ok(v1::GetAdjustmentResponse {
        adjustment: Some(message(&adjustment)),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListAdjustmentsRequest>,
) -> Result<v1::ListAdjustmentsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let key = name("parent", &asked.parent, FurnaceKey::parse, &mut violations);
    let filters = [asked.parent.as_str()];
    let order = Order::LatestFirst;
    let paging = Paging::read(
        LIST,
        &filters,
        order,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.site)?).on_one_connection();
    found(read.furnace(&key).await?, furnaces::KIND, key.name())?;
    let rows = read.adjustments(&key, &paging.page).await?;
    let key = |adjustment: &Adjustment| {
        let at = adjustment
            .details
            .adjusted_at
            .unwrap_or(adjustment.received_at);
        let id = adjustment.key.adjustment.to_string();
        vec![PagePart::Number(at.as_microsecond()), PagePart::Text(id)]
    };
    let (adjustments, next_page_token) = paging.cut(&rows, key, message);
    Ok(v1::ListAdjustmentsResponse {
        adjustments,
        next_page_token,
    })
}

fn details(given: v1::Adjustment, violations: &mut Violations) -> AdjustmentDetails {
    let programme = optional_name(
        "adjustment.programme",
        &given.programme,
        ProgrammeKey::parse,
        violations,
    );
    let reading = optional_name(
        "adjustment.reading",
        &given.reading,
        ReadingKey::parse,
        violations,
    );
    AdjustmentDetails {
        programme,
        reading,
        setpoint_c: given.setpoint_c,
        adjusted_at: moment("adjustment.adjust_time", given.adjust_time, violations),
        performed_by: given.performed_by,
        override_reason: given.override_reason,
    }
}

fn message(adjustment: &Adjustment) -> v1::Adjustment {
    let details = &adjustment.details;
    v1::Adjustment {
        name: adjustment.key.name(),
        programme: details
            .programme
            .as_ref()
            .map(ProgrammeKey::name)
            .unwrap_or_default(),
        reading: details
            .reading
            .as_ref()
            .map(ReadingKey::name)
            .unwrap_or_default(),
        previous_setpoint_c: adjustment.previous_setpoint_c,
        setpoint_c: details.setpoint_c,
        advised_setpoint_c: adjustment.advised_setpoint_c,
        adjust_time: details.adjusted_at.map(timestamp),
        performed_by: details.performed_by.clone(),
        override_reason: details.override_reason.clone(),
        receive_time: Some(timestamp(adjustment.received_at)),
    }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;

    fn given() -> v1::Adjustment {
        v1::Adjustment {
            programme: "sites/north/furnaces/k2/programmes/p1".to_owned(),
            reading: "sites/north/furnaces/k2/readings/r1".to_owned(),
            setpoint_c: 1481.0,
            adjust_time: Some(prost_types::Timestamp {
                seconds: 1_800_000_000,
                nanos: 0,
            }),
            performed_by: "ab".to_owned(),
            override_reason: "panel shows whole degrees".to_owned(),
            ..v1::Adjustment::default()
        }
    }

    #[test]
    fn an_adjustment_survives_the_way_out_and_back() {
        let mut violations = Violations::default();
        let before = details(given(), &mut violations);
        let name = "sites/north/furnaces/k2/adjustments/a1";
        let adjustment = Adjustment {
            key: AdjustmentKey::parse(name).expect("a name"),
            details: before.clone(),
            previous_setpoint_c: 1500.0,
            advised_setpoint_c: Some(1480.0),
            received_at: Timestamp::UNIX_EPOCH,
        };
        let out = message(&adjustment);
        assert_eq!(out.name, name);
        assert_eq!(out.programme, given().programme);
        assert_eq!(
            (out.previous_setpoint_c, out.advised_setpoint_c),
            (1500.0, Some(1480.0))
        );
        assert_eq!(details(out, &mut violations), before);
        assert_eq!(violations, Violations::default());
    }

    #[test]
    fn a_reading_may_be_left_out_but_not_misspelt() {
        let mut violations = Violations::default();
        let without = v1::Adjustment {
            reading: String::new(),
            ..given()
        };
        assert_eq!(details(without, &mut violations).reading, None);
        assert_eq!(violations.0.len(), 0);
        let misspelt = v1::Adjustment {
            reading: "readings/r1".to_owned(),
            ..given()
        };
        details(misspelt, &mut violations);
        assert_eq!(violations.0[0].field, "adjustment.reading");
    }
}
