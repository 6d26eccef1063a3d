-- Where changes are sent, and what became of each.

CREATE TABLE webhook (
    site_id TEXT COLLATE "C" NOT NULL,              -- '' for the whole network
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    display_name TEXT COLLATE "C" NOT NULL,
    url TEXT COLLATE "C" NOT NULL,                  -- '' once deleted: it may hold what only the receiver is to know
    types TEXT COLLATE "C" NOT NULL,                -- JSON list; all when empty
    sites TEXT COLLATE "C" NOT NULL,                -- JSON list of site ids; all when empty
    is_ordered BOOLEAN NOT NULL,
    is_active BOOLEAN NOT NULL,
    generation BIGINT NOT NULL,                     -- which of its secrets is in force; they follow from a key outside the database
    previous_until BIGINT,                          -- until when the one before is signed with too
    key_id TEXT COLLATE "C" NOT NULL,               -- which key that is
    stopped_because TEXT COLLATE "C" NOT NULL,      -- why the server stopped sending; '' when it did not
    failing_since BIGINT,                           -- null while events arrive
    dead_since BIGINT,                              -- null unless an event was given up since one last arrived
    last_failure TEXT COLLATE "C" NOT NULL,
    last_arrived_at BIGINT,
    after_seq BIGINT NOT NULL,                      -- change up to which deliveries were made
    revision BIGINT NOT NULL,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    is_deleted BOOLEAN NOT NULL
);

CREATE TABLE webhook_delivery (
    webhook_id TEXT COLLATE "C" NOT NULL REFERENCES webhook (id),
    change_seq BIGINT NOT NULL,                     -- the change that it tells
    state TEXT COLLATE "C" NOT NULL,                -- waiting, arrived, dead
    attempts BIGINT NOT NULL,                       -- since it began to wait
    next_at BIGINT NOT NULL,
    made_at BIGINT NOT NULL,                        -- since when it waits
    tried_at BIGINT,                                -- null before the first attempt
    last_failure TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (webhook_id, change_seq)
);

CREATE INDEX webhook_delivery_due ON webhook_delivery (state, next_at);

CREATE INDEX webhook_delivery_waiting ON webhook_delivery (state, webhook_id, change_seq);

-- The rights on the tables above, beside those before.
ALTER FUNCTION rights() RENAME TO rights_until_0015;

CREATE FUNCTION rights() RETURNS TABLE (at_table TEXT, server_may TEXT, scoped_may TEXT, reads TEXT, writes TEXT)
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    SET search_path = public, pg_temp
AS $$
    SELECT * FROM rights_until_0015()
    UNION ALL SELECT rights.* FROM rule_words() AS w, LATERAL (VALUES
        -- Webhooks of the whole network are for who keeps it; deliveries go by their webhook.
        ('webhook', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own, w.own),
        ('webhook_delivery', 'SELECT, INSERT, UPDATE, DELETE', 'SELECT, UPDATE',
            'EXISTS (SELECT 1 FROM webhook AS w WHERE w.id = webhook_id)',
            'EXISTS (SELECT 1 FROM webhook AS w WHERE w.id = webhook_id)')
    ) AS rights (at_table, server_may, scoped_may, reads, writes)
$$;

REVOKE ALL ON FUNCTION rights() FROM PUBLIC;

SELECT grant_rights();
