//! Finds out who makes a call: its token or certificate against the credentials on record.
//!
//! Credentials that were proved are remembered, so that a call costs one hash and no query. Every change of who may
//! do what raises a number in the database; the number is read every second, and at once after a change by this
//! process, and the memory starts anew when it has moved. So a credential that is revoked anywhere is refused
//! everywhere within about a second, and open streams are looked through again at the same moment.

use std::collections::{HashMap, HashSet};
use std::net::IpAddr;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, RwLock, RwLockWriteGuard};
use std::time::Duration;

use http::HeaderMap;
use jiff::Timestamp;
use ringtrue_fleet::caller::{Caller, Scope};
use ringtrue_fleet::credential::is_staff_code;
use ringtrue_fleet::key::CredentialId;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::{Over, Proving, Store};
use tokio::sync::{Notify, watch};

use super::Peer;
use super::pace::Pace;
use super::proof::{By, Known, Proof};
use crate::app::Error;
use crate::clock::Clock;
use crate::config::Access;
use crate::lifecycle::Lifecycle;

/// Metadata key of the staff code of whoever makes a call.
pub(crate) const OPERATOR: &str = "ringtrue-operator";

/// How often it is looked whether somebody changed who may do what.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// How often it is written down when credentials were used last, in looks.
const NOTE_EVERY: u32 = 60;

/// How fresh that is, seconds.
const NOTED_S: i64 = 60;

/// Most credentials remembered; beyond that the memory starts anew.
const MOST: usize = 50_000;

/// Rung when this process has changed who may do what.
#[derive(Debug, Clone, Default)]
pub struct AccessBell(Arc<Bell>);

#[derive(Debug, Default)]
struct Bell {
    rung: AtomicU64,
    waiting: Notify,
}

impl AccessBell {
    /// Says so. What the gate remembered before is not believed from here on, so that whoever is answered that a
    /// credential is revoked can rely on it.
    pub fn ring(&self) {
        self.0.rung.fetch_add(1, Ordering::SeqCst);
        self.0.waiting.notify_one();
    }

    fn rung(&self) -> u64 {
        self.0.rung.load(Ordering::SeqCst)
    }

    async fn heard(&self) {
        self.0.waiting.notified().await;
    }
}

/// The gate; clones are the same gate.
#[derive(Debug, Clone)]
pub struct Gate(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    store: Store,
    clock: Clock,
    takes_local: bool,
    pace: Pace,
    memory: RwLock<Memory>,
    /// Uses to write down.
    uses: Mutex<HashMap<CredentialId, (Timestamp, String)>>,
    bell: AccessBell,
    /// Moves when who may do what may have changed.
    changed: watch::Sender<u64>,
}

#[derive(Debug, Default)]
struct Memory {
    version: i64,
    /// How often the bell had been rung before the version was read.
    rung: u64,
    /// When it was looked through last.
    looked_at: Option<Timestamp>,
    known: HashMap<By, Arc<Known>>,
    /// What nobody has, so that a made-up credential takes as long to refuse as a wrong secret.
    unknown: HashSet<By>,
}

/// Whose a proof is.
#[derive(Debug)]
enum Found {
    Nobody,
    Somebody(Arc<Known>),
}

impl Found {
    fn proved_by(self, proof: &Proof, now: Timestamp) -> Option<Arc<Known>> {
        match self {
            Self::Somebody(known) if proof.proves(&known.credential, now) => Some(known),
            _ => None,
        }
    }
}

/// Most made-up credentials remembered.
const MOST_UNKNOWN: usize = 1_000;

/// A caller who was let in, and what proved it.
#[derive(Debug, Clone)]
pub struct Admitted {
    /// The caller.
    pub caller: Caller,
    proof: Option<Proof>,
}

/// Why an open stream ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Ended {
    /// What proved its caller does so no longer.
    Unknown,
    /// The caller is known still, but what they may do has changed.
    Changed,
}

impl Gate {
    /// Makes a gate over the credentials of a store.
    pub fn new(store: Store, clock: Clock, settings: &Access, bell: AccessBell) -> Self {
        Self(Arc::new(Inner {
            store,
            clock,
            takes_local: settings.local_callers,
            pace: Pace::new(settings),
            memory: RwLock::default(),
            uses: Mutex::default(),
            bell,
            changed: watch::Sender::new(0),
        }))
    }

    /// Follows changes in the background until the life drains.
    pub fn start(&self, lifecycle: &Lifecycle) {
        let gate = self.clone();
        let drain = lifecycle.drain.clone();
        lifecycle.spawn("gate", async move {
            let mut looks: u32 = 0;
            loop {
                // Looked at once: nothing is remembered before, and each call would ask the database.
                if let Err(fault) = gate.look().await {
                    let cause = anyhow::Error::from(fault);
                    let cause = format!("{cause:#}");
                    tracing::warn!(cause, "who may do what could not be read; trying again");
                }
                if looks >= NOTE_EVERY {
                    looks = 0;
                    gate.0.pace.forget();
                    gate.note_uses().await;
                }
                tokio::select! {
                    () = drain.cancelled() => break,
                    () = gate.0.bell.heard() => {}
                    () = tokio::time::sleep(LOOK_EVERY) => looks = looks.wrapping_add(1),
                }
            }
            gate.note_uses().await;
            Ok(())
        });
    }

