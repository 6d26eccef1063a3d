//! A whole server in this process: a free loopback port, a fresh database, a clock that only moves when a test
//! moves it, and ids that come out the same in every run.

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::key::SiteId;
use ringtrue_remote::Remote;
use ringtrue_server::app::App;
use ringtrue_server::clock::Clock;
use ringtrue_server::config::{Alerts, Fleet, Settings};
use ringtrue_server::ids::Ids;
use ringtrue_server::lifecycle::{Exit, Lifecycle};
use ringtrue_server::seal::Seal;
use ringtrue_server::serve;
use ringtrue_server::transport::Transport;
use ringtrue_server::webhook::Sender;
use ringtrue_store::{Entry, EntryFilter, Page, PagePart, Store};
use tonic::transport::{Channel, Endpoint};

use crate::databases::TestDatabase;

/// When every network starts: a Friday at noon UTC.
pub const START: &str = "2026-03-06T12:00:00Z";

/// What a network's ids are drawn from; a further server of it draws others.
const FIRST: u64 = 1;

/// A running server with its records; dropping it ends everything.
#[derive(Debug)]
pub struct Network {
    /// The use cases and the store behind them.
    pub app: App,
    /// A client whose staff code is `t1`.
    pub remote: Remote,
    /// Where the server listens.
    pub address: SocketAddr,
    /// Where it answers over HTTP, when its settings say that it does.
    pub http: Option<SocketAddr>,
    /// The life of the server; cancel its `drain` to see it end.
    pub lifecycle: Lifecycle,
    /// How its connections are encrypted, as its settings say.
    pub transport: Transport,
    settings: Settings,
    database: Arc<TestDatabase>,
}

impl Network {
    /// Starts an empty network at [`START`].
    pub async fn start() -> Self {
        Self::start_with(|_| {}).await
    }

    /// Starts an empty network after changing the settings, for example its limits.
    pub async fn start_with(change: impl FnOnce(&mut Settings)) -> Self {
        Self::start_on(TestDatabase::fresh().await, change).await
    }

