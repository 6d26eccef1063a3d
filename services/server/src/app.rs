//! The use cases: one file for each thing that changes something, each one transaction.
//!
//! A use case takes values that are parsed, decides with the pure rules of `ringtrue_fleet`, and stores.
//! It runs to its end even when the caller hangs up: an answer that was not heard is given again to
//! the same request id.

mod add_ring_table;
mod amend_firing;
mod amend_reading;
mod backtest;
mod confirm_adjustment;
mod create_calendar_feed;
mod create_credential;
mod create_enrolment;
mod create_furnace;
mod create_gauge;
mod create_mail_subscription;
mod create_programme;
mod create_ring_batch;
mod create_site;
mod create_webhook;
mod delete_calendar_feed;
mod delete_mail_subscription;
mod delete_webhook;
mod enrol;
mod error;
mod feed_changes;
mod find;
mod first_administrator;
mod granted;
mod held;
mod learn;
mod look;
mod make_checkpoint;
mod note_alert;
mod note_finding;
mod phrase;
mod preview_reading;
mod proofs;
mod rebuild;
mod record_act;
mod record_exposure_decision;
mod record_furnace_event;
mod record_gauge_check;
mod record_reading;
mod recorder;
mod refit;
mod remove_rule;
mod remove_site_group;
mod report_firings;
mod revoke_credential;
mod revoke_enrolment;
mod rotate_credential;
mod serve_mail;
mod set_ring_batch_state;
mod set_rule;
mod set_signing_phrase;
mod set_site_group;
mod sign_off;
mod try_webhook;
mod unsubscribe;
mod update_furnace;
mod update_gauge;
mod update_programme;
mod update_site;
mod update_webhook;

use std::future::Future;
use std::sync::Arc;

use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::Store;
use tokio::sync::Semaphore;
use tokio_util::task::TaskTracker;

use crate::access::AccessBell;
use crate::clock::Clock;
use crate::glances::Glances;
use crate::ids::Ids;
use crate::lifecycle::Lifecycle;
use crate::live_feed::{AlertFeed, ChangeFeed};
use crate::readiness::Readiness;
use crate::seal::Seal;
use crate::webhook::Sender;

pub use add_ring_table::add_ring_table;
pub use amend_firing::amend_firing;
pub use amend_reading::{amend_reading, preview_amendment};
pub use backtest::{BacktestProgress, Backtested, backtest};
pub use confirm_adjustment::confirm_adjustment;
pub use create_calendar_feed::{create_calendar_feed, secret_digest};
pub use create_credential::create_credential;
pub use create_enrolment::create_enrolment;
pub use create_furnace::{create_furnace, try_furnace};
pub use create_gauge::{create_gauge, try_gauge};
pub use create_mail_subscription::{MailWish, create_mail_subscription};
pub use create_programme::create_programme;
pub use create_ring_batch::create_ring_batch;
pub use create_site::{create_site, try_site};
pub use create_webhook::create_webhook;
pub use delete_calendar_feed::delete_calendar_feed;
pub use delete_mail_subscription::delete_mail_subscription;
pub use delete_webhook::delete_webhook;
pub use enrol::enrol;
pub use error::Error;
pub(crate) use feed_changes::end_of_changes;
pub use feed_changes::{CHANGES_WORK, feed_changes, forget_changes};
pub use find::{Found, changes, find};
pub use first_administrator::first_administrator;
pub use learn::learn;
pub use look::{ALERTS_WORK, Looked, look};
pub use make_checkpoint::{CHECKPOINT_WORK, make_checkpoint};
pub use note_alert::{Speaking, note_alert};
pub use note_finding::{Noting, note_finding};
pub use phrase::Phrase;
pub use preview_reading::{preview_reading, recorded_before};
pub use rebuild::{Rebuilt, rebuild};
pub use record_act::record_act;
pub use record_exposure_decision::record_exposure_decision;
pub use record_furnace_event::record_furnace_event;
pub use record_gauge_check::record_gauge_check;
pub use record_reading::record_reading;
pub use refit::{Because, Refitted, give_back, refit};
pub use remove_rule::remove_rule;
pub use remove_site_group::remove_site_group;
pub use report_firings::{Taken, report_firings};
pub use revoke_credential::revoke_credential;
pub use revoke_enrolment::revoke_enrolment;
pub use ringtrue_store::Request;
pub use rotate_credential::{Rotation, rotate_credential};
pub use serve_mail::{MAIL_WORK, Served, mail_wanted, serve_mail};
pub use set_ring_batch_state::set_ring_batch_state;
pub use set_rule::set_rule;
pub use set_signing_phrase::set_signing_phrase;
pub use set_site_group::{GroupWish, set_site_group};
pub use sign_off::sign_off;
pub use try_webhook::{replay_deliveries, try_webhook};
pub use unsubscribe::unsubscribe;
pub use update_furnace::update_furnace;
pub use update_gauge::update_gauge;
pub use update_programme::update_programme;
pub use update_site::update_site;
pub(crate) use update_webhook::KIND as WEBHOOK_KIND;
pub use update_webhook::{rotate_webhook_secret, update_webhook};

