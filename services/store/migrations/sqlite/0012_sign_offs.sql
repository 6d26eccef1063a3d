-- Signatures of a second person on readings and adjustments: which sites ask for them, what was signed, and the
-- phrases that people sign with.
-- Moments are microseconds since 1970-01-01 UTC.

ALTER TABLE site ADD COLUMN readings_sign_off_since INTEGER;               -- from then on readings wait for a signature; null when none does
ALTER TABLE site ADD COLUMN adjustments_sign_off_since INTEGER;            -- likewise adjustments

-- Only ever added to.
CREATE TABLE sign_off (
    site_id TEXT NOT NULL,
    furnace_id TEXT NOT NULL,
    subject_kind TEXT NOT NULL,                     -- reading, adjustment
    subject_id TEXT NOT NULL,
    id TEXT NOT NULL,
    meaning TEXT NOT NULL,                          -- reviewed, rejected
    comment TEXT NOT NULL,
    person TEXT NOT NULL,                           -- staff code
    credential_id TEXT NOT NULL,                    -- the person's own
    signed_at INTEGER NOT NULL,
    record_digest TEXT NOT NULL,                    -- digest that the signed record's audit entry holds
    PRIMARY KEY (site_id, id),
    FOREIGN KEY (site_id, furnace_id) REFERENCES furnace (site_id, id)
) STRICT, WITHOUT ROWID;

CREATE INDEX sign_off_of_subject ON sign_off (site_id, furnace_id, subject_kind, subject_id);

-- The second component of a signature, beside the credential.
CREATE TABLE signing_phrase (
    credential_id TEXT NOT NULL PRIMARY KEY,
    phrase_hash TEXT NOT NULL,                      -- salted, in the PHC string format
    failures INTEGER NOT NULL,                      -- wrong phrases since the last right one
    locked_until INTEGER,                           -- null when it is not locked
    updated_at INTEGER NOT NULL                     -- when it was set
) STRICT, WITHOUT ROWID;
