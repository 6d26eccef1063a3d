//! `ringtrue webhook` against a real server and a receiver on loopback: a secret shown once, a test, dead ends said.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU16, Ordering};

use ringtrue_tests::process::eventually;
use serde_json::Value;

use crate::workplace::Workplace;

/// A receiver that answers every event with the same status until told otherwise.
struct Receiver {
    url: String,
    status: Arc<AtomicU16>,
}

impl Receiver {
    /// Listens on a free port; ends with the test program.
    fn start() -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
        let address = listener.local_addr().expect("an address");
        let status = Arc::new(AtomicU16::new(204));
        let says = Arc::clone(&status);
        std::thread::spawn(move || {
            for connection in listener.incoming().flatten() {
                // A sender that gave up is nothing to the next one.
                drop(answer(&connection, says.load(Ordering::SeqCst)));
            }
        });
        Self {
            url: format!("http://{address}/hook"),
            status,
        }
    }
}

/// Reads one request and answers it.
fn answer(connection: &TcpStream, status: u16) -> std::io::Result<()> {
    let mut reader = BufReader::new(connection);
    let mut length = 0;
    loop {
        let mut line = String::new();
        reader.read_line(&mut line)?;
        let line = line.trim_end().to_ascii_lowercase();
        if line.is_empty() {
            break;
        }
        if let Some(given) = line.strip_prefix("content-length: ") {
            length = given.parse().expect("a length");
        }
    }
    reader.read_exact(&mut vec![0; length])?;
    let mut writer = connection;
    write!(
        writer,
        "HTTP/1.1 {status} said\r\ncontent-length: 0\r\nconnection: close\r\n\r\n"
    )
}

#[test]
fn a_webhook_is_added_tried_followed_and_ended() {
    let place = Workplace::with_key(&[("RINGTRUE_SERVER__WEBHOOKS__ALLOW", "127.0.0.0/8")]);
    let receiver = Receiver::start();
    let add = format!(
        "webhook add {} --title ledger --type gauge --ordered",
        receiver.url
    );
    let added = place.said(&add);
    assert!(added.err.contains("shown this once"), "{}", added.err);
    assert!(
        added.err.contains("ringtrue webhook test "),
        "{}",
        added.err
    );
    let shown = added.done();
    assert!(shown.contains("whsec_"), "{shown}");
    assert!(shown.contains(&receiver.url), "{shown}");
    assert!(shown.contains("nothing sent yet"), "{shown}");

    let listed = place.said("webhook list --json").done();
    assert!(!listed.contains("whsec_"), "{listed}");
    let listed: Value = serde_json::from_str(&listed).expect("JSON");
    let name = listed["webhooks"][0]["name"].as_str().expect("a name");
    let id = name.rsplit('/').next().expect("an id");

    let tried = place.said(&format!("webhook test {id}"));
    assert!(
        tried.err.contains("The event arrived: 204 after "),
        "{tried:?}"
    );
    receiver.status.store(503, Ordering::SeqCst);
    let tried = place.said(&format!("webhook test {id}"));
    assert_ne!(tried.code, Some(0), "{tried:?}");
    assert!(tried.err.contains("answered 503"), "{tried:?}");

    place
        .said("gauge add --id caliper-2 --name Second --kind caliper --resolution 0.01 --maximum-error 0.02")
        .done();
    eventually("the failure is shown", || {
        let shown = place.said(&format!("webhook show {id}")).done();
        shown.contains("nothing arrives since") && shown.contains("answered 503")
    });
    let waiting = place
        .said(&format!("webhook deliveries {id} --state waiting"))
        .done();
    assert!(waiting.contains("gauge created"), "{waiting}");
    assert!(waiting.contains("caliper-2"), "{waiting}");
    receiver.status.store(204, Ordering::SeqCst);
    eventually("it arrives when it is tried again", || {
        let arrived = place.said(&format!("webhook deliveries {id} --state arrived"));
        arrived.done().contains("caliper-2")
    });
    let again = place.said_with(
        &format!("webhook replay {id} --since"),
        &["yesterday 18:00"],
    );
    assert!(again.err.contains("One event is sent again."), "{again:?}");

    let rotated = place
        .said(&format!("webhook rotate {id} --overlap 2"))
        .done();
    assert!(rotated.contains("whsec_"), "{rotated}");
    assert!(rotated.contains("Old secret until"), "{rotated}");
    let secret = |text: &str| {
        let at = text.find("whsec_").expect("a secret");
        text[at..at + 50].to_owned()
    };
    assert_ne!(secret(&shown), secret(&rotated));

    let paused = place.said(&format!("webhook change {id} --pause")).done();
    assert!(paused.contains("paused"), "{paused}");
    let nothing = place.said(&format!("webhook change {id}"));
    assert_ne!(nothing.code, Some(0), "{nothing:?}");
    place.said(&format!("webhook remove {id}")).done();
    let gone = place.said(&format!("webhook show {id}"));
    assert_ne!(gone.code, Some(0), "{gone:?}");
}

#[test]
fn an_address_inside_is_refused_with_the_setting_that_would_allow_it() {
    let place = Workplace::with_key(&[]);
    let refused = place.said("webhook add https://10.1.2.3/hook --title ledger");
    assert_ne!(refused.code, Some(0), "{refused:?}");
    assert!(refused.err.contains("webhooks.allow"), "{refused:?}");
    let plain = place.said("webhook add http://ledger.example/hook --title ledger");
    assert!(plain.err.contains("https://"), "{plain:?}");
}