    fn scope() -> Scope {
        Scope::for_work("gate")
    }

    /// Forgets everybody when the number has moved, or when somebody's time may have come.
    async fn look(&self) -> Result<(), ringtrue_store::Error> {
        let rung = self.0.bell.rung();
        let version = self.0.store.read(&Self::scope()).access_version().await?;
        let now = self.0.clock.now();
        let mut memory = self
            .0
            .memory
            .write()
            .unwrap_or_else(PoisonError::into_inner);
        // Since the look before: what ended earlier was looked through then, and stays as it is.
        let since = memory.looked_at.replace(now);
        let came = |end: Timestamp| end <= now && since.is_none_or(|since| since < end);
        let over = |known: &Arc<Known>| {
            let credential = &known.credential;
            came(credential.expires_at) || credential.previous.is_some_and(|(_, until)| came(until))
        };
        memory.rung = rung;
        if memory.version != version || memory.known.values().any(over) {
            memory.version = version;
            memory.known.clear();
            memory.unknown.clear();
            drop(memory);
            self.0.changed.send_modify(|number| *number += 1);
        }
        Ok(())
    }

    async fn note_uses(&self) {
        let uses = std::mem::take(&mut *self.0.uses.lock().unwrap_or_else(PoisonError::into_inner));
        if uses.is_empty() {
            return;
        }
        let mut listed = Vec::with_capacity(uses.len());
        for (credential, (at, address)) in uses {
            listed.push((credential, at, address));
        }
        let noted = async {
            let mut tx = self
                .0
                .store
                .begin_over("note_uses", &Self::scope(), Over::Nothing)
                .await?;
            tx.note_credential_uses(&listed).await?;
            tx.commit().await
        };
        if let Err(fault) = noted.await {
            let cause = anyhow::Error::from(fault);
            let cause = format!("{cause:#}");
            tracing::warn!(
                cause,
                "when credentials were used last was not written down"
            );
        }
    }

    /// Gives who makes a call, from what it carries and where it comes from.
    ///
    /// Fails with [`Error::Unknown`], whatever is wrong with its token or certificate, and with
    /// [`Error::TooOften`].
    pub async fn admit(&self, headers: &HeaderMap, peer: Option<&Peer>) -> Result<Admitted, Error> {
        let address = peer.map(|peer| peer.address);
        let Ok(proof) = Proof::of(headers, peer) else {
            return Err(self.failed(address));
        };
        let Some(proof) = proof else {
            if self.0.takes_local && peer.is_some_and(Peer::is_local) {
                let caller = Caller::local(operator(headers)?);
                return Ok(Admitted {
                    caller: from(caller, address),
                    proof: None,
                });
            }
            return Err(self.failed(address));
        };
        let now = self.0.clock.now();
        let found = match self.remembered(&proof.by) {
            Some(found) => found,
            None => self.looked_up(&proof.by, address).await?,
        };
        let Some(known) = found.proved_by(&proof, now) else {
            return Err(self.failed(address));
        };
        self.0.pace.call(&known.credential.key, address)?;
        let operator = operator(headers)?;
        let caller = Caller::holding(Arc::clone(&known.credential), known.sites.clone(), operator);
        if let Some(own) = caller.signer()
            && operator.is_some_and(|stated| stated != own)
        {
            return Err(not_theirs(own));
        }
        let caller = from(caller, address);
        self.used(&known, now, &caller);
        Ok(Admitted {
            caller,
            proof: Some(proof),
        })
    }

    /// Counts a try to enrol. Fails with [`Error::TooOften`].
    pub(crate) fn enrolling(&self, peer: Option<&Peer>) -> Result<(), Error> {
        match peer {
            Some(peer) => self.0.pace.enrolment(peer.address),
            None => Ok(()),
        }
    }

    /// Waits until a caller's stream must end.
    pub(crate) async fn ended(self, admitted: Admitted) -> Ended {
        let Some(proof) = admitted.proof else {
            return std::future::pending().await;
        };
        // Listened to before the first look: what changes in between is not missed.
        let mut changed = self.0.changed.subscribe();
        let first = admitted.caller;
        loop {
            let remembered = self.remembered(&proof.by);
            let found = if let Some(found) = remembered {
                found
            } else if let Ok(found) = self.read(&proof.by).await {
                found
            } else {
                // The database is away for a moment: nothing says that the caller is not who they were.
                tokio::time::sleep(LOOK_EVERY).await;
                continue;
            };
            let now = self.0.clock.now();
            let Some(known) = found.proved_by(&proof, now) else {
                return Ended::Unknown;
            };
            let sites = known
                .sites
                .as_ref()
                .map(|sites| sites.iter().cloned().collect());
            if known.credential.grant.rights() != first.rights() || sites != first.sites() {
                return Ended::Changed;
            }
            // The sender lives as long as the gate, which this holds.
            if changed.changed().await.is_err() {
                return Ended::Unknown;
            }
        }
    }

