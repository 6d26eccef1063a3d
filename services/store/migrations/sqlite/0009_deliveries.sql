-- Who gets mail about alerts, mail under way, and calendar feeds.

CREATE TABLE mail_subscription (
    site_id TEXT NOT NULL,                          -- '' for the whole network
    id TEXT NOT NULL PRIMARY KEY,
    address TEXT NOT NULL,                          -- '' once deleted
    level TEXT NOT NULL,
    mode TEXT NOT NULL,                             -- immediate, digest
    stop_secret_digest TEXT NOT NULL UNIQUE,        -- SHA-256 of the secret in the link that ends it
    stop_secret TEXT NOT NULL,                      -- that secret: it goes out with every mail
    unsubscribed INTEGER NOT NULL,
    last_sent_at INTEGER,
    last_failure TEXT NOT NULL,
    failing_since INTEGER,                          -- null while mail gets through
    digested_at INTEGER,                            -- when the last digest was made
    after_seq INTEGER NOT NULL,                     -- alert_change up to which mail was made
    created_at INTEGER NOT NULL,
    is_deleted INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Mail to send. One for each recipient and cause.
CREATE TABLE mail (
    subscription_id TEXT NOT NULL REFERENCES mail_subscription (id),
    topic TEXT NOT NULL,                            -- id of the alert, or the local day of a digest
    message_id TEXT NOT NULL,                       -- RFC 5322 Message-ID, the same at every attempt
    state TEXT NOT NULL,                            -- waiting, sent, given_up
    attempts INTEGER NOT NULL,
    next_at INTEGER NOT NULL,
    made_at INTEGER NOT NULL,
    sent_at INTEGER,
    last_failure TEXT NOT NULL,
    document TEXT NOT NULL,                         -- JSON: the changes it tells of
    PRIMARY KEY (subscription_id, topic)
) STRICT, WITHOUT ROWID;

CREATE INDEX mail_waiting ON mail (state, next_at);

CREATE TABLE calendar_feed (
    site_id TEXT NOT NULL REFERENCES site (id),
    id TEXT NOT NULL,
    display_name TEXT NOT NULL,
    secret_digest TEXT NOT NULL UNIQUE,             -- SHA-256; the secret itself is kept nowhere
    is_revoked INTEGER NOT NULL,
    created_at INTEGER NOT NULL,
    PRIMARY KEY (site_id, id)
) STRICT, WITHOUT ROWID;
