//! Calipers and micrometers as rows.

use ringtrue_proto::v1::{
    CreateGaugeRequest, Gauge, GaugeKind, GaugeState, GetGaugeRequest, ListGaugesRequest,
};
use ringtrue_remote::{Failure, Remote};

use crate::bulk::cell::Wrong;
use crate::bulk::columns::{Column, Need, choice, number, text, whole};
use crate::bulk::record::{Became, How, Record, Wanted, one_by_one, request_id};
use crate::names;

use super::whole_name;

impl Record for Gauge {
    const MESSAGE: &'static str = "Gauge";
    const COLUMNS: &'static [Column<Self>] = &[
        text!(Needed name),
        text!(Needed display_name),
        choice!(Needed kind GaugeKind "GAUGE_KIND_"),
        number!(Needed resolution_mm),
        number!(Needed maximum_permissible_error_mm),
        whole!(check_interval_days),
        text!(Free serial_number),
        choice!(Free state GaugeState "GAUGE_STATE_"),
    ];

    fn emptied(&mut self) {
        self.latest_check = None;
        self.check_due_date = None;
        self.etag.clear();
        self.create_time = None;
        self.update_time = None;
    }

    fn spelled_out(&mut self, site: Option<&str>) -> Result<(), (&'static str, Wrong)> {
        self.name = whole_name("name", &self.name, site, names::GAUGE)?;
        Ok(())
    }

    fn identity(&self) -> (&'static str, String) {
        ("name", self.name.clone())
    }

    fn owner(&self) -> String {
        names::site_of(&self.name).to_owned()
    }

    async fn sent(
        remote: Remote,
        owner: String,
        records: Vec<Self>,
        how: How,
    ) -> Result<Vec<Became>, Box<Failure>> {
        let create = |remote: Remote, record: Self| {
            let gauge_id = names::id(&record.name).to_owned();
            let mut ask = CreateGaugeRequest {
                parent: owner.clone(),
                gauge: Some(Gauge {
                    name: String::new(),
                    ..record
                }),
                gauge_id,
                ..CreateGaugeRequest::default()
            };
            ask.request_id = request_id("CreateGauge", &ask);
            ask.validate_only = how == How::Tried;
            async move { remote.create_gauge(ask).await.map(|_| ()) }
        };
        let get = |remote: Remote, name| async move {
            let answer = remote.gauge(GetGaugeRequest { name }).await?;
            Ok(answer.gauge.unwrap_or_default())
        };
        one_by_one(remote, records, create, get).await
    }

    async fn page(
        remote: Remote,
        wanted: Wanted,
        page_token: String,
    ) -> Result<(Vec<Self>, String), Box<Failure>> {
        let ask = ListGaugesRequest {
            parent: wanted.site,
            page_size: 1000,
            page_token,
        };
        let page = remote.gauges(ask).await?;
        Ok((page.gauges, page.next_page_token))
    }
}
