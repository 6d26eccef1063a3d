//! A way between two programs that can fail as networks do: cut, closed, slow, silent, or broken off at one message.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::tcp::{ReadHalf, WriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, watch};

/// Bytes passed on at once.
const CHUNK: usize = 16 * 1024;

/// How the way is.
#[derive(Debug, Clone)]
struct State {
    target: SocketAddr,
    /// Connections of an earlier era are cut.
    era: u64,
    /// New connections are cut at once.
    is_closed: bool,
    /// Nothing is passed on, and nobody is told.
    is_silent: bool,
    delay: Duration,
    trap: Option<Trap>,
}

/// Where the next message that holds some bytes is broken off.
#[derive(Debug, Clone)]
struct Trap {
    bytes: &'static [u8],
    place: Place,
}

/// What becomes of the message at which a connection breaks off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// It never arrives.
    BeforeIt,
    /// It arrives, and its answer does not.
    BeforeItsAnswer,
}

/// A way to an address; dropping it cuts everything.
#[derive(Debug)]
pub struct Proxy {
    address: SocketAddr,
    state: watch::Sender<State>,
    runtime: Option<tokio::runtime::Runtime>,
}

impl Proxy {
    /// Opens a way to an address, in threads of its own.
    pub fn to(target: SocketAddr) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .expect("a runtime can be made");
        let state = watch::Sender::new(State {
            target,
            era: 0,
            is_closed: false,
            is_silent: false,
            delay: Duration::ZERO,
            trap: None,
        });
        let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
        let address = listener.local_addr().expect("a bound listener");
        listener.set_nonblocking(true).expect("a listener of ours");
        let accepting = accept(listener, state.clone());
        drop(runtime.spawn(accepting));
        Self {
            address,
            state,
            runtime: Some(runtime),
        }
    }

    /// Gives the address at which the way begins.
    pub fn addr(&self) -> SocketAddr {
        self.address
    }

    /// Lets the way lead to another address; connections to the one before are cut.
    pub fn switch(&self, target: SocketAddr) {
        self.change(|state| {
            state.target = target;
            state.era += 1;
        });
    }

    /// Cuts every connection: both ends are told (RST). New ones are let through.
    pub fn cut(&self) {
        self.change(|state| state.era += 1);
    }

    /// Cuts every connection, and new ones at once, until it is opened.
    pub fn close(&self) {
        self.change(|state| {
            state.is_closed = true;
            state.era += 1;
        });
    }

    /// Passes nothing on and tells nobody, as when a cable is pulled out, until it is opened.
    pub fn silence(&self) {
        self.change(|state| state.is_silent = true);
    }

    /// Lets every message take longer, in each direction.
    pub fn delay(&self, delay: Duration) {
        self.change(|state| state.delay = delay);
    }

    /// Makes the way good again. What was silent is cut: nobody waits for ever in a real network either.
    pub fn open(&self) {
        self.change(|state| {
            state.is_closed = false;
            if state.is_silent {
                state.is_silent = false;
                state.era += 1;
            }
            state.delay = Duration::ZERO;
            state.trap = None;
        });
    }

    /// Breaks one connection off at the next message towards the target that holds some bytes.
    pub fn break_off(&self, bytes: &'static [u8], place: Place) {
        self.change(|state| state.trap = Some(Trap { bytes, place }));
    }

    /// Whether a connection was broken off since it was asked for.
    pub fn has_broken_off(&self) -> bool {
        self.state.borrow().trap.is_none()
    }

    fn change(&self, change: impl FnOnce(&mut State)) {
        self.state.send_modify(change);
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

async fn accept(listener: std::net::TcpListener, state: watch::Sender<State>) {
    let listener = TcpListener::from_std(listener).expect("a listener of ours");
    while let Ok((near, _)) = listener.accept().await {
        let (target, is_closed) = {
            let state = state.borrow();
            (state.target, state.is_closed)
        };
        if is_closed {
            abort(&near);
            continue;
        }
        let state = state.clone();
        #[expect(
            clippy::disallowed_methods,
            reason = "the proxy's own runtime ends it on drop"
        )]
        drop(tokio::spawn(async move {
            match TcpStream::connect(target).await {
                Ok(far) => pass(near, far, state).await,
                Err(_) => abort(&near),
            }
        }));
    }
}

