//! `ringtrue site`: laboratories, their time zones and house rules.

mod calendar;

use clap::{Args, Subcommand};
use prost_types::FieldMask;
use ringtrue_proto::v1::{
    CreateSiteRequest, DayOfWeek, GetSiteRequest, ListSitesRequest, ListSitesResponse, Site,
    UpdateSiteRequest,
};

use crate::command::{Limit, Repeat, Seen};
use crate::failure::Stop;
use crate::quantity::{self, brief};
use crate::session::{Session, gathered};
use crate::{day, names, output, words};

use calendar::Calendar;

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue site add --id porto --name Porto --time-zone Europe/Lisbon \\
      --calibration-day friday --closed saturday,sunday
  ringtrue site change porto --closure 2026-12-24..2027-01-02=holidays
  ringtrue site change porto --drop-closure 2026-12-24
  ringtrue site change porto --readings-sign-off true
  ringtrue site change porto --firing-time 15:00 --quiet 19:00-07:00
Due dates on closed days move, by default to the working day before.";

/// What to do with sites.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists the sites you may see.
    List(Limit),
    /// Shows one site and its house rules.
    Show {
        /// Site, for example porto; the site meant by --site when left out.
        #[arg(value_name = "SITE")]
        which: Option<String>,
    },
    /// Adds a site.
    Add {
        /// Id of the new site, lower-case letters, digits and hyphens; made up when left out.
        #[arg(long, value_name = "ID")]
        id: Option<String>,
        #[command(flatten)]
        rules: Rules,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Changes a site; what is not named stays.
    Change {
        /// Site, for example porto.
        #[arg(value_name = "SITE")]
        which: String,
        #[command(flatten)]
        rules: Rules,
        #[command(flatten)]
        seen: Seen,
        #[command(flatten)]
        repeat: Repeat,
    },
}

/// A site's description and house rules.
#[derive(Debug, Args)]
pub(crate) struct Rules {
    /// What people call the laboratory.
    #[arg(long, value_name = "TEXT")]
    name: Option<String>,
    /// IANA time zone, for example Europe/Lisbon.
    #[arg(long, value_name = "ZONE")]
    time_zone: Option<String>,
    /// Weekday on which this laboratory calibrates.
    #[arg(long, value_name = "DAY", value_parser = words::one_of(words::DAYS))]
    calibration_day: Option<DayOfWeek>,
    /// Longest time between calibrations, days (1 to 31).
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    interval: Option<i32>,
    /// Weekdays on which nobody works, with commas between them.
    #[arg(long, value_name = "DAY", value_delimiter = ',',
          value_parser = words::one_of(words::DAYS))]
    closed: Option<Vec<DayOfWeek>>,
    /// Tolerance of the true temperature, ±°C (2 to 50).
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    tolerance: Option<f64>,
    /// Smallest error worth an adjustment, °C (0 to 20).
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    action_band: Option<f64>,
    /// Largest change that one unconfirmed reading may advise, °C (1 to 100).
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    largest_step: Option<f64>,
    /// Whether readings of another hold may be corrected with an assumed activation energy.
    #[arg(long, value_name = "true|false")]
    accept_assumed_hold_correction: Option<bool>,
    /// Whether every reading is compensated in full at once.
    #[arg(long, value_name = "true|false")]
    full_compensation: Option<bool>,
    /// Whether readings wait for the signature of a second person from now on.
    #[arg(long, value_name = "true|false")]
    readings_sign_off: Option<bool>,
    /// Whether adjustments wait for the signature of a second person from now on.
    #[arg(long, value_name = "true|false")]
    adjustments_sign_off: Option<bool>,
    #[command(flatten)]
    calendar: Calendar,
}

