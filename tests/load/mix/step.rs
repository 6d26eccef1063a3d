//! One rate for some time: requests leave at their moments, and each is counted from the moment at which it should have
//! left. A server that stalls is so charged with everything that should have happened meanwhile.

use std::future::Future;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use tokio::runtime::Handle;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::arrivals::{Arrival, Arrivals, send_on_time};
use super::percentiles::{Latencies, whole};
use super::tally::{Answers, NO_ANSWER, NOT_SENT, Pulse, locked};

/// How long answers are waited for after the last request: longer than the client's deadline.
const PATIENCE: Duration = Duration::from_secs(15);

/// What a step does.
#[derive(Debug, Clone)]
pub(crate) struct Pace {
    /// Requests a second on average.
    pub(crate) rate_per_s: f64,
    /// Time at the beginning whose requests are sent and not counted.
    pub(crate) warm_up: Duration,
    /// Time whose requests are counted.
    pub(crate) counted: Duration,
    /// What the arrivals are drawn from.
    pub(crate) seed: u64,
    /// One more request in flight than this is not sent.
    pub(crate) most_in_flight: usize,
}

/// Ways to end early.
#[derive(Debug, Clone, Default)]
pub(crate) struct Stop {
    /// Sends no more; answers are waited for.
    pub(crate) soon: CancellationToken,
    /// Waits for nothing.
    pub(crate) now: CancellationToken,
}

/// What a step measured.
#[derive(Debug, Clone)]
pub(crate) struct Measured {
    /// The rate that was wanted.
    pub(crate) rate_per_s: f64,
    /// How long requests were counted.
    pub(crate) counted: Duration,
    /// What became of each operation's requests, in the table's order.
    pub(crate) answers: Vec<Answers>,
    /// How late the program itself sent: a busy machine shows here.
    pub(crate) sent_late: Latencies,
    /// Good answers that came while requests were counted.
    pub(crate) good_in_time: u64,
    /// Most requests under way at once.
    pub(crate) most_in_flight: usize,
    /// Whether it was ended early.
    pub(crate) ended_early: bool,
}

impl Measured {
    /// All operations together.
    pub(crate) fn all(&self) -> Answers {
        let mut all = Answers::none();
        for answers in &self.answers {
            all.add(answers);
        }
        all
    }

    /// Requests that arrived a second, as chance had it.
    pub(crate) fn asked_per_s(&self) -> f64 {
        self.per_s(self.all().asked())
    }

    /// Good answers that came a second.
    pub(crate) fn reached_per_s(&self) -> f64 {
        self.per_s(self.good_in_time)
    }

    /// So many of something as a rate.
    pub(crate) fn per_s(&self, count: u64) -> f64 {
        if self.counted.is_zero() {
            return 0.0;
        }
        whole(count) / self.counted.as_secs_f64()
    }
}

/// What all calls of a step write to.
#[derive(Debug)]
struct Sheet {
    answers: Vec<Answers>,
    sent_late: Latencies,
    good_in_time: u64,
    most_in_flight: usize,
    /// Requests that count and have no answer yet, by operation.
    open: Vec<u64>,
}

impl Sheet {
    fn new(operations: usize) -> Self {
        Self {
            answers: vec![Answers::none(); operations],
            sent_late: Latencies::none(),
            good_in_time: 0,
            most_in_flight: 0,
            open: vec![0; operations],
        }
    }
}

