//! `ringtrue work`: what the server does in the background, and whether it gets on.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{BackgroundWork, ListBackgroundWorkRequest};

use crate::failure::Stop;
use crate::moment;
use crate::quantity::brief;
use crate::session::Session;
use crate::site::shown_list;

/// Shows each piece of background work.
pub(crate) async fn carry_out(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let answer = session
        .remote
        .background_work(ListBackgroundWorkRequest {})
        .await?;
    if session.json {
        return session.show_json("ListBackgroundWorkResponse", &answer);
    }
    let mut rows = Vec::new();
    for work in &answer.work {
        rows.push(row(work));
    }
    let headings = [
        "work",
        "last success",
        "took",
        "runs",
        "waiting",
        "last failure",
    ];
    shown_list(
        "pieces of background work",
        &headings,
        &rows,
        false,
        session,
    )
}

fn row(work: &BackgroundWork) -> Vec<String> {
    let success = moment::received(work.last_success_time.as_ref());
    let runs = match work.failure_count {
        0 => work.run_count.to_string(),
        failed => format!("{} and {failed} failed", work.run_count),
    };
    let waiting = match work.waiting_count {
        0 => "nothing".to_owned(),
        count => format!("{count}, for {}", length(work.lag_s)),
    };
    vec![
        work.name.clone(),
        success.map_or_else(
            || "never".to_owned(),
            |at| moment::brief(at, &TimeZone::UTC),
        ),
        length(work.last_duration_s),
        runs,
        waiting,
        work.last_failure.clone(),
    ]
}

/// Writes a length of time with a unit that fits it.
fn length(seconds: f64) -> String {
    if seconds < 1.0 {
        format!("{} ms", brief(1000.0 * seconds, 0))
    } else if seconds < 120.0 {
        format!("{} s", brief(seconds, 1))
    } else if seconds < 7200.0 {
        format!("{} min", brief(seconds / 60.0, 0))
    } else {
        format!("{} h", brief(seconds / 3600.0, 1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn work_is_told_with_units_and_failures_in_words() {
        let work = BackgroundWork {
            name: "alerts".to_owned(),
            last_success_time: Some(prost_types::Timestamp {
                seconds: 1_795_449_600,
                nanos: 0,
            }),
            last_duration_s: 0.042,
            run_count: 120,
            failure_count: 2,
            last_failure: "the database is busy".to_owned(),
            waiting_count: 3,
            lag_s: 95.0,
            ..BackgroundWork::default()
        };
        assert_eq!(
            row(&work),
            [
                "alerts",
                "Mon 2026-11-23 16:00 UTC",
                "42 ms",
                "120 and 2 failed",
                "3, for 95 s",
                "the database is busy"
            ]
        );
        let idle = row(&BackgroundWork::default());
        assert_eq!(idle[1..5], ["never", "0 ms", "0", "nothing"]);
        assert_eq!(length(3600.0), "60 min");
        assert_eq!(length(9000.0), "2.5 h");
    }
}
