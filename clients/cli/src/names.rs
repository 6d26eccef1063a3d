//! Short names of people and resource names of the protocol.
//!
//! `k2` at site `porto` is `sites/porto/furnaces/k2`; `porto/k2` says the site as well; the full
//! name is taken everywhere.

/// Kinds along the name of a furnace.
pub(crate) const FURNACE: &[&str] = &["sites", "furnaces"];
/// Kinds along the name of a gauge.
pub(crate) const GAUGE: &[&str] = &["sites", "gauges"];
/// Kinds along the name of a programme.
pub(crate) const PROGRAMME: &[&str] = &["sites", "furnaces", "programmes"];
/// Kinds along the name of a reading.
pub(crate) const READING: &[&str] = &["sites", "furnaces", "readings"];
/// Kinds along the name of an adjustment.
pub(crate) const ADJUSTMENT: &[&str] = &["sites", "furnaces", "adjustments"];

/// Kinds along the name of a firing.
pub(crate) const FIRING: &[&str] = &["sites", "furnaces", "firings"];
/// Kinds along the name of a decision about an exposure.
pub(crate) const EXPOSURE_DECISION: &[&str] = &["sites", "furnaces", "exposureDecisions"];

/// Gives the resource name when the text says every part of it, as `sites/porto/furnaces/k2` or as
/// `porto/k2`; none when a part must be filled in.
pub(crate) fn spelled_out(text: &str, kinds: &[&str]) -> Option<String> {
    let parts: Vec<&str> = text.trim().split('/').collect();
    if parts.contains(&"") {
        return None;
    }
    if parts.len() == 2 * kinds.len() {
        let kinds_match = kinds
            .iter()
            .zip(parts.iter().step_by(2))
            .all(|(a, b)| a == b);
        return kinds_match.then(|| parts.join("/"));
    }
    if parts.len() != kinds.len() {
        return None;
    }
    let mut name = String::new();
    for (kind, part) in kinds.iter().zip(&parts) {
        if !name.is_empty() {
            name.push('/');
        }
        name.push_str(kind);
        name.push('/');
        name.push_str(part);
    }
    Some(name)
}

/// Gives the name of a resource below another.
///
/// # Errors
/// A sentence for the person when the id cannot be one.
pub(crate) fn below(parent: &str, kind: &str, id: &str) -> Result<String, String> {
    let id = id.trim();
    if id.is_empty() || id.contains('/') {
        return Err(format!(
            "`{id}` names no one of {kind}; give its short name, or its full name {parent}/{kind}/..."
        ));
    }
    Ok(format!("{parent}/{kind}/{id}"))
}

/// Gives the name of a site from its id or name.
///
/// # Errors
/// A sentence for the person when it cannot be one.
pub(crate) fn site(text: &str) -> Result<String, String> {
    top("sites", text)
}

/// Gives the name of a ring batch from its id or name.
///
/// # Errors
/// A sentence for the person when it cannot be one.
pub(crate) fn batch(text: &str) -> Result<String, String> {
    top("ringBatches", text)
}

/// Gives the name of a finding from its id or name.
///
/// # Errors
/// A sentence for the person when it cannot be one.
pub(crate) fn finding(text: &str) -> Result<String, String> {
    top("findings", text)
}

/// Gives the name of an alert from its id or name.
///
/// # Errors
/// A sentence for the person when it cannot be one.
pub(crate) fn alert(text: &str) -> Result<String, String> {
    top("alerts", text)
}

/// Gives the name of a credential from its id or name.
///
/// # Errors
/// A sentence for the person when it cannot be one.
pub(crate) fn credential(text: &str) -> Result<String, String> {
    top("credentials", text)
}

/// Gives the name of an enrolment from its id or name.
///
/// # Errors
/// A sentence for the person when it cannot be one.
pub(crate) fn enrolment(text: &str) -> Result<String, String> {
    top("enrolments", text)
}

/// Gives the name of a group of sites from its id or name.
///
/// # Errors
/// A sentence for the person when it cannot be one.
pub(crate) fn site_group(text: &str) -> Result<String, String> {
    top("siteGroups", text)
}

/// Gives the short name of something at a site, with the site's: `porto/k2`; other names as they are.
pub(crate) fn with_site(name: &str) -> String {
    if name.starts_with("sites/") && name.matches('/').count() > 1 {
        format!("{}/{}", id(site_of(name)), id(name))
    } else {
        name.to_owned()
    }
}

fn top(kind: &str, text: &str) -> Result<String, String> {
    let trimmed = text.trim();
    let id = trimmed
        .strip_prefix(kind)
        .and_then(|rest| rest.strip_prefix('/'))
        .unwrap_or(trimmed);
    if id.is_empty() || id.contains('/') {
        return Err(format!(
            "`{trimmed}` is neither a short name nor a name like {kind}/x7"
        ));
    }
    Ok(format!("{kind}/{id}"))
}

/// Gives the last part of a name: the id.
pub(crate) fn id(name: &str) -> &str {
    name.rsplit('/').next().unwrap_or(name)
}

/// Gives the name of the resource above another; the name itself at the top.
pub(crate) fn parent(name: &str) -> &str {
    let mut slashes = name.rmatch_indices('/');
    match (slashes.next(), slashes.next()) {
        (Some(_), Some((at, _))) => &name[..at],
        _ => name,
    }
}

/// Gives the name of the site that a resource belongs to.
pub(crate) fn site_of(name: &str) -> &str {
    match name.match_indices('/').nth(1) {
        Some((at, _)) => &name[..at],
        None => name,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn full_names_and_slashed_short_names_are_understood() {
        let k2 = Some("sites/porto/furnaces/k2".to_owned());
        assert_eq!(spelled_out("sites/porto/furnaces/k2", FURNACE), k2);
        assert_eq!(spelled_out("porto/k2", FURNACE), k2);
        assert_eq!(spelled_out("k2", FURNACE), None);
        assert_eq!(spelled_out("sites/porto/gauges/k2", FURNACE), None);
        assert_eq!(spelled_out("porto/", FURNACE), None);
        assert_eq!(
            spelled_out("porto/k2/r1", READING),
            Some("sites/porto/furnaces/k2/readings/r1".to_owned())
        );
    }

    #[test]
    fn short_names_are_filled_in() {
        assert_eq!(
            below("sites/porto", "furnaces", "k2"),
            Ok("sites/porto/furnaces/k2".to_owned())
        );
        assert!(below("sites/porto", "furnaces", "a/b/c").is_err());
        assert_eq!(site("porto"), Ok("sites/porto".to_owned()));
        assert_eq!(site("sites/porto"), Ok("sites/porto".to_owned()));
        assert_eq!(batch("x7"), Ok("ringBatches/x7".to_owned()));
        assert!(batch("sites/porto").is_err());
        assert!(site("").is_err());
    }

    #[test]
    fn names_are_taken_apart() {
        let reading = "sites/porto/furnaces/k2/readings/r1";
        assert_eq!(id(reading), "r1");
        assert_eq!(parent(reading), "sites/porto/furnaces/k2");
        assert_eq!(parent("sites/porto"), "sites/porto");
        assert_eq!(site_of(reading), "sites/porto");
        assert_eq!(site_of("sites/porto"), "sites/porto");
        assert_eq!(with_site("sites/porto/furnaces/k2"), "porto/k2");
        assert_eq!(with_site("ringBatches/x7"), "ringBatches/x7");
        assert_eq!(finding("f1"), Ok("findings/f1".to_owned()));
    }
}
