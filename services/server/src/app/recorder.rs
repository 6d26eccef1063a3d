//! Records readings in groups.
//!
//! A durable commit costs far more than the rows in it. So readings queue up while the disk is busy with
//! the group before, and the next group takes all that waits, up to [`MOST_IN_GROUP`]: one transaction,
//! one statement per table. A lone reading waits for nothing. Each reading still succeeds or fails by
//! itself: rules are decided one by one, and when a group cannot be stored, each of its readings is
//! tried in a transaction of its own. When somebody holds one of its sites, the other sites' readings
//! are stored without it. Nobody is answered before the commit.
//!
//! Refused: a timer that lets a group grow (it would slow down the lone technician), and savepoints
//! (two more statements a reading).

use std::collections::HashSet;
use std::panic::AssertUnwindSafe;

use futures::FutureExt as _;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::{FurnaceKey, ReadingId, ReadingKey, SiteId};
use ringtrue_fleet::reading::{Assessed, Known, Reading, Report, assess};
use ringtrue_fleet::tracking::{AsOf, as_of, replayed};
use ringtrue_store::{By, Evaluated, NewReading, Over, Recorded, Request, Store, Tx};
use tokio::sync::{mpsc, oneshot};
use uuid::Uuid;

use super::Error;
use crate::clock::Clock;
use crate::ids::Ids;
use crate::lifecycle::Lifecycle;
use crate::telemetry::Meters;

/// Most readings in one transaction.
const MOST_IN_GROUP: usize = 64;

/// Most readings waiting; more are told to come back.
const MOST_WAITING: usize = 1024;

/// A reading to record.
#[derive(Debug)]
pub(crate) struct Job {
    /// What its caller may touch.
    pub(crate) scope: Scope,
    /// The checked report.
    pub(crate) report: Report,
    /// For answering repeats.
    pub(crate) request: Request,
}

#[derive(Debug)]
struct Waiting {
    job: Job,
    answer: Answer,
}

/// The door to the recording task.
#[derive(Debug, Clone)]
pub(crate) struct Recorder {
    queue: mpsc::Sender<Waiting>,
}

impl Recorder {
    /// Starts the recording task; it ends when every clone of the recorder is dropped.
    pub(crate) fn start(store: Store, clock: Clock, ids: Ids, lifecycle: &Lifecycle) -> Self {
        let (queue, mut waiting) = mpsc::channel(MOST_WAITING);
        let task = Task {
            store,
            clock,
            ids,
            meters: Meters::global(),
        };
        lifecycle.spawn("recorder", async move {
            let mut group = Vec::with_capacity(MOST_IN_GROUP);
            while waiting.recv_many(&mut group, MOST_IN_GROUP).await > 0 {
                task.record(std::mem::take(&mut group)).await;
            }
            Ok(())
        });
        Self { queue }
    }

    /// Records a reading; the answer comes after the commit.
    pub(crate) async fn record(&self, job: Job) -> Result<Recorded, Error> {
        let (answer, answered) = oneshot::channel();
        self.queue
            .try_send(Waiting { job, answer })
            .map_err(|_| Error::Busy)?;
        answered.await.unwrap_or(Err(Error::Busy))
    }
}

struct Task {
    store: Store,
    clock: Clock,
    ids: Ids,
    meters: Meters,
}

type Outcome = Result<Recorded, Error>;

type Answer = oneshot::Sender<Outcome>;

fn answer(answers: Vec<Answer>, outcomes: Vec<Outcome>) {
    for (answer, outcome) in answers.into_iter().zip(outcomes) {
        // A caller that has gone is answered when it repeats its request.
        drop(answer.send(outcome));
    }
}

/// The sites of some jobs, once for each job.
fn sites_of(group: &[(Job, Answer)]) -> Vec<SiteId> {
    let site = |(job, _): &(Job, Answer)| job.report.programme.furnace.site.clone();
    group.iter().map(site).collect()
}

impl Task {
    async fn record(&self, group: Vec<Waiting>) {
        let (jobs, answers): (Vec<Job>, Vec<_>) = group
            .into_iter()
            .map(|waiting| (waiting.job, waiting.answer))
            .unzip();
        match self.guarded(&jobs).await {
            Err(Error::Store(fault @ ringtrue_store::Error::Conflict(_))) if jobs.len() > 1 => {
                let group = jobs.into_iter().zip(answers).collect();
                self.apart(group, fault).await;
            }
            stored => answer(answers, self.outcomes(stored, &jobs).await),
        }
    }

