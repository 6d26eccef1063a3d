//! A mail server on loopback, in Python: what it got, and what it is told to do with the next mail.

use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver as Lines, channel};
use std::time::Duration;

use ringtrue_tests::process::PATIENCE;
use ringtrue_tests::python::python;
use serde_json::Value;

/// How often it is looked whether a mail came.
const LOOK_AGAIN: Duration = Duration::from_millis(5);

/// A running mail server; dropping it ends it.
pub(crate) struct Receiver {
    child: Child,
    orders: ChildStdin,
    lines: Lines<Value>,
    /// The port it listens on.
    pub(crate) port: u16,
}

impl Receiver {
    pub(crate) fn start() -> Self {
        let mut child = Command::new(python())
            .arg("delivery/receiver.py")
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
        let mut receiver = Self {
            child,
            orders,
            lines,
            port: 0,
        };
        let port = receiver.line()["port"].as_u64().expect("its port first");
        receiver.port = u16::try_from(port).expect("a port");
        receiver
    }

    fn line(&self) -> Value {
        self.lines
            .recv_timeout(PATIENCE)
            .expect("the mail server says something in time")
    }

    /// Gives an order and everything that was got before it was taken.
    pub(crate) fn order(&mut self, mode: &str) -> Vec<Value> {
        writeln!(self.orders, "{mode}").expect("it reads its orders");
        let mut got = Vec::new();
        loop {
            let mut told = self.line();
            if told["mode"] == mode {
                return got;
            }
            got.push(told["mail"].take());
        }
    }

    /// Everything that was got since the last look.
    pub(crate) fn got(&mut self) -> Vec<Value> {
        self.order("accept")
    }

    /// Waits for the next mail, and lets other work go on meanwhile.
    pub(crate) async fn next(&self) -> Value {
        let waited = tokio::time::timeout(PATIENCE, async {
            loop {
                match self.lines.try_recv() {
                    Ok(mut told) => return told["mail"].take(),
                    Err(_) => tokio::time::sleep(LOOK_AGAIN).await,
                }
            }
        });
        waited.await.expect("a mail comes in time")
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        // It may have ended by itself already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// A header of a mail by its name, decoded; fails when it is there more than once.
pub(crate) fn header(mail: &Value, name: &str) -> Option<String> {
    let mut found = None;
    for header in mail["headers"].as_array().expect("headers") {
        if header[0]
            .as_str()
            .is_some_and(|header| header.eq_ignore_ascii_case(name))
        {
            assert!(found.is_none(), "{name} is there twice: {mail:#}");
            found = header[1].as_str().map(str::to_owned);
        }
    }
    found
}
