//! Records a reading and gives its evaluation and advice.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::reading::RawReport;
use ringtrue_store::{Recorded, Request};

use super::recorder::Job;
use super::{App, Error};

/// Records a reading. An answer means that it is on disk, once.
pub async fn record_reading(
    app: &App,
    caller: &Caller,
    report: RawReport,
    request: &Request,
) -> Result<Recorded, Error> {
    let scope = caller.site(Right::Record, &report.furnace.site)?;
    let report = report.checked(app.clock.now())?;
    app.recorder
        .record(Job {
            scope,
            report,
            request: request.clone(),
        })
        .await
}