/// Runs a step: `call` makes the request of an operation and gives the reason when it fails.
pub(crate) async fn run<Call, Answer>(
    pace: Pace,
    weights: &[u32],
    pulse: &Arc<Pulse>,
    stop: &Stop,
    call: Call,
) -> anyhow::Result<Measured>
where
    Call: Fn(Arrival) -> Answer + Send + 'static,
    Answer: Future<Output = Result<(), String>> + Send + 'static,
{
    let arrivals = Arrivals::new(pace.rate_per_s, weights, pace.seed)?;
    let sheet = Arc::new(Mutex::new(Sheet::new(weights.len())));
    let tasks = TaskTracker::new();
    let start = Instant::now();
    let window = start + pace.warm_up..start + pace.warm_up + pace.counted;
    let sender = {
        let (sheet, pulse, tasks) = (Arc::clone(&sheet), Arc::clone(pulse), tasks.clone());
        let (runtime, soon) = (Handle::current(), stop.soon.clone());
        let until = pace.warm_up + pace.counted;
        let most_in_flight = pace.most_in_flight;
        move || {
            send_on_time(arrivals, start, until, &soon, |arrival, intended| {
                let counts = window.contains(&intended);
                let operation = arrival.operation;
                {
                    let mut sheet = locked(&sheet);
                    if pulse.in_flight() >= most_in_flight {
                        if counts {
                            sheet.answers[operation].error(NOT_SENT);
                        }
                        return;
                    }
                    let in_flight = pulse.leaves();
                    if counts {
                        sheet.most_in_flight = sheet.most_in_flight.max(in_flight);
                        sheet.sent_late.note(intended.elapsed());
                        sheet.open[operation] += 1;
                    }
                }
                let (sheet, pulse) = (Arc::clone(&sheet), Arc::clone(&pulse));
                let window = window.clone();
                let answer = call(arrival);
                let task = async move {
                    let outcome = answer.await;
                    let end = Instant::now();
                    let latency = end - intended;
                    pulse.answered(latency, outcome.is_ok());
                    let mut sheet = locked(&sheet);
                    if outcome.is_ok() && window.contains(&end) {
                        sheet.good_in_time += 1;
                    }
                    if !counts {
                        return;
                    }
                    sheet.open[operation] -= 1;
                    match outcome {
                        Ok(()) => sheet.answers[operation].good.note(latency),
                        Err(reason) => sheet.answers[operation].error(&reason),
                    }
                };
                drop(tasks.spawn_on(task, &runtime));
            })
        }
    };
    let lasted = tokio::task::spawn_blocking(sender).await?;
    tasks.close();
    tokio::select! {
        () = tasks.wait() => {}
        () = tokio::time::sleep(PATIENCE) => {}
        () = stop.now.cancelled() => {}
    }
    let sheet = locked(&sheet);
    let mut answers = sheet.answers.clone();
    for (operation, open) in sheet.open.iter().enumerate() {
        for _ in 0..*open {
            answers[operation].error(NO_ANSWER);
        }
    }
    Ok(Measured {
        rate_per_s: pace.rate_per_s,
        counted: lasted.saturating_sub(pace.warm_up),
        answers,
        sent_late: sheet.sent_late.clone(),
        good_in_time: sheet.good_in_time,
        most_in_flight: sheet.most_in_flight,
        ended_early: lasted < pace.warm_up + pace.counted,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pace(counted_ms: u64, most_in_flight: usize) -> Pace {
        Pace {
            rate_per_s: 100.0,
            warm_up: Duration::ZERO,
            counted: Duration::from_millis(counted_ms),
            seed: 1,
            most_in_flight,
        }
    }

    /// Answers at once, but nothing between half a second and a second and a half after the beginning.
    async fn stalling(start: Instant) -> Result<(), String> {
        let stalled = start + Duration::from_millis(500)..start + Duration::from_millis(1500);
        if stalled.contains(&Instant::now()) {
            tokio::time::sleep_until(stalled.end.into()).await;
        }
        Ok(())
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn a_stall_of_a_second_makes_all_its_hundred_requests_late_and_not_one() {
        let pulse = Arc::new(Pulse::new());
        let start = Instant::now();
        let measured = run(
            pace(2000, 1000),
            &[1],
            &pulse,
            &Stop::default(),
            move |_| stalling(start),
        )
        .await;
        let measured = measured.expect("it runs");
        let all = measured.all();
        // About 100 arrive in that second, evenly: 90 of them wait longer than a tenth of it, half longer than half.
        let late = all.good.slower_than_ms(100);
        assert!((60..130).contains(&late), "{late} are late");
        let very_late = all.good.slower_than_ms(500);
        assert!((30..75).contains(&very_late), "{very_late} are very late");
        assert!(all.good.max_ms() > 900.0, "{} ms", all.good.max_ms());
        assert!(measured.most_in_flight > 60, "{}", measured.most_in_flight);
        assert_eq!(all.bad(), 0);
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn what_finds_too_many_under_way_is_not_sent_and_told() {
        let pulse = Arc::new(Pulse::new());
        let start = Instant::now();
        let measured = run(pace(2000, 10), &[1], &pulse, &Stop::default(), move |_| {
            stalling(start)
        })
        .await;
        let measured = measured.expect("it runs");
        assert_eq!(measured.most_in_flight, 10);
        let all = measured.all();
        assert!(all.errors[NOT_SENT] > 40, "{}", all.errors[NOT_SENT]);
        assert_eq!(all.asked(), all.good.count() + all.errors[NOT_SENT]);
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn ended_early_it_counts_what_was_and_what_is_never_answered() {
        let pulse = Arc::new(Pulse::new());
        let stop = Stop::default();
        let ends = stop.clone();
        let measured = run(pace(60_000, 1000), &[1], &pulse, &stop, move |arrival| {
            let ends = ends.clone();
            async move {
                if arrival.at > Duration::from_millis(200) {
                    ends.soon.cancel();
                    ends.now.cancel();
                    std::future::pending::<()>().await;
                }
                Ok(())
            }
        })
        .await;
        let measured = measured.expect("it runs");
        assert!(measured.ended_early);
        assert!(measured.counted < Duration::from_secs(10));
        let all = measured.all();
        assert!(all.good.count() > 5, "{}", all.good.count());
        assert!(all.errors[NO_ANSWER] >= 1);
    }
}
