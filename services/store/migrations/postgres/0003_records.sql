-- What happened: gauge checks, furnace events, adjustments, readings, evaluations. Only ever added to.

CREATE TABLE gauge_check (
    site_id TEXT COLLATE "C" NOT NULL,
    gauge_id TEXT COLLATE "C" NOT NULL,
    checked_at BIGINT NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    nominal_mm DOUBLE PRECISION NOT NULL,
    measured_mm TEXT COLLATE "C" NOT NULL,          -- JSON list
    block_standard_uncertainty_mm DOUBLE PRECISION NOT NULL,
    performed_by TEXT COLLATE "C" NOT NULL,
    note TEXT COLLATE "C" NOT NULL,
    bias_mm DOUBLE PRECISION NOT NULL,              -- mean measured minus nominal
    standard_uncertainty_mm DOUBLE PRECISION NOT NULL,  -- of the bias
    received_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, gauge_id, checked_at, id),
    FOREIGN KEY (site_id, gauge_id) REFERENCES gauge (site_id, id)
);

CREATE TABLE furnace_event (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    happened_at BIGINT NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,
    offset_shift_c DOUBLE PRECISION,                -- only for a changed controller offset
    note TEXT COLLATE "C" NOT NULL,
    performed_by TEXT COLLATE "C" NOT NULL,
    received_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, furnace_id, happened_at, id),
    FOREIGN KEY (site_id, furnace_id) REFERENCES furnace (site_id, id)
);

CREATE TABLE adjustment (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    adjusted_at BIGINT NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    programme_id TEXT COLLATE "C" NOT NULL,
    reading_id TEXT COLLATE "C",                    -- the reading that advised it
    previous_setpoint_c DOUBLE PRECISION NOT NULL,  -- as found
    setpoint_c DOUBLE PRECISION NOT NULL,           -- as left
    advised_setpoint_c DOUBLE PRECISION,
    performed_by TEXT COLLATE "C" NOT NULL,
    override_reason TEXT COLLATE "C" NOT NULL,
    received_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, furnace_id, adjusted_at, id),
    FOREIGN KEY (site_id, furnace_id, programme_id) REFERENCES programme (site_id, furnace_id, id)
);

-- One index only, the primary key: it serves lists, the search for a second report of one firing, and
-- replays; a second one would cost more than all else in a recording. Kept in parts by the year of firing, see the end
-- of this file.
CREATE TABLE reading (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    fired_at BIGINT NOT NULL,                       -- end of the firing
    id TEXT COLLATE "C" NOT NULL,
    programme_id TEXT COLLATE "C" NOT NULL,
    setpoint_c DOUBLE PRECISION NOT NULL,           -- of the firing
    setpoint_reported BOOLEAN NOT NULL,             -- whether the report stated it
    batch_id TEXT COLLATE "C",                      -- null for a thermocouple
    gauge_id TEXT COLLATE "C",                      -- null for a thermocouple
    measurement TEXT COLLATE "C" NOT NULL,          -- JSON: rings and diameters, or thermocouple
    measured_at BIGINT NOT NULL,
    purpose TEXT COLLATE "C" NOT NULL,
    performed_by TEXT COLLATE "C" NOT NULL,
    note TEXT COLLATE "C" NOT NULL,
    answered TEXT COLLATE "C" NOT NULL,             -- JSON list of question codes
    received_at BIGINT NOT NULL,
    amends TEXT COLLATE "C",                        -- id of the earlier version
    amend_reason TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (site_id, furnace_id, fired_at, id),
    FOREIGN KEY (site_id, furnace_id, programme_id) REFERENCES programme (site_id, furnace_id, id),
    FOREIGN KEY (batch_id) REFERENCES ring_batch (id)
) PARTITION BY RANGE (fired_at);

CREATE TABLE evaluation (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    fired_at BIGINT NOT NULL,
    reading_id TEXT COLLATE "C" NOT NULL,
    method_version TEXT COLLATE "C" NOT NULL,       -- of the mathematics
    counts BOOLEAN NOT NULL,                        -- whether the furnace's offset takes it into account
    observed_offset_c DOUBLE PRECISION NOT NULL,
    independent_c DOUBLE PRECISION NOT NULL,        -- standard uncertainty, what the next reading does not repeat
    shared_c DOUBLE PRECISION NOT NULL,             -- standard uncertainty, what it does
    mean_mm DOUBLE PRECISION NOT NULL,              -- of the first ring as measured; 0 for a thermocouple
    removed_c DOUBLE PRECISION NOT NULL,            -- what a check of the gauge took off the offset
    effects TEXT COLLATE "C" NOT NULL,              -- JSON list of [error shared with other readings, coefficient, expected deviation]
    innovation_z DOUBLE PRECISION,                  -- distance from what was expected, standard deviations; null at the first
    innovation_sd_c DOUBLE PRECISION,               -- that standard deviation
    gain DOUBLE PRECISION,                          -- weight of the reading in the offset, 0 to 1
    advised_setpoint_c DOUBLE PRECISION,            -- null when not evaluable
    next_due_on TEXT COLLATE "C" NOT NULL,          -- local date
    inputs TEXT COLLATE "C" NOT NULL,               -- JSON: all it depends on besides reading and tables
    result TEXT COLLATE "C" NOT NULL,               -- JSON: all that came out
    PRIMARY KEY (site_id, furnace_id, fired_at, reading_id)
) PARTITION BY RANGE (fired_at);

