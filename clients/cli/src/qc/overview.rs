//! `ringtrue qc overview`: the network, or one site, in a few figures.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{ComponentsOrigin, FleetModel, FleetOverview, GetFleetOverviewRequest};

use super::prepared::prepared;
use super::{Reach, parent};
use crate::failure::Stop;
use crate::quantity::fixed;
use crate::session::Session;
use crate::{moment, output};

/// Shows the figures.
pub(super) async fn show(reach: &Reach, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = parent(reach, session)?;
    let ask = GetFleetOverviewRequest {
        parent: parent.clone(),
    };
    let remote = session.remote.clone();
    let answer = prepared(session, async || {
        Ok(remote.fleet_overview(ask.clone()).await?)
    })
    .await?;
    let overview = answer.overview.unwrap_or_default();
    if session.json {
        return session.show_json("FleetOverview", &overview);
    }
    let zone = if parent == "sites/-" {
        TimeZone::UTC
    } else {
        session.zone(&parent).await?
    };
    session.show(&drawn(&overview, &zone, session.world.columns))?;
    session.say(next(&overview))
}

fn drawn(overview: &FleetOverview, zone: &TimeZone, columns: u16) -> String {
    let mut lines = vec![
        ("Furnaces", overview.furnace_count.to_string()),
        ("In tolerance", overview.in_tolerance_count.to_string()),
        (
            "Out of tolerance",
            overview.out_of_tolerance_count.to_string(),
        ),
        ("Undecided", overview.undecided_count.to_string()),
        ("Never read", overview.never_read_count.to_string()),
        ("Due by today", overview.due_count.to_string()),
        ("Open findings", overview.open_finding_count.to_string()),
    ];
    if let Some(at) = moment::received(overview.as_of_time.as_ref()) {
        lines.push(("As of", moment::shown(at, zone)));
    }
    if let Some(model) = &overview.model {
        lines.append(&mut estimates(model, zone));
    }
    output::card(&lines, columns)
}

/// Says how the estimates were made.
fn estimates(model: &FleetModel, zone: &TimeZone) -> Vec<(&'static str, String)> {
    if model.fit == 0 {
        return vec![(
            "Estimates",
            "none yet; the first are made soon after the first reading".to_owned(),
        )];
    }
    let shown = |stamp: Option<&prost_types::Timestamp>| {
        let at = moment::received(stamp);
        at.map(|at| moment::shown(at, zone)).unwrap_or_default()
    };
    let pending = match model.pending_change_count {
        0 => "nothing has changed since".to_owned(),
        1 => "1 change since waits for the next".to_owned(),
        count => format!("{count} changes since wait for the next"),
    };
    let origin = match model.components_origin() {
        ComponentsOrigin::Learnt => format!(
            "learnt from the network's readings, {}",
            shown(model.components_time.as_ref())
        ),
        ComponentsOrigin::Assumed | ComponentsOrigin::Unspecified => {
            "assumptions that the program starts with".to_owned()
        }
    };
    vec![
        (
            "Estimates",
            format!(
                "fit {} of {}, {} {}; {pending}",
                model.fit,
                shown(model.fit_time.as_ref()),
                model.reading_count,
                if model.reading_count == 1 {
                    "reading"
                } else {
                    "readings"
                }
            ),
        ),
        ("What normal is", origin),
        (
            "Wandering in a week",
            format!(
                "±{} °C (one standard deviation)",
                fixed(model.wander_c2_per_week.max(0.0).sqrt(), 2)
            ),
        ),
        (
            "Steady drift",
            format!(
                "±{} °C a week from furnace to furnace",
                fixed(model.slope_standard_deviation_c_per_week, 2)
            ),
        ),
        (
            "Step at an event",
            format!("±{} °C", fixed(model.event_standard_deviation_c, 1)),
        ),
        (
            "Scatter of readings",
            format!(
                "{} times what their budgets say",
                fixed(model.reading_noise_ratio, 2)
            ),
        ),
        (
            "Between batches",
            format!("±{} °C", fixed(model.batch_standard_deviation_c, 1)),
        ),
        (
            "Between gauges",
            format!(
                "{} times what their permissible errors lead to expect",
                fixed(model.gauge_bias_ratio, 2)
            ),
        ),
    ]
}

