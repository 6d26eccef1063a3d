//! Furnaces as rows.

use ringtrue_proto::v1::{
    CreateFurnaceRequest, Furnace, FurnaceState, GetFurnaceRequest, HeatingElement,
    ListFurnacesRequest, ThermocoupleType,
};
use ringtrue_remote::{Failure, Remote};

use crate::bulk::cell::Wrong;
use crate::bulk::columns::{Column, Need, choice, maybe, number, text};
use crate::bulk::record::{Became, How, Record, Wanted, one_by_one, request_id};
use crate::names;

use super::whole_name;

impl Record for Furnace {
    const MESSAGE: &'static str = "Furnace";
    const COLUMNS: &'static [Column<Self>] = &[
        text!(Needed name),
        text!(Needed display_name),
        number!(Needed maximum_setpoint_c),
        number!(Free setpoint_step_c),
        choice!(Free heating_element HeatingElement "HEATING_ELEMENT_"),
        choice!(Free control_thermocouple ThermocoupleType "THERMOCOUPLE_TYPE_"),
        maybe!(tolerance_c),
        text!(Free reference_position),
        text!(Free serial_number),
        choice!(Free state FurnaceState "FURNACE_STATE_"),
    ];

    fn emptied(&mut self) {
        self.offset = None;
        self.etag.clear();
        self.create_time = None;
        self.update_time = None;
    }

    fn spelled_out(&mut self, site: Option<&str>) -> Result<(), (&'static str, Wrong)> {
        self.name = whole_name("name", &self.name, site, names::FURNACE)?;
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
            let furnace_id = names::id(&record.name).to_owned();
            let mut ask = CreateFurnaceRequest {
                parent: owner.clone(),
                furnace: Some(Furnace {
                    name: String::new(),
                    ..record
                }),
                furnace_id,
                ..CreateFurnaceRequest::default()
            };
            ask.request_id = request_id("CreateFurnace", &ask);
            ask.validate_only = how == How::Tried;
            async move { remote.create_furnace(ask).await.map(|_| ()) }
        };
        let get = |remote: Remote, name| async move {
            let answer = remote.furnace(GetFurnaceRequest { name }).await?;
            Ok(answer.furnace.unwrap_or_default())
        };
        one_by_one(remote, records, create, get).await
    }

    async fn page(
        remote: Remote,
        wanted: Wanted,
        page_token: String,
    ) -> Result<(Vec<Self>, String), Box<Failure>> {
        let ask = ListFurnacesRequest {
            parent: wanted.site,
            page_size: 1000,
            page_token,
        };
        let page = remote.furnaces(ask).await?;
        Ok((page.furnaces, page.next_page_token))
    }
}
