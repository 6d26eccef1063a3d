//! Where a furnace stands, in words: error, drift, when it leaves tolerance, how often it wants a
//! calibration, and what cannot be told apart.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{Conformity, FurnaceStanding, IntervalAdvice, Separability};

use crate::quantity::{brief, fixed, per_cent, signed};
use crate::{moment, names, output};

/// A shared bias with a smaller part in the offset's uncertainty than this is not worth naming as the
/// possible reason for what the rings show.
const WORTH_NAMING: f64 = 0.25;

/// Days within which the next ring is asked for when the last readings look like a drift.
const EARLY_DAYS: f64 = 7.0;

/// Says whether a furnace conforms, in a few words.
pub(crate) fn conforms(standing: &FurnaceStanding) -> &'static str {
    match standing.conformity() {
        Conformity::In => "in tolerance",
        Conformity::Out => "OUT of tolerance",
        Conformity::Undecided => "undecided",
        Conformity::Unknown | Conformity::Unspecified => "never read",
    }
}

/// Says whether there is anything to say about a furnace: one evaluated reading at least.
pub(crate) fn is_known(standing: &FurnaceStanding) -> bool {
    !matches!(
        standing.conformity(),
        Conformity::Unknown | Conformity::Unspecified
    )
}

/// Says the present error with its expanded uncertainty.
pub(crate) fn error(standing: &FurnaceStanding) -> String {
    format!(
        "{} ± {} °C",
        signed(standing.present_error_c, 1),
        fixed(2.0 * standing.standard_uncertainty_c, 1)
    )
}

/// Says the drift with its expanded uncertainty.
pub(crate) fn drift(standing: &FurnaceStanding) -> String {
    format!(
        "{} ± {} °C",
        signed(standing.drift_c_per_week, 2),
        fixed(2.0 * standing.drift_standard_uncertainty_c_per_week, 2)
    )
}

/// Says in one sentence where a furnace stands, for a chart's head.
pub(crate) fn sentence(standing: &FurnaceStanding) -> String {
    if !is_known(standing) {
        return "No evaluated reading yet.".to_owned();
    }
    let leaving = match &standing.leaving_date {
        _ if is_out(standing) => "adjust it and read it again".to_owned(),
        Some(date) => format!("tolerance is likely left by {}", moment::brief_day(date)),
        None => "tolerance is not likely to be left within two years".to_owned(),
    };
    format!(
        "Error of programme {} now: {}, tolerance ±{} °C: {}. Drift: {} a week; {leaving}.",
        names::id(&standing.programme),
        error(standing),
        brief(standing.tolerance_c, 1),
        conforms(standing).to_lowercase(),
        drift(standing),
    )
}

fn is_out(standing: &FurnaceStanding) -> bool {
    standing.conformity() == Conformity::Out
}

/// Says where a furnace stands at a moment, line by line; days are the site's.
pub(crate) fn lines(
    standing: &FurnaceStanding,
    now: Timestamp,
    zone: &TimeZone,
) -> Vec<(&'static str, String)> {
    let mut lines = vec![
        (
            "Error now",
            format!(
                "{} (about 95 % coverage), programme {}, tolerance ±{} °C",
                error(standing),
                names::id(&standing.programme),
                brief(standing.tolerance_c, 1)
            ),
        ),
        (
            "Conforms",
            match standing.conformity() {
                Conformity::Undecided => "undecided: neither inside nor outside can be said \
                                          with the certainty wanted; enter what the last reading \
                                          advised if that is not done, else fire a second ring or \
                                          check the gauge"
                    .to_owned(),
                _ => conforms(standing).to_owned(),
            },
        ),
        (
            "Chance of outside",
            format!("{} now", per_cent(standing.outside_probability)),
        ),
        (
            "Drift",
            format!("{} a week (about 95 % coverage)", drift(standing)),
        ),
        ("Leaves tolerance", leaving(standing, now, zone)),
    ];
    lines.push(("Next calibration", due(standing, now, zone)));
    if let Some(interval) = &standing.interval {
        interval_lines(standing, interval, &mut lines);
    }
    if standing.open_finding_count > 0 {
        let mut text = format!(
            "{}; see them with `ringtrue qc findings --subject {}`",
            standing.open_finding_count,
            names::with_site(&standing.furnace)
        );
        if !is_out(standing) {
            text.push_str(". If one is a drift, the days above may come sooner");
        }
        lines.push(("Open findings", text));
    }
    lines
}

