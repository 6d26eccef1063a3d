//! Requests that no honest client sends: none of them costs much, and none is the server's fault.

use std::time::{Duration, Instant};

use ringtrue_tests::process::PATIENCE;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use crate::interface::Interface;
use crate::raw;

const FURNACE: &str = "/v1/sites/north/furnaces/k2";

/// Kilobytes of memory that this process keeps, as the kernel counts them.
fn memory_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("the kernel tells");
    let line = status
        .lines()
        .find(|line| line.starts_with("VmRSS:"))
        .expect("it is there");
    let number = line.split_whitespace().nth(1).expect("a number");
    number.parse().expect("a number")
}

fn head(token: &str, more: &str) -> String {
    format!(
        "PATCH {FURNACE} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n\
         Content-Type: application/json\r\n{more}\r\n"
    )
}

#[tokio::test]
async fn a_body_of_a_gigabyte_is_refused_before_it_is_read() {
    let (interface, _) = Interface::with_bench().await;
    let before = memory_kb();
    let request = head(&interface.token, "Content-Length: 1073741824\r\n");
    let mut connection = TcpStream::connect(interface.address)
        .await
        .expect("it listens");
    connection
        .write_all(request.as_bytes())
        .await
        .expect("it is sent");
    let answer = raw::read(&mut connection).await;
    assert_eq!(answer.status, 413);
    assert_eq!(answer.reason(), "REQUEST_TOO_LARGE");

    // One that does not say how long it is comes no further than the limit.
    let request = head(&interface.token, "Transfer-Encoding: chunked\r\n");
    let mut connection = TcpStream::connect(interface.address)
        .await
        .expect("it listens");
    connection
        .write_all(request.as_bytes())
        .await
        .expect("it is sent");
    let (mut reading, mut writing) = connection.into_split();
    let mut chunk = format!("{:x}\r\n", 1 << 20).into_bytes();
    chunk.extend(std::iter::repeat_n(b' ', 1 << 20));
    chunk.extend_from_slice(b"\r\n");
    let sending = async {
        let mut sent = 0_u32;
        while sent < 1_024 && writing.write_all(&chunk).await.is_ok() {
            sent += 1;
        }
        sent
    };
    let mut answer = Vec::new();
    let receiving = async {
        let mut piece = [0_u8; 4096];
        while let Ok(some) = reading.read(&mut piece).await {
            if some == 0 {
                break;
            }
            answer.extend_from_slice(&piece[..some]);
        }
    };
    let (sent, ()) = tokio::time::timeout(PATIENCE, async { tokio::join!(sending, receiving) })
        .await
        .expect("it ends in time");
    let text = String::from_utf8_lossy(&answer);
    assert!(text.starts_with("HTTP/1.1 413"), "{text}");
    assert!(sent < 64, "{sent} MiB were taken");
    let grown = memory_kb().saturating_sub(before);
    assert!(grown < 128 * 1_024, "{grown} kB");
}

#[tokio::test]
async fn nobody_s_body_is_read_before_it_is_known_who_sends_it() {
    let (interface, _) = Interface::with_bench().await;
    // Nothing of the body is sent, and the answer comes all the same.
    for authorization in ["", "Authorization: Bearer rt1.nothing\r\n"] {
        let request = format!(
            "PATCH {FURNACE} HTTP/1.1\r\nHost: localhost\r\n{authorization}\
             Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n"
        );
        let mut connection = TcpStream::connect(interface.address)
            .await
            .expect("it listens");
        connection
            .write_all(request.as_bytes())
            .await
            .expect("it is sent");
        let answer = raw::read(&mut connection).await;
        assert_eq!(
            (answer.status, answer.reason().as_str()),
            (401, "UNAUTHENTICATED")
        );
    }
}

