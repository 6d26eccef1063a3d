//! Receivers of webhooks on loopback, in Python: what they got, and what they are told to answer.

use std::collections::VecDeque;
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver as Lines, channel};
use std::time::Duration;

use ringtrue_tests::process::PATIENCE;
use ringtrue_tests::python::python;
use serde_json::{Value, json};

/// How often it is looked whether an event came.
const LOOK_AGAIN: Duration = Duration::from_millis(5);

/// Running receivers, one for each path; dropping them ends them.
pub(crate) struct Hooks {
    child: Child,
    orders: ChildStdin,
    lines: Lines<Value>,
    got: VecDeque<Value>,
    /// The port they listen on.
    pub(crate) port: u16,
}

impl Hooks {
    /// Starts them on a free port.
    pub(crate) fn start() -> Self {
        Self::start_at(0)
    }

    /// Starts them on a port where they listened before.
    pub(crate) fn start_at(port: u16) -> Self {
        let mut child = Command::new(python())
            .args(["delivery/hooks.py", &port.to_string()])
            .env("PYTHONDONTWRITEBYTECODE", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the interpreter starts");
        let orders = child.stdin.take().expect("its input is a pipe");
        let output = child.stdout.take().expect("its output is a pipe");
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(output).lines().map_while(Result::ok) {
                let told: Value = serde_json::from_str(&line).expect("it prints JSON");
                if sender.send(told).is_err() {
                    return;
                }
            }
        });
        let mut hooks = Self {
            child,
            orders,
            lines,
            got: VecDeque::new(),
            port: 0,
        };
        let port = hooks.line()["port"].as_u64().expect("its port first");
        hooks.port = u16::try_from(port).expect("a port");
        hooks
    }

    /// The address of a receiver.
    pub(crate) fn url(&self, path: &str) -> String {
        format!("http://127.0.0.1:{}{path}", self.port)
    }

    fn line(&self) -> Value {
        self.lines
            .recv_timeout(PATIENCE)
            .expect("the receivers say something in time")
    }

    /// Tells a receiver what to answer, and which secrets to check signatures with.
    pub(crate) fn order(&mut self, path: &str, mode: &str, secrets: &[&str]) {
        let order = json!({"path": path, "mode": mode, "secrets": secrets});
        writeln!(self.orders, "{order}").expect("they read their orders");
        loop {
            let mut told = self.line();
            if told["done"] == path {
                return;
            }
            self.got.push_back(told["got"].take());
        }
    }

    /// Waits for the next event at a path, and lets other work go on meanwhile; events at other paths are kept.
    pub(crate) async fn next(&mut self, path: &str) -> Value {
        let waited = tokio::time::timeout(PATIENCE, async {
            loop {
                while let Ok(mut told) = self.lines.try_recv() {
                    self.got.push_back(told["got"].take());
                }
                let at = self.got.iter().position(|event| event["path"] == path);
                if let Some(event) = at.and_then(|at| self.got.remove(at)) {
                    return event;
                }
                tokio::time::sleep(LOOK_AGAIN).await;
            }
        });
        waited
            .await
            .unwrap_or_else(|_| panic!("an event comes to {path} in time"))
    }

    /// How many events were got at a path and not asked for.
    pub(crate) fn kept(&mut self, path: &str) -> usize {
        while let Ok(mut told) = self.lines.try_recv() {
            self.got.push_back(told["got"].take());
        }
        self.got
            .iter()
            .filter(|event| event["path"] == path)
            .count()
    }
}

impl Drop for Hooks {
    fn drop(&mut self) {
        // They may have ended by themselves already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}
