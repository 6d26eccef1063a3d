-- Who gets mail about alerts, mail under way, and calendar feeds.

CREATE TABLE mail_subscription (
    site_id TEXT COLLATE "C" NOT NULL,              -- '' for the whole network
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    address TEXT COLLATE "C" NOT NULL,              -- '' once deleted
    level TEXT COLLATE "C" NOT NULL,
    mode TEXT COLLATE "C" NOT NULL,                 -- immediate, digest
    stop_secret_digest TEXT COLLATE "C" NOT NULL UNIQUE,  -- SHA-256 of the secret in the link that ends it
    stop_secret TEXT COLLATE "C" NOT NULL,          -- that secret: it goes out with every mail
    unsubscribed BOOLEAN NOT NULL,
    last_sent_at BIGINT,
    last_failure TEXT COLLATE "C" NOT NULL,
    failing_since BIGINT,                           -- null while mail gets through
    digested_at BIGINT,                             -- when the last digest was made
    after_seq BIGINT NOT NULL,                      -- alert_change up to which mail was made
    created_at BIGINT NOT NULL,
    is_deleted BOOLEAN NOT NULL
);

-- Mail to send. One for each recipient and cause.
CREATE TABLE mail (
    subscription_id TEXT COLLATE "C" NOT NULL REFERENCES mail_subscription (id),
    topic TEXT COLLATE "C" NOT NULL,                -- id of the alert, or the local day of a digest
    message_id TEXT COLLATE "C" NOT NULL,           -- RFC 5322 Message-ID, the same at every attempt
    state TEXT COLLATE "C" NOT NULL,                -- waiting, sent, given_up
    attempts BIGINT NOT NULL,
    next_at BIGINT NOT NULL,
    made_at BIGINT NOT NULL,
    sent_at BIGINT,
    last_failure TEXT COLLATE "C" NOT NULL,
    document TEXT COLLATE "C" NOT NULL,             -- JSON: the changes it tells of
    PRIMARY KEY (subscription_id, topic)
);

CREATE INDEX mail_waiting ON mail (state, next_at);

CREATE TABLE calendar_feed (
    site_id TEXT COLLATE "C" NOT NULL REFERENCES site (id),
    id TEXT COLLATE "C" NOT NULL,
    display_name TEXT COLLATE "C" NOT NULL,
    secret_digest TEXT COLLATE "C" NOT NULL UNIQUE,  -- SHA-256; the secret itself is kept nowhere
    is_revoked BOOLEAN NOT NULL,
    created_at BIGINT NOT NULL,
    PRIMARY KEY (site_id, id)
);