#[tokio::test]
async fn bodies_that_are_no_json_for_any_reason_are_refused_with_words() {
    let (interface, _) = Interface::with_bench().await;
    let deep = "[".repeat(100_000);
    let deep_object = format!("{}1{}", "{\"a\":".repeat(50_000), "}".repeat(50_000));
    let deep_known = format!(
        "{{\"offset\":{}1{}}}",
        "{\"a\":".repeat(500),
        "}".repeat(500)
    );
    let cases: [&[u8]; 14] = [
        b"\xff\xfe{}",
        b"{\"displayName\":\"\xc3\x28\"}",
        b"{\"displayName\":\"\\ud800\"}",
        b"{\"maximumSetpointC\":NaN}",
        b"{\"maximumSetpointC\":Infinity}",
        b"{\"maximumSetpointC\":1e999}",
        b"{\"maximumSetpointC\":\"NaN\"}",
        b"{\"maximumSetpointC\":-1e308}",
        b"{\"state\":99999999999999999999}",
        b"{\"state\":4294967297}",
        b"{\"createTime\":\"9999999-01-01T00:00:00Z\"}",
        deep.as_bytes(),
        deep_object.as_bytes(),
        deep_known.as_bytes(),
    ];
    for body in cases {
        let mut request = head(
            &interface.token,
            &format!("Connection: close\r\nContent-Length: {}\r\n", body.len()),
        )
        .into_bytes();
        request.extend_from_slice(body);
        let answer = raw::asked(interface.address, &request).await;
        let shown = String::from_utf8_lossy(&body[..body.len().min(60)]).into_owned();
        assert_eq!(answer.status, 400, "{shown}: {answer:?}");
        let reason = answer.reason();
        assert!(
            reason == "MALFORMED_REQUEST" || reason == "BAD_VALUES",
            "{shown}: {reason}"
        );
    }
    // The furnace is as it was.
    let furnace = interface.asked("GET", FURNACE, "", "").await.json();
    assert_eq!(
        (furnace["displayName"].as_str(), furnace["etag"].as_str()),
        (Some("K2"), Some("\"1\""))
    );
}

#[tokio::test]
async fn odd_addresses_and_queries_are_refused_with_words() {
    let (interface, _) = Interface::with_bench().await;
    for (path, status) in [
        ("/v1/sites/%2E%2E/furnaces", 400),
        ("/v1/sites/north%2Ffurnaces%2Fk2", 404),
        ("/v1/sites/north%00", 400),
        ("/v1/sites/%FF", 404),
        ("/v1//sites", 404),
        ("/v1/sites/", 404),
        ("/v1/sites?%FF=1", 400),
        ("/v1/sites?page_size=%FF", 400),
        ("/v1/sites?page_size=99999999999", 400),
        ("/v1/sites?page_size=-1", 400),
        ("/v1/sites?page_size=1&page_size=2", 400),
        ("/v1/sites?pageSize", 400),
        ("/v1/sites?&&&", 200),
        ("/v1/sites/-/furnaces?parent=sites/north", 400),
    ] {
        let answer = interface.asked("GET", path, "", "").await;
        assert_eq!(answer.status, status, "{path}: {answer:?}");
    }
    let many = format!("/v1/sites?{}", "a=1&".repeat(1_000));
    let answer = interface.asked("GET", &many, "", "").await;
    assert_eq!(answer.status, 400, "{answer:?}");
}

#[tokio::test]
async fn a_client_that_dawdles_over_its_headers_is_let_go() {
    let interface = Interface::start().await;
    let began = Instant::now();
    let mut connection = TcpStream::connect(interface.address)
        .await
        .expect("it listens");
    let mut answer = Vec::new();
    let dawdling = async {
        loop {
            if connection.write_all(b"G").await.is_err() {
                break;
            }
            let mut piece = [0_u8; 16];
            let read =
                tokio::time::timeout(Duration::from_millis(500), connection.read(&mut piece));
            match read.await {
                Ok(Ok(0) | Err(_)) => break,
                Ok(Ok(some)) => answer.extend_from_slice(&piece[..some]),
                Err(_) => {}
            }
        }
    };
    tokio::time::timeout(Duration::from_mins(1), dawdling)
        .await
        .expect("it is let go");
    assert!(began.elapsed() >= Duration::from_secs(25), "{answer:?}");
}