    /// Records those of a group that waited in vain at whose sites nobody else is at work, then those whose sites have
    /// become free meanwhile: most who hold a site do so for a moment. The others are told the fault of the whole. A
    /// server whose network is gone holds a site until the database ends its transaction, and other laboratories need not
    /// come again for that.
    async fn apart(&self, group: Vec<(Job, Answer)>, fault: ringtrue_store::Error) {
        let mut left = group;
        for is_first in [true, false] {
            let held = match self.store.sites_held(&sites_of(&left)).await {
                // It was something else that they waited for.
                Ok(held) if is_first && held.is_empty() => break,
                Ok(held) => held,
                Err(_) => break,
            };
            let (waiting, free): (Vec<_>, Vec<_>) = left
                .into_iter()
                .partition(|(job, _)| held.contains(&job.report.programme.furnace.site));
            left = waiting;
            if is_first {
                tracing::warn!(
                    free = free.len(),
                    held = left.len(),
                    "readings waited in vain for a site that somebody holds; recording the others"
                );
            }
            if !free.is_empty() {
                let (jobs, answers): (Vec<Job>, Vec<Answer>) = free.into_iter().unzip();
                let stored = self.guarded(&jobs).await;
                answer(answers, self.outcomes(stored, &jobs).await);
            }
            if left.is_empty() {
                return;
            }
        }
        let (jobs, answers): (Vec<Job>, Vec<Answer>) = left.into_iter().unzip();
        answer(answers, self.outcomes(Err(fault.into()), &jobs).await);
    }

    /// What becomes of each job of a group that was stored or not.
    async fn outcomes(&self, stored: Result<Vec<Outcome>, Error>, jobs: &[Job]) -> Vec<Outcome> {
        match stored {
            Ok(outcomes) => outcomes,
            Err(fault) if jobs.len() == 1 => vec![Err(fault)],
            Err(Error::Store(fault)) if fault.for_another().is_some() => {
                let others = std::iter::from_fn(|| fault.for_another());
                others
                    .take(jobs.len())
                    .map(|fault| Err(fault.into()))
                    .collect()
            }
            Err(fault) => {
                tracing::warn!(
                    cause = %fault, readings = jobs.len(),
                    "a group of readings was not stored; trying them one by one"
                );
                let mut outcomes = Vec::with_capacity(jobs.len());
                for job in jobs {
                    let alone = self.guarded(std::slice::from_ref(job)).await;
                    outcomes.push(alone.and_then(|mut one| one.pop().unwrap_or(Err(Error::Busy))));
                }
                outcomes
            }
        }
    }

    /// Records a group; a panic is that group's failure, not the end of recording. The transaction is
    /// undone when it is dropped, and the panic is in the log.
    async fn guarded(&self, jobs: &[Job]) -> Result<Vec<Outcome>, Error> {
        AssertUnwindSafe(self.group(jobs))
            .catch_unwind()
            .await
            .unwrap_or(Err(Error::Broken))
    }

    /// Records some readings in one transaction; an error means that none was stored.
    async fn group(&self, jobs: &[Job]) -> Result<Vec<Outcome>, Error> {
        let mut outcomes: Vec<Option<Outcome>> = jobs.iter().map(|_| None).collect();
        let scope = Scope::for_work("record_readings");
        let sites: Vec<SiteId> = jobs
            .iter()
            .map(|job| job.report.programme.furnace.site.clone())
            .collect();
        let mut tx = self
            .store
            .begin_over("record_readings", &scope, Over::Sites(&sites))
            .await?;
        let stored = async {
            let mut left: Vec<usize> = (0..jobs.len()).collect();
            let mut changes = 0;
            while !left.is_empty() {
                let (now, later) = round(jobs, &left);
                left = later;
                changes += self.round(&mut tx, jobs, &now, &mut outcomes).await?;
            }
            Ok::<u64, Error>(changes)
        }
        .await;
        match stored {
            Ok(0) => tx.roll_back().await?,
            Ok(changes) => {
                let committed = tx.commit().await;
                self.meters.transaction(changes, committed.is_ok());
                committed?;
            }
            Err(fault) => {
                // When undoing fails too, the next transaction begins with it; the first fault is the cause.
                drop(tx.roll_back().await);
                return Err(fault);
            }
        }
        Ok(outcomes
            .into_iter()
            .map(|outcome| outcome.unwrap_or(Err(Error::Busy)))
            .collect())
    }

