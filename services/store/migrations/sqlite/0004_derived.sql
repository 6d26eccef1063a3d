-- What is worked out from the records, and can be again with the same result.

CREATE TABLE tracked_offset (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    level_c REAL NOT NULL,                          -- offset at 1500 °C
    coefficient_c_per_100c REAL NOT NULL,
    variance_level REAL NOT NULL,
    covariance REAL NOT NULL,
    variance_coefficient REAL NOT NULL,
    shared_c REAL NOT NULL,
    readings INTEGER NOT NULL,
    lowest_setpoint_c REAL NOT NULL,
    highest_setpoint_c REAL NOT NULL,
    last_reading_id TEXT NOT NULL,
    last_fired_at INTEGER NOT NULL,
    last_setpoint_c REAL NOT NULL,
    last_observed_offset_c REAL NOT NULL,
    last_independent_c REAL NOT NULL,
    last_shared_c REAL NOT NULL,
    last_mean_mm REAL NOT NULL,
    last_batch_id TEXT,                             -- null for a thermocouple
    last_gauge_id TEXT,                             -- null for a thermocouple
    same_mean_run INTEGER NOT NULL,
    PRIMARY KEY (site_id, furnace_id)
) STRICT, WITHOUT ROWID;

-- Pooled scatter of what each gauge measured within rings.
CREATE TABLE gauge_scatter (
    site_id TEXT NOT NULL,
    gauge_id TEXT NOT NULL,
    sum_of_squares_mm2 REAL NOT NULL,
    degrees_of_freedom REAL NOT NULL,
    PRIMARY KEY (site_id, gauge_id)
) STRICT, WITHOUT ROWID;

-- One number, raised by every change of a site, furnace, programme, gauge, check, event or batch: what a
-- server remembers of these is right while it stands.
CREATE TABLE reference_version (
    id INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    version INTEGER NOT NULL
) STRICT;

INSERT INTO reference_version (id, version) VALUES (1, 1);
