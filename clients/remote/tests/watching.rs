//! The stream of alerts: breaks, repeats, silence, and errors that end it.

mod wire;

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ringtrue_proto::v1::alert_service_server::{AlertService, AlertServiceServer};
use ringtrue_proto::v1::*;
use ringtrue_remote::{AlertStream, Lost, Pace, Remote, Settings, Told};
use tokio_stream::StreamExt as _;
use tokio_stream::wrappers::TcpListenerStream;
use tonic::{Code, Request, Response, Status};
use wire::{Lost as Cut, Wire};

/// How a stream ends once its messages are sent.
#[derive(Clone)]
enum End {
    /// The server ends it.
    Closed,
    /// It stays open, and nothing more is sent.
    Silent,
    /// The server says why it ends.
    Failed(Status),
}

/// What the server does with one request to watch: messages, then the end; or a refusal at once.
type Turn = Result<(Vec<WatchAlertsResponse>, End), Status>;

/// A server that plays its turns, one for each request, and then keeps streams open.
#[derive(Clone, Default)]
struct Desk {
    turns: Arc<Mutex<VecDeque<Turn>>>,
    asked: Arc<Mutex<Vec<WatchAlertsRequest>>>,
    operators: Arc<Mutex<Vec<Option<String>>>>,
    timeouts: Arc<Mutex<Vec<bool>>>,
}

impl Desk {
    fn plays(turns: Vec<Turn>) -> Self {
        Self {
            turns: Arc::new(Mutex::new(turns.into())),
            ..Self::default()
        }
    }

    /// The cursors behind which it was asked to go on.
    fn cursors(&self) -> Vec<String> {
        let asked = self.asked.lock().expect("not poisoned");
        asked.iter().map(|ask| ask.after.clone()).collect()
    }
}

#[tonic::async_trait]
impl AlertService for Desk {
    type WatchAlertsStream = std::pin::Pin<
        Box<dyn tokio_stream::Stream<Item = Result<WatchAlertsResponse, Status>> + Send>,
    >;

    async fn watch_alerts(
        &self,
        request: Request<WatchAlertsRequest>,
    ) -> Result<Response<Self::WatchAlertsStream>, Status> {
        let metadata = request.metadata();
        let operator = metadata.get("ringtrue-operator");
        let operator = operator.and_then(|value| value.to_str().ok().map(str::to_owned));
        self.operators.lock().expect("not poisoned").push(operator);
        let timeout = metadata.contains_key("grpc-timeout");
        self.timeouts.lock().expect("not poisoned").push(timeout);
        self.asked
            .lock()
            .expect("not poisoned")
            .push(request.into_inner());
        let turn = self.turns.lock().expect("not poisoned").pop_front();
        let (messages, end) = turn.unwrap_or_else(|| Ok((Vec::new(), End::Silent)))?;
        let sent = tokio_stream::iter(messages.into_iter().map(Ok));
        Ok(Response::new(match end {
            End::Closed => Box::pin(sent),
            End::Silent => Box::pin(sent.chain(tokio_stream::pending())),
            End::Failed(status) => Box::pin(sent.chain(tokio_stream::once(Err(status)))),
        }))
    }

    async fn get_alert(
        &self,
        _: Request<GetAlertRequest>,
    ) -> Result<Response<GetAlertResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn list_alerts(
        &self,
        _: Request<ListAlertsRequest>,
    ) -> Result<Response<ListAlertsResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn acknowledge_alert(
        &self,
        _: Request<AcknowledgeAlertRequest>,
    ) -> Result<Response<AcknowledgeAlertResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn snooze_alert(
        &self,
        _: Request<SnoozeAlertRequest>,
    ) -> Result<Response<SnoozeAlertResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "the server ends with the test's own runtime"
)]
async fn serve(desk: Desk) -> SocketAddr {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
        .await
        .expect("a free port on loopback");
    let address = listener.local_addr().expect("a bound address");
    let server = tonic::transport::Server::builder().add_service(AlertServiceServer::new(desk));
    tokio::spawn(server.serve_with_incoming(TcpListenerStream::new(listener)));
    address
}

/// Pauses so short that no test waits for them; silence is not what is tested.
const QUICK: Pace = Pace {
    silence: Duration::from_secs(30),
    least_pause: Duration::from_millis(5),
    most_pause: Duration::from_millis(40),
};

fn watched(address: SocketAddr, after: &str, pace: Pace) -> AlertStream {
    let settings = Settings {
        endpoint: format!("http://{address}"),
        operator: Some("AB".to_owned()),
        // Shorter than any test: a stream has no deadline.
        deadline: Duration::from_millis(1),
        ..Settings::default()
    };
    let remote = Remote::connect(settings).expect("usable settings");
    remote.watch_alerts_at("sites/porto", after, AlertLevel::Manager, pace)
}

