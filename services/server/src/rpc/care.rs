//! Calls about what is due, what was done about it, and whether a furnace may be used.

mod acts;
mod due;

use ringtrue_fleet::due::due_tasks;
use ringtrue_fleet::key::{FurnaceKey, ProgrammeKey, SiteId};
use ringtrue_fleet::standing::Conformity;
use ringtrue_fleet::task::TaskKind;
use ringtrue_fleet::use_state::{CAUTION, UseState, usable};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::care_service_server::CareService;
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{found, name, optional_name, settled, timestamp};
use super::status::answer;
use super::{furnaces, programmes, sites};
use crate::app::{App, Error};
use crate::loaded_site::LoadedSite;

const USE: Method = method("/ringtrue.v1.CareService/CheckUse");

/// Answers calls about care.
#[derive(Clone)]
pub(crate) struct Care(pub(crate) App);

#[tonic::async_trait]
impl CareService for Care {
    async fn list_due_tasks(
        &self,
        request: Request<v1::ListDueTasksRequest>,
    ) -> Result<Response<v1::ListDueTasksResponse>, Status> {
        answer(due::list(&self.0, request).await)
    }

    async fn check_use(
        &self,
        request: Request<v1::CheckUseRequest>,
    ) -> Result<Response<v1::CheckUseResponse>, Status> {
        answer(check_use(&self.0, request).await)
    }

    async fn record_care_act(
        &self,
        request: Request<v1::RecordCareActRequest>,
    ) -> Result<Response<v1::RecordCareActResponse>, Status> {
        answer(acts::record(&self.0, request).await)
    }

    async fn list_care_acts(
        &self,
        request: Request<v1::ListCareActsRequest>,
    ) -> Result<Response<v1::ListCareActsResponse>, Status> {
        answer(acts::list(&self.0, request).await)
    }
}

async fn check_use(
    app: &App,
    request: Request<v1::CheckUseRequest>,
) -> Result<v1::CheckUseResponse, Error> {
    let asking = Asking::of(USE, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let key = name(
        "furnace",
        &asked.furnace,
        FurnaceKey::parse,
        &mut violations,
    );
    let programme = optional_name(
        "programme",
        &asked.programme,
        ProgrammeKey::parse,
        &mut violations,
    );
    if let (Some(key), Some(programme)) = (&key, &programme)
        && programme.furnace != *key
    {
        violations.add(
            "programme",
            "OF_ANOTHER_FURNACE",
            format!(
                "does not run on {}; send one of its own programmes",
                key.name()
            ),
        );
    }
    let key = settled(key, violations)?;
    let now = app.clock.now();
    let read = app.store.read(&asking.site(&key.site)?).on_one_connection();
    found(read.site(&key.site).await?, sites::KIND, key.site.name())?;
    found(read.furnace(&key).await?, furnaces::KIND, key.name())?;
    let setpoint_c = match &programme {
        Some(programme) => {
            let known = read.programme(programme).await?;
            let known = found(known, programmes::KIND, programme.name())?;
            Some(known.details.setpoint_c)
        }
        None => None,
    };
    let loaded = LoadedSite::one(&read, &key.site).await?;
    let loaded = found(loaded, sites::KIND, key.site.name())?;
    let conformity = loaded
        .conformity(&key, programme.as_ref(), now)
        .unwrap_or(Conformity::Unknown);
    let records = read.site_records(std::slice::from_ref(&key.site)).await?;
    let records = found(records.into_iter().next(), sites::KIND, key.site.name())?;
    let dues = due_tasks(&records, now);
    let furnace = records.furnaces.iter().find(|furnace| furnace.key == key);
    let furnace = found(furnace, furnaces::KIND, key.name())?;
    let answer = usable(&records, furnace, &dues, conformity);
    let calibration = dues
        .iter()
        .find(|due| due.task == TaskKind::Calibration && due.subject.name() == key.name());
    let state = match answer.state {
        UseState::Fit => v1::UseState::Fit,
        UseState::Restricted => v1::UseState::Restricted,
        UseState::Unfit => v1::UseState::Unfit,
    };
    Ok(v1::CheckUseResponse {
        furnace: key.name(),
        state: state.into(),
        reasons: answer.reasons.iter().map(due::reason).collect(),
        setpoint_c,
        valid_until_time: answer.valid_until.map(timestamp),
        as_of_time: Some(timestamp(now)),
        calibration: calibration.map(|due| due::message(&records.site, due)),
        caution: CAUTION.to_owned(),
    })
}

/// A site that must exist for what is asked about it.
async fn existing(read: &ringtrue_store::Read, site: &SiteId) -> Result<(), Error> {
    found(read.site(site).await?, sites::KIND, site.name())?;
    Ok(())
}
