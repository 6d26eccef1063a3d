-- Ring batches, which the whole network shares, and their tables. A table is never changed.

CREATE TABLE ring_batch (
    id TEXT NOT NULL PRIMARY KEY,
    code TEXT NOT NULL,
    stated_expanded_uncertainty_c REAL,             -- k = 2, when the papers state one
    expires_on TEXT,                                -- local date, ISO 8601
    provenance TEXT NOT NULL,
    state TEXT NOT NULL,                            -- released, on_hold, withdrawn
    state_reason TEXT NOT NULL,
    revision INTEGER NOT NULL,
    created_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE ring_table (
    batch_id TEXT NOT NULL REFERENCES ring_batch (id),
    hold_min REAL NOT NULL,
    entries TEXT NOT NULL,                          -- JSON list of [diameter mm, temperature °C]
    PRIMARY KEY (batch_id, hold_min)
) STRICT, WITHOUT ROWID;
