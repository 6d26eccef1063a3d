-- Ring batches, which the whole network shares, and their tables. A table is never changed.

CREATE TABLE ring_batch (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    code TEXT COLLATE "C" NOT NULL,
    stated_expanded_uncertainty_c DOUBLE PRECISION,  -- k = 2, when the papers state one
    expires_on TEXT COLLATE "C",                    -- local date, ISO 8601
    provenance TEXT COLLATE "C" NOT NULL,
    state TEXT COLLATE "C" NOT NULL,                -- released, on_hold, withdrawn
    state_reason TEXT COLLATE "C" NOT NULL,
    revision BIGINT NOT NULL,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL
);

CREATE TABLE ring_table (
    batch_id TEXT COLLATE "C" NOT NULL REFERENCES ring_batch (id),
    hold_min DOUBLE PRECISION NOT NULL,
    entries TEXT COLLATE "C" NOT NULL,              -- JSON list of [diameter mm, temperature °C]
    PRIMARY KEY (batch_id, hold_min)
);
