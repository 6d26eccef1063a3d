//! `ringtrue gauge`: calipers and micrometers, and their checks on a reference block.

use clap::{Args, Subcommand};
use prost_types::FieldMask;
use ringtrue_proto::v1::{
    CreateGaugeRequest, Gauge, GaugeCheck, GaugeKind, GaugeState, GetGaugeRequest,
    ListGaugeChecksRequest, ListGaugeChecksResponse, ListGaugesRequest, ListGaugesResponse,
    RecordGaugeCheckRequest, UpdateGaugeRequest,
};

use crate::command::{Limit, Repeat, Seen};
use crate::failure::Stop;
use crate::names::GAUGE;
use crate::quantity::{self, brief, fixed, signed};
use crate::queue::{self, Act};
use crate::session::{Session, gathered};
use crate::site::{shown_list, something_named};
use crate::{moment, names, output, words};

/// What to do with gauges.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists the gauges of a site.
    List(Limit),
    /// Shows a gauge and its latest check.
    Show {
        /// Gauge, for example caliper-1.
        gauge: String,
    },
    /// Adds a gauge to a site.
    Add {
        /// Id of the new gauge, for example caliper-1; made up when left out.
        #[arg(long, value_name = "ID")]
        id: Option<String>,
        #[command(flatten)]
        description: Description,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Changes a gauge; what is not named stays. After a drop or repair, add a new gauge instead.
    Change {
        /// Gauge, for example caliper-1.
        gauge: String,
        #[command(flatten)]
        description: Description,
        #[command(flatten)]
        seen: Seen,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Records a check on a reference block: the cheapest large gain in accuracy.
    Check {
        /// Gauge, for example caliper-1.
        gauge: String,
        /// Length of the reference block, mm, its certificate's correction applied.
        #[arg(long, value_name = "MM", value_parser = quantity::number, allow_hyphen_values = true)]
        nominal: f64,
        /// What the gauge showed, mm: several values of the same block.
        #[arg(long, value_name = "MM", num_args = 1.., required = true,
              value_parser = quantity::number, allow_negative_numbers = true)]
        measured: Vec<f64>,
        /// Standard uncertainty of the block's length, mm.
        #[arg(long, value_name = "MM", value_parser = quantity::number, allow_hyphen_values = true)]
        block_uncertainty: Option<f64>,
        /// When, in the site's zone; now when left out.
        #[arg(long, value_name = "MOMENT")]
        at: Option<String>,
        /// Identification of the block and other remarks.
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
        /// Initials or staff code of who made it; the operator when left out.
        #[arg(long, value_name = "CODE")]
        by: Option<String>,
        #[command(flatten)]
        repeat: Repeat,
        #[command(flatten)]
        line: queue::Line,
    },
    /// Lists a gauge's checks, latest first.
    Checks {
        /// Gauge, for example caliper-1.
        gauge: String,
        #[command(flatten)]
        limit: Limit,
    },
}

/// A gauge's description.
#[derive(Debug, Args)]
pub(crate) struct Description {
    /// What people at the site call it.
    #[arg(long, value_name = "TEXT")]
    name: Option<String>,
    /// Kind of gauge.
    #[arg(long, value_name = "KIND", value_parser = words::one_of(words::GAUGES))]
    kind: Option<GaugeKind>,
    /// Display step, mm (0.0001 to 0.1).
    #[arg(long, value_name = "MM", value_parser = quantity::number, allow_hyphen_values = true)]
    resolution: Option<f64>,
    /// Maximum permissible error, ±mm, as its papers state for the length of a ring.
    #[arg(long, value_name = "MM", value_parser = quantity::number, allow_hyphen_values = true)]
    maximum_error: Option<f64>,
    /// Days after which a check is out of date (1 to 1100).
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    check_interval: Option<i32>,
    /// Serial or inventory number.
    #[arg(long, value_name = "NUMBER")]
    serial: Option<String>,
    /// Whether it may be used.
    #[arg(long, value_name = "STATE", value_parser = words::one_of(words::GAUGE_STATES))]
    state: Option<GaugeState>,
}

