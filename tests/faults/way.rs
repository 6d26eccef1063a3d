//! The way that the other tests let fail does to connections what it says.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use ringtrue_tests::proxy::{Place, Proxy};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout};

/// Long enough for what must not come.
const A_WHILE: Duration = Duration::from_millis(100);

/// Gives back what it is sent, and remembers it.
struct Echo {
    address: SocketAddr,
    heard: Arc<Mutex<Vec<u8>>>,
    _tasks: JoinSet<()>,
}

impl Echo {
    async fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("a bound listener");
        let heard: Arc<Mutex<Vec<u8>>> = Arc::default();
        let memory = Arc::clone(&heard);
        let mut tasks = JoinSet::new();
        tasks.spawn(async move {
            let mut connections = JoinSet::new();
            while let Ok((mut near, _)) = listener.accept().await {
                let memory = Arc::clone(&memory);
                connections.spawn(async move {
                    let mut chunk = [0; 256];
                    while let Ok(read @ 1..) = near.read(&mut chunk).await {
                        memory
                            .lock()
                            .unwrap_or_else(PoisonError::into_inner)
                            .extend_from_slice(&chunk[..read]);
                        if near.write_all(&chunk[..read]).await.is_err() {
                            return;
                        }
                    }
                });
            }
        });
        Self {
            address,
            heard,
            _tasks: tasks,
        }
    }

    fn heard(&self) -> String {
        let heard = self.heard.lock().unwrap_or_else(PoisonError::into_inner);
        String::from_utf8_lossy(&heard).into_owned()
    }
}

/// How a connection ended or went on.
#[derive(Debug, PartialEq, Eq)]
enum Answer {
    Said(String),
    Goodbye,
    Reset,
    Silence,
}

async fn connected(way: &Proxy) -> TcpStream {
    TcpStream::connect(way.addr()).await.expect("it listens")
}

async fn answer(connection: &mut TcpStream) -> Answer {
    let mut chunk = [0; 256];
    match timeout(A_WHILE, connection.read(&mut chunk)).await {
        Err(_) => Answer::Silence,
        Ok(Ok(0)) => Answer::Goodbye,
        Ok(Ok(read)) => Answer::Said(String::from_utf8_lossy(&chunk[..read]).into_owned()),
        Ok(Err(fault)) => {
            assert_eq!(fault.kind(), std::io::ErrorKind::ConnectionReset);
            Answer::Reset
        }
    }
}

/// Says something, and what comes of it. A connection that is over may refuse to take it.
async fn said(connection: &mut TcpStream, words: &str) -> Answer {
    if connection.write_all(words.as_bytes()).await.is_err() {
        return Answer::Reset;
    }
    answer(connection).await
}

fn echoed(words: &str) -> Answer {
    Answer::Said(words.to_owned())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_way_that_is_cut_or_hung_up_or_closed_says_so_to_its_ends() {
    let echo = Echo::start().await;
    let way = Proxy::to(echo.address);
    let mut near = connected(&way).await;
    assert_eq!(said(&mut near, "one").await, echoed("one"));
    way.cut();
    assert_eq!(answer(&mut near).await, Answer::Reset);

    let mut near = connected(&way).await;
    assert_eq!(said(&mut near, "two").await, echoed("two"));
    way.hang_up();
    assert_eq!(answer(&mut near).await, Answer::Goodbye);

    let mut near = connected(&way).await;
    assert_eq!(said(&mut near, "three").await, echoed("three"));
    way.close();
    assert_eq!(answer(&mut near).await, Answer::Reset);
    // The end may come while the connection is being made.
    if let Ok(mut refused) = TcpStream::connect(way.addr()).await {
        assert_eq!(answer(&mut refused).await, Answer::Reset);
    }
    way.open();
    assert_eq!(
        said(&mut connected(&way).await, "four").await,
        echoed("four")
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_silent_way_says_nothing_and_a_forsaken_one_lets_new_connections_through() {
    let echo = Echo::start().await;
    let way = Proxy::to(echo.address);
    let mut old = connected(&way).await;
    assert_eq!(said(&mut old, "one").await, echoed("one"));
    way.silence();
    assert_eq!(said(&mut old, "two").await, Answer::Silence);
    assert_eq!(
        said(&mut connected(&way).await, "three").await,
        Answer::Silence
    );
    way.forsake();
    assert_eq!(
        said(&mut connected(&way).await, "four").await,
        echoed("four")
    );
    assert_eq!(said(&mut old, "five").await, Answer::Silence);
    assert_eq!(echo.heard(), "onefour");
    way.cut();
    assert_eq!(answer(&mut old).await, Answer::Reset);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slow_way_takes_its_time_and_a_switched_one_leads_elsewhere() {
    let (first, second) = (Echo::start().await, Echo::start().await);
    let way = Proxy::to(first.address);
    let mut near = connected(&way).await;
    way.delay(A_WHILE / 4);
    let began = Instant::now();
    assert_eq!(said(&mut near, "slow").await, echoed("slow"));
    assert!(began.elapsed() >= A_WHILE / 2, "{:?}", began.elapsed());
    way.delay(Duration::ZERO);
    way.switch(second.address);
    assert_eq!(answer(&mut near).await, Answer::Reset);
    assert_eq!(
        said(&mut connected(&way).await, "there").await,
        echoed("there")
    );
    assert_eq!(
        (first.heard(), second.heard()),
        ("slow".to_owned(), "there".to_owned())
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_is_broken_off_before_it_arrives_or_before_its_answer_does() {
    for (place, arrived) in [
        (Place::BeforeIt, "COMMIT "),
        (Place::BeforeItsAnswer, "COMMIT END"),
    ] {
        let echo = Echo::start().await;
        let way = Proxy::to(echo.address);
        let mut near = connected(&way).await;
        assert_eq!(said(&mut near, "COMMIT ").await, echoed("COMMIT "));
        // What passed before does not count.
        way.break_off(b"END", place);
        assert!(!way.has_broken_off());
        assert_eq!(said(&mut near, "END").await, Answer::Reset);
        assert!(way.has_broken_off());
        assert_eq!(echo.heard(), arrived);
        // The next connection is well again.
        assert_eq!(said(&mut connected(&way).await, "END").await, echoed("END"));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_in_two_parts_is_broken_off_at_the_second() {
    let echo = Echo::start().await;
    let way = Proxy::to(echo.address);
    let mut near = connected(&way).await;
    way.break_off(b"COMMIT", Place::BeforeIt);
    assert_eq!(said(&mut near, "COM").await, echoed("COM"));
    assert_eq!(said(&mut near, "MIT").await, Answer::Reset);
    assert_eq!(echo.heard(), "COM");
}
