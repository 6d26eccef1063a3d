//! Field by field between messages and the fleet's own words: names, choices, moments, dates.
//!
//! Reading a field never fails on the spot: what is wrong is added to the violations, so that a
//! caller learns of everything at once.

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_fleet::key::{BadName, FurnaceId, FurnaceKey, NotAnId, SiteId};
use ringtrue_fleet::violation::Violations;

use crate::app::Error;

/// Nanoseconds in a second, one past the largest that a protocol timestamp may hold.
const NANOS_PER_SECOND: i32 = 1_000_000_000;

/// Reads a resource name that must be given.
pub(crate) fn name<T>(
    field: &str,
    name: &str,
    parse: fn(&str) -> Result<T, BadName>,
    violations: &mut Violations,
) -> Option<T> {
    match parse(name) {
        Ok(key) => Some(key),
        Err(fault) => {
            violations.add(field, "NOT_A_NAME", fault.to_string());
            None
        }
    }
}

/// Reads a resource name that may be left out.
pub(crate) fn optional_name<T>(
    field: &str,
    text: &str,
    parse: fn(&str) -> Result<T, BadName>,
    violations: &mut Violations,
) -> Option<T> {
    if text.is_empty() {
        None
    } else {
        name(field, text, parse, violations)
    }
}

/// Reads the id that a caller may choose for something new.
pub(crate) fn chosen_id<T>(
    field: &str,
    id: &str,
    read: fn(&str) -> Result<T, NotAnId>,
    violations: &mut Violations,
) -> Option<T> {
    if id.is_empty() {
        return None;
    }
    match read(id) {
        Ok(id) => Some(id),
        Err(fault) => {
            violations.add(field, "NOT_AN_ID", fault.to_string());
            None
        }
    }
}

/// Reads `sites/{site}`, or `sites/-` for every site, which is none here.
pub(crate) fn site_or_all(parent: &str, violations: &mut Violations) -> Option<SiteId> {
    if parent == "sites/-" {
        None
    } else {
        name("parent", parent, SiteId::parse, violations)
    }
}

/// Reads `sites/{site}/furnaces/{furnace}`, or `sites/{site}/furnaces/-` for every furnace of the
/// site.
pub(crate) fn furnace_or_all(
    field: &str,
    parent: &str,
    violations: &mut Violations,
) -> Option<(SiteId, Option<FurnaceId>)> {
    if let Some(site) = parent.strip_suffix("/furnaces/-") {
        return Some((name(field, site, SiteId::parse, violations)?, None));
    }
    let key = name(field, parent, FurnaceKey::parse, violations)?;
    Some((key.site, Some(key.furnace)))
}

/// Reads a value of an enumeration; a number that the protocol does not know is a violation.
pub(crate) fn choice<T: TryFrom<i32>>(
    field: &str,
    number: i32,
    violations: &mut Violations,
) -> Option<T> {
    let choice = T::try_from(number).ok();
    if choice.is_none() {
        violations.add(
            field,
            "UNKNOWN_VALUE",
            format!("{number} is not known here; send one of the values that the protocol lists"),
        );
    }
    choice
}

/// Reads a moment, to the microsecond; none when it was not given.
pub(crate) fn moment(
    field: &str,
    timestamp: Option<prost_types::Timestamp>,
    violations: &mut Violations,
) -> Option<Timestamp> {
    let timestamp = timestamp?;
    let whole_micros = timestamp.nanos / 1_000 * 1_000;
    let moment = Timestamp::new(timestamp.seconds, whole_micros).ok();
    if (0..NANOS_PER_SECOND).contains(&timestamp.nanos) && moment.is_some() {
        return moment;
    }
    violations.add(
        field,
        "NOT_A_MOMENT",
        format!(
            "{} s and {} ns since 1970 is not a moment; check the date",
            timestamp.seconds, timestamp.nanos
        ),
    );
    None
}

