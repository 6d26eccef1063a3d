//! The command that runs for a change of an alert.

use std::process::Stdio;
use std::time::Duration;

use ringtrue_proto::v1::{Alert, AlertChange};
use tokio::io::AsyncWriteExt as _;
use tokio::process::{Child, Command};

use crate::words;

/// Longest time that a command may take.
pub(super) const TIME_LIMIT: Duration = Duration::from_secs(30);

/// What came of a command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Ran {
    /// It ended with code 0.
    Well,
    /// It ended with another code.
    Failed(i32),
    /// A signal ended it.
    Killed,
    /// It took too long, and was killed with everything that it started.
    TooLong,
    /// It could not be started, or not be waited for.
    Never(String),
}

/// Runs a command for a change, within the time limit.
pub(super) async fn run(command: &str, change: &AlertChange, cursor: &str) -> Ran {
    run_within(command, change, cursor, TIME_LIMIT).await
}

async fn run_within(command: &str, change: &AlertChange, cursor: &str, limit: Duration) -> Ran {
    let input = match super::line(change, cursor) {
        Ok(line) => format!("{line}\n"),
        Err(stop) => return Ran::Never(stop.lines("").join(" ")),
    };
    let mut child = match begun(command, change, cursor) {
        Ok(child) => child,
        Err(fault) => return Ran::Never(fault.to_string()),
    };
    let group = Group::of(&child);
    let stdin = child.stdin.take();
    let fed = async {
        if let Some(mut stdin) = stdin {
            // A command that reads nothing closes its end; that is no fault.
            drop(stdin.write_all(input.as_bytes()).await);
        }
    };
    let waited = async {
        let ((), status) = tokio::join!(fed, child.wait());
        status
    };
    let ran = match tokio::time::timeout(limit, waited).await {
        Ok(Ok(status)) => match status.code() {
            Some(0) => Ran::Well,
            Some(code) => Ran::Failed(code),
            None => Ran::Killed,
        },
        Ok(Err(fault)) => Ran::Never(fault.to_string()),
        Err(_elapsed) => Ran::TooLong,
    };
    // Also what it left behind in the background after a timely end is none of ours to kill.
    if ran == Ran::TooLong {
        drop(group);
        drop(child.wait().await);
    } else {
        group.release();
    }
    ran
}

fn begun(command: &str, change: &AlertChange, cursor: &str) -> std::io::Result<Child> {
    let mut shell = Command::new("sh");
    shell
        .arg("-c")
        .arg(command)
        .envs(variables(change, cursor))
        .stdin(Stdio::piped())
        // Results are ours alone; a program that reads them must not meet the command's words.
        .stdout(Stdio::from(std::io::stderr()))
        .kill_on_drop(true);
    // A group of its own, so that all of it can be killed, and Ctrl-C reaches the watch alone.
    #[cfg(unix)]
    shell.process_group(0);
    shell.spawn()
}

/// The processes that a command started; dropping it kills them.
#[derive(Debug)]
struct Group {
    #[cfg(unix)]
    leader: Option<rustix::process::Pid>,
}

impl Group {
    fn of(child: &Child) -> Self {
        Group {
            #[cfg(unix)]
            leader: child
                .id()
                .and_then(|id| i32::try_from(id).ok())
                .and_then(rustix::process::Pid::from_raw),
        }
    }

    /// Leaves them alone from now on.
    #[cfg_attr(
        not(unix),
        expect(unused_mut, reason = "groups of processes are a thing of Unix")
    )]
    fn release(mut self) {
        #[cfg(unix)]
        {
            self.leader = None;
        }
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        #[cfg(unix)]
        if let Some(leader) = self.leader {
            let killed = rustix::process::kill_process_group(leader, rustix::process::Signal::KILL);
            // Those that ended already cannot be killed.
            killed.unwrap_or_default();
        }
    }
}

