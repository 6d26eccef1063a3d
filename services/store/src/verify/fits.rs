//! The fit of the network, made again from the filters that follow from the records.

use std::collections::HashMap;

use ringtrue_fleet::effect::Effect;
use ringtrue_fleet::fitting::{Counts, Fitting};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::knowledge::Fit;
use ringtrue_fleet::tracking::TrackedOffset;

use super::{Fault, Verified};
use crate::Error;
use crate::columns::bytes;
use crate::database::{Connection, query_scalar};
use crate::documents::fit::SiteFitDocument;
use crate::tables::{fits, gauges};

/// A fit being made again.
pub(super) struct Refit<'f> {
    kept: &'f Fit,
    fitting: Option<Fitting>,
    /// How sure each site says that the shared errors are beforehand, as standard deviations.
    stated: HashMap<Effect, Vec<u64>>,
    parts: i64,
}

impl<'f> Refit<'f> {
    /// Begins, unless there is no fit, or records came in after it: then the next fit takes its place.
    pub(super) async fn of(connection: &mut Connection, kept: &'f Fit) -> Result<Self, Error> {
        let pending = fits::pending(connection).await?;
        let is_up_to_date = kept.number > 0
            && kept.changes == pending.changes
            && kept.reference_version == pending.reference_version;
        Ok(Self {
            kept,
            fitting: is_up_to_date.then(|| Fitting::after(kept, kept.components)),
            stated: HashMap::new(),
            parts: 0,
        })
    }

    /// Takes a site in and compares its part.
    pub(super) async fn add_site(
        &mut self,
        connection: &mut Connection,
        site: &SiteId,
        furnaces: &[TrackedOffset],
        verified: &mut Verified,
    ) -> Result<(), Error> {
        const SQL: &str = "SELECT document FROM site_fit WHERE site_id = $1";
        let Some(fitting) = &mut self.fitting else {
            return Ok(());
        };
        let kept: Vec<Vec<u8>> = query_scalar(SQL)
            .bind(site.as_str())
            .fetch_all(&mut *connection)
            .await?;
        self.parts += i64::try_from(kept.len()).unwrap_or(i64::MAX);
        let again = if furnaces.is_empty() {
            None
        } else {
            let checks = gauges::checks_of_site(connection, site).await?;
            for column in furnaces.iter().flat_map(|tracked| &tracked.columns) {
                if column.effect.is_global() {
                    let stated = self.stated.entry(column.effect.clone()).or_default();
                    if !stated.contains(&column.sd_c.to_bits()) {
                        stated.push(column.sd_c.to_bits());
                    }
                }
            }
            let part = fitting.add_site(furnaces, &checks);
            Some(bytes(&SiteFitDocument::from(&part)))
        };
        if again.as_ref() != kept.first() {
            verified.faults.push(Fault::NotDerived {
                what: format!("the part of {} in the fit of the network", site.name()),
            });
        }
        Ok(())
    }

    /// Solves it and compares.
    pub(super) async fn finish(
        self,
        connection: &mut Connection,
        verified: &mut Verified,
    ) -> Result<(), Error> {
        const PARTS: &str = "SELECT COUNT(*) FROM site_fit";
        const KEPT: &str = "SELECT COUNT(*) FROM fleet_fit";
        let mut wrong = |what: &str| {
            verified.faults.push(Fault::NotDerived {
                what: what.to_owned(),
            });
        };
        let rows: i64 = query_scalar(KEPT).fetch_one(&mut *connection).await?;
        let parts: i64 = query_scalar(PARTS).fetch_one(&mut *connection).await?;
        if rows == 0 {
            if parts > 0 {
                wrong("a part of a fit that was never made");
            }
            return Ok(());
        }
        let pending = fits::pending(connection).await?;
        let kept = self.kept;
        // What cannot be read back at all says that nothing was taken in.
        if kept.fitted_at.is_none()
            || kept.changes > pending.changes
            || kept.reference_version > pending.reference_version
        {
            wrong("the fit of the network");
            return Ok(());
        }
        let (Some(fitting), Some(fitted_at)) = (self.fitting, kept.fitted_at) else {
            verified.fit_is_outdated = true;
            return Ok(());
        };
        let counts = Counts {
            components_number: kept.components_number,
            components_at: kept.components_at,
            changes: kept.changes,
            reference_version: kept.reference_version,
        };
        let again = fitting.finished(kept, fitted_at, counts);
        let is_stated = kept.globals.iter().all(|global| {
            self.stated
                .get(&global.effect)
                .is_none_or(|stated| stated.contains(&global.sd_c.to_bits()))
        });
        let same = again.is_ok_and(|again| {
            Fit {
                number: kept.number,
                ..again
            } == *kept
        });
        if !same || !is_stated {
            wrong("the fit of the network");
        }
        if parts != self.parts {
            wrong("a part of a site that is not there in the fit of the network");
        }
        Ok(())
    }
}
