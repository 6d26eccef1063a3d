//! The stream of alerts over HTTP: line by line, at once, for as long as the caller likes, and no longer than they may.

use std::time::Duration;

use ringtrue_fleet::grant::Role;
use ringtrue_server::app;
use ringtrue_tests::process::PATIENCE;
use serde_json::Value;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use crate::interface::Interface;

/// An open stream of lines, sent in chunks (RFC 9112, 7.1).
struct Lines {
    connection: TcpStream,
    head: String,
    /// What has arrived and was not taken yet, chunked.
    chunked: Vec<u8>,
    text: String,
    over: bool,
}

impl Lines {
    async fn open(interface: &Interface, path: &str, token: &str) -> Self {
        let mut connection = TcpStream::connect(interface.address)
            .await
            .expect("it listens");
        let request = format!(
            "GET {path} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n\
             Accept: application/x-ndjson\r\n\r\n"
        );
        connection
            .write_all(request.as_bytes())
            .await
            .expect("it is sent");
        let mut lines = Self {
            connection,
            head: String::new(),
            chunked: Vec::new(),
            text: String::new(),
            over: false,
        };
        while lines.head.is_empty() {
            lines.more().await;
            if let Some(end) = lines
                .chunked
                .windows(4)
                .position(|four| four == b"\r\n\r\n")
            {
                let head: Vec<u8> = lines.chunked.drain(..end + 4).collect();
                lines.head = String::from_utf8(head).expect("text").to_lowercase();
            }
        }
        lines
    }

    async fn more(&mut self) {
        let mut piece = [0_u8; 4096];
        let read = tokio::time::timeout(PATIENCE, self.connection.read(&mut piece)).await;
        let some = read.expect("something comes in time").expect("it is read");
        assert!(some > 0, "the connection was closed: {}", self.head);
        self.chunked.extend_from_slice(&piece[..some]);
    }

    /// Takes whole chunks out of what has arrived.
    fn unchunk(&mut self) {
        while let Some(end) = self.chunked.windows(2).position(|two| two == b"\r\n") {
            let size = std::str::from_utf8(&self.chunked[..end]).expect("a size");
            let size = usize::from_str_radix(size, 16).expect("a size");
            if self.chunked.len() < end + 2 + size + 2 {
                return;
            }
            let chunk: Vec<u8> = self.chunked.drain(..end + 2 + size + 2).collect();
            self.text
                .push_str(std::str::from_utf8(&chunk[end + 2..end + 2 + size]).expect("text"));
            if size == 0 {
                self.over = true;
                return;
            }
        }
    }

    /// The next line that is not empty; none at the end.
    async fn next(&mut self) -> Option<Value> {
        loop {
            self.unchunk();
            if let Some(end) = self.text.find('\n') {
                let rest = self.text.split_off(end + 1);
                let line = std::mem::replace(&mut self.text, rest);
                if line == "\n" {
                    continue;
                }
                return Some(serde_json::from_str(&line).expect("a line is JSON"));
            }
            if self.over {
                return None;
            }
            self.more().await;
        }
    }

    /// The next change of an alert, heartbeats passed over.
    async fn change(&mut self) -> Value {
        loop {
            let line = self.next().await.expect("the stream goes on");
            assert!(line.get("error").is_none(), "{line:#}");
            if line.get("change").is_some() {
                return line;
            }
        }
    }

    /// The problem at the end.
    async fn problem(&mut self) -> Value {
        loop {
            let line = self.next().await.expect("a problem comes before the end");
            if let Some(problem) = line.get("error") {
                assert_eq!(self.next().await, None, "nothing follows it");
                return problem.clone();
            }
        }
    }
}

const WATCH: &str = "/v1/sites/-/alerts:watch";

/// An interface at a Friday noon with a furnace that is to be calibrated today, and its alert.
async fn alerted() -> (Interface, String) {
    let (interface, _) = Interface::with_bench().await;
    let app = &interface.network.app;
    app::look(&app.store, &app.clock, &app.ids, &app.alerts, "test")
        .await
        .expect("the store answers");
    let page = interface.asked("GET", "/v1/sites/-/alerts", "", "").await;
    let name = page.json()["alerts"][0]["name"].clone();
    (interface, name.as_str().expect("it is due").to_owned())
}