fn change(cursor: &str, alert: &str) -> WatchAlertsResponse {
    WatchAlertsResponse {
        change: Some(AlertChange {
            cursor: cursor.to_owned(),
            kind: AlertChangeKind::Raised.into(),
            alert: Some(Alert {
                name: format!("alerts/{alert}"),
                site: "sites/porto".to_owned(),
                ..Alert::default()
            }),
            change_time: None,
        }),
        cursor: cursor.to_owned(),
    }
}

fn heartbeat(cursor: &str) -> WatchAlertsResponse {
    WatchAlertsResponse {
        change: None,
        cursor: cursor.to_owned(),
    }
}

/// What was told, in a word each: `c1:a1`, `beat:c1`, `lost`, `back`.
fn word(told: &Told) -> String {
    match told {
        Told::Change { change, cursor } => {
            let alert = change.alert.as_ref().expect("an alert");
            let alert = alert.name.trim_start_matches("alerts/");
            format!("{cursor}:{alert}")
        }
        Told::Heartbeat { cursor } => format!("beat:{cursor}"),
        Told::Lost(_) => "lost".to_owned(),
        Told::Back => "back".to_owned(),
    }
}

async fn words(stream: &mut AlertStream, count: usize) -> Vec<String> {
    let mut words = Vec::new();
    for _ in 0..count {
        words.push(word(&stream.next().await.expect("the stream goes on")));
    }
    words
}

#[tokio::test]
async fn changes_and_heartbeats_are_told_in_order_without_a_deadline() {
    let desk = Desk::plays(vec![Ok((
        vec![change("c1", "a1"), heartbeat("c4"), change("c5", "a2")],
        End::Silent,
    ))]);
    let mut stream = watched(serve(desk.clone()).await, "c0", QUICK);

    assert_eq!(words(&mut stream, 3).await, ["c1:a1", "beat:c4", "c5:a2"]);

    assert_eq!(stream.cursor(), "c5");
    let asked = desk.asked.lock().expect("not poisoned").clone();
    assert_eq!(asked[0].parent, "sites/porto");
    assert_eq!(asked[0].after, "c0");
    assert_eq!(asked[0].level(), AlertLevel::Manager);
    let operators = desk.operators.lock().expect("not poisoned").clone();
    assert_eq!(operators, [Some("AB".to_owned())]);
    assert_eq!(*desk.timeouts.lock().expect("not poisoned"), [false]);
}

#[tokio::test]
async fn a_broken_connection_is_resumed_behind_the_last_cursor_and_repeats_are_told_once() {
    let desk = Desk::plays(vec![
        Ok((vec![change("c1", "a1"), change("c2", "a2")], End::Silent)),
        Ok((vec![change("c2", "a2"), change("c3", "a1")], End::Silent)),
    ]);
    let wire = Wire::to(serve(desk.clone()).await, "Porto");
    let mut stream = watched(wire.address, "", QUICK);
    assert_eq!(words(&mut stream, 2).await, ["c1:a1", "c2:a2"]);

    wire.cut();

    assert_eq!(words(&mut stream, 3).await, ["lost", "back", "c3:a1"]);
    assert_eq!(desk.cursors(), ["", "c2"]);
    assert_eq!(wire.connections(), 2);
}

#[tokio::test]
async fn what_is_lost_on_the_wire_comes_again() {
    for lost in [Cut::Request, Cut::Answer] {
        let again = || Ok((vec![change("c1", "a1")], End::Silent));
        let desk = Desk::plays(vec![again(), again()]);
        let wire = Wire::to(serve(desk).await, "sites/porto");
        wire.lose(lost);
        let mut stream = watched(wire.address, "", QUICK);
        assert_eq!(words(&mut stream, 3).await, ["lost", "back", "c1:a1"]);
        assert!(wire.has_lost());
    }
}

#[tokio::test]
async fn alerts_of_the_first_picture_may_share_a_cursor() {
    let first = vec![change("c7", "a1"), change("c7", "a2"), change("c7", "a3")];
    let desk = Desk::plays(vec![
        Ok((first.clone(), End::Closed)),
        Ok((first, End::Silent)),
    ]);
    let mut stream = watched(serve(desk).await, "", QUICK);
    let told = words(&mut stream, 5).await;
    assert_eq!(told, ["c7:a1", "c7:a2", "c7:a3", "lost", "back"]);
    // Everything that came again was told before: nothing more comes.
    let more = tokio::time::timeout(Duration::from_millis(50), stream.next()).await;
    assert!(more.is_err(), "{more:?}");
}

