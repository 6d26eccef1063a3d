//! PostgreSQL: one database, many servers.
//!
//! **Order.** Every writing transaction first takes advisory locks: of the sites that it writes, or of the
//! whole network. So transactions of one site run one after the other, as on SQLite, those of different sites
//! side by side, and a rule that was decided on what a transaction read still holds when it commits. Each
//! statement sees what was committed before it (READ COMMITTED), the locks before the first one.
//!
//! Refused: SERIALIZABLE with repeats. A group of 64 readings touches pages that other groups touch too, and
//! is undone for conflicts that are none; locks that are known beforehand never undo work.
//!
//! **Walls.** When the roles of `deploy/postgresql/roles.sql` exist, a caller that may see some sites only is
//! served under a role for which row-level security hides all others, whatever a statement forgets.

use std::io;
use std::net::IpAddr;
use std::ops::RangeInclusive;
use std::str::FromStr as _;
use std::time::Duration;

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use sqlx::postgres::{PgConnectOptions, PgConnection, PgPool, PgPoolOptions, PgSslMode};
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _};

use super::borrowed::{Borrowed, Shelf};
use super::connection::{Connection, query, query_scalar};
use super::patience::Patience;
use super::waking::Listener;
use super::{Address, Over};
use crate::Error;

pub(crate) static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("migrations/postgres");

/// Longest wait for a free connection.
const CONNECTION_WAIT: Duration = Duration::from_secs(5);
/// Longest wait for a server's first answer: a wall on the way may drop what is sent.
const ANSWER_WAIT: Duration = Duration::from_secs(15);
/// What may stand behind the `?` of an address.
const PARTS: [&str; 19] = [
    "sslmode",
    "ssl-mode",
    "sslrootcert",
    "ssl-root-cert",
    "ssl-ca",
    "sslcert",
    "ssl-cert",
    "sslkey",
    "ssl-key",
    "statement-cache-capacity",
    "host",
    "hostaddr",
    "port",
    "dbname",
    "user",
    "password",
    "application_name",
    "options",
    "",
];
/// Longest wait for a lock, as PostgreSQL writes it.
const LOCK_WAIT: &str = "8s";
/// The same for each of the sites of many callers: whoever waits for one of them keeps the others meanwhile.
const SITES_LOCK_WAIT: &str = "2s";
/// The same for the lock of the whole network: whoever waits for it keeps everybody behind from any site.
const NETWORK_LOCK_WAIT: &str = "3s";
/// How long a transaction may be left alone before the database ends it.
const IDLE_WAIT: &str = "60s";
/// The same for a server, whose transactions are short: when the network between them is gone, its sites stay locked for
/// so long.
const SERVERS_IDLE_WAIT: &str = "15s";
/// Prepared statements kept by each connection: more than there are.
const STATEMENTS: usize = 512;
/// PostgreSQL 15 as its own number: older ones let everybody make tables in every database.
const OLDEST_SERVER: u32 = 150_000;
/// The role under which callers with a limited scope are served.
const SCOPED_ROLE: &str = "ringtrue_scoped";

/// An open database.
#[derive(Debug)]
pub(crate) struct Cluster {
    pool: PgPool,
    /// For callers with a limited scope: a connection that changes its role makes its plans anew.
    scoped: PgPool,
    /// For the one connection that listens.
    address: Address,
    /// Whether row-level security stands behind scopes.
    is_walled: bool,
    patience: Patience,
}

/// Refuses what the driver would pass over but for a line in the log, value and all: a misspelt `sslmode` would
/// leave a connection without encryption.
fn refuse_unknown_parts(url: &str) -> Result<(), sqlx::Error> {
    let (_, parts) = url.split_once('?').unwrap_or((url, ""));
    for part in parts.split('&') {
        let name = part.split_once('=').map_or(part, |(name, _)| name);
        if !PARTS.contains(&name) && !name.starts_with("options[") {
            let words = format!("`{name}` is no part of an address that is known here");
            return Err(sqlx::Error::Configuration(words.into()));
        }
    }
    Ok(())
}

