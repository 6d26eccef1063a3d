-- Sites and what stands in them: furnaces, programmes, gauges. Content that people may change; every
-- version that ever was is kept, whole, in the audit chain.
-- Moments are microseconds since 1970-01-01 UTC; text lists are JSON. Text is compared byte by byte (COLLATE "C"), as
-- SQLite does, wherever the database stands.

CREATE TABLE site (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    display_name TEXT COLLATE "C" NOT NULL,
    time_zone TEXT COLLATE "C" NOT NULL,            -- IANA name
    calibration_day BIGINT NOT NULL,                -- ISO 8601, Monday is 1
    calibration_interval_days BIGINT NOT NULL,
    closed_days TEXT COLLATE "C" NOT NULL,          -- JSON list of ISO weekdays
    tolerance_c DOUBLE PRECISION NOT NULL,
    action_band_c DOUBLE PRECISION NOT NULL,
    largest_step_c DOUBLE PRECISION NOT NULL,
    accepts_assumed_hold_correction BOOLEAN NOT NULL,
    full_compensation BOOLEAN NOT NULL,
    revision BIGINT NOT NULL,                       -- counts versions from 1; the etag
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL
);

CREATE TABLE furnace (
    site_id TEXT COLLATE "C" NOT NULL REFERENCES site (id),
    id TEXT COLLATE "C" NOT NULL,
    display_name TEXT COLLATE "C" NOT NULL,
    maximum_setpoint_c DOUBLE PRECISION NOT NULL,
    setpoint_step_c DOUBLE PRECISION NOT NULL,
    heating_element TEXT COLLATE "C" NOT NULL,
    control_thermocouple TEXT COLLATE "C" NOT NULL,
    tolerance_c DOUBLE PRECISION,                   -- the site's when null
    reference_position TEXT COLLATE "C" NOT NULL,
    serial_number TEXT COLLATE "C" NOT NULL,
    state TEXT COLLATE "C" NOT NULL,                -- in_use, in_service, retired
    revision BIGINT NOT NULL,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, id)
);

CREATE TABLE programme (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    display_name TEXT COLLATE "C" NOT NULL,
    segments TEXT COLLATE "C" NOT NULL,             -- JSON list of [ramp °C/min, temperature °C, hold min]
    material_target_c DOUBLE PRECISION NOT NULL,    -- what the material's instructions ask for
    shade_shift_c DOUBLE PRECISION NOT NULL,        -- tuning for shade, never the furnace's correction
    setpoint_c DOUBLE PRECISION NOT NULL,           -- on the controller now; changed only by adjustments
    minimum_setpoint_c DOUBLE PRECISION NOT NULL,   -- 0 for none
    maximum_setpoint_c DOUBLE PRECISION NOT NULL,   -- 0 for the furnace's alone
    kind TEXT COLLATE "C" NOT NULL,
    changed_from_c DOUBLE PRECISION,                -- the adjustment confirmed last: as found,
    changed_to_c DOUBLE PRECISION,                  -- as left,
    changed_at BIGINT,                              -- and when
    revision BIGINT NOT NULL,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, furnace_id, id),
    FOREIGN KEY (site_id, furnace_id) REFERENCES furnace (site_id, id)
);

CREATE TABLE gauge (
    site_id TEXT COLLATE "C" NOT NULL REFERENCES site (id),
    id TEXT COLLATE "C" NOT NULL,
    display_name TEXT COLLATE "C" NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,                 -- caliper, micrometer
    resolution_mm DOUBLE PRECISION NOT NULL,
    maximum_permissible_error_mm DOUBLE PRECISION NOT NULL,
    check_interval_days BIGINT NOT NULL,
    serial_number TEXT COLLATE "C" NOT NULL,
    in_use BOOLEAN NOT NULL,
    revision BIGINT NOT NULL,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, id)
);
