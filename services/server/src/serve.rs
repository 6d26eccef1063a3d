//! Serving: the listener, the transport, and an orderly end.

use std::future::IntoFuture as _;
use std::net::SocketAddr;
use std::time::Duration;

use anyhow::Context as _;
use ringtrue_store::Store;
use tokio::net::TcpListener;
use tonic::transport::Server;
use tonic_health::ServingStatus;
use tonic_health::server::HealthReporter;

use crate::access::Gate;
use crate::app::App;
use crate::clock::Clock;
use crate::config::Settings;
use crate::http::{self, Rest};
use crate::ids::Ids;
use crate::lifecycle::{Exit, Lifecycle};
use crate::mail::Mailer;
use crate::rpc::stack::Stack;
use crate::rpc::{self, Door};
use crate::seal::Seal;
use crate::telemetry::Meters;
use crate::transport::{Incoming, Transport};
use crate::webhook::Sender;
use crate::work;
use crate::work::checkpoint::Checkpoints;
use crate::work::serving::Serving;

/// How often an idle connection is asked whether its other end is still there.
const KEEPALIVE_EVERY: Duration = Duration::from_secs(30);

/// How long it may take to answer before it is closed.
const KEEPALIVE_WAIT: Duration = Duration::from_secs(10);

/// How long a stopping server lets pages and feeds go on, and keeps connections over which no request goes on; calls
/// over REST have almost as long as those over gRPC.
const LAST_ANSWERS: Duration = Duration::from_secs(1);

/// Takes the address.
pub async fn bind(address: SocketAddr) -> anyhow::Result<TcpListener> {
    TcpListener::bind(address)
        .await
        .with_context(|| format!("listening on {address}; is another server running there?"))
}

/// Answers calendar feeds and the links in mails, on a listener in the background until
/// the life drains.
///
/// The end waits for answers under way, and not for readers who are slow.
pub fn start_http(listener: TcpListener, transport: &Transport, app: &App, lifecycle: &Lifecycle) {
    start_pages(
        listener,
        transport,
        app,
        None,
        (&[], LAST_ANSWERS),
        lifecycle,
    );
}

/// Answers the same, and the whole interface as REST through the door that [`start`] gave.
pub fn start_rest(
    listener: TcpListener,
    transport: &Transport,
    app: &App,
    door: Door,
    settings: &Settings,
    lifecycle: &Lifecycle,
) {
    let rest = Rest::new(door, settings, app.ids.clone(), app.clock.clone());
    let origins = settings.http.allowed_origins.as_slice();
    let last = Duration::from_secs(settings.drain_s)
        .saturating_sub(LAST_ANSWERS)
        .max(LAST_ANSWERS);
    start_pages(
        listener,
        transport,
        app,
        Some(rest),
        (origins, last),
        lifecycle,
    );
}

fn start_pages(
    listener: TcpListener,
    transport: &Transport,
    app: &App,
    rest: Option<Rest>,
    (origins, last): (&[String], Duration),
    lifecycle: &Lifecycle,
) {
    let site = http::Site {
        store: app.store.clone(),
        clock: app.clock.clone(),
        readiness: app.readiness.clone(),
    };
    let routes = http::served(site, rest, origins);
    let connections = match transport.of_http() {
        Some(config) => http::Connections::of(listener).encrypted(config),
        None => http::Connections::of(listener),
    };
    let drain = lifecycle.drain.clone();
    let connections = connections.until(drain.clone(), LAST_ANSWERS);
    lifecycle.spawn("http", async move {
        let stopping = drain.clone();
        let routes = routes.into_make_service_with_connect_info::<http::Far>();
        let serving = axum::serve(connections, routes)
            .with_graceful_shutdown(async move { stopping.cancelled().await });
        let late = async {
            drain.cancelled().await;
            tokio::time::sleep(last).await;
        };
        tokio::select! {
            ended = serving.into_future() => ended.context("serving HTTP"),
            () = late => Ok(()),
        }
    });
}

