//! `ringtrue adjustment`: setpoints as entered on the controller and read back from its panel.

use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    Adjustment, ConfirmAdjustmentRequest, GetAdjustmentRequest, ListAdjustmentsRequest,
    ListAdjustmentsResponse,
};

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::names::{ADJUSTMENT, FURNACE, READING};
use crate::quantity::{self, brief};
use crate::queue::{self, Act};
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{moment, names, output, programme, reading, sign_off};

/// What to do with adjustments.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Records the setpoint as read back from the panel after entering it.
    Confirm(Confirmation),
    /// Lists a furnace's adjustments, latest first.
    List {
        /// Furnace, for example k2.
        furnace: String,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows one adjustment.
    Show {
        /// Adjustment, for example k2/ID or its full name.
        adjustment: String,
        /// Furnace, when the adjustment is named by its id alone.
        #[arg(long, value_name = "FURNACE")]
        furnace: Option<String>,
    },
}

/// A setpoint that was entered.
#[derive(Debug, Args)]
pub(crate) struct Confirmation {
    /// Furnace, for example k2.
    furnace: String,
    /// Programme whose setpoint was entered; the only one of the furnace when left out.
    #[arg(long, value_name = "PROGRAMME")]
    programme: Option<String>,
    /// Setpoint that the panel shows now, °C; at a terminal you are asked to read it back.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    setpoint: Option<f64>,
    /// Reading that advised it.
    #[arg(long, value_name = "READING")]
    reading: Option<String>,
    /// Why the setpoint differs from the advised one; needed when it does.
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
    /// When it was read back, in the site's zone; now when left out.
    #[arg(long, value_name = "MOMENT")]
    at: Option<String>,
    /// Initials or staff code of who entered it; the operator when left out.
    #[arg(long, value_name = "CODE")]
    by: Option<String>,
    #[command(flatten)]
    repeat: Repeat,
    #[command(flatten)]
    line: queue::Line,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::Confirm(confirmation) => confirm(confirmation, session).await,
        Ask::List { furnace, limit } => {
            let name = session.named(&furnace, FURNACE).await?;
            list(name, limit.limit, session).await
        }
        Ask::Show {
            adjustment,
            furnace,
        } => {
            let name = match (names::spelled_out(&adjustment, ADJUSTMENT), furnace) {
                (Some(name), _) => name,
                (None, Some(furnace)) => {
                    let furnace = session.named(&furnace, FURNACE).await?;
                    names::below(&furnace, "adjustments", &adjustment).map_err(Stop::Usage)?
                }
                (None, None) => session.named(&adjustment, ADJUSTMENT).await?,
            };
            let answer = session
                .remote
                .adjustment(GetAdjustmentRequest { name })
                .await?;
            let adjustment = answer.adjustment.unwrap_or_default();
            if session.json {
                return session.show_json("Adjustment", &adjustment);
            }
            let zone = session.zone(names::site_of(&adjustment.name)).await?;
            let drawn = drawn(&adjustment, &zone, session.world.columns);
            session.show(&drawn)?;
            sign_off::said_of(&adjustment.name, &zone, session).await
        }
    }
}

async fn confirm(ask: Confirmation, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    queue::first(&ask.line, session).await?;
    let furnace = session.named(&ask.furnace, FURNACE).await?;
    let programme = match ask.programme {
        Some(text) => programme::named(&text, Some(&furnace), session).await?,
        None => reading::choice::programme(&furnace, session).await?.name,
    };
    let reading = match ask.reading {
        Some(text) => match names::spelled_out(&text, READING) {
            Some(name) => name,
            // `k2/ID` without its site, as the lists show it.
            None if text.contains('/') => session.named(&text, READING).await?,
            None => names::below(&furnace, "readings", &text).map_err(Stop::Usage)?,
        },
        None => String::new(),
    };
    let setpoint_c = read_back(ask.setpoint, &programme, session)?;
    let repeatable = session.repeatable(ask.repeat.request_id.as_deref())?;
    let site = names::site_of(&furnace).to_owned();
    let at = match ask.at {
        Some(text) => session.moment(&text, &site, repeatable.now).await?,
        None => repeatable.now,
    };
    let request = ConfirmAdjustmentRequest {
        parent: furnace,
        adjustment: Some(Adjustment {
            programme,
            reading,
            setpoint_c,
            adjust_time: Some(moment::sent(at)),
            performed_by: session.who(ask.by),
            override_reason: ask.why.unwrap_or_default(),
            ..Adjustment::default()
        }),
        request_id: repeatable.request_id.clone(),
    };
    let answer = queue::recorded(Act::Adjustment(request), session).await?;
    let adjustment = answer.adjustment();
    if session.json {
        return session.show_json("Adjustment", &adjustment);
    }
    let zone = session.zone(&site).await?;
    let drawn = drawn(&adjustment, &zone, session.world.columns);
    session.show(&drawn)?;
    session.say(
        "Recorded. An adjustment is not yet proof: the next reading shows whether it did what it \
         should.",
    )
}