-- Which version of a reading took the place of which.
CREATE TABLE amendment (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    reading_id TEXT COLLATE "C" NOT NULL,           -- the earlier version
    amended_by TEXT COLLATE "C" NOT NULL,           -- the later one
    PRIMARY KEY (site_id, furnace_id, reading_id)
);

-- Numbered rings that were fired: a ring can be fired only once.
CREATE TABLE fired_ring (
    batch_id TEXT COLLATE "C" NOT NULL,
    serial_number TEXT COLLATE "C" NOT NULL,
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    reading_id TEXT COLLATE "C" NOT NULL,           -- the first reading that used it
    PRIMARY KEY (batch_id, serial_number)
);

-- Readings and evaluations by the calendar year (UTC) in which the firing ended: indexes that are written to stay small,
-- and old years can be moved or put away by themselves. What fits no year goes into the default part, so that nothing
-- is ever refused for want of one.
CREATE TABLE reading_before_2025 PARTITION OF reading FOR VALUES FROM (MINVALUE) TO (1735689600000000);
CREATE TABLE evaluation_before_2025 PARTITION OF evaluation FOR VALUES FROM (MINVALUE) TO (1735689600000000);
CREATE TABLE reading_default PARTITION OF reading DEFAULT;
CREATE TABLE evaluation_default PARTITION OF evaluation DEFAULT;

-- Makes the parts that are missing for these years, both included, and gives how many those were. What the default part
-- holds of such a year moves with it, in the same transaction.
--
-- It has its owner's rights, so that the server, which may not alter tables, can have next year's parts made. To make
-- one, nobody may be reading the default part for a moment; where somebody does for long, it fails after a second
-- rather than hold up everybody behind it, and is to be called again later. So call it well before the year begins.
CREATE FUNCTION make_partitions(from_year INTEGER, until_year INTEGER) RETURNS INTEGER
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp
    SET lock_timeout = '1s'
AS $$
DECLARE
    whole TEXT;
    part TEXT;
    rest TEXT;
    from_us BIGINT;
    until_us BIGINT;
    made INTEGER := 0;
BEGIN
    IF from_year IS NULL OR until_year IS NULL OR until_year > 9998 OR until_year - from_year > 100 THEN
        RAISE EXCEPTION 'years from % until % are not within reason', from_year, until_year
            USING ERRCODE = 'invalid_parameter_value';
    END IF;
    -- One at a time, or two servers would make the same part.
    PERFORM pg_advisory_xact_lock(hashtext('ringtrue make_partitions'));
    FOR year IN GREATEST(from_year, 2025) .. until_year LOOP
        from_us := (extract(epoch FROM make_timestamptz(year, 1, 1, 0, 0, 0, 'UTC')) * 1000000)::BIGINT;
        until_us := (extract(epoch FROM make_timestamptz(year + 1, 1, 1, 0, 0, 0, 'UTC')) * 1000000)::BIGINT;
        FOREACH whole IN ARRAY ARRAY['reading', 'evaluation'] LOOP
            part := whole || '_' || year;
            rest := whole || '_default';
            CONTINUE WHEN to_regclass('public.' || part) IS NOT NULL;
            -- Attached rather than made in place, which would shut out everybody who reads or records.
            EXECUTE format('CREATE TABLE %I (LIKE %I INCLUDING ALL)', part, whole);
            EXECUTE format('LOCK TABLE %I IN ACCESS EXCLUSIVE MODE', rest);
            EXECUTE format('WITH moved AS (DELETE FROM %I WHERE fired_at >= %s AND fired_at < %s RETURNING *)
                INSERT INTO %I SELECT * FROM moved', rest, from_us, until_us, part);
            EXECUTE format('ALTER TABLE %I ATTACH PARTITION %I FOR VALUES FROM (%s) TO (%s)',
                whole, part, from_us, until_us);
            made := made + 1;
        END LOOP;
    END LOOP;
    RETURN made;
END;
$$;

REVOKE ALL ON FUNCTION make_partitions(INTEGER, INTEGER) FROM PUBLIC;

SELECT make_partitions(2025, 2028);