/// Makes a connection end with RST when it is dropped.
fn abort(stream: &TcpStream) {
    // It may be gone already.
    drop(stream.set_zero_linger());
}

async fn pass(mut near: TcpStream, mut far: TcpStream, state: watch::Sender<State>) {
    for end in [&near, &far] {
        // It may be gone already.
        drop(end.set_nodelay(true));
    }
    let era = state.borrow().era;
    let mut changes = state.subscribe();
    let ended_in_order = {
        let breach = Breach::default();
        let (near_in, near_out) = near.split();
        let (far_in, far_out) = far.split();
        tokio::select! {
            _ = changes.wait_for(|state| state.era != era) => false,
            () = breach.told.notified() => false,
            ((), ()) = async {
                tokio::join!(
                    forth(near_in, far_out, &state, &breach),
                    back(far_in, near_out, &state, &breach),
                )
            } => true,
        }
    };
    if !ended_in_order {
        abort(&near);
        abort(&far);
    }
}

/// That a connection breaks off.
#[derive(Default)]
struct Breach {
    is_mute: AtomicBool,
    told: Notify,
}

/// Waits until a message may pass.
async fn may_pass(state: &watch::Sender<State>) {
    let delay = state.borrow().delay;
    if !delay.is_zero() {
        tokio::time::sleep(delay).await;
    }
    // A silent way is left by a cut only; the sender lives as long as this does.
    let spoken = state
        .subscribe()
        .wait_for(|state| !state.is_silent)
        .await
        .is_ok();
    debug_assert!(spoken, "the sender is borrowed here");
}

/// Passes on what the near end sends, until it ends.
async fn forth(
    mut from: ReadHalf<'_>,
    mut to: WriteHalf<'_>,
    state: &watch::Sender<State>,
    breach: &Breach,
) {
    let mut chunk = vec![0; CHUNK];
    while let Ok(read @ 1..) = from.read(&mut chunk).await {
        let message = &chunk[..read];
        may_pass(state).await;
        if let Some(place) = sprung(state, message) {
            breach.is_mute.store(true, Ordering::SeqCst);
            if place == Place::BeforeItsAnswer && to.write_all(message).await.is_ok() {
                tokio::time::sleep(ACTED).await;
            }
            breach.told.notify_one();
            return std::future::pending().await;
        }
        if to.write_all(message).await.is_err() {
            break;
        }
    }
    // It may be gone already.
    drop(to.shutdown().await);
}

/// Passes on what the far end answers, until it ends or the connection breaks off.
async fn back(
    mut from: ReadHalf<'_>,
    mut to: WriteHalf<'_>,
    state: &watch::Sender<State>,
    breach: &Breach,
) {
    let mut chunk = vec![0; CHUNK];
    while let Ok(read @ 1..) = from.read(&mut chunk).await {
        may_pass(state).await;
        if breach.is_mute.load(Ordering::SeqCst) {
            return std::future::pending().await;
        }
        if to.write_all(&chunk[..read]).await.is_err() {
            break;
        }
    }
    drop(to.shutdown().await);
}

/// How long the far end has to act on a message whose answer is lost.
const ACTED: Duration = Duration::from_millis(300);

fn sprung(state: &watch::Sender<State>, message: &[u8]) -> Option<Place> {
    let mut place = None;
    state.send_if_modified(|state| {
        let springs = state.trap.as_ref().is_some_and(|trap| {
            message
                .windows(trap.bytes.len())
                .any(|part| part == trap.bytes)
        });
        if springs {
            place = state.trap.take().map(|trap| trap.place);
        }
        springs
    });
    place
}
