-- Production firings with their cases, and what was decided about exposed ones. Only ever added to.

-- What came in one call; the audit chain has one entry for it, which vouches for all its firings.
CREATE TABLE firing_report (
    site_id TEXT COLLATE "C" NOT NULL REFERENCES site (id),
    id TEXT COLLATE "C" NOT NULL,
    firings BIGINT NOT NULL,
    names TEXT COLLATE "C" NOT NULL,                -- JSON list of [furnace, moment of the end, id]
    received_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, id)
);

-- The id begins with the moment of the end, so that a firing is found by its id alone.
CREATE TABLE firing (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    ended_at BIGINT NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    report_id TEXT COLLATE "C" NOT NULL,
    place BIGINT NOT NULL,                          -- within the report
    external_id TEXT COLLATE "C" NOT NULL,          -- the reporting system's own
    programme_id TEXT COLLATE "C" NOT NULL,
    setpoint_c DOUBLE PRECISION NOT NULL,
    setpoint_reported BOOLEAN NOT NULL,             -- whether the report stated it
    target_c DOUBLE PRECISION NOT NULL,             -- the programme's when it was recorded
    started_at BIGINT NOT NULL,
    ended_on TEXT COLLATE "C" NOT NULL,             -- local date
    hours_hot DOUBLE PRECISION NOT NULL,
    hours_reported BOOLEAN NOT NULL,                -- whether the report stated them
    outcome TEXT COLLATE "C" NOT NULL,              -- completed, aborted, power_lost, cancelled; '' when not said
    cases TEXT COLLATE "C" NOT NULL,                -- JSON list of [case, units]
    segments TEXT COLLATE "C" NOT NULL,             -- JSON list of [indicated °C, min]
    performed_by TEXT COLLATE "C" NOT NULL,
    note TEXT COLLATE "C" NOT NULL,
    received_at BIGINT NOT NULL,
    amends TEXT COLLATE "C",                        -- id of the earlier version
    amend_reason TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (site_id, furnace_id, ended_at, id),
    FOREIGN KEY (site_id, furnace_id, programme_id) REFERENCES programme (site_id, furnace_id, id)
);

-- The latest version of each firing by the reporting system's id: what makes repeats harmless.
CREATE TABLE firing_external (
    site_id TEXT COLLATE "C" NOT NULL,
    external_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    ended_at BIGINT NOT NULL,
    firing_id TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (site_id, external_id)
);

-- Which version of a firing took the place of which.
CREATE TABLE firing_amendment (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    firing_id TEXT COLLATE "C" NOT NULL,            -- the earlier version
    amended_by TEXT COLLATE "C" NOT NULL,           -- the later one
    PRIMARY KEY (site_id, furnace_id, firing_id)
);

-- Cases to their firings, every version's.
CREATE TABLE firing_case (
    site_id TEXT COLLATE "C" NOT NULL,
    case_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    ended_at BIGINT NOT NULL,
    firing_id TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (site_id, case_id, furnace_id, ended_at, firing_id)
);

-- Firings of each furnace by local day, without those that were amended or never took place: what due dates by use
-- count. Follows from the firings.
CREATE TABLE firing_day (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    ended_on TEXT COLLATE "C" NOT NULL,             -- local date
    firings BIGINT NOT NULL,
    minutes_hot BIGINT NOT NULL,                    -- each firing's rounded, so that sums are exact
    PRIMARY KEY (site_id, furnace_id, ended_on)
);

CREATE TABLE exposure_decision (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    decided_at BIGINT NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    span_start BIGINT NOT NULL,
    span_end BIGINT NOT NULL,
    reading_id TEXT COLLATE "C",                    -- the reading that led to it
    case_ids TEXT COLLATE "C" NOT NULL,             -- JSON list; empty for all cases of the span
    outcome TEXT COLLATE "C" NOT NULL,              -- no_action, use_as_is_concession, rework_by_instruction, remake, inform_prescriber
    reason TEXT COLLATE "C" NOT NULL,
    decided_by TEXT COLLATE "C" NOT NULL,
    received_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, furnace_id, decided_at, id),
    FOREIGN KEY (site_id, furnace_id) REFERENCES furnace (site_id, id)
);

-- The rights on the tables above, beside those before.
ALTER FUNCTION rights() RENAME TO rights_until_0013;

CREATE FUNCTION rights() RETURNS TABLE (at_table TEXT, server_may TEXT, scoped_may TEXT, reads TEXT, writes TEXT)
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    SET search_path = public, pg_temp
AS $$
    SELECT * FROM rights_until_0013()
    UNION ALL SELECT rights.* FROM rule_words() AS w, LATERAL (VALUES
        ('firing_report', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('firing', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('firing_external', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own, w.own),
        ('firing_amendment', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('firing_case', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('firing_day', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own, w.own),
        ('exposure_decision', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own)
    ) AS rights (at_table, server_may, scoped_may, reads, writes)
$$;

REVOKE ALL ON FUNCTION rights() FROM PUBLIC;

SELECT grant_rights();
