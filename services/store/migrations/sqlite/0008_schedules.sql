-- When tasks are due, what was done about them, and the alerts that follow.

CREATE TABLE schedule_rule (
    site_id TEXT NOT NULL,                          -- '' for the network
    furnace_id TEXT NOT NULL,                       -- '' for the site or the network
    task TEXT NOT NULL,
    plan TEXT NOT NULL,                             -- site_interval, fixed_dates, since_last, no_dates, off
    recurrence TEXT NOT NULL,                       -- RFC 5545 RRULE value; '' for none
    starts_on TEXT,                                 -- local date; null for none
    after_firings INTEGER NOT NULL,                 -- 0 for no limit
    after_hours_hot REAL NOT NULL,                  -- 0 for no limit
    after_events TEXT NOT NULL,                     -- JSON list of kinds of furnace events
    busy_firings_per_day REAL NOT NULL,             -- 0 for never busy
    busy_interval_days INTEGER NOT NULL,
    shift TEXT NOT NULL,                            -- before, after
    grace_days INTEGER,                             -- null for the usual ones
    lead_days INTEGER,                              -- null for the usual ones
    verify INTEGER NOT NULL,
    is_removed INTEGER NOT NULL,                    -- the outer rule holds; kept for its version
    revision INTEGER NOT NULL,
    created_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, furnace_id, task)
) STRICT, WITHOUT ROWID;

-- Only ever added to.
CREATE TABLE care_act (
    site_id TEXT NOT NULL REFERENCES site (id),
    subject TEXT NOT NULL,                          -- resource name of a furnace or a ring batch
    acted_at INTEGER NOT NULL,
    id TEXT NOT NULL,
    kind TEXT NOT NULL,                             -- done, skipped, deferred, ring_fired, use_counted, rings_counted
    task TEXT NOT NULL,                             -- '' for counted use
    deferred_until TEXT,                            -- local date
    reason TEXT NOT NULL,
    from_day TEXT,                                  -- counted use: first local day,
    until_day TEXT,                                 -- last one,
    firings INTEGER,
    hours_hot REAL,
    rings_left INTEGER,
    chamber_was_empty INTEGER NOT NULL,
    performed_by TEXT NOT NULL,
    received_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, subject, acted_at, id)
) STRICT, WITHOUT ROWID;

CREATE UNIQUE INDEX care_act_id ON care_act (site_id, id);

-- Which sites have something to look at: a record since the last look, or a moment that was foreseen.
CREATE TABLE site_agenda (
    site_id TEXT NOT NULL PRIMARY KEY,              -- '' for what the network shares
    next_at INTEGER NOT NULL,                       -- 0 after a record; the end of time when nothing is foreseen
    changes INTEGER NOT NULL                        -- counts records, so that one made during a look is not missed
) STRICT, WITHOUT ROWID;

CREATE INDEX site_agenda_next ON site_agenda (next_at);

INSERT INTO site_agenda (site_id, next_at, changes) SELECT id, 0, 1 FROM site;
INSERT INTO site_agenda (site_id, next_at, changes) VALUES ('', 0, 1);

CREATE TABLE alert (
    id TEXT NOT NULL PRIMARY KEY,
    cause TEXT NOT NULL UNIQUE,                     -- one alert for each cause, ever
    kind TEXT NOT NULL,
    site_id TEXT NOT NULL,                          -- '' for what the network shares
    subject TEXT NOT NULL,                          -- resource name
    stage TEXT NOT NULL,                            -- soon, due, overdue, lapsed
    level TEXT NOT NULL,                            -- technician, manager, quality
    state TEXT NOT NULL,                            -- open, acknowledged, snoozed, closed
    statement TEXT NOT NULL,
    next_step TEXT NOT NULL,
    due_on TEXT,                                    -- local date
    raised_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL,
    note TEXT NOT NULL,
    noted_by TEXT NOT NULL,
    snoozed_until INTEGER,
    snoozes INTEGER NOT NULL,
    snooze_limit INTEGER,                           -- null: may not be snoozed
    closed_at INTEGER,
    close_reason TEXT NOT NULL,
    revision INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE INDEX alert_of_site ON alert (site_id, state);

-- Every change of an alert in the order of commit. Only ever added to.
CREATE TABLE alert_change (
    seq INTEGER NOT NULL PRIMARY KEY,               -- counts from 1 without gaps
    alert_id TEXT NOT NULL,
    site_id TEXT NOT NULL,
    kind TEXT NOT NULL,                             -- raised, updated, escalated, acknowledged, snoozed, reopened, closed
    at INTEGER NOT NULL,
    document TEXT NOT NULL                          -- the alert as it was then
) STRICT;

CREATE INDEX alert_change_of_alert ON alert_change (alert_id, seq);

-- How each piece of background work does.
CREATE TABLE work_run (
    name TEXT NOT NULL PRIMARY KEY,
    began_at INTEGER NOT NULL,                      -- of the last finished run
    duration_us INTEGER NOT NULL,
    succeeded_at INTEGER,
    runs INTEGER NOT NULL,                          -- that succeeded
    failures INTEGER NOT NULL,
    last_failure TEXT NOT NULL                      -- '' once a run succeeded after it
) STRICT, WITHOUT ROWID;