impl Description {
    /// Writes what is named into a gauge; gives the paths of the fields written.
    fn apply(self, gauge: &mut Gauge) -> Vec<String> {
        let mut paths = Vec::new();
        let mut named = |path: &str| paths.push(path.to_owned());
        if let Some(name) = self.name {
            gauge.display_name = name;
            named("display_name");
        }
        if let Some(kind) = self.kind {
            gauge.kind = kind.into();
            named("kind");
        }
        if let Some(resolution) = self.resolution {
            gauge.resolution_mm = resolution;
            named("resolution_mm");
        }
        if let Some(error) = self.maximum_error {
            gauge.maximum_permissible_error_mm = error;
            named("maximum_permissible_error_mm");
        }
        if let Some(days) = self.check_interval {
            gauge.check_interval_days = days;
            named("check_interval_days");
        }
        if let Some(serial) = self.serial {
            gauge.serial_number = serial;
            named("serial_number");
        }
        if let Some(state) = self.state {
            gauge.state = state.into();
            named("state");
        }
        paths
    }
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List(limit) => list(limit.limit, session).await,
        Ask::Show { gauge } => {
            let name = session.named(&gauge, GAUGE).await?;
            let answer = session.remote.gauge(GetGaugeRequest { name }).await?;
            show(&answer.gauge.unwrap_or_default(), session)
        }
        Ask::Add {
            id,
            description,
            repeat,
        } => {
            let mut gauge = Gauge::default();
            description.apply(&mut gauge);
            let parent = session.site_name().await?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = CreateGaugeRequest {
                parent,
                gauge: Some(gauge),
                gauge_id: id.unwrap_or_default(),
                request_id: request_id.clone(),
                validate_only: false,
            };
            let answer = session.remote.create_gauge(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            show(&answer.gauge.unwrap_or_default(), session)
        }
        Ask::Change {
            gauge,
            description,
            seen,
            repeat,
        } => {
            let mut changed = Gauge {
                name: session.named(&gauge, GAUGE).await?,
                etag: seen.etag.unwrap_or_default(),
                ..Gauge::default()
            };
            let paths = description.apply(&mut changed);
            something_named(&paths)?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = UpdateGaugeRequest {
                gauge: Some(changed),
                update_mask: Some(FieldMask { paths }),
                request_id: request_id.clone(),
            };
            let answer = session.remote.update_gauge(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            show(&answer.gauge.unwrap_or_default(), session)
        }
        Ask::Check {
            gauge,
            nominal,
            measured,
            block_uncertainty,
            at,
            note,
            by,
            repeat,
            line,
        } => {
            queue::first(&line, session).await?;
            let check = GaugeCheck {
                nominal_mm: nominal,
                measured_mm: measured,
                block_standard_uncertainty_mm: block_uncertainty,
                note: note.unwrap_or_default(),
                performed_by: session.who(by),
                ..GaugeCheck::default()
            };
            let parent = session.named(&gauge, GAUGE).await?;
            record(parent, check, at.as_deref(), &repeat, session).await
        }
        Ask::Checks { gauge, limit } => {
            let name = session.named(&gauge, GAUGE).await?;
            checks(name, limit.limit, session).await
        }
    }
}

/// Gives the gauges of a site and the token of what is left.
pub(crate) async fn of_site(
    parent: &str,
    limit: usize,
    session: &Session<'_, '_>,
) -> Result<(Vec<Gauge>, String), Stop> {
    let remote = session.remote.clone();
    let found = gathered(limit, async |page_size, page_token| {
        let ask = ListGaugesRequest {
            parent: parent.to_owned(),
            page_size,
            page_token,
        };
        let page = remote.gauges(ask).await?;
        Ok((page.gauges, page.next_page_token))
    })
    .await?;
    session.learn(&found.0);
    Ok(found)
}

async fn list(limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = session.site_name().await?;
    let (gauges, next_page_token) = of_site(&parent, limit, session).await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListGaugesResponse {
            gauges,
            next_page_token,
        };
        return session.show_json("ListGaugesResponse", &whole);
    }
    let mut rows = Vec::new();
    for gauge in &gauges {
        rows.push(vec![
            names::id(&gauge.name).to_owned(),
            gauge.display_name.clone(),
            words::word(words::GAUGES, gauge.kind()).to_owned(),
            words::word(words::GAUGE_STATES, gauge.state()).to_owned(),
            bias(gauge.latest_check.as_ref()),
            match &gauge.check_due_date {
                Some(date) => moment::shown_day(date),
                None => "never checked".to_owned(),
            },
        ]);
    }
    let headings = ["id", "name", "kind", "state", "bias", "check due"];
    shown_list("gauges", &headings, &rows, more, session)
}