/// Writes a moment.
pub(crate) fn timestamp(moment: Timestamp) -> prost_types::Timestamp {
    let mut seconds = moment.as_second();
    let mut nanos = moment.subsec_nanosecond();
    // Before 1970 both parts are negative here, but the protocol counts nanoseconds forward.
    if nanos < 0 {
        seconds -= 1;
        nanos += NANOS_PER_SECOND;
    }
    prost_types::Timestamp { seconds, nanos }
}

/// Reads a calendar date; none when it was not given.
pub(crate) fn date(
    field: &str,
    date: Option<ringtrue_proto::Date>,
    violations: &mut Violations,
) -> Option<Date> {
    let date = date?;
    let (year, month, day) = (
        i16::try_from(date.year),
        i8::try_from(date.month),
        i8::try_from(date.day),
    );
    if let (Ok(year @ 1..), Ok(month), Ok(day)) = (year, month, day)
        && let Ok(date) = Date::new(year, month, day)
    {
        return Some(date);
    }
    violations.add(
        field,
        "NOT_A_DATE",
        format!(
            "{:04}-{:02}-{:02} is not a day of the calendar; send year, month and day",
            date.year, date.month, date.day
        ),
    );
    None
}

/// Writes a calendar date.
pub(crate) fn calendar_date(date: Date) -> ringtrue_proto::Date {
    ringtrue_proto::Date {
        year: date.year().into(),
        month: date.month().into(),
        day: date.day().into(),
    }
}

/// Whether a number differs from zero, which the protocol sends for a number that is not given.
pub(crate) fn is_set(number: f64) -> bool {
    number.is_nan() || number.abs() > 0.0
}

/// Adds what further checks find in fields that are not refused already.
///
/// They run only when something is refused: without that the use case runs the same checks itself.
pub(crate) fn also(violations: &mut Violations, check: impl FnOnce(&mut Violations)) {
    if violations.0.is_empty() {
        return;
    }
    let mut more = Violations::default();
    check(&mut more);
    for violation in more.0 {
        if !violations
            .0
            .iter()
            .any(|known| known.field == violation.field)
        {
            violations.0.push(violation);
        }
    }
}

/// The value when nothing is wrong; a value that is missing has left a violation.
pub(crate) fn settled<T>(value: Option<T>, violations: Violations) -> Result<T, Error> {
    match value {
        Some(value) if violations.0.is_empty() => Ok(value),
        _ => Err(Error::Invalid(violations)),
    }
}

/// The record that was asked for, or the fault that it is missing.
pub(crate) fn found<T>(record: Option<T>, kind: &'static str, name: String) -> Result<T, Error> {
    record.ok_or(Error::Missing { kind, name })
}

#[cfg(test)]
mod tests {
    use ringtrue_proto::v1::FurnaceState;

    use super::*;

    fn refused(violations: &Violations) -> Vec<&str> {
        violations
            .0
            .iter()
            .map(|violation| violation.field.as_str())
            .collect()
    }

    #[test]
    fn moments_survive_the_way_there_and_back_to_the_microsecond() {
        for text in [
            "2026-03-02T12:00:00.123456Z",
            "1969-12-31T23:59:59.75Z",
            "1970-01-01T00:00:00Z",
        ] {
            let at: Timestamp = text.parse().expect("a valid moment");
            let mut violations = Violations::default();
            let back = moment("fire_time", Some(timestamp(at)), &mut violations);
            assert_eq!((back, violations.0.len()), (Some(at), 0), "{text}");
            assert!(timestamp(at).nanos >= 0, "{text}");
        }
    }

