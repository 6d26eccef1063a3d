//! What a round measured, as a table.

use std::time::Duration;

/// Rate and latencies of one kind of call.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Calls {
    pub(crate) per_second: f64,
    pub(crate) p50: Duration,
    pub(crate) p99: Duration,
}

/// One round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Round {
    /// Time of one small synchronised write.
    pub(crate) fsync: Duration,
    pub(crate) empty_call: Calls,
    pub(crate) recorded: Calls,
    /// The same through TLS with a token.
    pub(crate) secured: Calls,
    pub(crate) alone: Calls,
    /// Readings a second, one transaction each.
    pub(crate) bare_single: f64,
    /// Readings a second, 64 in a transaction.
    pub(crate) bare_groups: f64,
    /// Readings a second by the C library alone, one transaction each.
    pub(crate) c_single: f64,
    /// Readings a second by the C library alone, 64 in a transaction.
    pub(crate) c_groups: f64,
    pub(crate) idle_kib: u64,
    pub(crate) after_kib: u64,
    /// Median time of `ringtrue furnace show`.
    pub(crate) command: Duration,
}

impl Calls {
    /// Sorts the latencies of `count` calls that took `elapsed` together.
    pub(crate) fn of(mut latencies: Vec<Duration>, elapsed: Duration) -> Self {
        latencies.sort_unstable();
        let at = |share: usize| latencies.get(latencies.len() * share / 100).copied();
        #[expect(clippy::cast_precision_loss, reason = "a count of calls")]
        let per_second = latencies.len() as f64 / elapsed.as_secs_f64();
        Self {
            per_second,
            p50: at(50).unwrap_or_default(),
            p99: at(99).unwrap_or_default(),
        }
    }
}

impl Round {
    /// The median of each figure by itself.
    pub(crate) fn median(rounds: &[Self]) -> Self {
        let number = |pick: fn(&Self) -> f64| {
            let mut all: Vec<f64> = rounds.iter().map(pick).collect();
            all.sort_by(f64::total_cmp);
            all.get(all.len() / 2).copied().unwrap_or_default()
        };
        let time = |pick: fn(&Self) -> Duration| {
            let mut all: Vec<Duration> = rounds.iter().map(pick).collect();
            all.sort_unstable();
            all.get(all.len() / 2).copied().unwrap_or_default()
        };
        let memory = |pick: fn(&Self) -> u64| {
            let mut all: Vec<u64> = rounds.iter().map(pick).collect();
            all.sort_unstable();
            all.get(all.len() / 2).copied().unwrap_or_default()
        };
        Self {
            fsync: time(|r| r.fsync),
            empty_call: Calls {
                per_second: number(|r| r.empty_call.per_second),
                p50: time(|r| r.empty_call.p50),
                p99: time(|r| r.empty_call.p99),
            },
            recorded: Calls {
                per_second: number(|r| r.recorded.per_second),
                p50: time(|r| r.recorded.p50),
                p99: time(|r| r.recorded.p99),
            },
            secured: Calls {
                per_second: number(|r| r.secured.per_second),
                p50: time(|r| r.secured.p50),
                p99: time(|r| r.secured.p99),
            },
            alone: Calls {
                per_second: number(|r| r.alone.per_second),
                p50: time(|r| r.alone.p50),
                p99: time(|r| r.alone.p99),
            },
            bare_single: number(|r| r.bare_single),
            bare_groups: number(|r| r.bare_groups),
            c_single: number(|r| r.c_single),
            c_groups: number(|r| r.c_groups),
            idle_kib: memory(|r| r.idle_kib),
            after_kib: memory(|r| r.after_kib),
            command: time(|r| r.command),
        }
    }

    /// The figures, one a line.
    pub(crate) fn table(&self) -> String {
        let calls = |name: &str, calls: &Calls| {
            format!(
                "  {name:<58} {:>9.0} /s  p50 {:>7.2} ms  p99 {:>7.2} ms\n",
                calls.per_second,
                calls.p50.as_secs_f64() * 1e3,
                calls.p99.as_secs_f64() * 1e3
            )
        };
        let mut lines = vec![
            format!(
                "  {:<58} {:>9.3} ms\n",
                "one synchronised 4 KiB write",
                self.fsync.as_secs_f64() * 1e3
            ),
            calls("empty gRPC call", &self.empty_call),
            calls("RecordReading, durable", &self.recorded),
            calls("RecordReading, durable, TLS and token", &self.secured),
            format!(
                "  {:<58} {:>9.1} % (goal: below 15)\n",
                "TLS and token lose",
                100.0 * (1.0 - self.secured.per_second / self.recorded.per_second)
            ),
            calls("RecordReading, durable, one in flight", &self.alone),
        ];
        for (name, bare, goal) in [
            (
                "bare insert by the driver, a transaction each",
                self.bare_single,
                "goal: 2",
            ),
            (
                "bare insert by the driver, 64 in a transaction",
                self.bare_groups,
                "goal: 0.5",
            ),
            (
                "bare insert by the C library, a transaction each",
                self.c_single,
                "goal: 2",
            ),
            (
                "bare insert by the C library, 64 in a transaction",
                self.c_groups,
                "goal: 0.5",
            ),
        ] {
            let ratio = self.recorded.per_second / bare;
            lines.push(format!(
                "  {name:<58} {bare:>9.0} /s  RecordReading is {ratio:.2} of it ({goal})\n"
            ));
        }
        lines.push(format!(
            "  {:<58} {:>9.1} MiB, {:.1} MiB after the load\n",
            "server's resident memory, idle",
            mebibytes(self.idle_kib),
            mebibytes(self.after_kib)
        ));
        lines.push(format!(
            "  {:<58} {:>9.1} ms\n",
            "ringtrue furnace show, start to end",
            self.command.as_secs_f64() * 1e3
        ));
        lines.concat()
    }
}

#[expect(clippy::cast_precision_loss, reason = "for people")]
fn mebibytes(kib: u64) -> f64 {
    kib as f64 / 1024.0
}