fn bias(check: Option<&GaugeCheck>) -> String {
    match check {
        Some(check) => format!(
            "{} ± {} mm",
            signed(check.bias_mm, 4),
            fixed(2.0 * check.standard_uncertainty_mm, 4)
        ),
        None => "not known".to_owned(),
    }
}

fn show(gauge: &Gauge, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Gauge", gauge);
    }
    let lines = [
        ("Gauge", gauge.name.clone()),
        ("Name", gauge.display_name.clone()),
        ("Kind", words::word(words::GAUGES, gauge.kind()).to_owned()),
        (
            "State",
            words::word(words::GAUGE_STATES, gauge.state()).to_owned(),
        ),
        (
            "Display step",
            format!("{} mm", brief(gauge.resolution_mm, 4)),
        ),
        (
            "Maximum permissible error",
            format!("±{} mm", brief(gauge.maximum_permissible_error_mm, 4)),
        ),
        ("Bias", bias(gauge.latest_check.as_ref())),
        (
            "Check due",
            match &gauge.check_due_date {
                Some(date) => moment::shown_day(date),
                None => format!(
                    "never checked; do it with `ringtrue gauge check {}`",
                    names::id(&gauge.name)
                ),
            },
        ),
        (
            "Checked every",
            format!("{} days", gauge.check_interval_days),
        ),
        ("Serial number", gauge.serial_number.clone()),
        ("Version", gauge.etag.clone()),
    ];
    let drawn = output::card(&lines, session.world.columns);
    session.show(&drawn)
}

async fn record(
    parent: String,
    check: GaugeCheck,
    at: Option<&str>,
    repeat: &Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let repeatable = session.repeatable(repeat.request_id.as_deref())?;
    let site = names::site_of(&parent).to_owned();
    let at = match at {
        Some(text) => session.moment(text, &site, repeatable.now).await?,
        None => repeatable.now,
    };
    let ask = RecordGaugeCheckRequest {
        parent,
        check: Some(GaugeCheck {
            check_time: Some(moment::sent(at)),
            ..check
        }),
        request_id: repeatable.request_id.clone(),
    };
    let answer = queue::recorded(Act::GaugeCheck(ask), session).await?;
    let answer = answer.gauge_check();
    if session.json {
        return session.show_json("RecordGaugeCheckResponse", &answer);
    }
    let check = answer.check.unwrap_or_default();
    let gauge = answer.gauge.unwrap_or_default();
    let lines = [
        ("Check", check.name.clone()),
        ("Block", format!("{} mm", brief(check.nominal_mm, 4))),
        (
            "Gauge showed",
            match quantity::mean(&check.measured_mm) {
                Some(mean) => format!(
                    "{} mm (mean of {})",
                    fixed(mean, 4),
                    check.measured_mm.len()
                ),
                None => String::new(),
            },
        ),
        (
            "Bias",
            format!("{} (about 95 % coverage)", bias(Some(&check))),
        ),
        (
            "Next check due",
            gauge
                .check_due_date
                .as_ref()
                .map(moment::shown_day)
                .unwrap_or_default(),
        ),
    ];
    session.show(&output::card(&lines, session.world.columns))?;
    session.say("Recorded. This bias is taken out of every reading that follows.")
}

async fn checks(name: String, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let (checks, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListGaugeChecksRequest {
            parent: name.clone(),
            page_size,
            page_token,
        };
        let page = remote.gauge_checks(ask).await?;
        Ok((page.checks, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListGaugeChecksResponse {
            checks,
            next_page_token,
        };
        return session.show_json("ListGaugeChecksResponse", &whole);
    }
    let zone = session.zone(names::site_of(&name)).await?;
    let mut rows = Vec::new();
    for check in &checks {
        let when = moment::received(check.check_time.as_ref());
        rows.push(vec![
            when.map(|at| moment::brief(at, &zone)).unwrap_or_default(),
            format!("{} mm", brief(check.nominal_mm, 4)),
            bias(Some(check)),
            check.performed_by.clone(),
            check.note.clone(),
        ]);
    }
    let headings = ["when", "block", "bias", "by", "note"];
    shown_list("checks", &headings, &rows, more, session)
}
