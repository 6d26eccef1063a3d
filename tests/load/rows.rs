//! The rows of a store as a database program sees them: many more readings are put beside some that were recorded, and
//! what the database holds is counted.

use sqlx::{AnyConnection, AssertSqlSafe, Connection as _, Row as _};

/// Time between two readings that are put there, µs: two days.
const GAP_US: i64 = 2 * 24 * 3600 * 1_000_000;

/// Rows of each table in one statement, about: they are sorted before they are written.
const AT_ONCE: i64 = 2_000;

/// A connection of whoever may do everything, to either database.
pub(crate) struct Rows {
    connection: AnyConnection,
    is_postgresql: bool,
}

/// What is made of the tables of one database.
struct Dialect {
    /// Keys are not looked at, the disk is not waited for.
    haste: &'static str,
    /// The turn's number as eight hexadecimal digits.
    digits: &'static str,
    /// What the database does by itself in the course of time.
    settled: &'static str,
}

const SQLITE: Dialect = Dialect {
    haste: "PRAGMA foreign_keys = OFF; PRAGMA synchronous = OFF; PRAGMA cache_size = -200000",
    digits: "printf('%08x', turn.n)",
    settled: "PRAGMA wal_checkpoint(TRUNCATE)",
};

const POSTGRESQL: Dialect = Dialect {
    haste: "SET session_replication_role = replica; SET synchronous_commit = off",
    digits: "lpad(to_hex(turn.n), 8, '0')",
    // Without the second one what was filled in is still being written while the first calls are timed.
    settled: "VACUUM (ANALYZE); CHECKPOINT",
};

/// Recorded rows that are copied, one of each of these furnaces, with the places of their copies in the chains.
const ORIGINALS: &str = "CREATE TEMPORARY TABLE original AS
    SELECT r.site_id, r.furnace_id, r.fired_at, r.id, a.seq, q.id AS request_id, ends.seq AS last_seq,
        COUNT(*) OVER (PARTITION BY r.site_id) AS each_turn,
        ROW_NUMBER() OVER (PARTITION BY r.site_id ORDER BY r.furnace_id) AS place
    FROM (SELECT site_id, furnace_id, MIN(fired_at) AS fired_at FROM reading WHERE {whose}
        GROUP BY site_id, furnace_id) AS first
    JOIN reading AS r ON r.site_id = first.site_id AND r.furnace_id = first.furnace_id AND r.fired_at = first.fired_at
    JOIN audit AS a ON a.site_id = r.site_id
        AND a.subject = 'sites/' || r.site_id || '/furnaces/' || r.furnace_id || '/readings/' || r.id
    JOIN request AS q ON q.site_id = a.site_id AND q.seq = a.seq AND q.subject = a.subject
    JOIN (SELECT site_id, MAX(seq) AS seq FROM audit GROUP BY site_id) AS ends ON ends.site_id = r.site_id";

