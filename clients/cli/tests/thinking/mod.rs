//! A person who thinks for as long as the server wants to know whether anybody is there.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::Duration;

use ringtrue::{Conversation, Left, exit};

use crate::Script;
use crate::desk::Desk;
use crate::in_process::run;

/// The head of a frame that answers a keepalive: 8 bytes long, PING, acknowledged, of no stream
/// (RFC 9113, sections 4.1 and 6.7).
const ANSWERED: [u8; 9] = [0, 0, 8, 6, 1, 0, 0, 0, 0];

/// Longest wait for something that comes at once when it comes at all.
const PATIENCE: Duration = Duration::from_secs(10);

/// Somebody who thinks about the moment of firing until keepalives were answered meanwhile.
struct Thinker {
    script: Script,
    answered: Receiver<()>,
    thought: bool,
}

impl Conversation for Thinker {
    fn text(&mut self, question: &str, help: &str, preset: Option<&str>) -> Result<String, Left> {
        if question.contains("When did the firing end?") {
            while self.answered.try_recv().is_ok() {}
            for _ in 0..3 {
                let answered = self.answered.recv_timeout(PATIENCE);
                answered.expect("the program answers the server while a person thinks");
            }
            self.thought = true;
        }
        self.script.text(question, help, preset)
    }

    fn secret(&mut self, question: &str, help: &str) -> Result<String, Left> {
        self.script.secret(question, help)
    }

    fn choice(&mut self, question: &str, options: &[String]) -> Result<usize, Left> {
        self.script.choice(question, options)
    }

    fn agreement(&mut self, question: &str) -> Result<bool, Left> {
        self.script.agreement(question)
    }
}

/// Carries what passes between client and server, and tells of every keepalive that the client
/// answered.
fn listened_to(server: SocketAddr) -> (SocketAddr, Receiver<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port on loopback");
    let address = listener.local_addr().expect("a bound address");
    let (sender, answered) = channel();
    thread::spawn(move || {
        for client in listener.incoming() {
            let client = client.expect("a connection");
            let server = TcpStream::connect(server).expect("the server listens");
            let again = |stream: &TcpStream| stream.try_clone().expect("a second handle");
            let (back, there) = (again(&server), again(&client));
            let sender = sender.clone();
            thread::spawn(move || pass_on(&client, &server, Some(&sender)));
            thread::spawn(move || pass_on(&back, &there, None));
        }
    });
    (address, answered)
}

fn pass_on(mut from: &TcpStream, mut to: &TcpStream, answered: Option<&Sender<()>>) {
    let mut bytes = [0; 16 * 1024];
    while let Ok(count) = from.read(&mut bytes) {
        let passing = &bytes[..count];
        let answers = passing.windows(ANSWERED.len()).any(|at| at == ANSWERED);
        if answers && answered.is_some_and(|sender| sender.send(()).is_err()) {
            break;
        }
        if count == 0 || to.write_all(passing).is_err() {
            break;
        }
    }
    for end in [from, to] {
        drop(end.shutdown(Shutdown::Both));
    }
}

#[test]
fn whoever_thinks_for_long_still_has_a_server() {
    let desk = Desk {
        keepalive: Some(Duration::from_millis(20)),
        ..Desk::default()
    };
    let (address, answered) = listened_to(desk.serve());
    let mut thinker = Thinker {
        script: Script::of(&[
            "k2",
            "friday 18:00",
            "",
            "X7",
            "",
            "",
            "",
            "19,47",
            "",
            "",
            "",
            "y",
        ]),
        answered,
        thought: false,
    };
    let line = ["reading", "add"];
    let outcome = run(address, 100, &line, Some(&mut thinker));
    assert!(thinker.thought);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(outcome.out.starts_with("ENTER 1481 °C"), "{}", outcome.out);
}
