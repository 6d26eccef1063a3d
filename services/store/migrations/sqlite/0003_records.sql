-- What happened: gauge checks, furnace events, adjustments, readings, evaluations. Only ever added to.

CREATE TABLE gauge_check (
    site_id TEXT NOT NULL,
    gauge_id TEXT NOT NULL,
    checked_at INTEGER NOT NULL,
    id TEXT NOT NULL,
    nominal_mm REAL NOT NULL,
    measured_mm TEXT NOT NULL,                      -- JSON list
    block_standard_uncertainty_mm REAL NOT NULL,
    performed_by TEXT NOT NULL,
    note TEXT NOT NULL,
    bias_mm REAL NOT NULL,                          -- mean measured minus nominal
    standard_uncertainty_mm REAL NOT NULL,          -- of the bias
    received_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, gauge_id, checked_at, id),
    FOREIGN KEY (site_id, gauge_id) REFERENCES gauge (site_id, id)
) STRICT;

CREATE TABLE furnace_event (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    happened_at INTEGER NOT NULL,
    id TEXT NOT NULL,
    kind TEXT NOT NULL,
    offset_shift_c REAL,                            -- only for a changed controller offset
    note TEXT NOT NULL,
    performed_by TEXT NOT NULL,
    received_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, furnace_id, happened_at, id),
    FOREIGN KEY (site_id, furnace_id) REFERENCES furnace (site_id, id)
) STRICT;

CREATE TABLE adjustment (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    adjusted_at INTEGER NOT NULL,
    id TEXT NOT NULL,
    programme_id TEXT NOT NULL,
    reading_id TEXT,                                -- the reading that advised it
    previous_setpoint_c REAL NOT NULL,              -- as found
    setpoint_c REAL NOT NULL,                       -- as left
    advised_setpoint_c REAL,
    performed_by TEXT NOT NULL,
    override_reason TEXT NOT NULL,
    received_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, furnace_id, adjusted_at, id),
    FOREIGN KEY (site_id, furnace_id, programme_id) REFERENCES programme (site_id, furnace_id, id)
) STRICT;

-- One index only, the primary key: it serves lists, the search for a second report of one firing, and
-- replays; a second one would cost more than all else in a recording.
CREATE TABLE reading (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    fired_at INTEGER NOT NULL,                      -- end of the firing
    id TEXT NOT NULL,
    programme_id TEXT NOT NULL,
    setpoint_c REAL NOT NULL,                       -- of the firing
    setpoint_reported INTEGER NOT NULL,             -- whether the report stated it
    batch_id TEXT,                                  -- null for a thermocouple
    gauge_id TEXT,                                  -- null for a thermocouple
    measurement TEXT NOT NULL,                      -- JSON: rings and diameters, or thermocouple
    measured_at INTEGER NOT NULL,
    purpose TEXT NOT NULL,
    performed_by TEXT NOT NULL,
    note TEXT NOT NULL,
    answered TEXT NOT NULL,                         -- JSON list of question codes
    received_at INTEGER NOT NULL,
    amends TEXT,                                    -- id of the earlier version
    amend_reason TEXT NOT NULL,
    PRIMARY KEY (site_id, furnace_id, fired_at, id),
    FOREIGN KEY (site_id, furnace_id, programme_id) REFERENCES programme (site_id, furnace_id, id),
    FOREIGN KEY (batch_id) REFERENCES ring_batch (id)
) STRICT;

CREATE TABLE evaluation (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    fired_at INTEGER NOT NULL,
    reading_id TEXT NOT NULL,
    method_version TEXT NOT NULL,                   -- of the mathematics
    counts INTEGER NOT NULL,                        -- whether the furnace's offset takes it into account
    observed_offset_c REAL NOT NULL,
    independent_c REAL NOT NULL,                    -- standard uncertainty, what the next reading does not repeat
    shared_c REAL NOT NULL,                         -- standard uncertainty, what it does
    mean_mm REAL NOT NULL,                          -- of the first ring as measured; 0 for a thermocouple
    removed_c REAL NOT NULL,                        -- what a check of the gauge took off the offset
    effects TEXT NOT NULL,                          -- JSON list of [error shared with other readings, coefficient, expected deviation]
    innovation_z REAL,                              -- distance from what was expected, standard deviations; null at the first
    innovation_sd_c REAL,                           -- that standard deviation
    gain REAL,                                      -- weight of the reading in the offset, 0 to 1
    advised_setpoint_c REAL,                        -- null when not evaluable
    next_due_on TEXT NOT NULL,                      -- local date
    inputs TEXT NOT NULL,                           -- JSON: all it depends on besides reading and tables
    result TEXT NOT NULL,                           -- JSON: all that came out
    PRIMARY KEY (site_id, furnace_id, fired_at, reading_id)
) STRICT;

-- Which version of a reading took the place of which.
CREATE TABLE amendment (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    reading_id TEXT NOT NULL,                       -- the earlier version
    amended_by TEXT NOT NULL,                       -- the later one
    PRIMARY KEY (site_id, furnace_id, reading_id)
) STRICT, WITHOUT ROWID;

-- Numbered rings that were fired: a ring can be fired only once.
CREATE TABLE fired_ring (
    batch_id TEXT NOT NULL,
    serial_number TEXT NOT NULL,
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    reading_id TEXT NOT NULL,                       -- the first reading that used it
    PRIMARY KEY (batch_id, serial_number)
) STRICT, WITHOUT ROWID;