/// Asks what the panel shows, so that a slip while entering is found at the furnace. With nobody at
/// a terminal the given value is what was read back.
fn read_back(
    given: Option<f64>,
    programme: &str,
    session: &mut Session<'_, '_>,
) -> Result<f64, Stop> {
    if !session.converses() {
        return given.ok_or_else(|| crate::session::lacking("--setpoint"));
    }
    let question = format!(
        "Programme {}: what does the panel show now, °C?",
        names::id(programme)
    );
    loop {
        let help = "read it from the controller's panel";
        let panel = session.ask_until(&question, help, None, "--setpoint", quantity::number)?;
        let Some(wanted) = given.filter(|wanted| (wanted - panel).abs() > 0.005) else {
            return Ok(panel);
        };
        session.say(&format!(
            "  The panel shows {} °C, not {} °C.",
            brief(panel, 2),
            brief(wanted, 2)
        ))?;
        let options = [
            "I corrected the panel; ask me again".to_owned(),
            format!("Record {} °C as it stands", brief(panel, 2)),
        ];
        if session.pick("What now?", &options, "--setpoint")? == 1 {
            return Ok(panel);
        }
    }
}

pub(crate) fn drawn(adjustment: &Adjustment, zone: &TimeZone, columns: u16) -> String {
    let when = moment::received(adjustment.adjust_time.as_ref());
    let lines = [
        ("Programme", adjustment.programme.clone()),
        (
            "As found",
            format!("{} °C", brief(adjustment.previous_setpoint_c, 2)),
        ),
        ("As left", format!("{} °C", brief(adjustment.setpoint_c, 2))),
        (
            "Advised",
            adjustment
                .advised_setpoint_c
                .map(|advised| format!("{} °C", brief(advised, 2)))
                .unwrap_or_default(),
        ),
        ("Why it differs", adjustment.override_reason.clone()),
        (
            "Read back",
            when.map(|at| moment::shown(at, zone)).unwrap_or_default(),
        ),
        ("By", adjustment.performed_by.clone()),
        ("Advised by", adjustment.reading.clone()),
        ("Adjustment", adjustment.name.clone()),
    ];
    output::card(&lines, columns)
}

async fn list(name: String, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let (adjustments, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListAdjustmentsRequest {
            parent: name.clone(),
            page_size,
            page_token,
        };
        let page = remote.adjustments(ask).await?;
        Ok((page.adjustments, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListAdjustmentsResponse {
            adjustments,
            next_page_token,
        };
        return session.show_json("ListAdjustmentsResponse", &whole);
    }
    let zone = session.zone(names::site_of(&name)).await?;
    let mut rows = Vec::new();
    for adjustment in &adjustments {
        let when = moment::received(adjustment.adjust_time.as_ref());
        rows.push(vec![
            when.map(|at| moment::brief(at, &zone)).unwrap_or_default(),
            names::id(&adjustment.programme).to_owned(),
            format!("{} °C", brief(adjustment.previous_setpoint_c, 2)),
            format!("{} °C", brief(adjustment.setpoint_c, 2)),
            adjustment
                .advised_setpoint_c
                .map(|advised| format!("{} °C", brief(advised, 2)))
                .unwrap_or_default(),
            adjustment.performed_by.clone(),
            names::id(&adjustment.name).to_owned(),
        ]);
    }
    let headings = [
        "when",
        "programme",
        "as found",
        "as left",
        "advised",
        "by",
        "id",
    ];
    shown_list("adjustments", &headings, &rows, more, session)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_found_and_as_left_are_printed() {
        let adjustment = Adjustment {
            programme: "sites/porto/furnaces/k2/programmes/standard".to_owned(),
            previous_setpoint_c: 1500.0,
            setpoint_c: 1481.0,
            advised_setpoint_c: Some(1481.0),
            ..Adjustment::default()
        };
        let text = drawn(&adjustment, &TimeZone::UTC, 100);
        assert!(text.contains("As found   1500 °C"), "{text}");
        assert!(text.contains("As left    1481 °C"), "{text}");
    }
}