/// Refuses a database beyond this machine about which nobody has decided whether it is encrypted: the driver would go
/// on without encryption wherever the other end offers none, and would check no certificate.
fn refuse_undecided(url: &str, options: &PgConnectOptions) -> Result<(), sqlx::Error> {
    let host = options.get_host();
    let is_here = options.get_socket().is_some()
        || host.starts_with('/')
        || host == "localhost"
        || IpAddr::from_str(host.trim_matches(['[', ']']))
            .is_ok_and(|ip| ip.to_canonical().is_loopback());
    let (_, parts) = url.split_once('?').unwrap_or((url, ""));
    let says_so = |part: &str| part.starts_with("sslmode=") || part.starts_with("ssl-mode=");
    let is_undecided = matches!(options.get_ssl_mode(), PgSslMode::Allow | PgSslMode::Prefer);
    if is_here || !is_undecided || parts.split('&').any(says_so) {
        return Ok(());
    }
    let words = format!(
        "{host} is beyond this machine and the address has no sslmode: add ?sslmode=verify-full, and \
         &sslrootcert=FILE for a certificate of an authority of your own"
    );
    Err(sqlx::Error::Configuration(words.into()))
}

fn options(address: &Address) -> Result<PgConnectOptions, Error> {
    refuse_unknown_parts(&address.url)?;
    let options = PgConnectOptions::from_str(&address.url)?;
    refuse_undecided(&address.url, &options)?;
    let options = options
        .application_name("ringtrue")
        .statement_cache_capacity(STATEMENTS)
        .options([
            ("lock_timeout", LOCK_WAIT),
            ("idle_in_transaction_session_timeout", IDLE_WAIT),
            // Statements here are short; compiling them costs more than it saves.
            ("jit", "off"),
        ])
        .disable_statement_logging();
    let options = match &address.password {
        Some(password) => options.password(password),
        None => options,
    };
    Ok(match address.longest_statement {
        Some(longest) => options.options([
            ("statement_timeout", longest.as_millis().to_string()),
            // The last one of a name is in force.
            (
                "idle_in_transaction_session_timeout",
                SERVERS_IDLE_WAIT.to_owned(),
            ),
        ]),
        None => options,
    })
}

/// Fails when an address cannot be used; nothing is sent.
pub(crate) fn check(address: &Address) -> Result<(), Error> {
    options(address).map(drop)
}

/// Brings the database's shape up to date, and the rights on it. Run by the role that owns it.
pub(crate) async fn migrate(address: &Address) -> Result<(), Error> {
    let mut connection = connect(address).await?;
    MIGRATIONS.run(&mut connection).await?;
    sqlx::query("SELECT grant_rights()")
        .execute(&mut connection)
        .await?;
    connection.close().await?;
    Ok(())
}

/// Whether nobody ever made a table in the database.
pub(crate) async fn is_bare(address: &Address) -> Result<bool, Error> {
    const SQL: &str = "SELECT NOT EXISTS (SELECT 1 FROM pg_class
        WHERE relnamespace = to_regnamespace('public') AND relkind IN ('r', 'p', 'v', 'm', 'f'))";
    let mut connection = connect(address).await?;
    let bare = sqlx::query_scalar(SQL).fetch_one(&mut connection).await;
    connection.close().await?;
    Ok(bare?)
}

/// Opens a lone connection.
pub(crate) async fn connect(address: &Address) -> Result<PgConnection, Error> {
    let connection = tokio::time::timeout(ANSWER_WAIT, options(address)?.connect())
        .await
        .map_err(|_late| {
            let words = format!("no answer within {} s", ANSWER_WAIT.as_secs());
            sqlx::Error::Io(io::Error::new(io::ErrorKind::TimedOut, words))
        })??;
    // What does not say its version is no PostgreSQL proper; the first statement will tell.
    if connection
        .server_version_num()
        .is_some_and(|version| version < OLDEST_SERVER)
    {
        return Err(Error::OldServer);
    }
    Ok(connection)
}

async fn is_walled(connection: &mut PgConnection) -> Result<bool, sqlx::Error> {
    const SQL: &str = "SELECT EXISTS (SELECT 1 FROM pg_roles
        WHERE rolname = $1 AND pg_has_role(CURRENT_USER, oid, 'MEMBER'))";
    sqlx::query_scalar(SQL)
        .bind(SCOPED_ROLE)
        .fetch_one(connection)
        .await
}

fn pool(address: &Address, connections: u32) -> Result<PgPool, Error> {
    Ok(PgPoolOptions::new()
        .max_connections(connections.max(1))
        .acquire_timeout(CONNECTION_WAIT)
        .connect_lazy_with(options(address)?))
}