/// A change of something's content: what a field mask makes of the present content.
pub type Change<D> = Box<dyn Fn(&D) -> Result<D, Violations> + Send + Sync>;

/// What every use case works with.
#[derive(Debug, Clone)]
pub struct App {
    /// The records.
    pub store: Store,
    /// The time.
    pub clock: Clock,
    /// Where new ids come from.
    pub ids: Ids,
    /// The live end of the log of alerts.
    pub alerts: AlertFeed,
    /// The live end of the change feed.
    pub changes: ChangeFeed,
    /// Where every furnace stands, for calls about very many of them.
    pub glances: Glances,
    /// Rung after a change of who may do what.
    pub access: AccessBell,
    /// Whether the database answers.
    pub readiness: Readiness,
    /// What signs checkpoints of the audit chains; none where nobody gave a key.
    pub seal: Option<Seal>,
    /// What sends events to webhooks; none where nobody set it up.
    pub webhooks: Option<Sender>,
    /// Where links to this server lead; none when nobody said.
    pub public_url: Option<Arc<str>>,
    proofs: proofs::Proofs,
    recorder: recorder::Recorder,
    work: TaskTracker,
    room: Arc<Semaphore>,
}

/// Most changes under way at once, callers that have gone included; more are told to come back.
const MOST_UNDER_WAY: usize = 1024;

impl App {
    /// Starts what records readings in groups; it ends once every clone of this is dropped.
    pub fn start(store: Store, clock: Clock, ids: Ids, lifecycle: &Lifecycle) -> Self {
        let recorder =
            recorder::Recorder::start(store.clone(), clock.clone(), ids.clone(), lifecycle);
        Self {
            store,
            clock,
            ids,
            alerts: AlertFeed::default(),
            changes: ChangeFeed::default(),
            glances: Glances::default(),
            access: AccessBell::default(),
            readiness: Readiness::default(),
            seal: None,
            webhooks: None,
            public_url: None,
            proofs: proofs::Proofs::default(),
            recorder,
            work: TaskTracker::new(),
            room: Arc::new(Semaphore::new(MOST_UNDER_WAY)),
        }
    }

    /// Says where links to this server lead.
    pub fn reached_at(self, public_url: Option<&str>) -> Self {
        Self {
            public_url: public_url.map(Arc::from),
            ..self
        }
    }

    /// Signs checkpoints of the audit chains.
    pub fn sealed(self, seal: Option<Seal>) -> Self {
        Self { seal, ..self }
    }

    /// Sends events to webhooks.
    pub fn sending(self, sender: Sender) -> Self {
        Self {
            webhooks: Some(sender),
            ..self
        }
    }

    /// What events are sent and signed with. Fails when nobody gave a key.
    pub(crate) fn signing(&self) -> Result<(Sender, Seal), Error> {
        match (&self.webhooks, &self.seal) {
            (Some(sender), Some(seal)) => Ok((sender.clone(), seal.clone())),
            _ => Err(Refusal::NoSigningKey.into()),
        }
    }

    /// Lets go of everything but the use cases whose callers have gone.
    pub fn into_work(self) -> TaskTracker {
        self.work
    }

    /// Runs a use case to its end, whether or not the caller waits for it.
    async fn whole<T: Send + 'static>(
        &self,
        use_case: impl Future<Output = Result<T, Error>> + Send + 'static,
    ) -> Result<T, Error> {
        let place = Arc::clone(&self.room)
            .try_acquire_owned()
            .map_err(|_| Error::Busy)?;
        let held = async move {
            let outcome = use_case.await;
            drop(place);
            outcome
        };
        match self.work.spawn(held).await {
            Ok(outcome) => outcome,
            Err(fault) => {
                // A panic in a use case: the stack answers INTERNAL, the transaction is rolled back.
                if fault.is_panic() {
                    std::panic::resume_unwind(fault.into_panic());
                }
                Err(Error::Busy)
            }
        }
    }
}

/// Fails with all violations that a check finds.
fn checked(check: impl FnOnce(&mut Violations)) -> Result<(), Error> {
    let mut violations = Violations::default();
    check(&mut violations);
    Ok(violations.or(())?)
}

/// Fails when the caller saw another version than the present one.
fn fresh(etag: Option<&str>, present: &str, name: impl FnOnce() -> String) -> Result<(), Error> {
    match etag {
        Some(etag) if !etag.is_empty() && etag != present => Err(Error::Stale { name: name() }),
        _ => Ok(()),
    }
}
