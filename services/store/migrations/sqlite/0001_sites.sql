-- Sites and what stands in them: furnaces, programmes, gauges. Content that people may change; every
-- version that ever was is kept, whole, in the audit chain.
-- Moments are microseconds since 1970-01-01 UTC; truth is 0 or 1; text lists are JSON.

CREATE TABLE site (
    id TEXT NOT NULL PRIMARY KEY,
    display_name TEXT NOT NULL,
    time_zone TEXT NOT NULL,                        -- IANA name
    calibration_day INTEGER NOT NULL,               -- ISO 8601, Monday is 1
    calibration_interval_days INTEGER NOT NULL,
    closed_days TEXT NOT NULL,                      -- JSON list of ISO weekdays
    tolerance_c REAL NOT NULL,
    action_band_c REAL NOT NULL,
    largest_step_c REAL NOT NULL,
    accepts_assumed_hold_correction INTEGER NOT NULL,
    full_compensation INTEGER NOT NULL,
    revision INTEGER NOT NULL,                      -- counts versions from 1; the etag
    created_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE furnace (
    site_id TEXT NOT NULL REFERENCES site (id),
    id TEXT NOT NULL,
    display_name TEXT NOT NULL,
    maximum_setpoint_c REAL NOT NULL,
    setpoint_step_c REAL NOT NULL,
    heating_element TEXT NOT NULL,
    control_thermocouple TEXT NOT NULL,
    tolerance_c REAL,                               -- the site's when null
    reference_position TEXT NOT NULL,
    serial_number TEXT NOT NULL,
    state TEXT NOT NULL,                            -- in_use, in_service, retired
    revision INTEGER NOT NULL,
    created_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE programme (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    id TEXT NOT NULL,
    display_name TEXT NOT NULL,
    segments TEXT NOT NULL,                         -- JSON list of [ramp °C/min, temperature °C, hold min]
    material_target_c REAL NOT NULL,                -- what the material's instructions ask for
    shade_shift_c REAL NOT NULL,                    -- tuning for shade, never the furnace's correction
    setpoint_c REAL NOT NULL,                       -- on the controller now; changed only by adjustments
    minimum_setpoint_c REAL NOT NULL,               -- 0 for none
    maximum_setpoint_c REAL NOT NULL,               -- 0 for the furnace's alone
    kind TEXT NOT NULL,
    changed_from_c REAL,                            -- the adjustment confirmed last: as found,
    changed_to_c REAL,                              -- as left,
    changed_at INTEGER,                             -- and when
    revision INTEGER NOT NULL,
    created_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, furnace_id, id),
    FOREIGN KEY (site_id, furnace_id) REFERENCES furnace (site_id, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE gauge (
    site_id TEXT NOT NULL REFERENCES site (id),
    id TEXT NOT NULL,
    display_name TEXT NOT NULL,
    kind TEXT NOT NULL,                             -- caliper, micrometer
    resolution_mm REAL NOT NULL,
    maximum_permissible_error_mm REAL NOT NULL,
    check_interval_days INTEGER NOT NULL,
    serial_number TEXT NOT NULL,
    in_use INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    created_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, id)
) STRICT, WITHOUT ROWID;
