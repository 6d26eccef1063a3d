//! How the server ends: what asks it to stop, how long work in progress may go on, and the code it
//! exits with.
//!
//! Two tokens: `drain` ends what waits for new work, `stop` drops what is still going on. The bound
//! on the wait is ours, since an open connection can keep the transport waiting for ever.

use std::any::Any;
use std::future::Future;
use std::panic::AssertUnwindSafe;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use futures::FutureExt as _;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// How long dropped tasks may take to let go after `stop`.
const LETTING_GO: Duration = Duration::from_secs(1);

/// Why the process ends, as the code it exits with; the numbers are those of `sysexits.h` (BSD).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Everything asked for was done.
    Clean = 0,
    /// The command line could not be understood.
    Usage = 64,
    /// A background task failed, or ended before it was asked to.
    TaskDied = 70,
    /// Work was cut short: the grace ran out, or a second signal came.
    GraceRanOut = 75,
    /// The settings cannot be used.
    Config = 78,
}

impl Exit {
    /// Gives the number a shell sees.
    pub fn code(self) -> u8 {
        self as u8
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}

/// The life of the process; clones share it.
#[derive(Clone, Debug, Default)]
pub struct Lifecycle {
    /// Cancelled when no new work is to be taken; tasks finish the step they are in.
    pub drain: CancellationToken,
    /// Cancelled when what still goes on is to be dropped.
    pub stop: CancellationToken,
    tasks: TaskTracker,
    died: Arc<AtomicBool>,
}

impl Lifecycle {
    /// Gives a life that nobody has asked to end.
    pub fn new() -> Self {
        Self::default()
    }

    /// Runs a task in the background until it ends after `drain`, or is dropped by `stop`.
    ///
    /// A task that ends before `drain`, fails or panics drains the process and makes
    /// [`Lifecycle::finish`] give [`Exit::TaskDied`]: a server that answers while half of it is
    /// dead helps nobody. The only place that starts tasks.
    pub fn spawn<F>(&self, name: &'static str, task: F)
    where
        F: Future<Output = anyhow::Result<()>> + Send + 'static,
    {
        let life = self.clone();
        self.tasks.spawn(async move {
            let ended = tokio::select! {
                ended = AssertUnwindSafe(task).catch_unwind() => ended,
                () = life.stop.cancelled() => {
                    tracing::warn!(task = name, "a task was dropped before it ended");
                    return;
                }
            };
            match ended {
                Ok(Ok(())) if life.drain.is_cancelled() => {
                    tracing::debug!(task = name, "a task ended");
                    return;
                }
                Ok(Ok(())) => {
                    tracing::error!(task = name, "a task ended by itself; the server stops");
                }
                Ok(Err(cause)) => {
                    let cause = format!("{cause:#}");
                    tracing::error!(task = name, cause, "a task failed; the server stops");
                }
                Err(panic) => {
                    let cause = panic_text(&*panic);
                    tracing::error!(task = name, cause, "a task panicked; the server stops");
                }
            }
            life.died.store(true, Ordering::SeqCst);
            life.drain.cancel();
        });
    }

    /// Listens for SIGTERM and SIGINT: the first drains, one more stops.
    ///
    /// Fails when the operating system refuses to deliver signals.
    #[expect(
        clippy::disallowed_methods,
        reason = "the listener never ends, so a tracked one would hold up every end"
    )]
    pub fn on_signals(&self) -> std::io::Result<()> {
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        let life = self.clone();
        tokio::spawn(async move {
            loop {
                tokio::select! {
                    _ = terminate.recv() => life.signalled("SIGTERM"),
                    _ = interrupt.recv() => life.signalled("SIGINT"),
                }
            }
        });
        Ok(())
    }

    fn signalled(&self, signal: &'static str) {
        if self.drain.is_cancelled() {
            tracing::warn!(signal, "asked to stop again; dropping what is going on");
            self.stop.cancel();
        } else {
            tracing::info!(signal, "asked to stop; finishing what is going on");
            self.drain.cancel();
        }
    }

