//! Laboratories as rows.

use ringtrue_proto::v1::{
    Closure, CreateSiteRequest, DayOfWeek, GetSiteRequest, ListSitesRequest, Site,
};
use ringtrue_remote::{Failure, Remote};

use crate::bulk::cell::{Wrong, choice_in, day_in, list, word, wrong};
use crate::bulk::columns::{Column, Need, choice, maybe, number, text, whole, yes_no};
use crate::bulk::record::{Became, How, Record, Wanted, one_by_one, request_id};
use crate::{moment, names};

const DAY: &str = "DAY_OF_WEEK_";

/// A column of a whole number that may be 0.
macro_rules! maybe_whole {
    ($field:ident) => {
        Column {
            name: stringify!($field),
            need: Need::Free,
            further: false,
            read: |it, cell| {
                it.$field = Some(cell.whole()?);
                Ok(())
            },
            write: |it, _, _| {
                it.$field
                    .map_or_else(String::new, |value| value.to_string())
            },
        }
    };
}

/// Closed days as text: `2026-12-24/2026-12-26 public holiday`.
fn closure_text(closure: &Closure) -> String {
    let day = |date: &Option<ringtrue_proto::Date>| {
        date.as_ref().map_or_else(String::new, moment::brief_day)
    };
    let mut text = day(&closure.from_date);
    if closure.until_date.is_some() {
        text.push('/');
        text.push_str(&day(&closure.until_date));
    }
    if !closure.reason.is_empty() {
        text.push(' ');
        text.push_str(&closure.reason);
    }
    text
}

fn closure(text: &str) -> Result<Closure, Wrong> {
    let (days, reason) = text.split_once(' ').unwrap_or((text, ""));
    let (from, until) = match days.split_once('/') {
        Some((from, until)) => (day_in(from)?, Some(day_in(until)?)),
        None => (day_in(days)?, None),
    };
    Ok(Closure {
        from_date: Some(from),
        until_date: until,
        reason: reason.trim().to_owned(),
    })
}

impl Record for Site {
    const MESSAGE: &'static str = "Site";
    const COLUMNS: &'static [Column<Self>] = &[
        text!(Needed name),
        text!(Needed display_name),
        text!(Needed time_zone),
        choice!(Needed calibration_day DayOfWeek "DAY_OF_WEEK_"),
        whole!(calibration_interval_days),
        Column {
            name: "closed_days",
            need: Need::Free,
            further: false,
            read: |it, cell| {
                for day in cell.listed() {
                    it.closed_days
                        .push(choice_in(&day, DAY, DayOfWeek::from_str_name)?);
                }
                Ok(())
            },
            write: |it, _, _| {
                let days: Vec<String> = it
                    .closed_days()
                    .map(|day| word(day.as_str_name(), DAY))
                    .collect();
                list(&days)
            },
        },
        number!(Free tolerance_c),
        maybe!(action_band_c),
        number!(Free largest_step_c),
        yes_no!(accepts_assumed_hold_correction),
        yes_no!(full_compensation),
        Column {
            name: "closures",
            need: Need::Free,
            further: false,
            read: |it, cell| {
                for entry in cell.listed() {
                    it.closures.push(closure(&entry)?);
                }
                Ok(())
            },
            write: |it, _, _| {
                let closures: Vec<String> = it.closures.iter().map(closure_text).collect();
                list(&closures)
            },
        },
        text!(Free firing_time),
        text!(Free quiet_from_time),
        text!(Free quiet_until_time),
        maybe_whole!(manager_after_days),
        maybe_whole!(quality_after_days),
        whole!(silent_after_days),
        yes_no!(readings_need_sign_off),
        yes_no!(adjustments_need_sign_off),
    ];

    fn emptied(&mut self) {
        self.etag.clear();
        self.create_time = None;
        self.update_time = None;
    }

    fn spelled_out(&mut self, _site: Option<&str>) -> Result<(), (&'static str, Wrong)> {
        match names::site(&self.name) {
            Ok(name) => {
                self.name = name;
                Ok(())
            }
            Err(words) => wrong("NO_NAME", words).map_err(|fault| ("name", fault)),
        }
    }

    fn identity(&self) -> (&'static str, String) {
        ("name", self.name.clone())
    }

    fn owner(&self) -> String {
        self.name.clone()
    }

    async fn sent(
        remote: Remote,
        _owner: String,
        records: Vec<Self>,
        how: How,
    ) -> Result<Vec<Became>, Box<Failure>> {
        let create = |remote: Remote, record: Self| {
            let site_id = names::id(&record.name).to_owned();
            let mut ask = CreateSiteRequest {
                site: Some(Site {
                    name: String::new(),
                    ..record
                }),
                site_id,
                ..CreateSiteRequest::default()
            };
            ask.request_id = request_id("CreateSite", &ask);
            ask.validate_only = how == How::Tried;
            async move { remote.create_site(ask).await.map(|_| ()) }
        };
        let get = |remote: Remote, name| async move {
            let answer = remote.site(GetSiteRequest { name }).await?;
            Ok(answer.site.unwrap_or_default())
        };
        one_by_one(remote, records, create, get).await
    }

    async fn page(
        remote: Remote,
        wanted: Wanted,
        page_token: String,
    ) -> Result<(Vec<Self>, String), Box<Failure>> {
        if !wanted.site.is_empty() {
            let answer = remote.site(GetSiteRequest { name: wanted.site }).await?;
            return Ok((answer.site.into_iter().collect(), String::new()));
        }
        let ask = ListSitesRequest {
            page_size: 1000,
            page_token,
        };
        let page = remote.sites(ask).await?;
        Ok((page.sites, page.next_page_token))
    }
}
