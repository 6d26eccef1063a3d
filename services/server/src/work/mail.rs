//! Makes and sends mail about alerts. A mail server that hangs or refuses holds up nothing else: sending waits
//! in a task of its own and never inside a transaction.

use std::time::{Duration, Instant};

use super::noted::noted;
use super::refit::given_back;
use crate::app::{self, App, Served};
use crate::lifecycle::Lifecycle;
use crate::mail::Mailer;
use crate::telemetry::Meters;

/// How often it is looked whether alerts changed or mail may go.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// Longest time between two runs: a digest comes due by time alone.
const AT_LEAST_EVERY: Duration = Duration::from_secs(30);

/// How long a stopping server lets mail under way arrive.
const LAST_MAIL: Duration = Duration::from_secs(3);

/// Starts the work; it ends when the life drains.
pub(crate) fn start(app: &App, mailer: Mailer, lifecycle: &Lifecycle) {
    let drain = lifecycle.drain.clone();
    let (store, clock, ids) = (app.store.clone(), app.clock.clone(), app.ids.clone());
    let owner = ids.uuid(clock.now()).to_string();
    let meters = Meters::global();
    lifecycle.spawn("mail", async move {
        let mut seen = None;
        let mut last: Option<Instant> = None;
        loop {
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(LOOK_EVERY) => {}
            }
            let waits = app::mail_wanted(&store, clock.now()).await;
            let idle = matches!(&waits, Ok((change, 0)) if seen == Some(*change));
            if idle && last.is_some_and(|last| last.elapsed() < AT_LEAST_EVERY) {
                continue;
            }
            last = Some(Instant::now());
            let work = app::serve_mail(&store, &clock, &ids, &mailer, &owner, &drain);
            let run = noted(&store, &clock, app::MAIL_WORK, work);
            let mut run = std::pin::pin!(run);
            let outcome = tokio::select! {
                outcome = &mut run => outcome,
                () = drain.cancelled() => {
                    // What arrives now need not be sent again by the next server.
                    match tokio::time::timeout(LAST_MAIL, run).await {
                        Ok(outcome) => outcome,
                        Err(_) => return given_back(&store, &owner).await,
                    }
                }
            };
            if let (Ok(Some(_)), Ok((change, _))) = (&outcome, waits) {
                seen = Some(change);
            }
            tell(outcome, &meters);
        }
    });
}

fn tell(outcome: Result<Option<Served>, app::Error>, meters: &Meters) {
    match outcome {
        Ok(None) => {}
        Ok(Some(served)) => {
            meters.mail(&served);
            if served
                == (Served {
                    backlog: served.backlog,
                    ..Served::default()
                })
            {
                return;
            }
            tracing::info!(
                made = served.made,
                sent = served.sent,
                put_off = served.put_off,
                given_up = served.given_up,
                not_needed = served.not_needed,
                backlog = served.backlog,
                "mail was served"
            );
        }
        Err(fault) => {
            // What waits stays as it was; the next turn is the retry.
            let cause = format!("{:#}", anyhow::Error::from(fault));
            tracing::warn!(cause, "mail was not served");
        }
    }
}