    /// Waits for `drain`, then for the tasks, at most for `grace`; drops what is left after that.
    pub async fn finish(&self, grace: Duration) -> Exit {
        self.drain.cancelled().await;
        self.tasks.close();
        let all_ended = tokio::select! {
            biased;
            () = self.stop.cancelled() => false,
            ended = tokio::time::timeout(grace, self.tasks.wait()) => ended.is_ok(),
        };
        if !all_ended {
            tracing::warn!(
                tasks = self.tasks.len(),
                grace_s = grace.as_secs(),
                "tasks were still going on and are dropped"
            );
            self.stop.cancel();
            if tokio::time::timeout(LETTING_GO, self.tasks.wait())
                .await
                .is_err()
            {
                tracing::warn!(tasks = self.tasks.len(), "tasks did not let go");
            }
        }
        if self.died.load(Ordering::SeqCst) {
            Exit::TaskDied
        } else if all_ended {
            Exit::Clean
        } else {
            Exit::GraceRanOut
        }
    }
}

/// Gives what a panic said.
pub(crate) fn panic_text(panic: &(dyn Any + Send)) -> &str {
    if let Some(text) = panic.downcast_ref::<&'static str>() {
        text
    } else if let Some(text) = panic.downcast_ref::<String>() {
        text
    } else {
        "a panic without words"
    }
}

#[cfg(test)]
mod tests {
    use std::future::pending;

    use super::*;

    const GRACE: Duration = Duration::from_secs(30);

    #[tokio::test]
    async fn tasks_that_end_when_asked_make_a_clean_exit() {
        let life = Lifecycle::new();
        let drain = life.drain.clone();
        life.spawn("patient", async move {
            drain.cancelled().await;
            Ok(())
        });
        life.drain.cancel();
        assert_eq!(life.finish(GRACE).await, Exit::Clean);
        assert!(!life.stop.is_cancelled());
    }

    #[tokio::test]
    async fn a_task_that_ends_by_itself_drains_the_process_and_fails_its_exit_code() {
        let life = Lifecycle::new();
        life.spawn("short", async { Ok(()) });
        assert_eq!(life.finish(GRACE).await, Exit::TaskDied);
        assert!(life.drain.is_cancelled());
    }

    #[tokio::test]
    async fn a_task_that_fails_or_panics_drains_the_process_and_fails_its_exit_code() {
        let life = Lifecycle::new();
        life.spawn("failing", async { anyhow::bail!("the disk is full") });
        assert_eq!(life.finish(GRACE).await, Exit::TaskDied);

        let life = Lifecycle::new();
        life.spawn("panicking", async { panic!("an invariant does not hold") });
        assert_eq!(life.finish(GRACE).await, Exit::TaskDied);
    }

    #[tokio::test]
    async fn a_task_that_fails_while_draining_fails_the_exit_code() {
        let life = Lifecycle::new();
        let drain = life.drain.clone();
        life.spawn("failing late", async move {
            drain.cancelled().await;
            anyhow::bail!("the last step could not be stored")
        });
        life.drain.cancel();
        assert_eq!(life.finish(GRACE).await, Exit::TaskDied);
    }

    #[tokio::test]
    async fn a_task_that_does_not_end_is_dropped_when_the_grace_runs_out() {
        let life = Lifecycle::new();
        life.spawn("endless", pending());
        life.drain.cancel();
        assert_eq!(
            life.finish(Duration::from_millis(1)).await,
            Exit::GraceRanOut
        );
        assert!(life.stop.is_cancelled());
        assert!(life.tasks.is_empty());
    }

    #[tokio::test]
    async fn the_first_signal_drains_and_the_second_stops_at_once() {
        let life = Lifecycle::new();
        life.spawn("endless", pending());
        life.signalled("SIGTERM");
        assert!(life.drain.is_cancelled() && !life.stop.is_cancelled());
        life.signalled("SIGINT");
        assert!(life.stop.is_cancelled());
        assert_eq!(life.finish(GRACE).await, Exit::GraceRanOut);
    }

    #[test]
    fn exit_codes_are_those_of_sysexits() {
        let exits = [
            Exit::Clean,
            Exit::Usage,
            Exit::TaskDied,
            Exit::GraceRanOut,
            Exit::Config,
        ];
        assert_eq!(exits.map(Exit::code), [0, 64, 70, 75, 78]);
    }
}
