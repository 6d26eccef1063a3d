//! Who is turned away: clients that dawdle, that are too many, that speak something else.

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

use super::*;

/// How long the doors of these tests wait for a client.
const SHORT: Duration = Duration::from_millis(200);

/// Says that the other end closes in time, whatever it says before.
async fn closes(client: &mut (impl tokio::io::AsyncRead + Unpin)) -> bool {
    let mut said = Vec::new();
    tokio::time::timeout(PATIENT, client.read_to_end(&mut said))
        .await
        .is_ok()
}

/// Reads as the server does, until the connection fails.
async fn read(connection: &mut Connection) -> std::io::ErrorKind {
    let mut bytes = [0; 64];
    loop {
        let read = tokio::time::timeout(PATIENT, connection.read(&mut bytes));
        match read.await.expect("the connection does not stay open") {
            Ok(0) => return std::io::ErrorKind::UnexpectedEof,
            Ok(_) => {}
            Err(fault) => return fault.kind(),
        }
    }
}

#[tokio::test]
async fn a_client_that_says_nothing_is_given_up() {
    let mut door = Opened::with(&Settings::default(), SHORT).await;
    let _client = door.plain().await;
    let mut connection = door.next().await;
    assert_eq!(read(&mut connection).await, std::io::ErrorKind::TimedOut);
}

#[tokio::test]
async fn a_client_that_begins_and_does_not_go_on_is_given_up() {
    let mut door = Opened::with(&Settings::default(), SHORT).await;
    let mut client = door.plain().await;
    client
        .write_all(b"PRI * HTTP/2.0")
        .await
        .expect("it is sent");
    let mut connection = door.next().await;
    assert_eq!(read(&mut connection).await, std::io::ErrorKind::TimedOut);
}

#[tokio::test]
async fn a_client_that_has_begun_may_take_its_time() {
    let mut door = Opened::with(&Settings::default(), SHORT).await;
    let mut client = door.plain().await;
    client
        .write_all(b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n")
        .await
        .expect("it is sent");
    let mut connection = door.next().await;
    let mut bytes = [0; 24];
    connection
        .read_exact(&mut bytes)
        .await
        .expect("it has begun");
    let waited = tokio::time::timeout(3 * SHORT, connection.read(&mut bytes)).await;
    assert!(waited.is_err(), "the connection stays open");
}

#[tokio::test]
async fn a_client_that_does_not_shake_hands_is_closed() {
    let papers = Papers::new();
    let door = Opened::with(&papers.settings(None), SHORT).await;
    let mut client = door.plain().await;
    assert!(closes(&mut client).await);

    // The beginning of a ClientHello, and no more of it.
    let mut client = door.plain().await;
    client
        .write_all(&[22, 3, 1, 2, 0, 1])
        .await
        .expect("it is sent");
    assert!(closes(&mut client).await);
}

#[tokio::test]
async fn a_client_that_shakes_hands_and_says_nothing_is_given_up() {
    let papers = Papers::new();
    let mut door = Opened::with(&papers.settings(None), SHORT).await;
    let _client = door.shaken(&papers, None).await.expect("a handshake");
    let mut connection = door.next().await;
    assert_eq!(read(&mut connection).await, std::io::ErrorKind::TimedOut);
}

#[tokio::test]
async fn a_client_that_speaks_without_encryption_is_closed() {
    let papers = Papers::new();
    let mut door = Opened::with(&papers.settings(None), PATIENT).await;
    let mut client = door.plain().await;
    client
        .write_all(b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n")
        .await
        .expect("it is sent");
    assert!(closes(&mut client).await);
    let _good = door.shaken(&papers, None).await.expect("a handshake");
    door.next().await;
}

#[tokio::test]
async fn an_address_has_so_many_connections_and_gets_a_place_back_when_one_ends() {
    let mut settings = Settings::default();
    settings.limits.connections_per_address = 2;
    let mut door = Opened::with(&settings, PATIENT).await;
    let _first = door.plain().await;
    let first = door.next().await;
    let _second = door.plain().await;
    let _held = door.next().await;
    let mut third = door.plain().await;
    assert!(closes(&mut third).await);
    drop(first);
    let _fourth = door.plain().await;
    door.next().await;
}

#[tokio::test]
async fn a_handshake_that_goes_on_counts_as_a_connection() {
    let papers = Papers::new();
    let mut settings = papers.settings(None);
    settings.limits.connections_per_address = 1;
    let mut door = Opened::with(&settings, PATIENT).await;
    let dawdling = door.plain().await;
    let mut second = door.plain().await;
    assert!(closes(&mut second).await);
    drop(dawdling);
    // The place comes back when the server has seen the end.
    let coming_back = async { while door.shaken(&papers, None).await.is_err() {} };
    tokio::time::timeout(PATIENT, coming_back)
        .await
        .expect("the place comes back");
    door.next().await;
}