/// Says what to look at next.
fn next(overview: &FleetOverview) -> &'static str {
    if overview.furnace_count == 0 {
        "There is no furnace yet. Add one with `ringtrue furnace add`."
    } else if overview.never_read_count == overview.furnace_count {
        "No furnace has an evaluated reading yet; record one with `ringtrue reading add`."
    } else if overview.out_of_tolerance_count > 0 {
        "Some furnaces are out of tolerance: `ringtrue qc furnaces --conformity out` shows them. \
         Fire no patients' work in them before they are adjusted and read again."
    } else if overview.open_finding_count > 0 {
        "`ringtrue qc findings` shows what was found and what to do."
    } else if overview.due_count > 0 {
        "`ringtrue qc furnaces --order due` shows which furnaces to fire a test ring in."
    } else {
        "Nothing presses. `ringtrue qc furnaces` shows every furnace, the most pressing first."
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn overview() -> FleetOverview {
        FleetOverview {
            furnace_count: 12,
            in_tolerance_count: 9,
            out_of_tolerance_count: 1,
            undecided_count: 1,
            never_read_count: 1,
            due_count: 2,
            open_finding_count: 3,
            as_of_time: Some(prost_types::Timestamp {
                seconds: 1_795_450_020,
                nanos: 0,
            }),
            model: Some(FleetModel {
                fit: 41,
                fit_time: Some(prost_types::Timestamp {
                    seconds: 1_795_449_600,
                    nanos: 0,
                }),
                reading_count: 326,
                pending_change_count: 1,
                components_origin: ComponentsOrigin::Assumed.into(),
                wander_c2_per_week: 0.25,
                slope_standard_deviation_c_per_week: 0.2,
                event_standard_deviation_c: 6.0,
                reading_noise_ratio: 1.1,
                batch_standard_deviation_c: 3.0,
                gauge_bias_ratio: 0.9,
                components_time: None,
            }),
        }
    }

    #[test]
    fn the_overview_says_how_many_and_how_it_knows() {
        let expected = "\
Furnaces             12
In tolerance         9
Out of tolerance     1
Undecided            1
Never read           1
Due by today         2
Open findings        3
As of                Monday 23 November 2026 16:07 UTC
Estimates            fit 41 of Monday 23 November 2026 16:00 UTC, 326 readings; 1 change
                     since waits for the next
What normal is       assumptions that the program starts with
Wandering in a week  ±0.50 °C (one standard deviation)
Steady drift         ±0.20 °C a week from furnace to furnace
Step at an event     ±6.0 °C
Scatter of readings  1.10 times what their budgets say
Between batches      ±3.0 °C
Between gauges       0.90 times what their permissible errors lead to expect";
        assert_eq!(drawn(&overview(), &TimeZone::UTC, 90), expected);
        let kolkata = TimeZone::get("Asia/Kolkata").expect("a zone");
        let there = drawn(&overview(), &kolkata, 90);
        assert!(there.contains("As of                Monday 23 November 2026 21:37"));
    }

    #[test]
    fn what_presses_most_is_said_first() {
        assert!(next(&overview()).contains("--conformity out"));
        let calm = FleetOverview {
            out_of_tolerance_count: 0,
            ..overview()
        };
        assert!(next(&calm).contains("qc findings"));
        assert!(next(&FleetOverview::default()).contains("ringtrue furnace add"));
        let unread = FleetOverview {
            furnace_count: 2,
            never_read_count: 2,
            ..FleetOverview::default()
        };
        assert!(next(&unread).contains("ringtrue reading add"));
    }

    #[test]
    fn before_the_first_fit_no_figures_are_made_up() {
        let new = FleetOverview {
            furnace_count: 1,
            model: Some(FleetModel::default()),
            ..FleetOverview::default()
        };
        let text = drawn(&new, &TimeZone::UTC, 90);
        assert!(text.contains("none yet"), "{text}");
        assert!(!text.contains("°C"), "{text}");
    }
}