/// What is copied into each table, each turn into an earlier time; `{digits}` makes an id of a copy. All furnaces' readings
/// of one turn lie together, as in a network at work: one furnace's beside each other would be found on a few pages of the
/// disk, and the fewer furnaces, the more so.
const COPIES: [&str; 4] = [
    "INSERT INTO reading (site_id, furnace_id, fired_at, id, programme_id, setpoint_c, setpoint_reported, batch_id,
        gauge_id, measurement, measured_at, purpose, performed_by, note, answered, received_at, amends, amend_reason)
    SELECT r.site_id, r.furnace_id, r.fired_at - turn.n * {gap}, {digits} || substr(r.id, 9), r.programme_id,
        r.setpoint_c, r.setpoint_reported, r.batch_id, r.gauge_id, r.measurement, r.measured_at - turn.n * {gap},
        r.purpose, r.performed_by, r.note, r.answered, r.received_at - turn.n * {gap}, r.amends, r.amend_reason
    FROM original AS o CROSS JOIN ({turns}) AS turn
    JOIN reading AS r ON r.site_id = o.site_id AND r.furnace_id = o.furnace_id AND r.fired_at = o.fired_at AND r.id = o.id
    ORDER BY turn.n",
    "INSERT INTO evaluation (site_id, furnace_id, fired_at, reading_id, method_version, counts, observed_offset_c,
        independent_c, shared_c, mean_mm, removed_c, effects, innovation_z, innovation_sd_c, gain, advised_setpoint_c,
        next_due_on, inputs, result, advice, conformance)
    SELECT e.site_id, e.furnace_id, e.fired_at - turn.n * {gap}, {digits} || substr(e.reading_id, 9), e.method_version,
        e.counts, e.observed_offset_c, e.independent_c, e.shared_c, e.mean_mm, e.removed_c, e.effects, e.innovation_z,
        e.innovation_sd_c, e.gain, e.advised_setpoint_c, e.next_due_on, e.inputs, e.result, e.advice, e.conformance
    FROM original AS o CROSS JOIN ({turns}) AS turn
    JOIN evaluation AS e ON e.site_id = o.site_id AND e.furnace_id = o.furnace_id AND e.fired_at = o.fired_at
        AND e.reading_id = o.id
    ORDER BY turn.n",
    "INSERT INTO audit (site_id, seq, at, actor, action, subject, document, digest, previous, hash, origin)
    SELECT a.site_id, o.last_seq + (turn.n - 1) * o.each_turn + o.place, a.at - turn.n * {gap}, a.actor, a.action,
        replace(a.subject, o.id, {digits} || substr(o.id, 9)), a.document, a.digest, a.previous, a.hash, a.origin
    FROM original AS o CROSS JOIN ({turns}) AS turn
    JOIN audit AS a ON a.site_id = o.site_id AND a.seq = o.seq
    ORDER BY turn.n",
    "INSERT INTO request (id, method, digest, subject, site_id, seq, answered_at)
    SELECT {digits} || substr(q.id, 9), q.method, q.digest, replace(q.subject, o.id, {digits} || substr(o.id, 9)),
        q.site_id, o.last_seq + (turn.n - 1) * o.each_turn + o.place, q.answered_at - turn.n * {gap}
    FROM original AS o CROSS JOIN ({turns}) AS turn
    JOIN request AS q ON q.id = o.request_id
    ORDER BY turn.n",
];

/// The feed has come to the end of every chain.
const TOLD: &str = "UPDATE change_place SET audit_seq = COALESCE(
    (SELECT MAX(a.seq) FROM audit AS a WHERE a.site_id = change_place.site_id), audit_seq)";

/// The numbers of some turns, both ends included.
fn turns(first: i64, last: i64) -> String {
    format!(
        "WITH RECURSIVE counted(n) AS (SELECT CAST({first} AS BIGINT)
            UNION ALL SELECT n + 1 FROM counted WHERE n < {last})
        SELECT n FROM counted"
    )
}

/// The condition that a reading is of one of these furnaces; their names are this program's own.
fn whose(only: Option<&[String]>) -> String {
    let Some(only) = only else {
        return "1 = 1".to_owned();
    };
    format!(
        "'sites/' || site_id || '/furnaces/' || furnace_id IN ('{}')",
        only.join("', '")
    )
}

impl Rows {
    /// Connects to a database by its URL.
    pub(crate) async fn connect(url: &str) -> anyhow::Result<Self> {
        sqlx::any::install_default_drivers();
        Ok(Self {
            connection: AnyConnection::connect(url).await?,
            is_postgresql: url.starts_with("postgres"),
        })
    }