impl Cluster {
    /// Opens a database that was migrated.
    pub(crate) async fn open(address: &Address) -> Result<Self, Error> {
        let mut first = connect(address).await?;
        let checked = crate::existing::check_postgres(&mut first).await;
        let is_walled = is_walled(&mut first).await;
        first.close().await?;
        checked?;
        let others = address.connections.saturating_sub(1);
        let scoped = others / 2;
        let patience = Patience::of(address.longest_statement);
        let pool = pool(address, others - scoped)?;
        let scoped = self::pool(address, scoped)?;
        let is_walled = is_walled?;
        if !is_walled {
            tracing::warn!(
                "row-level security does not stand behind this server: serve as ringtrue_server, which \
                 deploy/postgresql/roles.sql makes, and run `ringtrue-server migrate` after it"
            );
        }
        Ok(Self {
            pool,
            scoped,
            address: address.clone(),
            is_walled,
            patience,
        })
    }

    fn pool_of(&self, scope: &Scope) -> &PgPool {
        if scope.sites().is_none() {
            &self.pool
        } else {
            &self.scoped
        }
    }

    async fn begun(
        &self,
        scope: &Scope,
        statement: &'static str,
    ) -> Result<Connection, sqlx::Error> {
        let mut borrowed = Borrowed::of(self.pool_of(scope), &self.patience).await?;
        borrowed.begin(statement).await?;
        Ok(Connection::Postgres(borrowed))
    }

    /// Opens a transaction with the locks that it needs.
    pub(crate) async fn begin(&self, scope: &Scope, over: Over<'_>) -> Result<Connection, Error> {
        let mut connection = self.begun(scope, "BEGIN").await?;
        self.enter(&mut connection, scope).await?;
        lock(&mut connection, scope, over).await?;
        Ok(connection)
    }

    /// A connection that reads: the one on the shelf, which was lent for the same scope, or one of the pool that will go
    /// there.
    pub(crate) async fn reader(
        &self,
        scope: &Scope,
        shelf: Option<&Shelf>,
    ) -> Result<Connection, Error> {
        if let Some(kept) = shelf.and_then(Shelf::take) {
            return Ok(Connection::Postgres(kept));
        }
        let borrowed = Borrowed::of(self.pool_of(scope), &self.patience).await?;
        let mut connection = Connection::Postgres(borrowed);
        self.enter(&mut connection, scope).await?;
        // Only now: what was not entered is for nobody else.
        if let Connection::Postgres(borrowed) = &mut connection {
            borrowed.goes_to(shelf);
        }
        Ok(connection)
    }

    /// A connection that reads as of one moment.
    pub(crate) async fn snapshot(
        &self,
        scope: &Scope,
        shelf: Option<&Shelf>,
    ) -> Result<Connection, Error> {
        const BEGIN: &str = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY";
        let mut connection = self.reader(scope, shelf).await?;
        if let Connection::Postgres(borrowed) = &mut connection {
            borrowed.begin(BEGIN).await?;
        }
        Ok(connection)
    }

    pub(crate) async fn listener(&self) -> Result<Listener, Error> {
        Listener::on(pool(&self.address, 1)?, &self.patience).await
    }

    pub(crate) async fn make_partitions(&self, years: RangeInclusive<i16>) -> Result<i32, Error> {
        const SQL: &str = "SELECT make_partitions($1, $2)";
        let mut borrowed = Borrowed::of(&self.pool, &self.patience).await?;
        let (driver, patience) = borrowed.driver();
        let made = sqlx::query_scalar(SQL)
            .bind(i32::from(*years.start()))
            .bind(i32::from(*years.end()))
            .fetch_one(driver);
        Ok(patience.wait(made).await?)
    }

    /// A transaction in which the tables are made once more, in a schema of their own. Needs the role that
    /// owns the database; to be undone.
    pub(crate) async fn fresh_schema(&self, name: &str) -> Result<Connection, Error> {
        let mut open = Borrowed::of(&self.pool, &self.patience).await?;
        open.begin("BEGIN").await?;
        let (driver, _) = open.driver();
        let schema = format!("CREATE SCHEMA {name}; SET LOCAL search_path = {name}");
        sqlx::raw_sql(AssertSqlSafe(schema))
            .execute(&mut *driver)
            .await?;
        for migration in MIGRATIONS.iter() {
            // Functions name the schema that they work in.
            let statements = migration.sql.as_str().replace("public", name);
            sqlx::raw_sql(AssertSqlSafe(statements))
                .execute(&mut *driver)
                .await?;
        }
        sqlx::query("SELECT grant_rights()")
            .execute(&mut *driver)
            .await?;
        Ok(Connection::Postgres(open))
    }

