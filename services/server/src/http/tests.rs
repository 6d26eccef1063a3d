//! Checks of what is answered over HTTP, byte by byte through a real connection.

use std::net::{Ipv4Addr, SocketAddr};

use ringtrue_fleet::alert::Level;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::delivery::{MailMode, Subscription};
use ringtrue_fleet::key::SubscriptionKey;
use ringtrue_store::Request as Repeatable;
use tempfile::TempDir;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};

use super::*;

const NOW: &str = "2026-03-02T12:00:00Z";
const SECRET: &str = "abcdefghijklmnopqrstuvwxyz0123456789ABCDEFG";

/// The server's HTTP side alone.
struct Served {
    address: SocketAddr,
    store: Store,
    _folder: TempDir,
    server: tokio::task::JoinHandle<()>,
}

impl Drop for Served {
    fn drop(&mut self) {
        self.server.abort();
    }
}

async fn served(kept_for: Duration) -> Served {
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(&folder.path().join("ringtrue.db"))
        .await
        .expect("the store opens");
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .await
        .expect("a free port");
    let address = listener.local_addr().expect("a bound listener");
    let site = Site {
        store: store.clone(),
        clock: Clock::manual(NOW.parse().expect("a moment")),
        readiness: Readiness::default(),
    };
    let connections = Connections::of(listener).kept_for(kept_for);
    #[expect(
        clippy::disallowed_methods,
        reason = "the test ends it by dropping what it returns"
    )]
    let server = tokio::spawn(async move {
        let routes = super::served(site, None, &[]);
        let routes = routes.into_make_service_with_connect_info::<Far>();
        axum::serve(connections, routes).await.expect("it serves");
    });
    Served {
        address,
        store,
        _folder: folder,
        server,
    }
}

impl Served {
    /// Sends a request and gives the whole answer.
    async fn asked(&self, method: &str, address: &str, headers: &str) -> String {
        let mut connection = TcpStream::connect(self.address).await.expect("it listens");
        let request = format!(
            "{method} {address} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{headers}\r\n"
        );
        connection
            .write_all(request.as_bytes())
            .await
            .expect("it is sent");
        let mut answer = Vec::new();
        connection
            .read_to_end(&mut answer)
            .await
            .expect("it answers");
        String::from_utf8(answer).expect("answers are text")
    }

    async fn subscribed(&self) -> SubscriptionKey {
        let scope = Scope::for_work("test");
        let key = SubscriptionKey::parse("mailSubscriptions/m1").expect("a name");
        let subscription = Subscription {
            key: key.clone(),
            address: "lab@example.org".to_owned(),
            level: Level::Technician,
            mode: MailMode::Immediate,
            unsubscribed: false,
            last_sent_at: None,
            last_failure: String::new(),
            created_at: NOW.parse().expect("a moment"),
        };
        let mut tx = self.store.begin("test", &scope).await.expect("it begins");
        tx.insert_subscription(&subscription, SECRET, &Repeatable::NONE)
            .await
            .expect("it is stored");
        tx.commit().await.expect("it is committed");
        key
    }

    async fn is_unsubscribed(&self, key: &SubscriptionKey) -> bool {
        let read = self.store.read(&Scope::for_work("test"));
        let found = read.subscription(key).await.expect("it reads");
        found.expect("it is there").unsubscribed
    }
}

fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).unwrap_or_default()
}

const LONG: Duration = Duration::from_mins(1);

#[tokio::test]
async fn every_answer_keeps_the_address_to_itself() {
    let served = served(LONG).await;
    for (method, address) in [
        ("GET", "/healthz"),
        ("GET", "/"),
        ("GET", "/calendar/x.ics"),
        ("GET", "/unsubscribe/x"),
        ("POST", "/unsubscribe/x"),
        ("DELETE", "/healthz"),
    ] {
        let answer = served.asked(method, address, "").await.to_lowercase();
        for header in [
            "referrer-policy: no-referrer\r\n",
            "x-content-type-options: nosniff\r\n",
            "content-security-policy: default-src 'none'",
            "cache-control: no-store\r\n",
        ] {
            assert!(answer.contains(header), "{method} {address}: {answer}");
        }
    }
}

