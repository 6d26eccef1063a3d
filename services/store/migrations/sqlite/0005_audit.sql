-- Proof: who did what, chained per site by hashes ('' is the network's own chain), and the answers
-- already given to requests.

CREATE TABLE audit (
    site_id TEXT NOT NULL,
    seq INTEGER NOT NULL,                           -- counts from 1 within the site
    at INTEGER NOT NULL,
    actor TEXT NOT NULL,
    action TEXT NOT NULL,
    subject TEXT NOT NULL,                          -- resource name
    document TEXT,                                  -- the whole version, for content that may change
    digest TEXT NOT NULL,                           -- SHA-256 of the record, hexadecimal
    previous TEXT NOT NULL,                         -- hash of the entry before
    hash TEXT NOT NULL,                             -- SHA-256 over all of the above
    PRIMARY KEY (site_id, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE request (
    id TEXT NOT NULL PRIMARY KEY,                   -- UUID chosen by the caller
    method TEXT NOT NULL,
    digest TEXT NOT NULL,                           -- SHA-256 of what was asked
    subject TEXT NOT NULL,                          -- resource name of the answer
    site_id TEXT NOT NULL,                          -- audit entry that holds the answer
    seq INTEGER NOT NULL,
    answered_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