/// Says when the next ring is to be fired, and why sooner than the interval asks.
fn due(standing: &FurnaceStanding, now: Timestamp, zone: &TimeZone) -> String {
    let Some(date) = &standing.next_due_date else {
        return String::new();
    };
    let day = moment::shown_day(date);
    let today = now.to_zoned_datetime(zone.clone()).date();
    // Days written year first sort as they follow each other.
    let written = moment::brief_day(date);
    let mut text = if is_out(standing) {
        format!("as soon as it is adjusted, to see that it is right; by {day} at the latest")
    } else if written < today.to_string() {
        format!("was due by {day}: fire a ring next")
    } else {
        let chance = per_cent(standing.leaving_probability);
        format!("by {day}; chance of leaving tolerance before that: {chance}")
    };
    if is_early(standing, &written, zone) {
        text.push_str(
            ". It is asked for early because the last readings lie farther and farther from what was \
             expected: the next ring tells a drift from chance",
        );
    }
    text
}

/// Says whether the next ring is due sooner than the interval that the furnace deserves.
fn is_early(standing: &FurnaceStanding, due: &str, zone: &TimeZone) -> bool {
    let long = standing
        .interval
        .as_ref()
        .is_some_and(|interval| f64::from(interval.interval_days) > EARLY_DAYS);
    let fired = moment::received(standing.last_fire_time.as_ref());
    let (Some(fired), Some(due)) = (fired, moment::start_of_day(due, zone)) else {
        return false;
    };
    long && !is_out(standing) && due.duration_since(fired).as_secs_f64() <= EARLY_DAYS * 86_400.0
}