/// The change in variables. Their text holds no zero byte, which no variable can.
fn variables(change: &AlertChange, cursor: &str) -> Vec<(&'static str, String)> {
    let none = Alert::default();
    let alert = change.alert.as_ref().unwrap_or(&none);
    let named = [
        ("RINGTRUE_ALERT_NAME", alert.name.as_str()),
        (
            "RINGTRUE_ALERT_KIND",
            words::word(words::ALERT_KINDS, alert.kind()),
        ),
        (
            "RINGTRUE_ALERT_STAGE",
            words::word(words::ALERT_STAGES, alert.stage()),
        ),
        (
            "RINGTRUE_ALERT_LEVEL",
            words::word(words::ALERT_LEVELS, alert.level()),
        ),
        (
            "RINGTRUE_ALERT_STATE",
            words::word(words::ALERT_STATES, alert.state()),
        ),
        (
            "RINGTRUE_ALERT_CHANGE",
            words::word(words::ALERT_CHANGES, change.kind()),
        ),
        ("RINGTRUE_ALERT_SITE", alert.site.as_str()),
        ("RINGTRUE_ALERT_SUBJECT", alert.subject.as_str()),
        ("RINGTRUE_ALERT_STATEMENT", alert.statement.as_str()),
        ("RINGTRUE_ALERT_NEXT_STEP", alert.next_step.as_str()),
        ("RINGTRUE_ALERT_CURSOR", cursor),
    ];
    let mut variables = Vec::with_capacity(named.len());
    for (name, value) in named {
        variables.push((name, value.replace('\0', "")));
    }
    variables
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use ringtrue_proto::v1::{AlertChangeKind, AlertKind, AlertStage};

    fn change() -> AlertChange {
        AlertChange {
            cursor: "c7".to_owned(),
            kind: AlertChangeKind::Raised.into(),
            alert: Some(Alert {
                name: "alerts/a1".to_owned(),
                kind: AlertKind::CalibrationDue.into(),
                site: "sites/porto".to_owned(),
                subject: "sites/porto/furnaces/k2".to_owned(),
                stage: AlertStage::Overdue.into(),
                statement: "K2 \"waits\"; $(rm -r x)\0".to_owned(),
                next_step: "Fire a ring.".to_owned(),
                ..Alert::default()
            }),
            change_time: None,
        }
    }

    async fn ran(command: &str, limit: Duration) -> Ran {
        run_within(command, &change(), "c8", limit).await
    }

    #[tokio::test]
    async fn the_change_arrives_in_variables_and_as_json_on_stdin() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("seen");
        let command = format!(
            "{{ printf '%s|' \"$RINGTRUE_ALERT_NAME\" \"$RINGTRUE_ALERT_KIND\" \
             \"$RINGTRUE_ALERT_STAGE\" \"$RINGTRUE_ALERT_CHANGE\" \"$RINGTRUE_ALERT_SITE\" \
             \"$RINGTRUE_ALERT_SUBJECT\" \"$RINGTRUE_ALERT_STATEMENT\" \
             \"$RINGTRUE_ALERT_NEXT_STEP\" \"$RINGTRUE_ALERT_CURSOR\"; echo; cat; }} > {}",
            file.display()
        );
        assert_eq!(ran(&command, TIME_LIMIT).await, Ran::Well);
        let seen = std::fs::read_to_string(&file).expect("written");
        let (first, rest) = seen.split_once('\n').expect("two lines");
        assert_eq!(
            first,
            "alerts/a1|calibration-due|overdue|raised|sites/porto|sites/porto/furnaces/k2|\
             K2 \"waits\"; $(rm -r x)|Fire a ring.|c8|"
        );
        let value: serde_json::Value = serde_json::from_str(rest).expect("JSON");
        assert_eq!(value["change"]["alert"]["name"], "alerts/a1");
        assert_eq!(value["cursor"], "c8");
    }

    #[tokio::test]
    async fn a_command_that_fails_or_cannot_be_found_says_so() {
        assert_eq!(ran("exit 3", TIME_LIMIT).await, Ran::Failed(3));
        assert_eq!(ran("kill -9 $$", TIME_LIMIT).await, Ran::Killed);
        let missing = ran("no-such-program-anywhere 2>/dev/null", TIME_LIMIT).await;
        assert_eq!(missing, Ran::Failed(127));
    }

    #[tokio::test]
    async fn a_command_that_hangs_is_killed_with_all_that_it_started() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("pid");
        let command = format!("sleep 1000 & echo $! > {}; wait", file.display());
        let hung = ran(&command, Duration::from_millis(500)).await;
        assert_eq!(hung, Ran::TooLong);
        let pid = std::fs::read_to_string(&file).expect("it was started");
        let pid: i32 = pid.trim().parse().expect("a process id");
        let pid = rustix::process::Pid::from_raw(pid).expect("above zero");
        let end = tokio::time::Instant::now() + Duration::from_secs(10);
        while is_running(pid) {
            assert!(tokio::time::Instant::now() < end, "it still runs");
            tokio::task::yield_now().await;
        }
    }

    /// Whether a process runs; one that only waits to be collected does not.
    fn is_running(pid: rustix::process::Pid) -> bool {
        let stat = format!("/proc/{}/stat", pid.as_raw_nonzero());
        match std::fs::read_to_string(stat) {
            Ok(text) => !text
                .rsplit(')')
                .next()
                .unwrap_or("")
                .trim()
                .starts_with('Z'),
            Err(_) => rustix::process::test_kill_process(pid).is_ok(),
        }
    }

    #[tokio::test]
    async fn a_command_that_reads_nothing_of_a_long_change_does_not_hang() {
        let mut long = change();
        if let Some(alert) = &mut long.alert {
            alert.next_step = "Fire a ring. ".repeat(9_000);
        }
        let ran = run_within("exec <&-; true", &long, "c8", TIME_LIMIT).await;
        // Text that is too long for a variable is told, not cut off.
        assert!(matches!(ran, Ran::Well | Ran::Never(_)), "{ran:?}");
    }
}
