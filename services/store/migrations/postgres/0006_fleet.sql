-- What all readings say together: fits, and findings that follow from them. Fits are derived; findings are
-- records, as people answer them.

-- One number, raised by every recording: a fit names the one it takes in.
CREATE TABLE fleet_change (
    id BIGINT NOT NULL PRIMARY KEY CHECK (id = 1),
    changes BIGINT NOT NULL
);

INSERT INTO fleet_change (id, changes) VALUES (1, 0);

-- The last fit of the network; no row before the first.
CREATE TABLE fleet_fit (
    id BIGINT NOT NULL PRIMARY KEY CHECK (id = 1),
    number BIGINT NOT NULL,                         -- counts fits
    fitted_at BIGINT NOT NULL,
    components_number BIGINT NOT NULL,              -- counts changes of the variance components
    components_at BIGINT,                           -- when they were learnt; null for assumptions
    components TEXT COLLATE "C" NOT NULL,           -- JSON
    globals TEXT COLLATE "C" NOT NULL,              -- JSON list of [error shared by all sites, expected deviation °C, readings, sites]
    solution BYTEA NOT NULL,                        -- postcard: means, covariance, likelihood
    readings BIGINT NOT NULL,
    changes BIGINT NOT NULL,                        -- fleet_change that it takes in
    reference_version BIGINT NOT NULL               -- reference_version that it takes in
);

-- Each site's part of the last fit.
CREATE TABLE site_fit (
    site_id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    document BYTEA NOT NULL                         -- postcard; its shape is in documents/fit.rs
);

-- Who does a piece of background work now. A lease that ran out may be taken; every taking raises the
-- fence, and work is stored only under the fence it began with.
CREATE TABLE work_lease (
    name TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    owner TEXT COLLATE "C" NOT NULL,
    until BIGINT NOT NULL,
    fence BIGINT NOT NULL
);

CREATE TABLE finding (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    kind TEXT COLLATE "C" NOT NULL,
    site_id TEXT COLLATE "C" NOT NULL,              -- '' for what the whole network shares
    subject TEXT COLLATE "C" NOT NULL,              -- resource name of a furnace, batch, gauge or site
    state TEXT COLLATE "C" NOT NULL,                -- open, acknowledged, resolved
    probability DOUBLE PRECISION NOT NULL,
    statement TEXT COLLATE "C" NOT NULL,
    next_step TEXT COLLATE "C" NOT NULL,
    evidence TEXT COLLATE "C" NOT NULL,             -- JSON list of [label, value, unit]
    readings TEXT COLLATE "C" NOT NULL,             -- JSON list of resource names, latest first
    first_seen_at BIGINT NOT NULL,
    last_seen_at BIGINT NOT NULL,
    false_discovery_rate DOUBLE PRECISION NOT NULL,
    note TEXT COLLATE "C" NOT NULL,
    noted_by TEXT COLLATE "C" NOT NULL,
    noted_at BIGINT,
    revision BIGINT NOT NULL                        -- counts versions from 1; the etag
);

CREATE INDEX finding_subject ON finding (subject, kind);
CREATE INDEX finding_site ON finding (site_id, state);
