-- The change feed: every entry of the audit chains and of the log of alerts that is told, in one order. It is numbered
-- after the commit, so recordings take no part in it.

CREATE TABLE change (
    seq BIGINT NOT NULL PRIMARY KEY,                   -- counts from 1 without gaps
    site_id TEXT COLLATE "C" NOT NULL,                 -- '' for the network
    sequence BIGINT NOT NULL,                          -- counts from 1 within the site
    kind TEXT COLLATE "C" NOT NULL,                    -- such as reading.recorded; never renamed
    subject TEXT COLLATE "C" NOT NULL,                 -- resource name of what changed
    about TEXT COLLATE "C" NOT NULL,                   -- resource name of what that is about; '' where its name tells
    reading TEXT COLLATE "C" NOT NULL,                 -- resource name of the reading it is about; '' for none
    at BIGINT NOT NULL,
    actor_kind TEXT COLLATE "C" NOT NULL,              -- person, device, integration, local, server
    is_shared BOOLEAN NOT NULL,                        -- whether everybody sees it, whose site it is or not
    mark TEXT COLLATE "C" NOT NULL                     -- out of the hash of what it tells
);

CREATE INDEX change_of_site ON change (site_id, seq);

-- How far the feed has come: the one row stays when old changes are put away.
CREATE TABLE change_log (
    id BIGINT NOT NULL PRIMARY KEY CHECK (id = 1),
    last_seq BIGINT NOT NULL,                          -- number of the last change; 0 before the first
    alerts_seq BIGINT NOT NULL                         -- alert_change up to which it tells
);

-- How far it has come in each audit chain.
CREATE TABLE change_place (
    site_id TEXT COLLATE "C" NOT NULL PRIMARY KEY,     -- '' for the network's own
    seen_changes BIGINT NOT NULL,                      -- site_agenda.changes up to which the chain was looked at
    audit_seq BIGINT NOT NULL,                         -- entry up to which it tells
    sequence BIGINT NOT NULL                           -- number of the site's last change
);

-- The feed begins now: what was recorded before is listed, not followed.
INSERT INTO change_log (id, last_seq, alerts_seq) SELECT 1, 0, COALESCE(MAX(seq), 0) FROM alert_change;

INSERT INTO change_place (site_id, seen_changes, audit_seq, sequence)
    SELECT g.site_id, g.changes, COALESCE((SELECT MAX(a.seq) FROM audit AS a WHERE a.site_id = g.site_id), 0), 0
    FROM site_agenda AS g;

-- The rights on the tables above, beside those before.
ALTER FUNCTION rights() RENAME TO rights_until_0014;

CREATE FUNCTION rights() RETURNS TABLE (at_table TEXT, server_may TEXT, scoped_may TEXT, reads TEXT, writes TEXT)
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    SET search_path = public, pg_temp
AS $$
    SELECT * FROM rights_until_0014()
    UNION ALL SELECT rights.* FROM rule_words() AS w, LATERAL (VALUES
        -- What is told of the network to everybody is told to callers of some sites too. The server puts away old rows.
        ('change', 'SELECT, INSERT, DELETE', 'SELECT', w.own || ' OR is_shared', NULL),
        ('change_log', 'SELECT, UPDATE', NULL, NULL, NULL),
        ('change_place', 'SELECT, INSERT, UPDATE', NULL, 'false', NULL)
    ) AS rights (at_table, server_may, scoped_may, reads, writes)
$$;

REVOKE ALL ON FUNCTION rights() FROM PUBLIC;

SELECT grant_rights();
