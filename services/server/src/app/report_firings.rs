//! Records production firings that the laboratory's own system reports.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::firing::{Firing, FiringDetails, ReportOutcome, Row, judged};
use ringtrue_fleet::key::{FiringId, ReportId, SiteId};
use ringtrue_fleet::violation::Violations;
use ringtrue_store::Request;
use sha2::{Digest as _, Sha256};
use uuid::Builder;

use super::{App, Error};

/// How a report is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Taken {
    /// Whether firings that are in order are recorded beside others that are refused.
    pub keep_good: bool,
    /// Whether nothing is recorded at all.
    pub only_look: bool,
}

/// What became of each firing, in the order of the report. Without `keep_good`, and when something is
/// recorded, one refusal refuses all, with everything that is wrong.
pub async fn report_firings(
    app: &App,
    caller: &Caller,
    site: &SiteId,
    rows: Vec<Row>,
    taken: Taken,
    request: &Request,
) -> Result<Vec<ReportOutcome>, Error> {
    let right = if taken.only_look {
        Right::Note
    } else {
        Right::Record
    };
    let scope = caller.site(right, site)?;
    let now = app.clock.now();
    let report = ReportId::from_uuid(app.ids.uuid(now));
    let (store, site, request) = (app.store.clone(), site.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("report_firings", &scope).await?;
        // A repeat finds its firings on record by their own ids. The request's id is looked up all the same:
        // one that was used for something else is refused.
        let earlier = tx.answered(&request).await?;
        let details: Vec<&FiringDetails> = rows.iter().map(|row| &row.details).collect();
        let place = tx.site(&site).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Site",
            name: site.name(),
        })?;
        let mut known = tx.known_firings(&place, &details).await?;
        let id = |details: &FiringDetails| firing_id(&site, details, None);
        let mut outcomes = judged(&mut known, "firings", rows, &report, now, id);
        if let Some(earlier) = earlier {
            tx.roll_back().await?;
            as_first_answered(&mut outcomes, &known.on_record, &earlier.subject);
            return Ok(outcomes);
        }
        if taken.only_look {
            tx.roll_back().await?;
            return Ok(outcomes);
        }
        if !taken.keep_good {
            all_or_nothing(&outcomes)?;
        }
        let new: Vec<&Firing> = outcomes
            .iter()
            .filter_map(|outcome| match outcome {
                ReportOutcome::New(firing) => Some(firing.as_ref()),
                ReportOutcome::Known(_) | ReportOutcome::Refused(_) => None,
            })
            .collect();
        if new.is_empty() {
            tx.roll_back().await?;
        } else {
            tx.insert_firings(&site, &report, &new, &request).await?;
            tx.commit().await?;
        }
        Ok(outcomes)
    })
    .await
}

/// A repeated request is answered as it was first: what it recorded itself was new then.
fn as_first_answered(
    outcomes: &mut [ReportOutcome],
    on_record: &std::collections::HashMap<String, ringtrue_fleet::firing::OnRecord>,
    report: &str,
) {
    for outcome in outcomes {
        let ReportOutcome::Known(key) = outcome else {
            continue;
        };
        let own = on_record
            .values()
            .flat_map(|versions| std::iter::once(&versions.latest).chain(&versions.earlier))
            .find(|version| {
                version.key == *key
                    && report.ends_with(&format!("/firingReports/{}", version.report))
            });
        if let Some(own) = own {
            *outcome = ReportOutcome::New(Box::new(own.clone()));
        }
    }
}

fn all_or_nothing(outcomes: &[ReportOutcome]) -> Result<(), Error> {
    let mut violations = Violations::default();
    for outcome in outcomes {
        if let ReportOutcome::Refused(refused) = outcome {
            violations.0.extend(refused.0.iter().cloned());
        }
    }
    Ok(violations.or(())?)
}

/// The id of a firing: the millisecond of its end, by which it is found, and a digest of what identifies
/// it (RFC 9562, version 8). The same report gives the same id everywhere.
pub(super) fn firing_id(
    site: &SiteId,
    details: &FiringDetails,
    amends: Option<&FiringId>,
) -> FiringId {
    let mut digest = Sha256::new();
    for part in [
        site.as_str(),
        &details.external_id,
        amends.map_or("", FiringId::as_str),
    ] {
        digest.update(part.len().to_be_bytes());
        digest.update(part);
    }
    let digest = digest.finalize();
    let millis = details
        .ended_at
        .map_or(0, jiff::Timestamp::as_millisecond)
        .max(0);
    let mut bytes = [0; 16];
    bytes[..6].copy_from_slice(&millis.to_be_bytes()[2..]);
    bytes[6..].copy_from_slice(&digest[..10]);
    FiringId::from_uuid(Builder::from_custom_bytes(bytes).into_uuid())
}