/// Serves on a listener in the background until the life drains; gives the door that its calls go through.
pub fn start(
    listener: TcpListener,
    transport: &Transport,
    app: &App,
    settings: &Settings,
    lifecycle: &Lifecycle,
) -> Door {
    transport.follow(app.clock.clone(), lifecycle);
    let gate = Gate::new(
        app.store.clone(),
        app.clock.clone(),
        &settings.access,
        app.access.clone(),
    );
    gate.start(lifecycle);
    let stack = Stack::new(settings, Meters::global(), lifecycle.drain.clone(), gate);
    let health = HealthReporter::new();
    let reached = app.clone().reached_at(settings.http.public_url.as_deref());
    let routes = rpc::routes_with_health(reached, &health, settings.limits.message_bytes);
    work::fold_log::start(app.store.clone(), lifecycle);
    if settings.fleet.refit_every_s > 0 {
        let every = Duration::from_secs(settings.fleet.refit_every_s);
        let (store, clock) = (app.store.clone(), app.clock.clone());
        work::refit::start(store, clock, &app.ids, every, lifecycle);
        let (store, clock, ids) = (app.store.clone(), app.clock.clone(), app.ids.clone());
        work::find::start(store, clock, ids, 2 * every, lifecycle);
    }
    work::follow::start(app, lifecycle);
    if let Some(sender) = &app.webhooks {
        let reached = app.clone().reached_at(settings.http.public_url.as_deref());
        work::webhooks::start(&reached, sender.clone(), lifecycle);
    }
    work::changes::start(app, settings.changes.keep_days, lifecycle);
    work::glances::start(app, lifecycle);
    work::others::start(app, lifecycle);
    work::partitions::start(app, lifecycle);
    work::ready::start(app, &health, lifecycle);
    if settings.alerts.look_every_s > 0 {
        let every = Duration::from_secs(settings.alerts.look_every_s);
        work::look::start(app, every, lifecycle);
    }
    let door = Door::new(&stack, routes.clone());
    let limits = settings.limits;
    let incoming = Incoming::start(listener, transport, &limits, lifecycle);
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("grpc", async move {
        let stopping = async move {
            drain.cancelled().await;
            rpc::tell_health(&health, ServingStatus::NotServing).await;
        };
        Server::builder()
            .http2_keepalive_interval(Some(KEEPALIVE_EVERY))
            .http2_keepalive_timeout(Some(KEEPALIVE_WAIT))
            .max_concurrent_streams(limits.streams_per_connection)
            .http2_max_header_list_size(limits.header_bytes)
            .layer(stack)
            .add_routes(routes)
            .serve_with_incoming_shutdown(incoming, stopping)
            .await
            .context("serving gRPC")
    });
    door
}

/// Waits for the end: calls in progress, then what records readings, then use cases whose callers have
/// gone.
pub async fn finish(app: App, settings: &Settings, lifecycle: &Lifecycle) -> Exit {
    lifecycle.drain.cancelled().await;
    // The recording task ends once nobody can send to it any more; calls in progress hold clones.
    let work = app.into_work();
    let grace = Duration::from_secs(settings.drain_s);
    let exit = lifecycle.finish(grace).await;
    work.close();
    let all_ended = tokio::select! {
        biased;
        () = lifecycle.stop.cancelled() => return exit,
        ended = tokio::time::timeout(grace, work.wait()) => ended.is_ok(),
    };
    if all_ended {
        return exit;
    }
    tracing::warn!(
        use_cases = work.len(),
        grace_s = grace.as_secs(),
        "use cases were still going on and are dropped"
    );
    lifecycle.stop.cancel();
    if exit == Exit::Clean {
        Exit::GraceRanOut
    } else {
        exit
    }
}

/// Opens the store and serves until told to stop.
///
/// Gives [`Exit::Config`] when the files that the settings name cannot be used; the log says why.
pub async fn run(settings: &Settings, lifecycle: &Lifecycle) -> anyhow::Result<Exit> {
    let transport = match Transport::of(settings) {
        Ok(transport) => transport,
        Err(fault) => {
            tracing::error!("{fault}");
            return Ok(Exit::Config);
        }
    };
    let seal = match Seal::named_by(settings) {
        Ok(seal) => seal,
        Err(fault) => {
            tracing::error!("audit.key: {fault:#}");
            return Ok(Exit::Config);
        }
    };
    if let Err(fault) = settings.location().check() {
        tracing::error!("{:#}", anyhow::Error::new(fault).context("database"));
        return Ok(Exit::Config);
    }
    // First of all: when another server runs there, its database is not touched.
    let listener = bind(settings.listen).await?;
    let address = listener.local_addr()?;
    let listener_http = match settings.http.listen {
        Some(address) => Some(bind(address).await?),
        None => None,
    };
    let mailer = Mailer::of(settings)?;
    let store = Store::open(settings.location())
        .await
        .with_context(|| format!("opening the database {}", settings.database_shown()))?;
    let allowed = settings.webhooks.allowed().map_err(anyhow::Error::msg)?;
    let sender = Sender::new(allowed, seal.clone())?;
    let app = App::start(store.clone(), Clock::system(), Ids::system(), lifecycle)
        .sealed(seal)
        .sending(sender);
    tracing::info!(
        %address,
        database = settings.database_shown(),
        version = env!("CARGO_PKG_VERSION"),
        "serving"
    );
    if let Some(mailer) = mailer {
        work::mail::start(&app, mailer, lifecycle);
    }
    let serving = Serving::of(&app, settings);
    serving.start(lifecycle);
    let door = start(listener, &transport, &app, settings, lifecycle);
    // A door that nobody holds would keep what records readings from ending.
    if let Some(listener) = listener_http {
        tracing::info!(http = %listener.local_addr()?, "answering calendar feeds and REST");
        start_rest(listener, &transport, &app, door, settings, lifecycle);
    } else {
        drop(door);
    }
    let checkpoints = Checkpoints::of(&app, settings);
    if let Some(checkpoints) = &checkpoints {
        checkpoints.start(lifecycle);
    }
    let exit = finish(app, settings, lifecycle).await;
    if let Some(checkpoints) = checkpoints
        && !lifecycle.stop.is_cancelled()
    {
        checkpoints.last().await;
    }
    if !lifecycle.stop.is_cancelled() {
        serving.ended().await;
    }
    // Told to stop at once, nobody waits for the disk: the write-ahead log is as durable as the file.
    if !lifecycle.stop.is_cancelled() {
        store.close().await.context("closing the database")?;
    }
    tracing::info!("stopped");
    Ok(exit)
}