#[tokio::test]
async fn an_unavailable_server_is_tried_again_with_growing_pauses_until_it_is_back() {
    let mut turns: Vec<Turn> = Vec::new();
    for _ in 0..4 {
        turns.push(Err(Status::unavailable("draining")));
    }
    turns.push(Ok((
        vec![change("c1", "a1")],
        End::Failed(Status::internal("a fault")),
    )));
    turns.push(Ok((vec![change("c2", "a1")], End::Silent)));
    let desk = Desk::plays(turns);
    let mut stream = watched(serve(desk.clone()).await, "", QUICK);
    let mut losses: Vec<Lost> = Vec::new();
    loop {
        match stream.next().await.expect("the stream goes on") {
            Told::Lost(lost) => losses.push(lost),
            told => {
                assert_eq!(told, Told::Back);
                break;
            }
        }
    }
    let tries: Vec<u32> = losses.iter().map(|lost| lost.tries).collect();
    assert_eq!(tries, [1, 2, 3, 4]);
    assert_eq!(losses[0].failure.code, Code::Unavailable);
    assert!(losses[0].failure.message.contains("draining"));
    assert!(losses[0].pause >= QUICK.least_pause, "{losses:?}");
    assert!(losses[3].pause > losses[0].pause, "{losses:?}");
    for lost in &losses {
        assert!(lost.pause <= QUICK.most_pause, "{lost:?}");
    }
    assert_eq!(
        words(&mut stream, 4).await,
        ["c1:a1", "lost", "back", "c2:a1"]
    );
    assert_eq!(desk.cursors().last().map(String::as_str), Some("c1"));
}

#[tokio::test]
async fn a_server_that_falls_silent_is_left_and_asked_again() {
    let desk = Desk::plays(vec![Ok((vec![change("c1", "a1")], End::Silent))]);
    let pace = Pace {
        silence: Duration::from_millis(300),
        ..QUICK
    };
    let mut stream = watched(serve(desk.clone()).await, "", pace);
    assert_eq!(words(&mut stream, 1).await, ["c1:a1"]);
    let Told::Lost(lost) = stream.next().await.expect("the stream goes on") else {
        panic!("silence is a loss");
    };
    assert!(
        lost.failure.message.contains("nothing was heard"),
        "{lost:?}"
    );
    // The next stream is silent as well, and is left too.
    assert_eq!(words(&mut stream, 1).await, ["lost"]);
    assert_eq!(desk.cursors(), ["", "c1"]);
}

#[tokio::test]
async fn waiting_may_be_broken_off_at_any_moment_without_losing_a_change() {
    let mut messages = Vec::new();
    let mut expected = Vec::new();
    for place in 0..200 {
        messages.push(change(&format!("c{place}"), "a1"));
        expected.push(format!("c{place}:a1"));
    }
    let desk = Desk::plays(vec![Ok((messages, End::Silent))]);
    let mut stream = watched(serve(desk).await, "", QUICK);
    let mut told = Vec::new();
    while told.len() < expected.len() {
        tokio::select! {
            biased;
            next = stream.next() => told.push(word(&next.expect("the stream goes on"))),
            () = tokio::task::yield_now() => {}
        }
    }
    assert_eq!(told, expected);
}

#[tokio::test]
async fn what_trying_again_cannot_mend_ends_the_stream() {
    for status in [
        Status::invalid_argument("no such cursor"),
        Status::not_found("no such site"),
        Status::permission_denied("not yours"),
        Status::unauthenticated("who are you"),
    ] {
        let desk = Desk::plays(vec![
            Ok((vec![change("c1", "a1")], End::Failed(status.clone()))),
            Ok((vec![change("c2", "a1")], End::Silent)),
        ]);
        let mut stream = watched(serve(desk.clone()).await, "", QUICK);
        assert_eq!(words(&mut stream, 1).await, ["c1:a1"]);
        let failure = stream.next().await.expect_err("it ends");
        assert_eq!(failure.code, status.code());
        assert_eq!(failure.message, status.message());
        assert_eq!(desk.cursors().len(), 1);
    }
}

#[tokio::test]
async fn nobody_listening_is_a_loss_that_is_tried_again() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port on loopback");
    let address = listener.local_addr().expect("a bound address");
    drop(listener);
    let mut stream = watched(address, "c9", QUICK);
    assert_eq!(words(&mut stream, 3).await, ["lost"; 3]);
    assert_eq!(stream.cursor(), "c9");
}

#[test]
fn pauses_are_a_second_to_half_a_minute_and_silence_is_two_missed_heartbeats() {
    let pace = Pace::default();
    assert_eq!(pace.silence, Duration::from_secs(70));
    assert_eq!(pace.least_pause, Duration::from_secs(1));
    assert_eq!(pace.most_pause, Duration::from_secs(30));
}