    async fn start_on(database: TestDatabase, change: impl FnOnce(&mut Settings)) -> Self {
        let mut settings = Settings {
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 0)),
            database: database.named(),
            drain_s: 5,
            // Tests ask for fits when they want them.
            fleet: Fleet { refit_every_s: 0 },
            alerts: Alerts { look_every_s: 0 },
            ..Settings::default()
        };
        change(&mut settings);
        Self::serve(settings, Arc::new(database), FIRST).await
    }

    /// Starts two servers of one network on one database of PostgreSQL's, whatever this run works on. Each has a
    /// clock of its own.
    pub async fn start_two() -> (Self, Self) {
        let one = Self::start_on(TestDatabase::on_postgresql().await, |_| {}).await;
        let other = Self::serve(one.settings.clone(), Arc::clone(&one.database), FIRST + 1).await;
        (one, other)
    }

    async fn serve(settings: Settings, database: Arc<TestDatabase>, ids: u64) -> Self {
        let store = Store::open(database.location())
            .await
            .expect("the store opens");
        let start: Timestamp = START.parse().expect("a moment");
        let lifecycle = Lifecycle::new();
        let seal = Some(seal());
        let allowed = settings.webhooks.allowed().expect("networks");
        let sender = Sender::new(allowed, seal.clone()).expect("encryption");
        let app = App::start(store, Clock::manual(start), Ids::seeded(ids), &lifecycle)
            .sealed(seal)
            .sending(sender);
        let listener = serve::bind(settings.listen).await.expect("a free port");
        let address = listener
            .local_addr()
            .expect("a bound listener has an address");
        let transport = Transport::of(&settings).expect("the files of [tls] can be used");
        let door = serve::start(listener, &transport, &app, &settings, &lifecycle);
        let mut http = None;
        if let Some(listen) = settings.http.listen {
            let listener = serve::bind(listen).await.expect("a free port");
            http = listener.local_addr().ok();
            serve::start_rest(listener, &transport, &app, door, &settings, &lifecycle);
        }
        let remote = remote_to(address, "t1");
        Self {
            app,
            remote,
            address,
            http,
            lifecycle,
            transport,
            settings,
            database,
        }
    }

    /// Starts a network, prepares it as a local caller, and starts it again without local callers.
    pub async fn start_locked_after(prepare: impl AsyncFnOnce(&Self)) -> Self {
        Self::start_again_after(prepare, |settings| settings.access.local_callers = false).await
    }

    /// Starts a network, prepares it as a local caller, and starts it again after changing the settings.
    pub async fn start_again_after(
        prepare: impl AsyncFnOnce(&Self),
        change: impl FnOnce(&mut Settings),
    ) -> Self {
        let open = Self::start().await;
        prepare(&open).await;
        let Self {
            app,
            lifecycle,
            mut settings,
            database,
            ..
        } = open;
        lifecycle.drain.cancel();
        serve::finish(app, &settings, &lifecycle).await;
        change(&mut settings);
        Self::serve(settings, database, FIRST).await
    }

    /// Gives the present moment of the server.
    pub fn now(&self) -> Timestamp {
        self.app.clock.now()
    }

    /// Moves the server's clock by some hours; negative ones move it back.
    pub fn advance_h(&self, hours: i64) {
        let by = SignedDuration::from_hours(hours);
        self.app.clock.advance(by).expect("a manual clock moves");
    }

    /// Moves the server's clock by some days.
    pub fn advance_days(&self, days: i64) {
        self.advance_h(24 * days);
    }

    /// Gives the address as clients write it.
    pub fn endpoint(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Gives the database, to look at it behind the server's back.
    pub fn database(&self) -> &TestDatabase {
        &self.database
    }

    /// Gives a bare channel, for calls that the typed client would never make.
    pub fn channel(&self) -> Channel {
        Endpoint::from_shared(self.endpoint())
            .expect("an address")
            .connect_lazy()
    }

    /// Gives a client with another staff code.
    pub fn remote_as(&self, operator: &str) -> Remote {
        remote_to(self.address, operator)
    }

    /// Counts the audit entries of a site, `sites/north`, or of the network itself with `""`.
    pub async fn audit_length(&self, site: &str) -> i64 {
        let id = site
            .strip_prefix("sites/")
            .map(|id| SiteId::new(id).expect("a site id"));
        let read = self.app.store.read(&everything());
        read.audit_length(id.as_ref())
            .await
            .expect("the store answers")
    }

    /// The last entry of a site's chain, or of the network's own with `""`.
    pub async fn last_entry(&self, site: &str) -> Entry {
        let site = SiteId::new(site).ok();
        let read = self.app.store.read(&everything());
        let last = read
            .audit_length(site.as_ref())
            .await
            .expect("the store answers");
        let page = Page {
            size: 1,
            after: vec![PagePart::Number(last - 1)],
        };
        let found = read
            .entries(site.as_ref(), &EntryFilter::default(), &page)
            .await;
        let mut found = found.expect("the store answers");
        found.pop().expect("the chain has an entry")
    }

    /// Stops the server as a signal would and waits until everything has ended.
    pub async fn stop(self) -> Exit {
        self.lifecycle.drain.cancel();
        let Self {
            app,
            remote,
            lifecycle,
            settings,
            database,
            ..
        } = self;
        drop(remote);
        let store = app.store.clone();
        let exit = serve::finish(app, &settings, &lifecycle).await;
        store.close().await.expect("the store closes");
        drop(database);
        exit
    }
}

/// A key for signing; the same for all networks of a process.
fn seal() -> Seal {
    static KEPT: std::sync::OnceLock<Seal> = std::sync::OnceLock::new();
    let made = KEPT.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        Seal::make(&folder.path().join("audit.key")).expect("a key")
    });
    made.clone()
}

fn remote_to(address: SocketAddr, operator: &str) -> Remote {
    let settings = ringtrue_remote::Settings {
        endpoint: format!("http://{address}"),
        operator: Some(operator.to_owned()),
        ..ringtrue_remote::Settings::default()
    };
    Remote::connect(settings).expect("these settings can be used")
}

/// Gives access to every record, for looking behind the server's back.
pub fn everything() -> Scope {
    Caller::local(Some("test"))
        .network(Right::Read)
        .expect("a local caller may read")
}
