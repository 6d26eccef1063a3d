-- The change feed: every entry of the audit chains and of the log of alerts that is told, in one order. It is numbered
-- after the commit, so recordings take no part in it.

CREATE TABLE change (
    seq INTEGER NOT NULL PRIMARY KEY,                  -- counts from 1 without gaps
    site_id TEXT NOT NULL,                             -- '' for the network
    sequence INTEGER NOT NULL,                         -- counts from 1 within the site
    kind TEXT NOT NULL,                                -- such as reading.recorded; never renamed
    subject TEXT NOT NULL,                             -- resource name of what changed
    about TEXT NOT NULL,                               -- resource name of what that is about; '' where its name tells
    reading TEXT NOT NULL,                             -- resource name of the reading it is about; '' for none
    at INTEGER NOT NULL,
    actor_kind TEXT NOT NULL,                          -- person, device, integration, local, server
    is_shared INTEGER NOT NULL,                        -- whether everybody sees it, whose site it is or not
    mark TEXT NOT NULL                                 -- out of the hash of what it tells
) STRICT, WITHOUT ROWID;

CREATE INDEX change_of_site ON change (site_id, seq);

-- How far the feed has come: the one row stays when old changes are put away.
CREATE TABLE change_log (
    id INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    last_seq INTEGER NOT NULL,                         -- number of the last change; 0 before the first
    alerts_seq INTEGER NOT NULL                        -- alert_change up to which it tells
) STRICT, WITHOUT ROWID;

-- How far it has come in each audit chain.
CREATE TABLE change_place (
    site_id TEXT NOT NULL PRIMARY KEY,                 -- '' for the network's own
    seen_changes INTEGER NOT NULL,                     -- site_agenda.changes up to which the chain was looked at
    audit_seq INTEGER NOT NULL,                        -- entry up to which it tells
    sequence INTEGER NOT NULL                          -- number of the site's last change
) STRICT, WITHOUT ROWID;

-- The feed begins now: what was recorded before is listed, not followed.
INSERT INTO change_log (id, last_seq, alerts_seq) SELECT 1, 0, COALESCE(MAX(seq), 0) FROM alert_change;

INSERT INTO change_place (site_id, seen_changes, audit_seq, sequence)
    SELECT g.site_id, g.changes, COALESCE((SELECT MAX(a.seq) FROM audit AS a WHERE a.site_id = g.site_id), 0), 0
    FROM site_agenda AS g;
