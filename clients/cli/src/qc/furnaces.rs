//! `ringtrue qc furnaces`: furnaces with error, drift and risk.

use ringtrue_proto::v1::{
    Conformity, FurnaceStanding, ListFurnaceStandingsRequest, ListFurnaceStandingsResponse,
};

use super::prepared::prepared;
use super::{Standings, parent};
use crate::failure::Stop;
use crate::quantity::fixed;
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{moment, names, standing};

const HEADINGS: [&str; 8] = [
    "furnace",
    "tolerance",
    "error now",
    "drift a week",
    "out now",
    "out by due",
    "due",
    "findings",
];

/// Lists furnaces.
pub(super) async fn list(ask: Standings, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = parent(&ask.reach, session)?;
    let is_narrowed = ask.conformity.is_some() || ask.search.is_some() || ask.with_findings;
    let template = ListFurnaceStandingsRequest {
        parent: parent.clone(),
        conformity: ask.conformity.unwrap_or_default().into(),
        search: ask.search.unwrap_or_default(),
        with_findings: ask.with_findings,
        order: ask.order.into(),
        ..ListFurnaceStandingsRequest::default()
    };
    let remote = session.remote.clone();
    let mut as_of_time = None;
    let pages = prepared(session, async || {
        gathered(ask.limit.limit, async |page_size, page_token| {
            let ask = ListFurnaceStandingsRequest {
                page_size,
                page_token,
                ..template.clone()
            };
            let page = remote.furnace_standings(ask).await?;
            as_of_time = page.as_of_time;
            Ok((page.standings, page.next_page_token))
        })
        .await
    });
    let (standings, next_page_token) = pages.await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListFurnaceStandingsResponse {
            standings,
            next_page_token,
            as_of_time,
        };
        return session.show_json("ListFurnaceStandingsResponse", &whole);
    }
    if standings.is_empty() {
        return session.say(if is_narrowed {
            "No furnace is like that. Leave --conformity, --search or --with-findings out to see more."
        } else {
            "There is no furnace yet. Add one with `ringtrue furnace add`."
        });
    }
    let rows = rows(&standings, parent == "sites/-");
    shown_list("furnaces", &HEADINGS, &rows, more, session)?;
    if standings.iter().any(standing::is_known) {
        session.say("`ringtrue furnace show FURNACE` draws one of them through time.")
    } else {
        session
            .say("No furnace has an evaluated reading yet; record one with `ringtrue reading add`.")
    }
}

fn rows(standings: &[FurnaceStanding], with_site: bool) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for standing in standings {
        let furnace = if with_site {
            names::with_site(&standing.furnace)
        } else {
            names::id(&standing.furnace).to_owned()
        };
        let known = |text: String| {
            if standing::is_known(standing) {
                text
            } else {
                String::new()
            }
        };
        let due = standing.next_due_date.as_ref();
        let findings = match standing.open_finding_count {
            0 => String::new(),
            count => count.to_string(),
        };
        rows.push(vec![
            furnace,
            conforms(standing).to_owned(),
            known(standing::error(standing)),
            known(standing::drift(standing)),
            known(chance(standing.outside_probability)),
            known(chance(standing.leaving_probability)),
            due.map(moment::brief_day).unwrap_or_default(),
            findings,
        ]);
    }
    rows
}

/// Says whether a furnace conforms, in a word.
fn conforms(standing: &FurnaceStanding) -> &'static str {
    match standing.conformity() {
        Conformity::In => "in",
        Conformity::Out => "OUT",
        Conformity::Undecided => "undecided",
        Conformity::Unknown | Conformity::Unspecified => "never read",
    }
}

/// Writes a probability as per cent in few characters, never rounding to certainty.
fn chance(probability: f64) -> String {
    if probability > 0.0 && probability < 0.005 {
        "< 1 %".to_owned()
    } else if probability > 0.995 && probability < 1.0 {
        "> 99 %".to_owned()
    } else {
        format!("{} %", fixed(100.0 * probability, 0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output;

    #[test]
    fn furnaces_are_listed_with_error_drift_and_risk() {
        let drifting = FurnaceStanding {
            furnace: "sites/porto/furnaces/k2".to_owned(),
            present_error_c: 8.24,
            standard_uncertainty_c: 2.1,
            tolerance_c: 10.0,
            outside_probability: 0.001,
            leaving_probability: 0.62,
            conformity: Conformity::Undecided.into(),
            drift_c_per_week: 0.31,
            drift_standard_uncertainty_c_per_week: 0.1,
            next_due_date: Some(ringtrue_proto::Date {
                year: 2026,
                month: 12,
                day: 4,
            }),
            open_finding_count: 2,
            ..FurnaceStanding::default()
        };
        let unread = FurnaceStanding {
            furnace: "sites/faro/furnaces/k1".to_owned(),
            conformity: Conformity::Unknown.into(),
            ..FurnaceStanding::default()
        };
        let rows = rows(&[drifting, unread], true);
        let expected = "\
FURNACE   TOLERANCE   ERROR NOW      DRIFT A WEEK     OUT NOW  OUT BY DUE  DUE         FINDINGS
porto/k2  undecided   +8.2 ± 4.2 °C  +0.31 ± 0.20 °C  < 1 %    62 %        2026-12-04  2
faro/k1   never read";
        assert_eq!(output::table(&HEADINGS, &rows, 100), expected);
    }
}
