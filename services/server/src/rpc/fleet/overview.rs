//! The network, or one site, in a few figures.

use ringtrue_fleet::event::EventKind;
use ringtrue_fleet::knowledge::Fit;
use ringtrue_fleet::known_bias::BATCH_SD_C;
use ringtrue_fleet::standing::Overview;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::Pending;
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{settled, site_or_all, timestamp};
use super::counted;
use crate::app::{App, Error};

const GET: Method = method("/ringtrue.v1.FleetService/GetFleetOverview");

pub(super) async fn get(
    app: &App,
    request: Request<v1::GetFleetOverviewRequest>,
) -> Result<v1::GetFleetOverviewResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let site = site_or_all(&request.get_ref().parent, &mut violations);
    let site = settled(Some(site), violations)?;
    let scope = asking.site_or_network(site.as_ref())?;
    let seen = app
        .glances
        .seen(&app.store, &app.clock, &scope, site.as_ref(), None)
        .await?;
    let mut all = Overview::default();
    for own in &seen.sites {
        add(&mut all, &own.counts);
    }
    let read = app.store.read(&scope).on_one_connection();
    let fit = read.last_fit().await?;
    let pending = read.pending().await?;
    let open_finding_count = read.open_finding_count(site.as_ref()).await?;
    Ok(v1::GetFleetOverviewResponse {
        overview: Some(v1::FleetOverview {
            furnace_count: counted(all.furnaces),
            in_tolerance_count: counted(all.in_tolerance),
            out_of_tolerance_count: counted(all.out_of_tolerance),
            undecided_count: counted(all.undecided),
            never_read_count: counted(all.never_read),
            due_count: counted(all.due),
            open_finding_count: i32::try_from(open_finding_count).unwrap_or(i32::MAX),
            model: Some(model(&fit, pending)),
            as_of_time: Some(timestamp(seen.at)),
        }),
    })
}

fn add(all: &mut Overview, own: &Overview) {
    all.furnaces += own.furnaces;
    all.in_tolerance += own.in_tolerance;
    all.out_of_tolerance += own.out_of_tolerance;
    all.undecided += own.undecided;
    all.never_read += own.never_read;
    all.due += own.due;
}

fn model(fit: &Fit, pending: Pending) -> v1::FleetModel {
    let components = &fit.components;
    let origin = if fit.components_at.is_some() {
        v1::ComponentsOrigin::Learnt
    } else {
        v1::ComponentsOrigin::Assumed
    };
    let event_c = EventKind::ElementsReplaced.offset_standard_deviation_c();
    v1::FleetModel {
        fit: fit.number,
        fit_time: fit.fitted_at.map(timestamp),
        reading_count: fit.readings,
        pending_change_count: pending.changes.saturating_sub(fit.changes).max(0),
        components_origin: origin.into(),
        wander_c2_per_week: components.wander_c2_per_week,
        slope_standard_deviation_c_per_week: components.slope_sd_c_per_week,
        event_standard_deviation_c: components.event_scale * event_c,
        reading_noise_ratio: components.noise_scale,
        batch_standard_deviation_c: components.batch_scale * BATCH_SD_C,
        gauge_bias_ratio: components.gauge_scale,
        components_time: fit.components_at.map(timestamp),
    }
}