impl Rules {
    /// Writes what is named into a site; gives the paths of the fields written.
    fn apply(self, site: &mut Site) -> Result<Vec<String>, Stop> {
        let mut paths = Vec::new();
        let mut named = |path: &str| paths.push(path.to_owned());
        if let Some(name) = self.name {
            site.display_name = name;
            named("display_name");
        }
        if let Some(zone) = self.time_zone {
            site.time_zone = zone;
            named("time_zone");
        }
        if let Some(day) = self.calibration_day {
            site.calibration_day = day.into();
            named("calibration_day");
        }
        if let Some(days) = self.interval {
            site.calibration_interval_days = days;
            named("calibration_interval_days");
        }
        if let Some(days) = self.closed {
            site.closed_days = days.into_iter().map(i32::from).collect();
            named("closed_days");
        }
        if let Some(tolerance) = self.tolerance {
            site.tolerance_c = tolerance;
            named("tolerance_c");
        }
        if let Some(band) = self.action_band {
            site.action_band_c = Some(band);
            named("action_band_c");
        }
        if let Some(step) = self.largest_step {
            site.largest_step_c = step;
            named("largest_step_c");
        }
        if let Some(accepts) = self.accept_assumed_hold_correction {
            site.accepts_assumed_hold_correction = accepts;
            named("accepts_assumed_hold_correction");
        }
        if let Some(full) = self.full_compensation {
            site.full_compensation = full;
            named("full_compensation");
        }
        if let Some(asks) = self.readings_sign_off {
            site.readings_need_sign_off = asks;
            named("readings_need_sign_off");
        }
        if let Some(asks) = self.adjustments_sign_off {
            site.adjustments_need_sign_off = asks;
            named("adjustments_need_sign_off");
        }
        paths.extend(self.calendar.apply(site).map_err(Stop::Usage)?);
        Ok(paths)
    }
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List(limit) => list(limit.limit, session).await,
        Ask::Show { which } => {
            let name = match which {
                Some(text) => names::site(&text).map_err(Stop::Usage)?,
                None => session.site_name().await?,
            };
            let answer = session.remote.site(GetSiteRequest { name }).await?;
            show(&answer.site.unwrap_or_default(), session)
        }
        Ask::Add { id, rules, repeat } => {
            let mut site = Site::default();
            rules.apply(&mut site)?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = CreateSiteRequest {
                site: Some(site),
                site_id: id.unwrap_or_default(),
                request_id: request_id.clone(),
                validate_only: false,
            };
            let answer = session.remote.create_site(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            show(&answer.site.unwrap_or_default(), session)
        }
        Ask::Change {
            which,
            rules,
            seen,
            repeat,
        } => {
            let mut site = Site {
                name: names::site(&which).map_err(Stop::Usage)?,
                etag: seen.etag.unwrap_or_default(),
                ..Site::default()
            };
            if rules.calendar.changes_closures() {
                let name = site.name.clone();
                let present = session.remote.site(GetSiteRequest { name }).await?;
                site.closures = present.site.unwrap_or_default().closures;
            }
            let paths = rules.apply(&mut site)?;
            something_named(&paths)?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = UpdateSiteRequest {
                site: Some(site),
                update_mask: Some(FieldMask { paths }),
                request_id: request_id.clone(),
            };
            let answer = session.remote.update_site(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            show(&answer.site.unwrap_or_default(), session)
        }
    }
}

/// Refuses a change of nothing.
pub(crate) fn something_named(paths: &[String]) -> Result<(), Stop> {
    if paths.is_empty() {
        return Err(Stop::Usage(
            "Nothing to change is named. `--help` lists what can be.".to_owned(),
        ));
    }
    Ok(())
}

async fn list(limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let (sites, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListSitesRequest {
            page_size,
            page_token,
        };
        let page = remote.sites(ask).await?;
        Ok((page.sites, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListSitesResponse {
            sites,
            next_page_token,
        };
        return session.show_json("ListSitesResponse", &whole);
    }
    let mut rows = Vec::new();
    for site in &sites {
        rows.push(vec![
            names::id(&site.name).to_owned(),
            site.display_name.clone(),
            site.time_zone.clone(),
            words::word(words::DAYS, site.calibration_day()).to_owned(),
            format!("{} days", site.calibration_interval_days),
            format!("±{} °C", brief(site.tolerance_c, 1)),
        ]);
    }
    let headings = [
        "id",
        "name",
        "zone",
        "calibrates on",
        "at least every",
        "tolerance",
    ];
    shown_list("sites", &headings, &rows, more, session)
}

/// Writes a list for people, and says when it is empty or longer than shown.
pub(crate) fn shown_list(
    things: &str,
    headings: &[&str],
    rows: &[Vec<String>],
    more: bool,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if rows.is_empty() {
        return session.say(&format!("There are no {things} yet."));
    }
    let drawn = output::table(headings, rows, session.world.columns);
    session.show(&drawn)?;
    if more {
        session.say(&format!(
            "There are more {things}; show them with a higher --limit."
        ))?;
    }
    Ok(())
}

/// What waits for a second person.
fn second_person(site: &Site) -> &'static str {
    match (site.readings_need_sign_off, site.adjustments_need_sign_off) {
        (true, true) => "readings and adjustments",
        (true, false) => "readings",
        (false, true) => "adjustments",
        (false, false) => "nothing",
    }
}

fn show(site: &Site, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Site", site);
    }
    let mut closed = Vec::new();
    for day in site.closed_days() {
        closed.push(words::word(words::DAYS, day));
    }
    let yes_no = |yes: bool| if yes { "yes" } else { "no" }.to_owned();
    let zone = session.learn_zone(&site.name, &site.time_zone)?;
    let today = day::of(session.world.now, &zone);
    let mut lines = vec![
        ("Site", site.name.clone()),
        ("Name", site.display_name.clone()),
        ("Time zone", site.time_zone.clone()),
        (
            "Calibrates on",
            words::word(words::DAYS, site.calibration_day()).to_owned(),
        ),
        (
            "At least every",
            format!("{} days", site.calibration_interval_days),
        ),
        ("Closed on", closed.join(", ")),
        ("Tolerance", format!("±{} °C", brief(site.tolerance_c, 1))),
        (
            "Adjusts from",
            match site.action_band_c {
                Some(band) => format!("{} °C", brief(band, 1)),
                None => String::new(),
            },
        ),
        (
            "Largest step",
            format!("{} °C from one reading", brief(site.largest_step_c, 1)),
        ),
        (
            "Assumed hold correction",
            yes_no(site.accepts_assumed_hold_correction),
        ),
        ("Full compensation", yes_no(site.full_compensation)),
        ("A second person signs", second_person(site).to_owned()),
    ];
    lines.extend(calendar::lines(site, today));
    lines.push(("Version", site.etag.clone()));
    let drawn = output::card(&lines, session.world.columns);
    session.show(&drawn)
}
