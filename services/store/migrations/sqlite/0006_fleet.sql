-- What all readings say together: fits, and findings that follow from them. Fits are derived; findings are
-- records, as people answer them.

-- One number, raised by every recording: a fit names the one it takes in.
CREATE TABLE fleet_change (
    id INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    changes INTEGER NOT NULL
) STRICT;

INSERT INTO fleet_change (id, changes) VALUES (1, 0);

-- The last fit of the network; no row before the first.
CREATE TABLE fleet_fit (
    id INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    number INTEGER NOT NULL,                        -- counts fits
    fitted_at INTEGER NOT NULL,
    components_number INTEGER NOT NULL,             -- counts changes of the variance components
    components_at INTEGER,                          -- when they were learnt; null for assumptions
    components TEXT NOT NULL,                       -- JSON
    globals TEXT NOT NULL,                          -- JSON list of [error shared by all sites, expected deviation °C, readings, sites]
    solution BLOB NOT NULL,                         -- postcard: means, covariance, likelihood
    readings INTEGER NOT NULL,
    changes INTEGER NOT NULL,                       -- fleet_change that it takes in
    reference_version INTEGER NOT NULL              -- reference_version that it takes in
) STRICT;

-- Each site's part of the last fit.
CREATE TABLE site_fit (
    site_id TEXT NOT NULL PRIMARY KEY,
    document BLOB NOT NULL                          -- postcard; its shape is in documents/fit.rs
) STRICT, WITHOUT ROWID;

-- Who does a piece of background work now. A lease that ran out may be taken; every taking raises the
-- fence, and work is stored only under the fence it began with.
CREATE TABLE work_lease (
    name TEXT NOT NULL PRIMARY KEY,
    owner TEXT NOT NULL,
    until INTEGER NOT NULL,
    fence INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE finding (
    id TEXT NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    site_id TEXT NOT NULL,                          -- '' for what the whole network shares
    subject TEXT NOT NULL,                          -- resource name of a furnace, batch, gauge or site
    state TEXT NOT NULL,                            -- open, acknowledged, resolved
    probability REAL NOT NULL,
    statement TEXT NOT NULL,
    next_step TEXT NOT NULL,
    evidence TEXT NOT NULL,                         -- JSON list of [label, value, unit]
    readings TEXT NOT NULL,                         -- JSON list of resource names, latest first
    first_seen_at INTEGER NOT NULL,
    last_seen_at INTEGER NOT NULL,
    false_discovery_rate REAL NOT NULL,
    note TEXT NOT NULL,
    noted_by TEXT NOT NULL,
    noted_at INTEGER,
    revision INTEGER NOT NULL                       -- counts versions from 1; the etag
) STRICT, WITHOUT ROWID;

CREATE INDEX finding_subject ON finding (subject, kind);
CREATE INDEX finding_site ON finding (site_id, state);