    /// Decides and stores the given jobs, no two of the same furnace or request.
    async fn round(
        &self,
        tx: &mut Tx,
        jobs: &[Job],
        now: &[usize],
        outcomes: &mut [Option<Outcome>],
    ) -> Result<u64, Error> {
        let requests: Vec<&Request> = now.iter().map(|&at| &jobs[at].request).collect();
        let mut fresh = Vec::with_capacity(now.len());
        for (&at, answered) in now.iter().zip(tx.answered_all(&requests).await?) {
            match answered {
                None => fresh.push(at),
                Some(Err(fault)) => outcomes[at] = Some(Err(fault.into())),
                Some(Ok(earlier)) => {
                    outcomes[at] = Some(answered_before(tx, &earlier.subject).await);
                }
            }
        }
        if fresh.is_empty() {
            return Ok(0);
        }
        let reports: Vec<&Report> = fresh.iter().map(|&at| &jobs[at].report).collect();
        let knowledge = tx.reading_knowledge(&reports).await?;
        let fit = knowledge.fit();
        let received_at = self.clock.now();
        let mut new = Vec::with_capacity(fresh.len());
        let mut places = Vec::with_capacity(fresh.len());
        let mut late = Vec::new();
        for &at in &fresh {
            let job = &jobs[at];
            let id = ReadingId::from_uuid(self.ids.uuid(received_at));
            let mut known = match knowledge.known(&job.report, None) {
                Ok(known) => known,
                Err(missing) => {
                    outcomes[at] = Some(Err(missing.into()));
                    continue;
                }
            };
            let furnace = &job.report.programme.furnace;
            let is_late = known
                .tracked
                .is_some_and(|t| t.last.fired_at >= job.report.fired_at);
            let as_of = as_of_firing(tx, &known, job, &id, is_late).await?;
            if let Some(as_of) = &as_of {
                known.tracked = as_of.tracked.as_ref();
                known.newer_reading = as_of.newer_reading;
            }
            let mut assessed = assess(&known, &job.report, &id);
            if assessed.as_ref().is_ok_and(Assessed::looks_strange) {
                known.twins = tx.twins(furnace).await?;
                assessed = assess(&known, &job.report, &id);
            }
            match assessed.map(Assessed::settled) {
                Err(refused) => outcomes[at] = Some(Err(refused.into())),
                Ok(Err(refusal)) => outcomes[at] = Some(Err(refusal.into())),
                Ok(Ok(assessed)) => {
                    let reading = Reading {
                        key: ReadingKey {
                            furnace: furnace.clone(),
                            reading: id,
                        },
                        report: job.report.clone(),
                        setpoint_c: assessed.setpoint_c,
                        received_at,
                        amends: None,
                        amend_reason: String::new(),
                    };
                    if is_late {
                        late.push(furnace);
                    }
                    places.push(at);
                    new.push(NewReading {
                        reading,
                        assessed,
                        request: job.request.clone(),
                        by: By::of(&job.scope),
                    });
                }
            }
        }
        if new.is_empty() {
            return Ok(0);
        }
        let recorded: Vec<Recorded> = new.iter().map(recorded).collect();
        let changes = u64::try_from(new.len()).unwrap_or(u64::MAX);
        tx.insert_readings(new).await?;
        for furnace in late {
            let (points, events) = tx.history(furnace).await?;
            let again = replayed(&points, &events, &fit.components, fit.components_number);
            tx.put_tracked_offset(furnace, again.as_ref()).await?;
        }
        for (at, recorded) in places.into_iter().zip(recorded) {
            outcomes[at] = Some(Ok(recorded));
        }
        Ok(changes)
    }
}

/// What the furnace's history says as of the firing, when that is not what is kept: a late reading, or a
/// filter that other variance components made.
async fn as_of_firing(
    tx: &mut Tx,
    known: &Known<'_>,
    job: &Job,
    id: &ReadingId,
    is_late: bool,
) -> Result<Option<AsOf>, Error> {
    let fit = known.knowledge.fit;
    let is_outdated = known
        .tracked
        .is_some_and(|tracked| tracked.components != fit.components_number);
    if !is_late && !is_outdated {
        return Ok(None);
    }
    let (points, events) = tx.history(&job.report.programme.furnace).await?;
    Ok(Some(as_of(
        points,
        &events,
        job.report.fired_at,
        id,
        None,
        &fit.components,
        fit.components_number,
    )))
}

/// Splits what is left: at most one job for each furnace and each request now, the rest later, so that
/// every reading is decided with the one before it known.
fn round(jobs: &[Job], left: &[usize]) -> (Vec<usize>, Vec<usize>) {
    let mut furnaces: HashSet<&FurnaceKey> = HashSet::new();
    let mut requests: HashSet<Uuid> = HashSet::new();
    let (mut now, mut later) = (Vec::new(), Vec::new());
    for &at in left {
        let job = &jobs[at];
        let furnace = &job.report.programme.furnace;
        let request = job.request.id;
        let free = !furnaces.contains(furnace) && request.is_none_or(|id| !requests.contains(&id));
        if free {
            furnaces.insert(furnace);
            requests.extend(request);
            now.push(at);
        } else {
            // Later jobs of the same request or furnace wait behind this one.
            furnaces.insert(furnace);
            requests.extend(request);
            later.push(at);
        }
    }
    (now, later)
}

/// The answer given before to the same request.
pub(crate) async fn answered_before(tx: &mut Tx, subject: &str) -> Outcome {
    let missing = || Error::Missing {
        kind: "ringtrue.v1/Reading",
        name: subject.to_owned(),
    };
    let key = ReadingKey::parse(subject).map_err(|_| missing())?;
    let mut recorded = tx.recorded(&key).await?.ok_or_else(missing)?;
    // The first answer could not know of a later amendment.
    recorded.amended_by = None;
    Ok(recorded)
}

/// What the caller is answered.
pub(crate) fn recorded(new: &NewReading) -> Recorded {
    let assessed = &new.assessed;
    Recorded {
        reading: new.reading.clone(),
        evaluated: Evaluated {
            evaluation: assessed.evaluation.clone(),
            inputs: assessed.inputs.clone(),
            questions: assessed.questions.clone(),
            cautions: assessed.cautions.clone(),
            next_due_on: assessed.next_due_on,
        },
        amended_by: None,
    }
}