    fn dialect(&self) -> &'static Dialect {
        if self.is_postgresql {
            &POSTGRESQL
        } else {
            &SQLITE
        }
    }

    async fn run(&mut self, statements: &str) -> anyhow::Result<()> {
        for statement in statements.split("; ") {
            let statement = AssertSqlSafe(statement.to_owned());
            sqlx::raw_sql(statement)
                .execute(&mut self.connection)
                .await?;
        }
        Ok(())
    }

    async fn number(&mut self, statement: &'static str) -> anyhow::Result<i64> {
        let found = sqlx::query_scalar(statement)
            .fetch_one(&mut self.connection)
            .await?;
        Ok(found)
    }

    /// Puts copies of each furnace's first reading, or of only these furnaces', before it until there are so many
    /// readings in all, with what a recording writes beside them. What is known of a furnace stays what its latest
    /// readings said, and the copies are proved by no chain. No server may be at work.
    pub(crate) async fn fill(
        &mut self,
        wanted: i64,
        only: Option<&[String]>,
    ) -> anyhow::Result<()> {
        let present = self.readings().await?;
        let dialect = self.dialect();
        self.run(dialect.haste).await?;
        self.run(&ORIGINALS.replace("{whose}", &whose(only)))
            .await?;
        let originals = self.number("SELECT COUNT(*) FROM original").await?;
        anyhow::ensure!(
            originals > 0,
            "no reading was recorded that could be copied"
        );
        let whole = (wanted - present).max(0) / originals;
        let chunk = (AT_ONCE / originals).max(1);
        let mut first = 1;
        while first <= whole {
            let last = (first + chunk - 1).min(whole);
            for copies in COPIES {
                let statement = copies
                    .replace("{turns}", &turns(first, last))
                    .replace("{digits}", dialect.digits)
                    .replace("{gap}", &GAP_US.to_string());
                self.run(&statement).await?;
            }
            first = last + 1;
        }
        self.run("DROP TABLE original").await?;
        // What was there before the change feed is not told by it.
        self.run(TOLD).await?;
        self.run(dialect.settled).await?;
        let found = self.readings().await?;
        anyhow::ensure!(
            found == present + whole * originals,
            "{found} readings are there instead of {}",
            present + whole * originals
        );
        Ok(())
    }

    /// How many readings there are.
    pub(crate) async fn readings(&mut self) -> anyhow::Result<i64> {
        self.number("SELECT COUNT(*) FROM reading").await
    }

    /// How large the database is, bytes.
    pub(crate) async fn bytes(&mut self) -> anyhow::Result<i64> {
        if self.is_postgresql {
            return self
                .number("SELECT pg_database_size(current_database())")
                .await;
        }
        let pages = self
            .number("SELECT page_count FROM pragma_page_count")
            .await?;
        Ok(pages
            * self
                .number("SELECT page_size FROM pragma_page_size")
                .await?)
    }

    /// Connections to the database but this one; none where there is no server that would count them.
    pub(crate) async fn connections(&mut self) -> anyhow::Result<Option<i64>> {
        if !self.is_postgresql {
            return Ok(None);
        }
        let found = self
            .number(
                "SELECT COUNT(*) FROM pg_stat_activity WHERE datname = current_database()
                AND backend_type = 'client backend' AND pid <> pg_backend_pid()",
            )
            .await?;
        Ok(Some(found))
    }

    /// The long texts of a reading that was recorded on PostgreSQL, and the beginning of its site's id up to the number.
    pub(crate) async fn recorded_texts(&mut self) -> anyhow::Result<Vec<(&'static str, String)>> {
        const NAMES: [&str; 8] = [
            "site",
            "batch",
            "measurement",
            "effects",
            "inputs",
            "result",
            "document",
            "digest",
        ];
        const SQL: &str = "SELECT regexp_replace(r.site_id, '[0-9]+$', '') AS site, r.batch_id AS batch, r.measurement,
                e.effects, e.inputs, e.result, encode(t.document, 'hex') AS document, a.digest
            FROM reading AS r
            JOIN evaluation AS e ON e.site_id = r.site_id AND e.furnace_id = r.furnace_id AND e.reading_id = r.id
            JOIN tracked_offset AS t ON t.site_id = r.site_id AND t.furnace_id = r.furnace_id
            JOIN audit AS a ON a.site_id = r.site_id AND a.action = 'reading.record'
            ORDER BY r.fired_at DESC LIMIT 1";
        let row = sqlx::query(SQL).fetch_one(&mut self.connection).await?;
        let mut texts = Vec::with_capacity(NAMES.len());
        for name in NAMES {
            texts.push((name, row.try_get(name)?));
        }
        Ok(texts)
    }

    /// Ends the connection.
    pub(crate) async fn close(self) -> anyhow::Result<()> {
        Ok(self.connection.close().await?)
    }
}
