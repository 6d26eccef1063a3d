-- What is worked out from the records, and can be again with the same result.

-- The offset as a function of the errors that readings share; see the fits in a later migration.
CREATE TABLE tracked_offset (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    components BIGINT NOT NULL,                     -- number of the variance components used
    readings BIGINT NOT NULL,
    last_reading_id TEXT COLLATE "C" NOT NULL,
    last_fired_at BIGINT NOT NULL,
    document BYTEA NOT NULL,                        -- the filter, postcard; its shape is in documents/tracked.rs
    PRIMARY KEY (site_id, furnace_id)
);

-- Pooled scatter of what each gauge measured within rings.
CREATE TABLE gauge_scatter (
    site_id TEXT COLLATE "C" NOT NULL,
    gauge_id TEXT COLLATE "C" NOT NULL,
    sum_of_squares_mm2 DOUBLE PRECISION NOT NULL,
    degrees_of_freedom DOUBLE PRECISION NOT NULL,
    PRIMARY KEY (site_id, gauge_id)
);

-- One number, raised by every change of a site, furnace, programme, gauge, check, event or batch: what a
-- server remembers of these is right while it stands.
CREATE TABLE reference_version (
    id BIGINT NOT NULL PRIMARY KEY CHECK (id = 1),
    version BIGINT NOT NULL
);

INSERT INTO reference_version (id, version) VALUES (1, 1);