#[tokio::test]
async fn changes_arrive_one_on_each_line_as_they_happen() {
    let (interface, alert) = alerted().await;
    let mut lines = Lines::open(&interface, WATCH, &interface.token).await;
    assert!(lines.head.starts_with("http/1.1 200"), "{}", lines.head);
    assert!(
        lines
            .head
            .contains("content-type: application/x-ndjson\r\n"),
        "{}",
        lines.head
    );
    let first = lines.change().await;
    assert_eq!(first["change"]["kind"], "ALERT_CHANGE_KIND_PRESENT");

    let body = r#"{"note":"seen","notedBy":"t1"}"#;
    let path = format!("/v1/{alert}:acknowledge");
    let noted = interface.asked("POST", &path, "", body).await;
    assert_eq!(noted.status, 200, "{noted:?}");
    let cursor = loop {
        let change = lines.change().await;
        if change["change"]["kind"] == "ALERT_CHANGE_KIND_ACKNOWLEDGED" {
            break change["cursor"].as_str().expect("a cursor").to_owned();
        }
    };
    // Who comes back with the cursor hears what follows, and nothing twice.
    let after = format!("{WATCH}?after={cursor}");
    let mut again = Lines::open(&interface, &after, &interface.token).await;
    let snooze = r#"{"untilTime":"2026-03-07T12:00:00Z","note":"later","notedBy":"t1"}"#;
    let path = format!("/v1/{alert}:snooze");
    let rested = interface.asked("POST", &path, "", snooze).await;
    assert_eq!(rested.status, 200, "{rested:?}");
    let next = again.change().await;
    assert_eq!(
        next["change"]["kind"], "ALERT_CHANGE_KIND_SNOOZED",
        "{next:#}"
    );
}

#[tokio::test]
async fn a_stream_outlives_the_time_that_an_idle_connection_has() {
    let (interface, alert) = alerted().await;
    let mut lines = Lines::open(&interface, WATCH, &interface.token).await;
    lines.change().await;
    // Signs of life arrive while nothing happens, and the stream is still there after them.
    let quiet = Duration::from_secs(32);
    let end = tokio::time::Instant::now() + quiet;
    let mut beats = 0;
    while let Ok(heard) = tokio::time::timeout_at(end, lines.next()).await {
        assert!(heard.is_some(), "the stream goes on");
        beats += 1;
    }
    assert!(beats < 100, "{beats}");
    let path = format!("/v1/{alert}:acknowledge");
    let body = r#"{"note":"seen","notedBy":"t1"}"#;
    assert_eq!(interface.asked("POST", &path, "", body).await.status, 200);
    loop {
        let change = lines.change().await;
        if change["change"]["kind"] == "ALERT_CHANGE_KIND_ACKNOWLEDGED" {
            break;
        }
    }
}

#[tokio::test]
async fn a_stream_ends_with_a_problem_when_its_caller_is_known_no_longer_or_the_server_stops() {
    let (interface, _) = alerted().await;
    let token = interface.token_of(Role::Quality, &[]).await;
    let mut lines = Lines::open(&interface, WATCH, &token).await;
    lines.change().await;
    let listed = interface
        .asked("GET", "/v1/credentials", "", "")
        .await
        .json();
    let credentials = listed["credentials"].as_array().expect("credentials");
    let own = credentials
        .iter()
        .find(|one| one["person"] == "p1")
        .and_then(|one| one["name"].as_str())
        .expect("the credential is listed");
    let path = format!("/v1/{own}:revoke");
    let revoked = interface
        .asked("POST", &path, "", r#"{"reason":"lost"}"#)
        .await;
    assert_eq!(revoked.status, 200, "{revoked:?}");
    let problem = lines.problem().await;
    assert_eq!(
        (problem["reason"].as_str(), problem["status"].as_u64()),
        (Some("UNAUTHENTICATED"), Some(401))
    );

    let mut lines = Lines::open(&interface, WATCH, &interface.token).await;
    lines.change().await;
    interface.network.lifecycle.drain.cancel();
    let problem = lines.problem().await;
    assert_eq!(problem["reason"], "STOPPING", "{problem:#}");
    assert!(problem["retry_after_s"].as_f64() > Some(0.0));
}
