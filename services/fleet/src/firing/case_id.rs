//! Ids of cases: opaque, and nothing by which a patient could be known.

use crate::violation::Violations;

/// Longest id.
const LONGEST: usize = 64;

/// Checks an id of a case. What looks like a name, a mail address or a date of birth is refused, so that
/// an integration that sends them by mistake is told at once and nothing of it is kept.
pub fn check_case_id(field: &str, case_id: &str, violations: &mut Violations) {
    // The id itself is not repeated in the message: it may be what must not be written down.
    if case_id.is_empty() {
        violations.add(field, "REQUIRED", "is empty; send the case's id");
    } else if case_id.chars().count() > LONGEST {
        violations.add(
            field,
            "TOO_LONG",
            format!("has more than {LONGEST} characters; send the case's id alone"),
        );
    } else if case_id.contains('@') {
        violations.add(
            field,
            "LOOKS_PERSONAL",
            "looks like a mail address; send the case's opaque id",
        );
    } else if looks_like_a_date(case_id) {
        violations.add(
            field,
            "LOOKS_PERSONAL",
            "looks like a date, perhaps of birth; send the case's opaque id",
        );
    } else if !case_id.chars().any(|c| c.is_ascii_digit()) {
        violations.add(
            field,
            "LOOKS_PERSONAL",
            "has no digit and may be a name; send the case's opaque id",
        );
    } else if !case_id
        .chars()
        .all(|c| c.is_ascii_alphanumeric() || "-_./:#".contains(c))
    {
        violations.add(
            field,
            "NOT_AN_ID",
            "may hold letters a to z, digits and -_./:# only; send the case's opaque id",
        );
    }
}

/// Whether a text is three groups of digits, set apart by one of the usual signs, that may be a date.
fn looks_like_a_date(text: &str) -> bool {
    ['-', '.', '/'].into_iter().any(|sign| {
        let groups: Vec<&str> = text.split(sign).collect();
        let [first, second, third] = groups.as_slice() else {
            return false;
        };
        let number = |group: &str, digits: std::ops::RangeInclusive<usize>| {
            let fits = digits.contains(&group.len()) && group.bytes().all(|b| b.is_ascii_digit());
            fits.then(|| group.parse::<u32>().ok()).flatten()
        };
        let year = |group| number(group, 4..=4).is_some_and(|year| (1890..=2100).contains(&year));
        let short_year = |group| year(group) || number(group, 2..=2).is_some();
        let part = |group| number(group, 1..=2).is_some_and(|part| (1..=31).contains(&part));
        (year(first) && part(second) && part(third))
            || (part(first) && part(second) && short_year(third))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reason(case_id: &str) -> Option<&'static str> {
        let mut violations = Violations::default();
        check_case_id("case_id", case_id, &mut violations);
        violations.0.first().map(|violation| violation.reason)
    }

    #[test]
    fn opaque_ids_are_taken() {
        for id in [
            "8841",
            "C-2026-00412",
            "a1",
            "9f86d081884c7d65",
            "lab7/88#2",
            "1.2.3.4",
            "40-99-1234",
        ] {
            assert_eq!(reason(id), None, "{id}");
        }
    }

    #[test]
    fn what_may_tell_of_a_patient_is_refused_and_not_repeated() {
        for id in [
            "name@example.org",
            "1961-04-17",
            "17.04.1961",
            "4/17/61",
            "Doe",
            "doe-jane",
        ] {
            assert_eq!(reason(id), Some("LOOKS_PERSONAL"), "{id}");
            let mut violations = Violations::default();
            check_case_id("case_id", id, &mut violations);
            assert!(!violations.0[0].message.contains(id), "{id}");
        }
        assert_eq!(reason("doe 7"), Some("NOT_AN_ID"));
        assert_eq!(reason("ß7"), Some("NOT_AN_ID"));
        assert_eq!(reason(""), Some("REQUIRED"));
        assert_eq!(reason(&"7".repeat(65)), Some("TOO_LONG"));
    }
}