fn interval_lines(
    standing: &FurnaceStanding,
    interval: &IntervalAdvice,
    lines: &mut Vec<(&'static str, String)>,
) {
    const LABEL: &str = "Interval it deserves";
    if is_out(standing) {
        lines.push((
            LABEL,
            "cannot be said before it is adjusted and read again".to_owned(),
        ));
        return;
    }
    let reliability = per_cent(interval.reliability_target);
    let mut text = format!(
        "{} days, for a chance of {reliability} to stay in tolerance",
        interval.interval_days
    );
    if !interval.reason.contains(&interval.method) {
        text = format!("{text} ({})", interval.method);
    }
    lines.push((LABEL, text));
    lines.push(("Because", interval.reason.clone()));
    if interval.staircase_interval_days > 0 {
        lines.push((
            "Staircase rule",
            format!("{} days", interval.staircase_interval_days),
        ));
    }
}

fn leaving(standing: &FurnaceStanding, now: Timestamp, zone: &TimeZone) -> String {
    if is_out(standing) {
        return "it has: fire no work in it until it is adjusted and read again".to_owned();
    }
    let earliest = standing.earliest_leaving_date.as_ref();
    let today = now.to_zoned_datetime(zone.clone()).date().to_string();
    let past = |date: &ringtrue_proto::Date| moment::brief_day(date) <= today;
    if standing.leaving_date.as_ref().is_some_and(past) {
        return "more likely left already than not".to_owned();
    }
    match (&standing.leaving_date, earliest) {
        (Some(date), Some(earliest)) => format!(
            "likely by {}; the chance that it is before {} is 5 %",
            moment::shown_day(date),
            moment::shown_day(earliest)
        ),
        (Some(date), None) => format!("likely by {}", moment::shown_day(date)),
        (None, Some(earliest)) => format!(
            "not likely within two years; the chance that it is before {} is 5 %",
            moment::shown_day(earliest)
        ),
        (None, None) => "not likely within two years".to_owned(),
    }
}

/// Says what of the offset's uncertainty is batch's and gauge's, and what to do; empty when it hardly
/// matters.
pub(crate) fn separability(known: &Separability, columns: u16) -> String {
    let mut text = format!(
        "The offset is known to ±{} °C (about 95 % coverage). The gauge's bias makes ±{} °C of it, \
         the batch's ±{} °C.",
        fixed(2.0 * known.offset_standard_uncertainty_c, 1),
        fixed(2.0 * known.gauge_part_c.abs(), 1),
        fixed(2.0 * known.batch_part_c.abs(), 1),
    );
    if known.inseparable {
        let whole_c = known.offset_standard_uncertainty_c;
        let counts = |part_c: f64| part_c.abs() >= WORTH_NAMING * whole_c;
        text.push_str(match (counts(known.gauge_part_c), counts(known.batch_part_c)) {
            (true, false) => {
                " Furnace and gauge cannot be told apart: either could be the reason for what the rings \
                 show."
            }
            (false, true) => {
                " Furnace and batch cannot be told apart: either could be the reason for what the rings \
                 show."
            }
            _ => {
                " Furnace, batch and gauge cannot be told apart: all three could be the reason for what \
                 the rings show."
            }
        });
    }
    let mut lines = vec![output::paragraph(&text, columns)];
    if !known.remedies.is_empty() {
        let after = 2.0 * known.standard_uncertainty_after_c;
        let heading = if after > 0.0 {
            format!(
                "What would help, the most effective first (the first brings it to ±{} °C):",
                fixed(after, 1)
            )
        } else {
            "What would help, the most effective first:".to_owned()
        };
        lines.push(output::paragraph(&heading, columns));
        lines.push(output::marked("-", &known.remedies, columns));
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::sample;

    fn now() -> Timestamp {
        "2026-11-25T19:00:00Z".parse().expect("a moment")
    }

    fn shown(standing: &FurnaceStanding) -> String {
        output::card(&lines(standing, now(), &sample::lisbon()), 400)
    }

    #[test]
    fn a_furnace_outside_tolerance_is_not_told_when_it_will_leave_it() {
        let mut standing = sample::standing();
        standing.conformity = Conformity::Out.into();
        let text = shown(&standing);
        assert!(text.contains("fire no work in it"), "{text}");
        assert!(text.contains("as soon as it is adjusted"), "{text}");
        assert!(!text.contains("likely by"), "{text}");
        assert!(!text.contains("7 days, for a chance"), "{text}");
        assert!(!sentence(&standing).contains("likely left"));
    }

    #[test]
    fn a_ring_that_is_overdue_or_asked_for_early_is_said_to_be_so() {
        let mut standing = sample::standing();
        let day = |day| {
            Some(ringtrue_proto::Date {
                year: 2026,
                month: 11,
                day,
            })
        };
        standing.next_due_date = day(25);
        assert!(shown(&standing).contains("by Wednesday 25 November"));
        standing.next_due_date = day(24);
        assert!(
            shown(&standing).contains("was due by Tuesday 24"),
            "{}",
            shown(&standing)
        );
        assert!(!shown(&standing).contains("asked for early"));
        let fired: Timestamp = "2026-11-20T19:00:00Z".parse().expect("a moment");
        standing.last_fire_time = Some(moment::sent(fired));
        standing.next_due_date = day(27);
        if let Some(interval) = &mut standing.interval {
            interval.interval_days = 14;
        }
        assert!(
            shown(&standing).contains("asked for early"),
            "{}",
            shown(&standing)
        );
    }

    #[test]
    fn only_what_matters_is_named_as_not_to_be_told_apart() {
        let history = sample::history();
        let mut known = history.separability.expect("it is in the sample");
        known.inseparable = true;
        known.gauge_part_c = 0.01 * known.offset_standard_uncertainty_c;
        known.batch_part_c = 0.8 * known.offset_standard_uncertainty_c;
        let text = separability(&known, 400);
        assert!(text.contains("Furnace and batch cannot"), "{text}");
    }

    #[test]
    fn where_a_furnace_stands_is_said_with_units_and_what_to_look_at() {
        let expected = "\
Error now             -1.2 ± 3.2 °C (about 95 % coverage), programme standard, tolerance ±10 °C
Conforms              in tolerance
Chance of outside     less than 1 % now
Drift                 +0.31 ± 0.22 °C a week (about 95 % coverage)
Leaves tolerance      likely by Friday 9 July 2027; the chance that it is before Friday 12 March
                      2027 is 5 %
Next calibration      by Friday 4 December 2026; chance of leaving tolerance before that: 4 %
Interval it deserves  7 days, for a chance of 95 % to stay in tolerance (ILAC-G24 method 5)
Because               The site's own interval is the shortest.
Staircase rule        9 days
Open findings         1; see them with `ringtrue qc findings --subject porto/k2`. If one is a
                      drift, the days above may come sooner";
        let lines = lines(&sample::standing(), now(), &sample::lisbon());
        assert_eq!(output::card(&lines, 100), expected);
    }

    #[test]
    fn a_furnace_that_is_undecided_is_given_something_to_do() {
        let mut standing = sample::standing();
        standing.conformity = Conformity::Undecided.into();
        standing.leaving_date = None;
        standing.earliest_leaving_date = None;
        let text = shown(&standing);
        assert!(text.contains("second ring"), "{text}");
        assert!(text.contains("what the last reading advised"), "{text}");
        assert!(text.contains("not likely within two years"), "{text}");
    }

    #[test]
    fn a_day_that_has_come_is_not_foretold() {
        let mut standing = sample::standing();
        standing.leaving_date = Some(ringtrue_proto::Date {
            year: 2026,
            month: 11,
            day: 25,
        });
        let text = shown(&standing);
        assert!(text.contains("left already"), "{text}");
    }

    #[test]
    fn what_cannot_be_told_apart_is_said_with_its_remedies() {
        let history = sample::history();
        let known = history.separability.expect("it is in the sample");
        let expected = "\
The offset is known to ±6.2 °C (about 95 % coverage). The gauge's bias makes ±4.8 °C of it, the
batch's ±2.2 °C. Furnace, batch and gauge cannot be told apart: all three could be the reason for what
the rings show.
What would help, the most effective first (the first brings it to ±3.8 °C):
-  Check caliper-1 on a reference block.";
        assert_eq!(separability(&known, 104), expected);
    }

    #[test]
    fn a_furnace_that_was_never_read_has_no_figures() {
        let unread = FurnaceStanding {
            conformity: Conformity::Unknown.into(),
            ..FurnaceStanding::default()
        };
        assert!(!is_known(&unread));
        assert_eq!(sentence(&unread), "No evaluated reading yet.");
    }
}