    /// Takes the role and the reach of a scope of some sites. Every user of a connection of that pool does so
    /// first, so nothing is left of the one before; connections of the other pool never take a role.
    async fn enter(&self, connection: &mut Connection, scope: &Scope) -> Result<(), Error> {
        const SQL: &str =
            "SELECT set_config('role', $1, false), set_config('ringtrue.reach', $2, false)";
        let Some(sites) = scope.sites().filter(|_| self.is_walled) else {
            return Ok(());
        };
        query(SQL)
            .bind(SCOPED_ROLE)
            .bind(array(&sites))
            .execute(connection)
            .await?;
        Ok(())
    }

    /// Which of these sites somebody else holds at the moment, by themselves and not with the whole network.
    pub(crate) async fn held(&self, sites: &[SiteId]) -> Result<Vec<String>, Error> {
        // A statement by itself: what it takes to see whether it is free, it gives back as it ends.
        const SQL: &str = "SELECT named.id FROM unnest(CAST($1 AS TEXT[])) AS named (id)
            WHERE NOT pg_try_advisory_xact_lock_shared(2, hashtext(named.id))";
        let mut connection = self.reader(&Scope::for_work("held"), None).await?;
        let held = query_scalar(SQL).bind(array(sites));
        Ok(held.fetch_all(&mut connection).await?)
    }

    pub(crate) async fn close(&self) {
        self.pool.close().await;
        self.scoped.close().await;
    }
}

/// Ids of sites as an array literal; an id holds neither quotes nor strokes.
fn array(sites: &[SiteId]) -> String {
    // A site may be called null, which without quotes is none.
    let ids: Vec<String> = sites.iter().map(|site| format!("\"{site}\"")).collect();
    format!("{{{}}}", ids.join(","))
}

/// What is numbered without gaps by the transactions of every site, one at a time.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Sequence {
    /// The log of alerts: its numbers have no gaps and are in the order of commits.
    AlertLog,
    /// The network's own audit chain.
    NetworkChain,
    /// The change feed.
    Changes,
}

/// Has the statements of this transaction planned for the tables as they are. PostgreSQL keeps a plan once made, and one
/// that was made while the tables were nearly empty reads all of them: a million firings that were checked before they
/// were sent took three times as long.
pub(crate) async fn planned_anew(connection: &mut Connection) -> Result<(), Error> {
    const SQL: &str = "SELECT set_config('plan_cache_mode', 'force_custom_plan', true)";
    if !connection.is_sqlite() {
        query(SQL).execute(connection).await?;
    }
    Ok(())
}

/// Waits until no other transaction has written to it without having ended, and keeps others from it until
/// this one ends. To be taken after the locks of sites, never before; SQLite needs none.
pub(crate) async fn hold_sequence(connection: &mut Connection, of: Sequence) -> Result<(), Error> {
    const SQL: &str = "SELECT pg_advisory_xact_lock(3, CAST($1 AS INTEGER))";
    if connection.is_sqlite() {
        return Ok(());
    }
    let number = match of {
        Sequence::NetworkChain => 1_i64,
        Sequence::AlertLog => 2,
        Sequence::Changes => 3,
    };
    query(SQL).bind(number).execute(connection).await?;
    Ok(())
}

/// More sites than this at once are locked as the whole network.
const MOST_SITES: usize = 128;

/// Takes the locks: first the network's, then those of sites in one order, so that no two wait for each
/// other.
async fn lock(connection: &mut Connection, scope: &Scope, over: Over<'_>) -> Result<(), Error> {
    // What a statement gives is worked out from left to right.
    const NETWORK: &str =
        "SELECT set_config('lock_timeout', $1, true), pg_advisory_xact_lock(1, 0),
        set_config('lock_timeout', $2, true)";
    const SITES: &str = "SELECT pg_advisory_xact_lock_shared(1, 0), set_config('lock_timeout', $2, true),
        (SELECT COUNT(*) FROM (
            SELECT pg_advisory_xact_lock(2, site.hash) FROM (SELECT DISTINCT hashtext(named.id) AS hash
                FROM unnest(CAST($1 AS TEXT[])) AS named (id) ORDER BY 1) AS site) AS locked),
        set_config('lock_timeout', $3, true)";
    let (sites, wait) = match over {
        Over::Nothing => return Ok(()),
        Over::Site(site) => (Some(vec![site.clone()]), LOCK_WAIT),
        Over::Sites(sites) => (Some(sites.to_vec()), SITES_LOCK_WAIT),
        Over::Scope => (scope.sites(), LOCK_WAIT),
    };
    let statement = match sites {
        Some(sites) if sites.len() <= MOST_SITES => query(SITES).bind(array(&sites)).bind(wait),
        _ => query(NETWORK).bind(NETWORK_LOCK_WAIT),
    };
    statement.bind(LOCK_WAIT).execute(connection).await?;
    Ok(())
}
