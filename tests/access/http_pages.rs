//! What is answered over plain HTTP, where no credential counts and a secret in the address is everything.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use ringtrue_proto::v1;
use ringtrue_server::serve;
use ringtrue_tests::Network;
use ringtrue_tests::bench::site;
use ringtrue_tests::process::PATIENCE;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// Who may come where.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Open {
    /// Everybody.
    ToAll,
    /// Whoever knows the secret.
    BySecret,
    /// Everybody sees the same; who knows the secret may send it back.
    BySecretSent,
}

/// Every page, as the server names it, with an address that somebody might guess.
const PAGES: [(&str, Open, &str); 3] = [
    ("/healthz", Open::ToAll, "/healthz"),
    (
        "/calendar/{file}",
        Open::BySecret,
        "/calendar/AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA.ics",
    ),
    (
        "/unsubscribe/{secret}",
        Open::BySecretSent,
        "/unsubscribe/AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
    ),
];

/// Asks with these lines and gives the whole answer, without its date.
async fn asked(address: SocketAddr, method: &str, path: &str, headers: &str) -> String {
    let mut stream = TcpStream::connect(address).await.expect("it listens");
    let request = format!(
        "{method} {path} HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\ncontent-length: 0\r\n{headers}\r\n"
    );
    stream
        .write_all(request.as_bytes())
        .await
        .expect("it is sent");
    let mut answer = Vec::new();
    let read = timeout(PATIENCE, stream.read_to_end(&mut answer)).await;
    read.expect("it answers").expect("it ends well");
    let text = String::from_utf8_lossy(&answer).into_owned();
    text.lines()
        .filter(|line| !line.to_lowercase().starts_with("date:"))
        .collect::<Vec<_>>()
        .join("\n")
}

fn status(answer: &str) -> u16 {
    let code = answer.split(' ').nth(1).expect("a status line");
    code.parse().expect("a status")
}

struct Pages {
    network: Network,
    address: SocketAddr,
}

impl Pages {
    async fn start() -> Self {
        let network = Network::start().await;
        network.site("north", site()).await;
        network.site("south", site()).await;
        let listener = serve::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, 0))).await;
        let listener = listener.expect("a free port");
        let address = listener.local_addr().expect("a bound listener");
        serve::start_http(
            listener,
            &network.transport,
            &network.app,
            &network.lifecycle,
        );
        Self { network, address }
    }

    /// Makes a feed and gives its name and the secret in its address.
    async fn feed(&self, parent: &str) -> (String, String) {
        let ask = v1::CreateCalendarFeedRequest {
            parent: parent.to_owned(),
            feed: Some(v1::CalendarFeed {
                display_name: format!("Feed of {parent}"),
                ..v1::CalendarFeed::default()
            }),
            ..v1::CreateCalendarFeedRequest::default()
        };
        let made = self.network.remote.create_calendar_feed(ask).await;
        let made = made.expect("made");
        let secret = made.secret_path.rsplit('/').next().expect("a file");
        let secret = secret.trim_end_matches(".ics").to_owned();
        (made.feed.expect("told").name, secret)
    }

    async fn get(&self, path: &str) -> String {
        asked(self.address, "GET", path, "").await
    }
}

#[test]
fn every_page_has_a_row_and_no_other() {
    let source = std::fs::read_to_string("../services/server/src/http.rs").expect("the pages");
    let mut served: Vec<&str> = source
        .split(".route(")
        .skip(1)
        .filter_map(|rest| rest.split('"').nth(1))
        .collect();
    served.sort_unstable();
    let mut listed = PAGES.map(|(page, ..)| page);
    listed.sort_unstable();
    assert_eq!(served, listed);
}

