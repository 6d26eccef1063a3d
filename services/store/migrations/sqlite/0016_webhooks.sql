-- Where changes are sent, and what became of each.

CREATE TABLE webhook (
    site_id TEXT NOT NULL,                          -- '' for the whole network
    id TEXT NOT NULL PRIMARY KEY,
    display_name TEXT NOT NULL,
    url TEXT NOT NULL,                              -- '' once deleted: it may hold what only the receiver is to know
    types TEXT NOT NULL,                            -- JSON list; all when empty
    sites TEXT NOT NULL,                            -- JSON list of site ids; all when empty
    is_ordered INTEGER NOT NULL,
    is_active INTEGER NOT NULL,
    generation INTEGER NOT NULL,                    -- which of its secrets is in force; they follow from a key outside the database
    previous_until INTEGER,                         -- until when the one before is signed with too
    key_id TEXT NOT NULL,                           -- which key that is
    stopped_because TEXT NOT NULL,                  -- why the server stopped sending; '' when it did not
    failing_since INTEGER,                          -- null while events arrive
    dead_since INTEGER,                             -- null unless an event was given up since one last arrived
    last_failure TEXT NOT NULL,
    last_arrived_at INTEGER,
    after_seq INTEGER NOT NULL,                     -- change up to which deliveries were made
    revision INTEGER NOT NULL,
    created_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL,
    is_deleted INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE webhook_delivery (
    webhook_id TEXT NOT NULL REFERENCES webhook (id),
    change_seq INTEGER NOT NULL,                    -- the change that it tells
    state TEXT NOT NULL,                            -- waiting, arrived, dead
    attempts INTEGER NOT NULL,                      -- since it began to wait
    next_at INTEGER NOT NULL,
    made_at INTEGER NOT NULL,                       -- since when it waits
    tried_at INTEGER,                               -- null before the first attempt
    last_failure TEXT NOT NULL,
    PRIMARY KEY (webhook_id, change_seq)
) STRICT, WITHOUT ROWID;

CREATE INDEX webhook_delivery_due ON webhook_delivery (state, next_at);

CREATE INDEX webhook_delivery_waiting ON webhook_delivery (state, webhook_id, change_seq);
