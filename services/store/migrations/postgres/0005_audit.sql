-- Proof: who did what, chained per site by hashes ('' is the network's own chain), and the answers
-- already given to requests.

CREATE TABLE audit (
    site_id TEXT COLLATE "C" NOT NULL,
    seq BIGINT NOT NULL,                            -- counts from 1 within the site
    at BIGINT NOT NULL,
    actor TEXT COLLATE "C" NOT NULL,
    action TEXT COLLATE "C" NOT NULL,
    subject TEXT COLLATE "C" NOT NULL,              -- resource name
    document TEXT COLLATE "C",                      -- the whole version, for content that may change
    digest TEXT COLLATE "C" NOT NULL,               -- SHA-256 of the record, hexadecimal
    previous TEXT COLLATE "C" NOT NULL,             -- hash of the entry before
    hash TEXT COLLATE "C" NOT NULL,                 -- SHA-256 over all of the above
    PRIMARY KEY (site_id, seq)
);

CREATE TABLE request (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,       -- UUID chosen by the caller
    method TEXT COLLATE "C" NOT NULL,
    digest TEXT COLLATE "C" NOT NULL,               -- SHA-256 of what was asked
    subject TEXT COLLATE "C" NOT NULL,              -- resource name of the answer
    site_id TEXT COLLATE "C" NOT NULL,              -- audit entry that holds the answer
    seq BIGINT NOT NULL,
    answered_at BIGINT NOT NULL
);
