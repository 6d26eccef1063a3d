//! What became of requests: while they run, and in the end.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::percentiles::Latencies;

/// Why a request was not sent.
pub(crate) const NOT_SENT: &str = "NOT_SENT";

/// Why a request has no answer: the program ended before one came.
pub(crate) const NO_ANSWER: &str = "NO_ANSWER";

/// What became of the requests of one operation.
#[derive(Debug, Clone)]
pub(crate) struct Answers {
    /// Latencies of good answers, from the intended start of each.
    pub(crate) good: Latencies,
    /// How many had no good answer, by reason.
    pub(crate) errors: BTreeMap<String, u64>,
}

impl Answers {
    pub(crate) fn none() -> Self {
        Self {
            good: Latencies::none(),
            errors: BTreeMap::new(),
        }
    }

    pub(crate) fn error(&mut self, reason: &str) {
        *self.errors.entry(reason.to_owned()).or_default() += 1;
    }

    /// How many had no good answer.
    pub(crate) fn bad(&self) -> u64 {
        self.errors.values().sum()
    }

    /// How many were asked for.
    pub(crate) fn asked(&self) -> u64 {
        self.good.count() + self.bad()
    }

    pub(crate) fn add(&mut self, others: &Self) {
        self.good.add(&others.good);
        for (reason, count) in &others.errors {
            *self.errors.entry(reason.clone()).or_default() += count;
        }
    }
}

/// What happens at the moment, over all rates, warming up included.
#[derive(Debug)]
pub(crate) struct Pulse {
    in_flight: AtomicUsize,
    /// Latencies of good answers since somebody took them.
    lately: Mutex<Latencies>,
}

impl Pulse {
    pub(crate) fn new() -> Self {
        Self {
            in_flight: AtomicUsize::new(0),
            lately: Mutex::new(Latencies::none()),
        }
    }

    /// A request leaves; gives how many are under way with it.
    pub(crate) fn leaves(&self) -> usize {
        self.in_flight.fetch_add(1, Ordering::Relaxed) + 1
    }

    /// Its answer is there.
    pub(crate) fn answered(&self, latency: Duration, is_good: bool) {
        self.in_flight.fetch_sub(1, Ordering::Relaxed);
        if is_good {
            locked(&self.lately).note(latency);
        }
    }

    pub(crate) fn in_flight(&self) -> usize {
        self.in_flight.load(Ordering::Relaxed)
    }

    /// Gives the latencies since the last call of this.
    pub(crate) fn take_lately(&self) -> Latencies {
        let mut lately = locked(&self.lately);
        let taken = lately.clone();
        lately.clear();
        taken
    }
}

/// What a panic of another thread leaves behind is still a number of calls.
pub(crate) fn locked<T>(one: &Mutex<T>) -> MutexGuard<'_, T> {
    one.lock().unwrap_or_else(PoisonError::into_inner)
}
