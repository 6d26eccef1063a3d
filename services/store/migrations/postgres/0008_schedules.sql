-- When tasks are due, what was done about them, and the alerts that follow.

CREATE TABLE schedule_rule (
    site_id TEXT COLLATE "C" NOT NULL,              -- '' for the network
    furnace_id TEXT COLLATE "C" NOT NULL,           -- '' for the site or the network
    task TEXT COLLATE "C" NOT NULL,
    plan TEXT COLLATE "C" NOT NULL,                 -- site_interval, fixed_dates, since_last, no_dates, off
    recurrence TEXT COLLATE "C" NOT NULL,           -- RFC 5545 RRULE value; '' for none
    starts_on TEXT COLLATE "C",                     -- local date; null for none
    after_firings BIGINT NOT NULL,                  -- 0 for no limit
    after_hours_hot DOUBLE PRECISION NOT NULL,      -- 0 for no limit
    after_events TEXT COLLATE "C" NOT NULL,         -- JSON list of kinds of furnace events
    busy_firings_per_day DOUBLE PRECISION NOT NULL,  -- 0 for never busy
    busy_interval_days BIGINT NOT NULL,
    shift TEXT COLLATE "C" NOT NULL,                -- before, after
    grace_days BIGINT,                              -- null for the usual ones
    lead_days BIGINT,                               -- null for the usual ones
    verify BOOLEAN NOT NULL,
    is_removed BOOLEAN NOT NULL,                    -- the outer rule holds; kept for its version
    revision BIGINT NOT NULL,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, furnace_id, task)
);

-- Only ever added to.
CREATE TABLE care_act (
    site_id TEXT COLLATE "C" NOT NULL REFERENCES site (id),
    subject TEXT COLLATE "C" NOT NULL,              -- resource name of a furnace or a ring batch
    acted_at BIGINT NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,                 -- done, skipped, deferred, ring_fired, use_counted, rings_counted
    task TEXT COLLATE "C" NOT NULL,                 -- '' for counted use
    deferred_until TEXT COLLATE "C",                -- local date
    reason TEXT COLLATE "C" NOT NULL,
    from_day TEXT COLLATE "C",                      -- counted use: first local day,
    until_day TEXT COLLATE "C",                     -- last one,
    firings BIGINT,
    hours_hot DOUBLE PRECISION,
    rings_left BIGINT,
    chamber_was_empty BOOLEAN NOT NULL,
    performed_by TEXT COLLATE "C" NOT NULL,
    received_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, subject, acted_at, id)
);

CREATE UNIQUE INDEX care_act_id ON care_act (site_id, id);

-- Which sites have something to look at: a record since the last look, or a moment that was foreseen.
CREATE TABLE site_agenda (
    site_id TEXT COLLATE "C" NOT NULL PRIMARY KEY,  -- '' for what the network shares
    next_at BIGINT NOT NULL,                        -- 0 after a record; the end of time when nothing is foreseen
    changes BIGINT NOT NULL                         -- counts records, so that one made during a look is not missed
);

CREATE INDEX site_agenda_next ON site_agenda (next_at);

INSERT INTO site_agenda (site_id, next_at, changes) SELECT id, 0, 1 FROM site;
INSERT INTO site_agenda (site_id, next_at, changes) VALUES ('', 0, 1);

CREATE TABLE alert (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    cause TEXT COLLATE "C" NOT NULL UNIQUE,         -- one alert for each cause, ever
    kind TEXT COLLATE "C" NOT NULL,
    site_id TEXT COLLATE "C" NOT NULL,              -- '' for what the network shares
    subject TEXT COLLATE "C" NOT NULL,              -- resource name
    stage TEXT COLLATE "C" NOT NULL,                -- soon, due, overdue, lapsed
    level TEXT COLLATE "C" NOT NULL,                -- technician, manager, quality
    state TEXT COLLATE "C" NOT NULL,                -- open, acknowledged, snoozed, closed
    statement TEXT COLLATE "C" NOT NULL,
    next_step TEXT COLLATE "C" NOT NULL,
    due_on TEXT COLLATE "C",                        -- local date
    raised_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    note TEXT COLLATE "C" NOT NULL,
    noted_by TEXT COLLATE "C" NOT NULL,
    snoozed_until BIGINT,
    snoozes BIGINT NOT NULL,
    snooze_limit BIGINT,                            -- null: may not be snoozed
    closed_at BIGINT,
    close_reason TEXT COLLATE "C" NOT NULL,
    revision BIGINT NOT NULL
);

CREATE INDEX alert_of_site ON alert (site_id, state);

-- Every change of an alert in the order of commit. Only ever added to.
CREATE TABLE alert_change (
    seq BIGINT NOT NULL PRIMARY KEY,                -- counts from 1 without gaps
    alert_id TEXT COLLATE "C" NOT NULL,
    site_id TEXT COLLATE "C" NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,                 -- raised, updated, escalated, acknowledged, snoozed, reopened, closed
    at BIGINT NOT NULL,
    document TEXT COLLATE "C" NOT NULL              -- the alert as it was then
);

CREATE INDEX alert_change_of_alert ON alert_change (alert_id, seq);

-- How each piece of background work does.
CREATE TABLE work_run (
    name TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    began_at BIGINT NOT NULL,                       -- of the last finished run
    duration_us BIGINT NOT NULL,
    succeeded_at BIGINT,
    runs BIGINT NOT NULL,                           -- that succeeded
    failures BIGINT NOT NULL,
    last_failure TEXT COLLATE "C" NOT NULL          -- '' once a run succeeded after it
);
