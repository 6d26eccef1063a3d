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
    /// Connections of an earlier era are ended.
    era: u64,
    /// Whether they are ended in good order (FIN) and not by RST.
    is_polite: bool,
    /// Connections of an earlier age are silent until they are ended.
    age: u64,
    /// New connections are cut at once.
    is_closed: bool,
    /// Nothing is passed on, and nobody is told.
    is_silent: bool,
    delay: Duration,
    trap: Option<Trap>,
}

impl State {
    fn cut(&mut self) {
        self.era += 1;
        self.is_polite = false;
    }
}

/// Where the next message that holds some bytes is broken off.
#[derive(Debug, Clone)]
struct Trap {
    bytes: Vec<u8>,
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
            is_polite: false,
            age: 0,
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
            state.cut();
        });
    }

    /// Cuts every connection: both ends are told (RST). New ones are let through.
    pub fn cut(&self) {
        self.change(State::cut);
    }

    /// Ends every connection as programs do that say goodbye (FIN). New ones are let through.
    pub fn hang_up(&self) {
        self.change(|state| {
            state.era += 1;
            state.is_polite = true;
        });
    }

    /// Leaves every connection silent until it is ended, and lets new ones through: another machine has taken the
    /// address of one that lost its power.
    pub fn forsake(&self) {
        self.change(|state| {
            state.age += 1;
            state.is_silent = false;
        });
    }

    /// Cuts every connection, and new ones at once, until it is opened.
    pub fn close(&self) {
        self.change(|state| {
            state.is_closed = true;
            state.cut();
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
                state.cut();
            }
            state.delay = Duration::ZERO;
            state.trap = None;
        });
    }

    /// Breaks one connection off at the next message towards the target that holds some bytes.
    pub fn break_off(&self, bytes: &[u8], place: Place) {
        assert!(bytes.len() <= LONGEST_TRAP + 1, "a shorter trap would do");
        self.change(|state| {
            let bytes = bytes.to_vec();
            state.trap = Some(Trap { bytes, place });
        });
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
        // As of now: whatever changes while the target is being reached changes this connection too.
        let then = state.borrow().clone();
        if then.is_closed {
            abort(&near);
            continue;
        }
        let state = state.clone();
        #[expect(
            clippy::disallowed_methods,
            reason = "the proxy's own runtime ends it on drop"
        )]
        drop(tokio::spawn(async move {
            match TcpStream::connect(then.target).await {
                Ok(far) => pass(near, far, then, state).await,
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

async fn pass(mut near: TcpStream, mut far: TcpStream, then: State, state: watch::Sender<State>) {
    for end in [&near, &far] {
        // It may be gone already.
        drop(end.set_nodelay(true));
    }
    let mut changes = state.subscribe();
    let ended_in_order = {
        let breach = Breach::default();
        let gate = Gate {
            state: &state,
            age: then.age,
        };
        let (near_in, near_out) = near.split();
        let (far_in, far_out) = far.split();
        tokio::select! {
            ended = changes.wait_for(|state| state.era != then.era) => {
                ended.is_ok_and(|state| state.is_polite)
            }
            () = breach.told.notified() => false,
            ((), ()) = async {
                tokio::join!(
                    forth(near_in, far_out, &gate, &breach),
                    back(far_in, near_out, &gate, &breach),
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
    /// The far end has answered the message at which it breaks off.
    answered: Notify,
    told: Notify,
}

/// What a connection's messages pass by.
struct Gate<'a> {
    state: &'a watch::Sender<State>,
    age: u64,
}

impl Gate<'_> {
    /// Waits until a message may pass.
    async fn may_pass(&self) {
        let delay = self.state.borrow().delay;
        if !delay.is_zero() {
            tokio::time::sleep(delay).await;
        }
        // A silent way is left by its end only; the sender lives as long as this does.
        let mut changes = self.state.subscribe();
        let spoken = changes.wait_for(|state| !state.is_silent && state.age == self.age);
        let is_there = spoken.await.is_ok();
        debug_assert!(is_there, "the sender is borrowed here");
    }
}

/// Passes on what the near end sends, until it ends.
async fn forth(mut from: ReadHalf<'_>, mut to: WriteHalf<'_>, gate: &Gate<'_>, breach: &Breach) {
    let mut chunk = vec![0; CHUNK];
    // What a trap waits for may come in two parts.
    let mut before = Vec::new();
    while let Ok(read @ 1..) = from.read(&mut chunk).await {
        let message = &chunk[..read];
        gate.may_pass().await;
        before.extend_from_slice(message);
        if let Some(place) = sprung(gate.state, &before, read) {
            breach.is_mute.store(true, Ordering::SeqCst);
            if place == Place::BeforeItsAnswer && to.write_all(message).await.is_ok() {
                // Without an answer it breaks off all the same.
                drop(tokio::time::timeout(ACTED, breach.answered.notified()).await);
            }
            breach.told.notify_one();
            return std::future::pending().await;
        }
        before.drain(..before.len().saturating_sub(LONGEST_TRAP));
        if to.write_all(message).await.is_err() {
            break;
        }
    }
    // It may be gone already.
    drop(to.shutdown().await);
}

/// Passes on what the far end answers, until it ends or the connection breaks off.
async fn back(mut from: ReadHalf<'_>, mut to: WriteHalf<'_>, gate: &Gate<'_>, breach: &Breach) {
    let mut chunk = vec![0; CHUNK];
    while let Ok(read @ 1..) = from.read(&mut chunk).await {
        gate.may_pass().await;
        if breach.is_mute.load(Ordering::SeqCst) {
            breach.answered.notify_one();
            return std::future::pending().await;
        }
        if to.write_all(&chunk[..read]).await.is_err() {
            break;
        }
    }
    drop(to.shutdown().await);
}

/// Longest wait for an answer that is to be lost.
const ACTED: Duration = Duration::from_secs(10);

/// Bytes kept of what passed before, so that a trap may be laid for as many and one more.
const LONGEST_TRAP: usize = 63;

/// Springs the trap when its bytes are there and the last of them is among the newest.
fn sprung(state: &watch::Sender<State>, passed: &[u8], newest: usize) -> Option<Place> {
    let mut place = None;
    let old = passed.len() - newest;
    state.send_if_modified(|state| {
        let springs = state.trap.as_ref().is_some_and(|trap| {
            let from = (old + 1).saturating_sub(trap.bytes.len());
            passed[from..]
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
