//! Amending a firing: a new version of it, whole.

use jiff::Timestamp;

use super::report::{Row, placed};
use super::{Firing, FiringDetails, KnownFirings};
use crate::key::{FiringId, ReportId};
use crate::violation::Violations;

/// Makes the version that takes the place of `before`; `path` is the request field that holds it.
///
/// # Errors
///
/// Everything that is wrong.
pub fn amended(
    known: &KnownFirings,
    before: &Firing,
    row: Row,
    reason: &str,
    report: &ReportId,
    now: Timestamp,
    id: impl Fn(&FiringDetails) -> FiringId,
) -> Result<Firing, Violations> {
    const PATH: &str = "firing";
    let Row {
        details,
        mut violations,
    } = row;
    violations.text("amend_reason", reason.trim(), 1, 500);
    details.check(PATH, now, &mut violations);
    if details.external_id != before.details.external_id {
        violations.add(
            "firing.external_id",
            "NOT_ITS_OWN",
            format!(
                "is not the firing's, which is `{}`; a firing keeps its id",
                before.details.external_id
            ),
        );
    }
    let furnace = details.programme.as_ref().map(|named| &named.furnace);
    if furnace.is_some_and(|furnace| *furnace != before.key.furnace) {
        violations.add(
            "firing.programme",
            "OF_ANOTHER_FURNACE",
            "is of another furnace; say that this firing never took place, and report the other one",
        );
    }
    violations.or(())?;
    let firing = placed(known, PATH, &details, report, 0, now, id)?;
    Ok(Firing {
        amends: Some(before.key.firing.clone()),
        amend_reason: reason.trim().to_owned(),
        ..firing
    })
}
