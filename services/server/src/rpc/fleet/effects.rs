//! What is known of the biases of ring batches and gauges.

use std::sync::Arc;

use ringtrue_fleet::finding::{
    BatchKnown, GaugeKnown, batch_statement, batch_z, gauge_statement, gauge_z,
};
use ringtrue_fleet::key::{BatchId, GaugeKey, SiteId};
use ringtrue_fleet::known_bias::{batch_known, gauge_known};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::{Page, PagePart};
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{settled, site_or_all};
use super::super::page::{Order, Paging};
use super::counted;
use crate::app::{App, Error};
use crate::sites_in_turn::SitesInTurn;

const LIST_BATCHES: Method = method("/ringtrue.v1.FleetService/ListBatchEffects");
const LIST_GAUGES: Method = method("/ringtrue.v1.FleetService/ListGaugeEffects");

pub(super) async fn list_batches(
    app: &App,
    request: Request<v1::ListBatchEffectsRequest>,
) -> Result<v1::ListBatchEffectsResponse, Error> {
    let asking = Asking::of(LIST_BATCHES, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let paging = Paging::read(
        LIST_BATCHES,
        &[],
        Order::Id,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let read = app.store.read(&asking.network()?).on_one_connection();
    let fit = read.fit().await?;
    let mut rows = Vec::new();
    for batch in read.ring_batches(&paging.page).await? {
        rows.push(batch_known(&batch, &fit));
    }
    let key = |known: &BatchKnown| vec![PagePart::Text(known.batch.to_string())];
    let (effects, next_page_token) = paging.cut(&rows, key, batch_message);
    Ok(v1::ListBatchEffectsResponse {
        effects,
        next_page_token,
    })
}

fn batch_message(known: &BatchKnown) -> v1::BatchEffect {
    v1::BatchEffect {
        ring_batch: BatchId::name(&known.batch),
        code: known.code.clone(),
        bias_c: known.bias_c,
        standard_uncertainty_c: known.variance_c2.max(0.0).sqrt(),
        expected_standard_deviation_c: known.expected_sd_c,
        z: batch_z(known),
        reading_count: counted(known.readings),
        site_count: counted(known.sites),
        statement: batch_statement(known),
    }
}

pub(super) async fn list_gauges(
    app: &App,
    request: Request<v1::ListGaugeEffectsRequest>,
) -> Result<v1::ListGaugeEffectsResponse, Error> {
    let asking = Asking::of(LIST_GAUGES, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = site_or_all(&asked.parent, &mut violations);
    let paging = Paging::read(
        LIST_GAUGES,
        &[&asked.parent],
        Order::TwoIds,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let scope = asking.site_or_network(site.as_ref())?;
    let read = app.store.read(&scope);
    let now = app.clock.now();
    let (mut from, mut after) = (None, Vec::new());
    if let [PagePart::Text(site), PagePart::Text(gauge)] = paging.page.after.as_slice() {
        from = SiteId::new(site).ok();
        after = vec![PagePart::Text(gauge.clone())];
    }
    let most = usize::try_from(paging.page.size).map_or(usize::MAX, |size| size + 1);
    let fit = read.last_fit().await?;
    let mut sites = SitesInTurn::of(&read, site.as_ref(), from.as_ref()).await?;
    let mut rows: Vec<GaugeKnown> = Vec::new();
    while let Some(site) = sites.next().await? {
        let mut page = Page {
            size: paging.page.size,
            after: Vec::new(),
        };
        if from.as_ref() == Some(&site.key) {
            page.after.clone_from(&after);
        }
        let gauges = read.gauges(&site.key, &page).await?;
        if gauges.is_empty() {
            continue;
        }
        let knowledge = read.site_knowledge(&site.key, Arc::clone(&fit)).await?;
        let zone = site.details.zone();
        for gauge in gauges {
            rows.push(gauge_known(&gauge, &zone, &knowledge.knowledge(), now));
        }
        if rows.len() >= most {
            break;
        }
    }
    let key = |known: &GaugeKnown| {
        let GaugeKey { site, gauge } = &known.gauge;
        vec![
            PagePart::Text(site.to_string()),
            PagePart::Text(gauge.to_string()),
        ]
    };
    let (effects, next_page_token) = paging.cut(&rows, key, gauge_message);
    Ok(v1::ListGaugeEffectsResponse {
        effects,
        next_page_token,
    })
}

fn gauge_message(known: &GaugeKnown) -> v1::GaugeEffect {
    v1::GaugeEffect {
        gauge: known.gauge.name(),
        display_name: known.display_name.clone(),
        bias_c: known.bias_c,
        standard_uncertainty_c: known.variance_c2.max(0.0).sqrt(),
        bias_mm: known.bias_mm(),
        standard_uncertainty_mm: known.standard_uncertainty_mm(),
        expected_standard_deviation_c: known.expected_sd_c,
        z: gauge_z(known),
        reading_count: counted(known.readings),
        check_count: counted(known.checks),
        statement: gauge_statement(known),
    }
}
