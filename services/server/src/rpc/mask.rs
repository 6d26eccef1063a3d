//! Which fields an update changes.

use prost_types::FieldMask;
use ringtrue_fleet::violation::Violations;

/// Gives the fields to change: those the mask names, all of them for `*`, those that are set when
/// the mask is empty. `known` has every field that may be changed and whether the message sets it.
pub(crate) fn fields(
    mask: Option<&FieldMask>,
    known: &[(&'static str, bool)],
    violations: &mut Violations,
) -> Vec<&'static str> {
    let mut wanted = Vec::new();
    let paths = mask.map_or(&[][..], |mask| mask.paths.as_slice());
    if paths.is_empty() {
        for (field, is_set) in known {
            if *is_set {
                wanted.push(*field);
            }
        }
        if wanted.is_empty() {
            violations.add(
                "update_mask",
                "NOTHING_TO_CHANGE",
                "names no field and the message sets none; name the fields to change",
            );
        }
        return wanted;
    }
    if let [only] = paths
        && only == "*"
    {
        return known.iter().map(|(field, _)| *field).collect();
    }
    for (at, path) in paths.iter().enumerate() {
        match known.iter().find(|(field, _)| field == path) {
            Some((field, _)) if wanted.contains(field) => {}
            Some((field, _)) => wanted.push(*field),
            None => {
                let all: Vec<&str> = known.iter().map(|(field, _)| *field).collect();
                violations.add(
                    format!("update_mask.paths[{at}]"),
                    "UNKNOWN_FIELD",
                    format!(
                        "`{}` is not a field that can be changed; name any of {}, or `*` alone",
                        ringtrue_fleet::key::shown(path),
                        all.join(", ")
                    ),
                );
            }
        }
    }
    wanted
}

/// Keeps of what is wrong with a message only what is wrong with the fields to change; `path` is the
/// request field that holds the message.
pub(crate) fn of_fields(path: &str, wanted: &[&str], found: Violations, into: &mut Violations) {
    for violation in found.0 {
        let field = violation
            .field
            .strip_prefix(path)
            .and_then(|rest| rest.strip_prefix('.'));
        let first = field.and_then(|rest| rest.split(['.', '[']).next());
        if first.is_some_and(|first| wanted.contains(&first)) {
            into.0.push(violation);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KNOWN: [(&str, bool); 3] = [
        ("display_name", true),
        ("tolerance_c", false),
        ("closed_days", true),
    ];

    fn masked(paths: &[&str]) -> (Vec<&'static str>, Vec<String>) {
        let mask = FieldMask {
            paths: paths.iter().map(|path| (*path).to_owned()).collect(),
        };
        let mut violations = Violations::default();
        let wanted = fields(Some(&mask), &KNOWN, &mut violations);
        (
            wanted,
            violations
                .0
                .into_iter()
                .map(|violation| violation.field)
                .collect(),
        )
    }

    #[test]
    fn an_empty_mask_changes_what_is_set() {
        assert_eq!(
            masked(&[]),
            (vec!["display_name", "closed_days"], Vec::new())
        );
        let mut violations = Violations::default();
        assert_eq!(
            fields(None, &[("display_name", false)], &mut violations).len(),
            0
        );
        assert_eq!(violations.0[0].reason, "NOTHING_TO_CHANGE");
    }

    #[test]
    fn a_mask_changes_what_it_names_even_when_it_is_not_set() {
        let (wanted, refused) = masked(&["tolerance_c", "tolerance_c"]);
        assert_eq!((wanted, refused.len()), (vec!["tolerance_c"], 0));
    }

    #[test]
    fn a_star_alone_changes_everything() {
        assert_eq!(masked(&["*"]).0.len(), 3);
        assert_eq!(masked(&["*", "tolerance_c"]).1, ["update_mask.paths[0]"]);
    }

    #[test]
    fn every_path_that_cannot_be_changed_is_refused() {
        let (_, refused) = masked(&["etag", "tolerance_c", "site.tolerance_c", ""]);
        assert_eq!(
            refused,
            [
                "update_mask.paths[0]",
                "update_mask.paths[2]",
                "update_mask.paths[3]"
            ]
        );
    }

    #[test]
    fn only_faults_of_the_fields_to_change_count() {
        let mut found = Violations::default();
        found.add("site.closed_days[2]", "UNKNOWN_VALUE", "9 is not known");
        found.add("site.calibration_day", "UNKNOWN_VALUE", "9 is not known");
        found.add("sites.closed_days", "UNKNOWN_VALUE", "9 is not known");
        let mut kept = Violations::default();
        of_fields("site", &["closed_days"], found, &mut kept);
        assert_eq!(kept.0.len(), 1);
        assert_eq!(kept.0[0].field, "site.closed_days[2]");
    }
}