#[tokio::test]
async fn what_is_not_there_is_told_apart_from_nothing() {
    let served = served(LONG).await;
    let nowhere = served.asked("GET", "/nowhere", "").await;
    assert_eq!(status(&nowhere), "404");
    let body = |answer: &str| {
        let (_, body) = answer.split_once("\r\n\r\n").expect("headers end");
        body.to_owned()
    };
    for address in [
        "/",
        "/calendar/",
        "/calendar/x",
        "/calendar/x.ics",
        &format!("/calendar/{SECRET}.ics"),
        "/calendar/../calendar.ics",
        "/calendar/%00.ics",
        "/unsubscribe",
    ] {
        let answer = served.asked("GET", address, "").await;
        assert_eq!(status(&answer), "404", "{address}");
        assert_eq!(body(&answer), body(&nowhere), "{address}");
    }
    let unknown = served
        .asked("POST", &format!("/unsubscribe/{SECRET}"), "")
        .await;
    assert_eq!((status(&unknown), body(&unknown)), ("404", body(&nowhere)));
    assert_eq!(status(&served.asked("GET", "/healthz", "").await), "200");
    assert_eq!(status(&served.asked("PUT", "/healthz", "").await), "405");
}

#[tokio::test]
async fn looking_ends_no_mail_and_one_click_does_as_often_as_it_comes() {
    let served = served(LONG).await;
    let key = served.subscribed().await;
    let address = format!("/unsubscribe/{SECRET}");
    let page = served.asked("GET", &address, "").await;
    assert_eq!(status(&page), "200");
    assert!(
        page.contains("<form method=\"post\">") && page.contains("<button"),
        "{page}"
    );
    assert!(
        !page.contains(SECRET),
        "the page does not repeat the secret"
    );
    assert_eq!(status(&served.asked("HEAD", &address, "").await), "200");
    assert!(!served.is_unsubscribed(&key).await);
    for _ in 0..2 {
        // As RFC 8058, 3.2 has mail programs send it.
        let click = "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 0\r\n";
        let answer = served.asked("POST", &address, click).await;
        assert_eq!(status(&answer), "200", "{answer}");
        assert!(served.is_unsubscribed(&key).await);
    }
}

#[tokio::test]
async fn very_long_requests_are_refused() {
    let served = served(LONG).await;
    let address = format!("/calendar/{}.ics", "x".repeat(3_000));
    assert_eq!(status(&served.asked("GET", &address, "").await), "414");
    let header = format!("X-Long: {}\r\n", "x".repeat(20_000));
    assert_eq!(
        status(&served.asked("GET", "/healthz", &header).await),
        "431"
    );
}

#[tokio::test]
async fn a_connection_that_says_nothing_more_is_closed() {
    let served = served(Duration::from_millis(100)).await;
    let mut connection = TcpStream::connect(served.address)
        .await
        .expect("it listens");
    connection
        .write_all(b"GET /healthz HTTP/1.1\r\nHost: local")
        .await
        .expect("it is sent");
    let mut answer = Vec::new();
    let ended = tokio::time::timeout(LONG, connection.read_to_end(&mut answer)).await;
    assert!(
        ended.is_ok(),
        "a slow reader would have kept the connection for ever"
    );
    assert!(answer.is_empty() || !status(&String::from_utf8_lossy(&answer)).starts_with('2'));
}

#[tokio::test]
async fn a_connection_has_its_time_anew_after_each_answer() {
    let served = served(Duration::from_millis(400)).await;
    let mut connection = TcpStream::connect(served.address)
        .await
        .expect("it listens");
    // Together longer than a connection may be idle.
    for _ in 0..4 {
        tokio::time::sleep(Duration::from_millis(200)).await;
        connection
            .write_all(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")
            .await
            .expect("the connection is kept");
        let mut answer = Vec::new();
        while !answer.ends_with(b"ok\n") {
            let mut piece = [0; 1024];
            let some = connection.read(&mut piece).await.expect("it answers");
            assert!(some > 0, "closed in between");
            answer.extend_from_slice(&piece[..some]);
        }
    }
    let mut rest = Vec::new();
    let ended = tokio::time::timeout(LONG, connection.read_to_end(&mut rest)).await;
    assert!(ended.is_ok(), "then it is closed");
}
