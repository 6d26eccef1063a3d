//! The orders in which furnaces are listed.

use std::cmp::Ordering;

use super::Standing;

/// An order of furnaces.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StandingOrder {
    /// The largest probability of being or getting outside tolerance first.
    Risk,
    /// The largest error first.
    Error,
    /// The fastest drift first.
    Drift,
    /// The earliest due first.
    Due,
    /// By site and furnace.
    Name,
}

/// Puts furnaces in order. Those of which nothing is known come last; equals stand by site and furnace, so
/// that the same furnaces always come in the same order.
pub fn sort(standings: &mut [Standing], order: StandingOrder) {
    standings.sort_by(|one, other| {
        let by_figure = match order {
            StandingOrder::Risk => descending(risk(one), risk(other))
                .then_with(|| descending(error_c(one), error_c(other))),
            StandingOrder::Error => descending(error_c(one), error_c(other)),
            StandingOrder::Drift => descending(speed(one), speed(other)),
            StandingOrder::Due => one.next_due_on.cmp(&other.next_due_on),
            StandingOrder::Name => Ordering::Equal,
        };
        by_figure.then_with(|| one.furnace.cmp(&other.furnace))
    });
}

fn risk(standing: &Standing) -> Option<f64> {
    let error = standing.error.as_ref()?;
    Some(error.leaving_probability.max(error.outside_probability))
}

fn error_c(standing: &Standing) -> Option<f64> {
    standing.error.as_ref().map(|error| error.error_c.abs())
}

fn speed(standing: &Standing) -> Option<f64> {
    standing.drift.map(|drift| drift.c_per_week.abs())
}

fn descending(one: Option<f64>, other: Option<f64>) -> Ordering {
    match (one, other) {
        (Some(one), Some(other)) => other.total_cmp(&one),
        (Some(_), None) => Ordering::Less,
        (None, Some(_)) => Ordering::Greater,
        (None, None) => Ordering::Equal,
    }
}