    #[test]
    fn moments_are_cut_to_the_microsecond_and_impossible_ones_refused() {
        let mut violations = Violations::default();
        let fine = prost_types::Timestamp {
            seconds: 1,
            nanos: 2_999,
        };
        let cut = moment("fire_time", Some(fine), &mut violations).expect("a moment");
        assert_eq!(cut.as_nanosecond(), 1_000_002_000);
        assert_eq!(moment("fire_time", None, &mut violations), None);
        assert_eq!(violations.0.len(), 0);
        for (seconds, nanos) in [(0, -1), (0, NANOS_PER_SECOND), (i64::MAX, 0), (i64::MIN, 0)] {
            let wrong = prost_types::Timestamp { seconds, nanos };
            assert_eq!(moment("fire_time", Some(wrong), &mut violations), None);
        }
        assert_eq!(refused(&violations), ["fire_time"; 4]);
    }

    #[test]
    fn dates_survive_and_days_that_do_not_exist_are_refused() {
        let mut violations = Violations::default();
        let leap = Date::constant(2028, 2, 29);
        let back = date("expiry_date", Some(calendar_date(leap)), &mut violations);
        assert_eq!((back, violations.0.len()), (Some(leap), 0));
        for (year, month, day) in [
            (2027, 2, 29),
            (0, 1, 1),
            (2027, 13, 1),
            (70_000, 1, 1),
            (2027, 1, 300),
        ] {
            let wrong = ringtrue_proto::Date { year, month, day };
            assert_eq!(date("expiry_date", Some(wrong), &mut violations), None);
        }
        assert_eq!(refused(&violations), ["expiry_date"; 5]);
    }

    #[test]
    fn a_number_that_an_enumeration_does_not_know_is_refused() {
        let mut violations = Violations::default();
        let known: Option<FurnaceState> = choice("furnace.state", 3, &mut violations);
        assert_eq!(
            (known, violations.0.len()),
            (Some(FurnaceState::Retired), 0)
        );
        let unknown: Option<FurnaceState> = choice("furnace.state", 77, &mut violations);
        assert_eq!(unknown, None);
        assert_eq!(refused(&violations), ["furnace.state"]);
    }

    #[test]
    fn a_dash_stands_for_every_site() {
        let mut violations = Violations::default();
        assert_eq!(site_or_all("sites/-", &mut violations), None);
        let north = SiteId::new("north").expect("an id");
        assert_eq!(site_or_all("sites/north", &mut violations), Some(north));
        assert_eq!(violations.0.len(), 0);
        for wrong in ["", "sites/", "sites/-/furnaces/-", "-"] {
            assert_eq!(site_or_all(wrong, &mut violations), None);
        }
        assert_eq!(violations.0.len(), 4);
    }

    #[test]
    fn a_dash_stands_for_every_furnace_of_one_site_and_for_nothing_else() {
        let mut violations = Violations::default();
        let north = SiteId::new("north").expect("an id");
        let k2 = FurnaceId::new("k2").expect("an id");
        let all = furnace_or_all("parent", "sites/north/furnaces/-", &mut violations);
        assert_eq!(all, Some((north.clone(), None)));
        let one = furnace_or_all("parent", "sites/north/furnaces/k2", &mut violations);
        assert_eq!(one, Some((north, Some(k2))));
        assert_eq!(violations.0.len(), 0);
        for wrong in [
            "sites/-/furnaces/-",
            "sites/north/furnaces/",
            "-",
            "",
            "/furnaces/-",
        ] {
            assert_eq!(
                furnace_or_all("parent", wrong, &mut violations),
                None,
                "{wrong}"
            );
        }
        assert_eq!(refused(&violations), ["parent"; 5]);
    }

    #[test]
    fn further_checks_add_to_what_is_refused_and_never_the_same_field_twice() {
        let mut violations = Violations::default();
        also(&mut violations, |_| {
            panic!("nothing is refused, so the use case checks")
        });
        violations.add("site.calibration_day", "UNKNOWN_VALUE", "9 is not known");
        also(&mut violations, |more| {
            more.add("site.calibration_day", "REQUIRED", "is missing");
            more.add("site.time_zone", "UNKNOWN_TIME_ZONE", "is not a zone");
        });
        assert_eq!(
            refused(&violations),
            ["site.calibration_day", "site.time_zone"]
        );
    }
}
