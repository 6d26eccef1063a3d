//! The program run in process: a server on loopback in a thread, arguments in, words and exit code out.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::net::SocketAddr;

use ringtrue::{Conversation, World};
use tonic::transport::server::{Router, TcpIncoming};

/// What came of a command line.
pub(crate) struct Outcome {
    pub(crate) code: u8,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// Runs a command line at the site Porto on Monday 23 November 2026, 08:12 in Lisbon. Without a person nobody sits
/// at a terminal.
pub(crate) fn run(
    server: SocketAddr,
    columns: u16,
    line: &[&str],
    person: Option<&mut dyn Conversation>,
) -> Outcome {
    let environment = BTreeMap::from([
        ("RINGTRUE_ENDPOINT".to_owned(), format!("http://{server}")),
        ("RINGTRUE_SITE".to_owned(), "porto".to_owned()),
        ("RINGTRUE_OPERATOR".to_owned(), "AB".to_owned()),
    ]);
    run_in(environment, columns, line, person)
}

/// Runs a command line at the same time in these surroundings.
pub(crate) fn run_in(
    environment: BTreeMap<String, String>,
    columns: u16,
    line: &[&str],
    person: Option<&mut dyn Conversation>,
) -> Outcome {
    let mut out = Vec::new();
    let mut err = Vec::new();
    let mut world = World {
        out: &mut out,
        err: &mut err,
        conversation: person.map(|person| person as &mut dyn Conversation),
        now: "2026-11-23T08:12:00Z".parse().expect("a moment"),
        environment,
        columns,
        colour: false,
    };
    let mut arguments = vec![OsString::from("ringtrue")];
    arguments.extend(line.iter().map(OsString::from));
    let code = ringtrue::run(arguments, &mut world);
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    Outcome {
        code,
        out: text(out),
        err: text(err),
    }
}

/// Serves on a free port of loopback in a thread of its own, until the test's process ends.
pub(crate) fn served(services: impl FnOnce() -> Router + Send + 'static) -> SocketAddr {
    let (sender, receiver) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .expect("a runtime");
        runtime.block_on(async move {
            let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
                .await
                .expect("a free port on loopback");
            let address = listener.local_addr().expect("a bound address");
            sender.send(address).expect("the test waits");
            services()
                .serve_with_incoming(TcpIncoming::from(listener).with_nodelay(Some(true)))
                .await
                .expect("served");
        });
    });
    receiver.recv().expect("a bound address")
}