    fn failed(&self, address: Option<IpAddr>) -> Error {
        let slow = address.and_then(|address| self.0.pace.failure(address).err());
        slow.unwrap_or(Error::Unknown)
    }

    /// What is remembered; nothing when it was not looked up.
    fn remembered(&self, by: &By) -> Option<Found> {
        let memory = self.0.memory.read().unwrap_or_else(PoisonError::into_inner);
        if memory.rung != self.0.bell.rung() {
            return None;
        }
        match memory.known.get(by) {
            Some(known) => Some(Found::Somebody(Arc::clone(known))),
            None => memory.unknown.contains(by).then_some(Found::Nobody),
        }
    }

    /// Looks a credential up, unless its address has asked for too many.
    async fn looked_up(&self, by: &By, address: Option<IpAddr>) -> Result<Found, Error> {
        if let Some(address) = address {
            self.0.pace.look(address)?;
        }
        Ok(self.read(by).await?)
    }

    async fn read(&self, by: &By) -> Result<Found, ringtrue_store::Error> {
        let read = self.0.store.read(&Self::scope());
        // The number first: what is read after it is at least as new.
        let version = read.access_version().await?;
        let proving = match by {
            By::Id(id) => read.credential_to_prove(id).await?,
            By::Certificate(sha256) => read.credential_of_certificate(sha256).await?,
        };
        let Some(Proving { credential, sites }) = proving else {
            let mut memory = self.memory_of(version);
            if memory.version == version {
                if memory.unknown.len() >= MOST_UNKNOWN {
                    memory.unknown.clear();
                }
                memory.unknown.insert(by.clone());
            }
            return Ok(Found::Nobody);
        };
        let known = Arc::new(Known {
            credential: Arc::new(credential),
            sites: sites.map(Arc::new),
            noted_s: AtomicI64::new(0),
        });
        let mut memory = self.memory_of(version);
        if memory.version == version {
            if memory.known.len() >= MOST {
                memory.known.clear();
            }
            memory.known.insert(by.clone(), Arc::clone(&known));
        }
        Ok(Found::Somebody(known))
    }

    /// The memory, with what an older number said forgotten: until the next look every call would ask the database, and
    /// a busy address would be told that it asks too often.
    fn memory_of(&self, version: i64) -> RwLockWriteGuard<'_, Memory> {
        let mut memory = self
            .0
            .memory
            .write()
            .unwrap_or_else(PoisonError::into_inner);
        if version > memory.version {
            memory.version = version;
            memory.known.clear();
            memory.unknown.clear();
            self.0.changed.send_modify(|number| *number += 1);
        }
        memory
    }

    fn used(&self, known: &Known, now: Timestamp, caller: &Caller) {
        let now_s = now.as_second();
        let noted_s = known.noted_s.load(Ordering::Relaxed);
        if (now_s - noted_s).abs() < NOTED_S && noted_s != 0 {
            return;
        }
        known.noted_s.store(now_s, Ordering::Relaxed);
        let mut uses = self.0.uses.lock().unwrap_or_else(PoisonError::into_inner);
        uses.insert(
            known.credential.key.clone(),
            (now, caller.origin().to_owned()),
        );
    }
}

/// The caller with the network address that the call comes from.
fn from(caller: Caller, address: Option<IpAddr>) -> Caller {
    match address {
        Some(address) => caller.from(&address.to_canonical().to_string()),
        None => caller,
    }
}

/// Reads the staff code that a call states.
fn operator(headers: &HeaderMap) -> Result<Option<&str>, Error> {
    let Some(value) = headers.get(OPERATOR).filter(|value| !value.is_empty()) else {
        return Ok(None);
    };
    match value.to_str() {
        Ok(operator) if is_staff_code(operator) => Ok(Some(operator)),
        _ => {
            let mut violations = Violations::default();
            violations.add(
                OPERATOR,
                "NOT_AN_OPERATOR",
                "is not a staff code; send at most 40 letters, digits and signs, without spaces",
            );
            Err(violations.into())
        }
    }
}

fn not_theirs(own: &str) -> Error {
    let mut violations = Violations::default();
    violations.add(
        OPERATOR,
        "OPERATOR_OF_ANOTHER",
        format!("is not the staff code of this credential, which is {own}; leave it out, or enrol yourself"),
    );
    violations.into()
}

#[cfg(test)]
mod tests;
