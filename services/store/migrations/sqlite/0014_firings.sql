-- Production firings with their cases, and what was decided about exposed ones. Only ever added to.

-- What came in one call; the audit chain has one entry for it, which vouches for all its firings.
CREATE TABLE firing_report (
    site_id TEXT NOT NULL REFERENCES site (id),
    id TEXT NOT NULL,
    firings INTEGER NOT NULL,
    names TEXT NOT NULL,                            -- JSON list of [furnace, moment of the end, id]
    received_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, id)
) STRICT, WITHOUT ROWID;

-- The id begins with the moment of the end, so that a firing is found by its id alone.
CREATE TABLE firing (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    ended_at INTEGER NOT NULL,
    id TEXT NOT NULL,
    report_id TEXT NOT NULL,
    place INTEGER NOT NULL,                         -- within the report
    external_id TEXT NOT NULL,                      -- the reporting system's own
    programme_id TEXT NOT NULL,
    setpoint_c REAL NOT NULL,
    setpoint_reported INTEGER NOT NULL,             -- whether the report stated it
    target_c REAL NOT NULL,                         -- the programme's when it was recorded
    started_at INTEGER NOT NULL,
    ended_on TEXT NOT NULL,                         -- local date
    hours_hot REAL NOT NULL,
    hours_reported INTEGER NOT NULL,                -- whether the report stated them
    outcome TEXT NOT NULL,                          -- completed, aborted, power_lost, cancelled; '' when not said
    cases TEXT NOT NULL,                            -- JSON list of [case, units]
    segments TEXT NOT NULL,                         -- JSON list of [indicated °C, min]
    performed_by TEXT NOT NULL,
    note TEXT NOT NULL,
    received_at INTEGER NOT NULL,
    amends TEXT,                                    -- id of the earlier version
    amend_reason TEXT NOT NULL,
    PRIMARY KEY (site_id, furnace_id, ended_at, id),
    FOREIGN KEY (site_id, furnace_id, programme_id) REFERENCES programme (site_id, furnace_id, id)
) STRICT, WITHOUT ROWID;

-- The latest version of each firing by the reporting system's id: what makes repeats harmless.
CREATE TABLE firing_external (
    site_id TEXT NOT NULL,
    external_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    ended_at INTEGER NOT NULL,
    firing_id TEXT NOT NULL,
    PRIMARY KEY (site_id, external_id)
) STRICT, WITHOUT ROWID;

-- Which version of a firing took the place of which.
CREATE TABLE firing_amendment (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    firing_id TEXT NOT NULL,                        -- the earlier version
    amended_by TEXT NOT NULL,                       -- the later one
    PRIMARY KEY (site_id, furnace_id, firing_id)
) STRICT, WITHOUT ROWID;

-- Cases to their firings, every version's.
CREATE TABLE firing_case (
    site_id TEXT NOT NULL,
    case_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    ended_at INTEGER NOT NULL,
    firing_id TEXT NOT NULL,
    PRIMARY KEY (site_id, case_id, furnace_id, ended_at, firing_id)
) STRICT, WITHOUT ROWID;

-- Firings of each furnace by local day, without those that were amended or never took place: what due dates by use
-- count. Follows from the firings.
CREATE TABLE firing_day (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    ended_on TEXT NOT NULL,                         -- local date
    firings INTEGER NOT NULL,
    minutes_hot INTEGER NOT NULL,                   -- each firing's rounded, so that sums are exact
    PRIMARY KEY (site_id, furnace_id, ended_on)
) STRICT, WITHOUT ROWID;

CREATE TABLE exposure_decision (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    decided_at INTEGER NOT NULL,
    id TEXT NOT NULL,
    span_start INTEGER NOT NULL,
    span_end INTEGER NOT NULL,
    reading_id TEXT,                                -- the reading that led to it
    case_ids TEXT NOT NULL,                         -- JSON list; empty for all cases of the span
    outcome TEXT NOT NULL,                          -- no_action, use_as_is_concession, rework_by_instruction, remake, inform_prescriber
    reason TEXT NOT NULL,
    decided_by TEXT NOT NULL,
    received_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, furnace_id, decided_at, id),
    FOREIGN KEY (site_id, furnace_id) REFERENCES furnace (site_id, id)
) STRICT, WITHOUT ROWID;