#[tokio::test]
async fn a_guessed_address_is_answered_as_one_that_never_was() {
    let pages = Pages::start().await;
    let nothing = pages.get("/nothing/at/all").await;
    assert_eq!(status(&nothing), 404);
    let (_, secret) = pages.feed("sites/north").await;
    let (gone, gone_secret) = pages.feed("sites/north").await;
    let ask = v1::DeleteCalendarFeedRequest {
        name: gone,
        ..v1::DeleteCalendarFeedRequest::default()
    };
    let deleted = pages.network.remote.delete_calendar_feed(ask).await;
    deleted.expect("deleted");
    for (page, open, guess) in PAGES {
        let answer = pages.get(guess).await;
        match open {
            Open::ToAll => assert_eq!(status(&answer), 200, "{page}"),
            Open::BySecret => assert_eq!(answer, nothing, "{page}"),
            Open::BySecretSent => {
                let other = pages.get(&guess.replace('A', "B")).await;
                assert_eq!((status(&answer), &answer), (200, &other), "{page}");
                let sent = asked(pages.address, "POST", guess, "").await;
                assert_eq!(sent, nothing, "{page}");
            }
        }
    }
    let half = &secret[..secret.len() / 2];
    for path in [
        format!("/calendar/{gone_secret}.ics"),
        format!("/calendar/{half}.ics"),
        format!("/calendar/{secret}x.ics"),
        format!("/calendar/{}.ics", secret.to_uppercase()),
        format!("/calendar/{}.ics", secret.to_lowercase()),
        format!("/calendar/{secret}%00.ics"),
        format!("/calendar/{secret}/../{secret}.ics"),
        format!("/calendar/x/../{secret}.ics"),
        "/calendar/.ics".to_owned(),
        "/calendar/%25.ics".to_owned(),
        "/calendar/' OR '1'='1.ics".replace(' ', "%20"),
        "/calendar/".to_owned(),
        "/calendar".to_owned(),
        "/unsubscribe/".to_owned(),
    ] {
        let answer = pages.get(&path).await;
        assert_eq!(answer, nothing, "{path}");
    }
    pages.network.stop().await;
}

#[tokio::test]
async fn a_secret_shows_the_one_site_that_it_is_for() {
    let pages = Pages::start().await;
    let (_, north) = pages.feed("sites/north").await;
    let (_, south) = pages.feed("sites/south").await;
    let shown = pages.get(&format!("/calendar/{north}.ics")).await;
    assert_eq!(status(&shown), 200, "{shown}");
    assert!(
        shown.contains("Feed of sites/north") && !shown.contains("sites/south"),
        "{shown}"
    );
    let shown = pages.get(&format!("/calendar/{south}.ics")).await;
    assert!(
        shown.contains("Feed of sites/south") && !shown.contains("sites/north"),
        "{shown}"
    );
    for method in ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"] {
        let answer = asked(pages.address, method, &format!("/calendar/{north}.ics"), "").await;
        assert!(matches!(status(&answer), 404 | 405), "{method}: {answer}");
        assert!(!answer.contains("BEGIN:VCALENDAR"), "{method}");
    }
    pages.network.stop().await;
}

#[tokio::test]
async fn what_is_known_of_a_page_stays_out_of_what_others_keep() {
    let pages = Pages::start().await;
    let (_, north) = pages.feed("sites/north").await;
    let shown = pages
        .get(&format!("/calendar/{north}.ics"))
        .await
        .to_lowercase();
    assert!(shown.contains("referrer-policy: no-referrer"), "{shown}");
    assert!(shown.contains("x-robots-tag: noindex"), "{shown}");
    let cache = shown
        .lines()
        .find(|line| line.starts_with("cache-control:"));
    assert!(
        cache.is_some_and(|line| line.contains("private")),
        "{cache:?}"
    );
    assert!(
        !shown.contains(&north.to_lowercase()),
        "the file tells its own address"
    );
    pages.network.stop().await;
}

#[tokio::test]
async fn a_slow_reader_keeps_nobody_out() {
    let pages = Pages::start().await;
    let mut slow = Vec::new();
    for _ in 0..20 {
        let mut stream = TcpStream::connect(pages.address).await.expect("it listens");
        stream
            .write_all(b"GET /healthz HTTP/1.1\r\nhost:")
            .await
            .expect("some of it is sent");
        slow.push(stream);
    }
    let answer = timeout(Duration::from_secs(5), pages.get("/healthz")).await;
    assert_eq!(status(&answer.expect("at once")), 200);
    drop(slow);
    pages.network.stop().await;
}
